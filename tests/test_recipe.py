"""The recipe of the networks, taken step by step."""

import subprocess
from pathlib import Path

import pytest

from digitise.train import recipe

GIVEN = {"STROKES": Path("s.jsonl.gz"), "IMAGES": Path("i.idx"), "LABELS": Path("l.idx")}


def _inputs(step):
    """Files of the folder that a step takes."""
    return {w for w in step if w.startswith("out/")} - {str(recipe.made(step))}


def test_every_file_that_a_step_takes_was_made_by_one_before():
    """And the networks that are shipped come out."""
    ready: set[str] = set()
    for step in recipe.steps(GIVEN, Path("out")):
        assert _inputs(step) <= ready, step
        ready.add(str(recipe.made(step)))

    shipped = {p.name for p in (Path(recipe.__file__).parents[1] / "models").glob("*.onnx")}
    assert shipped <= {Path(p).name for p in ready}


def test_what_was_given_stands_in_its_place_and_a_share_shortens_all_times():
    """A fifth of 235 seconds."""
    first = recipe.steps(GIVEN, Path("out"), share=0.2)[0]

    told = " ".join(first)
    assert told == "harvest --strokes s.jsonl.gz --writers train --out out/pages.npz --seconds 47 --seed 30000000"


def test_a_recipe_that_was_stopped_goes_on_and_leaves_no_half_file(tmp_path, monkeypatch, capsys):
    """The first pages are there and kept, the second harvest fails: no file stands under its name."""
    taken = []

    def run(command, *, check):
        assert check
        taken.append(command[3])
        made = recipe.made(command)
        made.write_text("half")
        if made.name == "part-digits.npz":
            raise subprocess.CalledProcessError(1, command)

    monkeypatch.setattr(recipe.subprocess, "run", run)
    (tmp_path / "pages.npz").write_text("whole")
    with pytest.raises(subprocess.CalledProcessError):
        recipe.follow(GIVEN, tmp_path)

    assert taken == ["trace", "harvest"]
    assert (tmp_path / "pages.npz").read_text() == "whole"
    assert (tmp_path / "traced.jsonl.gz").exists()
    assert not (tmp_path / "digits.npz").exists()
    assert f"{tmp_path / 'pages.npz'} is there" in capsys.readouterr().out
