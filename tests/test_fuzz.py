"""A few hundred damaged files through the whole way in; ``tests/benchmarks/fuzz_way_in.py`` runs thousands."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from damage import mutated, nothing, seeds, way_in

from digitise.batch.workers import Stopped, Workers
from digitise.reader.reasons import REASONS

FILES = 420


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory) -> list:
    """What became of each damaged file, in a worker of bounded memory and time."""
    folder, names = tmp_path_factory.mktemp("fuzz"), sorted(seeds())
    paths: list[Path] = []
    for seed in range(FILES):
        paths.append(folder / f"{seed}.jpg")
        paths[-1].write_bytes(mutated(names[seed % len(names)], seed))
    with Workers(1, nothing, seconds=30) as workers:
        return list(workers.map(way_in, paths))


@pytest.mark.parametrize("name", sorted(seeds()))
def test_whole_files_come_through_whole(name: str, tmp_path) -> None:
    """Before any damage each gives its pictures: both pages, each member; an animation is refused."""
    (tmp_path / "file.bin").write_bytes(seeds()[name])
    found = [reason for reason, _ in way_in(None, tmp_path / "file.bin")]
    expected = {"tiff-pages": 2, "pdf": 2, "zip": 4, "zip-stored": 4}.get(name, 1)

    assert found == ["animated" if "animated" in name else "photo"] * expected


def test_no_damaged_file_ends_or_hangs_its_worker(outcomes) -> None:
    """Neither a crash, nor an exception, nor more memory or time than allowed."""
    assert [(i, o.why) for i, o in enumerate(outcomes) if isinstance(o, Stopped)] == []


def test_every_damaged_file_gives_photographs_or_sentences(outcomes) -> None:
    """Nothing vanishes: a file gives at least one outcome, and all that is no photograph says what to do."""
    assert all(outcomes)
    for reason, words in (one for o in outcomes for one in o):
        assert reason == "photo" or words.endswith(REASONS[reason].advice)


def test_the_damage_reaches_every_part_of_the_way(outcomes) -> None:
    """Some files survive, others fail in each of the ways there are; else the test would test nothing."""
    seen = Counter(reason for o in outcomes for reason, _ in o)

    assert min(seen[r] for r in ("photo", "damaged", "not-an-image", "animated")) >= 3
