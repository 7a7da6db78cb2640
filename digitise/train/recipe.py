"""How the shipped networks are made: every step in order, each a call of ``python -m digitise.train``."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

STEPS = (  # STROKES, IMAGES and LABELS stand for what the user gives; all other files lie in one folder
    "harvest --strokes STROKES --writers train --out pages.npz --seconds 235 --seed 30000000",
    "trace --images IMAGES --labels LABELS --skip 6000 --leave-out 17 --out traced.jsonl.gz",
    (
        "harvest --strokes STROKES --traced traced.jsonl.gz --writers train --out digits.npz --seconds 155 "
        "--seed 31000000 --rows codes numbers ticks fields"
    ),
    "fit --network character --train pages.npz --seconds 265 --fuse --out characters.onnx",
    "fit --network character --train pages.npz digits.npz --seconds 275 --fuse --out second.onnx",
    "fit --network tally --train pages.npz --seconds 330 --fuse --out tally.onnx",
    "fit --network tally --train pages.npz --seconds 500 --out tally_second.onnx",
    "fit --network line --train pages.npz --seconds 400 --out lines.onnx",
)
_MADE = (".npz", ".onnx", ".jsonl.gz")  # files that steps make, and later ones take


def steps(given: Mapping[str, Path], folder: Path, *, share: float = 1.0) -> list[list[str]]:
    """The arguments of each step: what is `given` in place of its name, files in `folder`, `share` of the seconds."""
    out = []
    for step in STEPS:
        words = step.split()
        for i, word in enumerate(words):
            if word in given:
                words[i] = str(given[word])
            elif word.endswith(_MADE):
                words[i] = str(folder / word)
            elif words[i - 1] == "--seconds":
                words[i] = f"{share * float(word):g}"
        out.append(words)
    return out


def made(step: list[str]) -> Path:
    """The file that a step makes."""
    return Path(step[step.index("--out") + 1])


def follow(given: Mapping[str, Path], folder: Path, *, share: float = 1.0) -> None:
    """Take every step whose file is not there yet, each as a program of its own; an interrupted recipe goes on.

    `subprocess.CalledProcessError` where a step fails; half a file is never left under its name.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for step in steps(given, folder, share=share):
        whole = made(step)
        if whole.exists():
            print(f"{whole} is there", flush=True)
            continue
        print(" ".join(step), flush=True)
        part = whole.with_name(f"part-{whole.name}")
        command = [sys.executable, "-m", "digitise.train", *(str(part) if w == str(whole) else w for w in step)]
        subprocess.run(command, check=True)  # noqa: S603 - our own program
        part.rename(whole)
