"""What reviewing costs a person, and what keying everything would: the counts and the estimate that README tells.

    python tests/benchmarks/bench_keystrokes.py              the sample photographs

Keystroke-level model (Card, Moran and Newell 1980, doi:10.1145/358886.358895): a key takes `KEY_S`, a look with its
decision `LOOK_S` (both from memory). Reviewing looks at every cell that waits and presses one key where the suggestion is
right, or where nobody could say what was meant; else it types the value and Enter. Keying looks at every written cell,
types it and Enter, and presses one key for a blank one.
"""

from __future__ import annotations

import json
from pathlib import Path

from digitise.batch.batch import known_protocols, read_batch
from digitise.batch.folders import photo_files
from digitise.reader.reading import Value

SAMPLES = Path(__file__).parents[2] / "sample_scans"
KEY_S, LOOK_S = 0.28, 1.35


def _typed(value: Value) -> int:
    """Characters of a written value; a tick is one key."""
    return 1 if value is True else len(str(value))


def main() -> None:
    """Read the samples, count, print."""
    manifest = json.loads((SAMPLES / "manifest.json").read_text(encoding="utf-8"))
    truth = {photo["sha256"]: photo["cells"] for photo in manifest["photos"]}
    sheets, waiting, typed, typed_keys, written, written_keys, blank = 0, 0, 0, 0, 0, 0, 0
    for taken in read_batch(photo_files([SAMPLES]), known_protocols()):
        for sheet in taken.result.sheets:
            if not sheet.readings:
                continue
            sheets += 1
            for reading in sheet.readings:
                value = truth[taken.result.sha256][reading.cell]["value"]
                empty = value is None or value is False
                blank += empty
                written += not empty
                written_keys += 0 if empty else _typed(value)
                waiting += reading.flagged
                if reading.flagged and value is not None and reading.value != value:
                    typed += 1
                    typed_keys += _typed(value)
    review = waiting * (LOOK_S + KEY_S) + typed_keys * KEY_S
    keying = written * (LOOK_S + KEY_S) + (written_keys + blank) * KEY_S
    print(
        f"{sheets} sheets, {(written + blank) / sheets:.0f} cells each; {waiting} wait, {waiting / sheets:.1f} a sheet"
    )
    print(
        f"{waiting - typed} take one key, {typed} are typed with {typed_keys} characters: {review / sheets:.1f} s a sheet"
    )
    print(
        f"all by hand: {written / sheets:.0f} written cells with {written_keys / sheets:.0f} characters and "
        f"{blank / sheets:.0f} blank ones a sheet: {keying / sheets:.0f} s a sheet"
    )


if __name__ == "__main__":
    main()
