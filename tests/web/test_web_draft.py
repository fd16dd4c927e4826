"""Edits of programme.toml: comments stay, outside changes stay, nothing invalid is written."""

from pathlib import Path

import pytest

from washboard.errors import InputError, ProgrammeError
from washboard.programme import read_plan
from washboard.web._draft import Draft

REPEATS = ("event", "haul ramp", "repeats")


def draft_of(folder: Path) -> Draft:
    return Draft(folder, folder / ".washboard" / "draft.json")


def test_one_edit_changes_one_line_and_keeps_its_comment(folder: Path) -> None:
    before = (folder / "programme.toml").read_text().splitlines()
    draft = draft_of(folder)
    draft.set(REPEATS, 90)
    assert (folder / "programme.toml").read_text().splitlines() == before
    draft.save()
    after = (folder / "programme.toml").read_text().splitlines()
    changed = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    assert changed == [("repeats = 120     # counted by the quarry", "repeats = 90     # counted by the quarry")]
    assert read_plan(folder).event[0].repeats == 90


def test_an_edit_survives_a_restart(folder: Path) -> None:
    draft_of(folder).set(REPEATS, 90)
    again = draft_of(folder)
    assert again.plan().event[0].repeats == 90
    assert [edit.words for edit in again.edits] == ["event · haul ramp · repeats: 120 → 90"]


def test_what_was_changed_outside_meanwhile_is_kept(folder: Path) -> None:
    draft = draft_of(folder)
    mark = draft.file_mark()
    draft.set(REPEATS, 90)
    file = folder / "programme.toml"
    file.write_text(file.read_text().replace("repeats = 40", "repeats = 55  # recounted"))
    assert draft.file_mark() != mark
    draft.save()
    assert [event.repeats for event in read_plan(folder).event] == [90, 55]
    assert "# recounted" in file.read_text()


def test_the_same_key_changed_outside_is_never_overwritten(folder: Path) -> None:
    draft = draft_of(folder)
    draft.set(REPEATS, 90)
    file = folder / "programme.toml"
    file.write_text(file.read_text().replace("repeats = 120", "repeats = 130"))
    text = file.read_text()
    with pytest.raises(InputError, match=r"changed outside at the same place: repeats of event · haul ramp was 120"):
        draft.save()
    assert file.read_text() == text


def test_an_edit_that_makes_the_programme_invalid_is_refused_with_its_line(folder: Path) -> None:
    draft = draft_of(folder)
    with pytest.raises(ProgrammeError, match=r"programme\.toml:8: band\.high: '3 m' is in m where something in Hz"):
        draft.set(("band", "high"), "3 m")
    assert draft.edits == []


def test_setting_back_what_was_is_no_edit(folder: Path) -> None:
    draft = draft_of(folder)
    draft.set(REPEATS, 90)
    draft.set(REPEATS, 120)
    assert draft.edits == []


def test_undo_takes_back_the_last_edit_then_what_was_saved(folder: Path) -> None:
    draft = draft_of(folder)
    text = (folder / "programme.toml").read_text()
    draft.set(REPEATS, 90)
    draft.set(("shorten", "keep"), 0.9)
    assert "shorten · keep" in draft.undo()
    draft.save()
    draft.undo()
    draft.save()
    assert (folder / "programme.toml").read_text() == text
    assert draft_of(folder).undo() != ""


def test_a_table_that_is_not_there_yet_is_made(folder: Path) -> None:
    draft = draft_of(folder)
    draft.set(("shorten", "keep"), 0.9)
    draft.save()
    assert read_plan(folder).shorten.keep == 0.9
    assert (folder / "programme.toml").read_text().startswith("# Written by hand; this comment must survive")


def test_entries_are_added_to_a_list_and_taken_away_again(folder: Path) -> None:
    file = folder / "programme.toml"
    file.write_text(file.read_text() + '\n[[check.repair]]\ndo = "despike"  # seen by eye\n')
    text, draft = file.read_text(), draft_of(folder)
    held = draft.value(("check", "repair"))
    draft.set(("check", "repair"), [*held, {"do": "fill", "channel": "frame strain"}])
    draft.save()
    assert [step.do for step in read_plan(folder).check.repair] == ["despike", "fill"]
    assert "# seen by eye" in file.read_text()
    draft.undo()
    draft.save()
    assert [step.do for step in read_plan(folder).check.repair] == ["despike"]
    assert file.read_text().rstrip() == text.rstrip()


def test_a_file_that_was_broken_outside_is_left_alone(folder: Path) -> None:
    draft = draft_of(folder)
    draft.set(REPEATS, 90)
    file = folder / "programme.toml"
    file.write_text("[programme\n")
    with pytest.raises((ProgrammeError, InputError)):
        draft.save()
    assert file.read_text() == "[programme\n"


def test_a_damaged_memory_is_no_reason_to_fail(folder: Path) -> None:
    (folder / ".washboard").mkdir()
    (folder / ".washboard" / "draft.json").write_text('{"edits": 3')
    assert draft_of(folder).edits == []
