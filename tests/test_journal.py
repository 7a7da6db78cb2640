"""What a stopped run has read is not lost, and a file is whole or not there."""

from __future__ import annotations

import json

import pytest

from digitise.batch.journal import Journal, journal_beside, write_whole


def _journal(folder, signature: str = "reader 1") -> Journal:
    return journal_beside(folder / "out.json", signature)


def test_the_next_run_finds_what_the_last_one_finished(tmp_path) -> None:
    """Also after it ended without a word: every line is on disk when it was added."""
    first = _journal(tmp_path)
    first.add("aa", {"file": "a.jpg", "readings": [{"value": "é"}]})
    first.add("bb", {"file": "b.jpg"})
    second = _journal(tmp_path)

    assert second.done == {"aa": {"file": "a.jpg", "readings": [{"value": "é"}]}, "bb": {"file": "b.jpg"}}
    first.close(ended=False)
    second.close(ended=False)
    assert (tmp_path / "out.json.part").is_file()


def test_a_run_that_is_stopped_as_soon_as_it_begins_loses_nothing_of_the_one_before(tmp_path) -> None:
    """All that it found is on disk before it reads anything."""
    first = _journal(tmp_path)
    first.add("aa", [{"file": "a.jpg"}])
    first.close(ended=False)
    stopped = _journal(tmp_path)
    third = _journal(tmp_path)

    assert third.done == stopped.done == {"aa": [{"file": "a.jpg"}]}
    stopped.close(ended=False)
    third.close(ended=False)


def test_a_name_with_a_line_break_of_another_kind_tears_no_line(tmp_path) -> None:
    first = _journal(tmp_path)
    first.add("aa", [{"file": "a\u2028b\x85c.jpg"}])
    first.close(ended=False)
    again = _journal(tmp_path)
    again.close(ended=False)

    assert again.done == {"aa": [{"file": "a\u2028b\x85c.jpg"}]}


def test_a_torn_line_is_left_out(tmp_path) -> None:
    """A power loss in the middle of a line costs that line; strange lines do no harm."""
    one = _journal(tmp_path)
    one.add("aa", {"file": "a.jpg"})
    one.close(ended=False)
    with one.path.open("a", encoding="utf-8") as out:
        out.write('[1, 2]\n{"sha256": "cc"}\n{"sha256": "bb", "sheets": {"fi')
    again = _journal(tmp_path)
    again.close(ended=False)

    assert again.done == {"aa": {"file": "a.jpg"}}
    assert [json.loads(line) for line in again.path.read_text(encoding="utf-8").splitlines()][1:] == [
        {"sha256": "aa", "sheets": {"file": "a.jpg"}}
    ]


def test_another_reader_or_other_protocols_begin_anew(tmp_path) -> None:
    one = _journal(tmp_path)
    one.add("aa", {"file": "a.jpg"})
    one.close(ended=False)
    other = _journal(tmp_path, "reader 2")
    other.close(ended=False)

    assert other.done == {}


def test_it_goes_when_the_run_has_ended(tmp_path) -> None:
    one = _journal(tmp_path)
    one.close(ended=True)

    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told_before_anything_is_read(tmp_path) -> None:
    with pytest.raises(FileNotFoundError, match=r"/no/out\.json\.part'"):
        journal_beside(tmp_path / "no" / "out.json", "reader 1")


def test_a_file_is_written_whole_or_not_at_all(tmp_path) -> None:
    """Text that cannot be written leaves the old file as it was, and nothing beside it."""
    write_whole(tmp_path / "out.json", "old")
    with pytest.raises(UnicodeEncodeError):
        write_whole(tmp_path / "out.json", "new \ud800")

    assert (tmp_path / "out.json").read_text(encoding="utf-8") == "old"
    write_whole(tmp_path / "out.json", "new")
    assert {p.name: p.read_text(encoding="utf-8") for p in tmp_path.iterdir()} == {"out.json": "new"}
