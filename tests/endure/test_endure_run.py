"""Running the sequence: what the journal knows when, and how a run ends. No outside source: our own contract."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from washboard.endure import EndureSettings, Journal, OpenPassError, done_plays, settle
from washboard.errors import Cancelled, DataError, InputError, RigError, RigTripped


def test_the_whole_sequence_is_played_once(small):
    result = small.run()
    assert (result.reason, result.played, result.done, result.planned) == ("finished", 12, 12, 12)
    assert [entry.state for entry in small.passes()] == ["done"] * 12
    assert [label[:11] for label in small.bench.played] == [f"pass-{number:06d}" for number in range(1, 13)]
    assert small.bench.stops == 1
    assert [run.reason for run in small.runs()] == ["finished"]
    again = small.run()
    assert (again.played, again.done, again.reason) == (0, 12, "finished")


def test_a_pass_is_begun_in_the_journal_before_the_rig_is_told(small):
    seen = []

    def look(label):
        entry = small.passes()[-1]
        seen.append((entry.label == label, entry.state))

    small.bench.before = look
    small.run()
    assert seen == [(True, "begun")] * 12


def test_limited_runs_add_up_to_the_sequence_of_one_run(small, tmp_path):
    small.run()
    whole = [(entry.event, entry.block) for entry in small.passes()]
    small.file = tmp_path / "other.db"
    small.settings = dataclasses.replace(small.settings, passes=5)
    reasons = [small.run().reason for _ in range(3)]
    assert reasons == ["limit", "limit", "finished"]
    assert [(entry.event, entry.block) for entry in small.passes()] == whole


def test_first_passes_make_the_reference_and_later_ones_are_compared(small):
    result = small.run()
    parts = [entry.result["part"] for entry in small.passes() if entry.event == "yard"]
    assert parts == ["reference"] * 3 + ["compared"] * 5
    assert result.changes == ()
    assert result.statement == "No channel has changed against its reference."
    compared = [entry for entry in small.passes() if entry.result["part"] == "compared"]
    for entry in compared:
        assert np.max(np.abs(np.asarray(entry.result["ratio"]) - 1)) < 0.1


@pytest.mark.parametrize("on_change", ["stop", "go on"])
def test_a_channel_that_changes_stops_the_run_unless_told_otherwise(small, on_change):
    small.settings = dataclasses.replace(small.settings, on_change=on_change)

    def weaken(label):
        if label.startswith("pass-000009"):
            small.bench.gains = np.array([1.0, 2.0, 3.0 * 0.8, 4.0])

    small.bench.before = weaken
    result = small.run()
    assert [change.channel for change in result.changes] == ["r2"]
    assert result.changes[0].ratio == pytest.approx(0.8, abs=0.02)
    assert "'r2' to 80 % of its reference" in result.statement
    if on_change == "go on":
        assert (result.reason, result.played) == ("finished", 12)
        return
    assert result.reason == "change"
    assert "--accept-change" in result.text
    changed = [entry.number for entry in small.passes() if entry.result.get("changes")]
    assert len(changed) == 2
    assert result.played < 12
    # Until somebody accepts it, each call plays one pass more at most before it stops again.
    assert small.run().played == 1
    with Journal(small.file) as journal:
        journal.accept_change("1", by="A. Tester", note="bracket cracked, agreed to go on")
    result = small.run()
    assert result.reason == "finished"
    assert result.done == 12


def test_one_odd_pass_is_noted_but_is_not_yet_a_change(small):
    def disturb(label):
        small.bench.gains = np.array([1.0, 2.0, 3.0, 4.0]) * (1.3 if label.startswith("pass-000010") else 1.0)

    small.bench.before = disturb
    result = small.run()
    assert result.changes == ()
    odd = [entry.number for entry in small.passes() if entry.result["changes"]]
    assert odd == [10]


def test_an_open_pass_is_put_to_the_user_before_the_rig_moves(small):
    with Journal(small.file) as journal:
        run = journal.begin_run(specimen="1", about={})
        journal.begin_pass(run, specimen="1", event="yard", block=0, drive=small.drives["yard"].digest())
    with pytest.raises(
        OpenPassError, match=r"pass 1 \(event 'yard'.*--begun done.*--begun not-done.*--begun abandoned"
    ):
        small.run()
    assert small.bench.played == []


@pytest.mark.parametrize(("answer", "more"), [("done", 11), ("not-done", 12), ("abandoned", 12)])
def test_after_it_is_settled_the_test_goes_on_without_repeating_or_dropping(small, answer, more):
    with Journal(small.file) as journal:
        run = journal.begin_run(specimen="1", about={})
        journal.begin_pass(run, specimen="1", event="yard", block=0, drive=small.drives["yard"].digest())
        settle(journal, answer, by="A. Tester")
    result = small.run()
    assert (result.played, result.done) == (more, 12)
    assert [entry.number for entry in small.passes()] == list(range(1, more + 2))


@pytest.mark.parametrize(
    ("error", "state", "reason"),
    [
        (Cancelled("stopped by the user"), "stopped", "stopped"),
        (RigTripped("roll beyond 9 deg"), "tripped", "tripped"),
        (RigError("no response after 600 s"), "unclear", "failed"),
        (KeyboardInterrupt(), "begun", "interrupted"),
    ],
)
def test_whatever_happens_the_rig_stops_and_the_journal_knows(small, error, state, reason):
    def fail(label):
        if label.startswith("pass-000003"):
            raise error

    small.bench.before = fail
    with pytest.raises(type(error)):
        small.run()
    assert small.bench.stops == 1
    assert [entry.state for entry in small.passes()] == ["done", "done", state]
    assert [run.reason for run in small.runs()] == [reason]
    small.bench.before = lambda label: None
    if state in {"unclear", "begun"}:
        with pytest.raises(OpenPassError):
            small.run()
        with Journal(small.file) as journal:
            settle(journal, "not-done")
    assert small.run().done == 12


def test_a_response_that_cannot_be_measured_counts_but_says_so(small):
    original = small.bench.play

    def broken(drive, *, label="", progress=lambda share, words: None):
        response = original(drive, label=label, progress=progress)
        if not label.startswith("pass-000002"):
            return response
        samples = np.array(response.samples)
        samples[1, 5] = np.nan
        return response.replace(samples=samples, owned=True)

    small.bench.play = broken
    with pytest.raises(DataError, match="'r1' is not a number"):
        small.run()
    last = small.passes()[-1]
    assert (last.state, last.result) == ("done", {})
    assert "not measured" in last.note
    assert small.run().done == 12


def test_a_new_drive_starts_its_own_count_and_reference(small):
    small.run()
    small.drives = {**small.drives, "ramp": small.drives["yard"].replace(samples=0.5 * small.drives["yard"].samples)}
    result = small.run()
    assert (result.played, result.planned) == (4, 12)
    with Journal(small.file) as journal:
        digests = {event: recording.digest() for event, recording in small.drives.items()}
        assert done_plays(journal, "1", digests) == {"yard": 8, "ramp": 4}


def test_a_new_specimen_starts_again(small):
    small.run()
    small.settings = EndureSettings(blocks=2, specimen="2")
    assert small.run().played == 12
    assert {entry.specimen for entry in small.passes()} == {"1", "2"}


def test_more_plays_wanted_are_added_not_repeated(small):
    small.run()
    small.plays = {"yard": 10, "ramp": 4}
    result = small.run()
    assert (result.played, result.done, result.planned) == (2, 14, 14)


def test_an_event_without_a_drive_is_named(small):
    small.plays = {"yard": 1, "kerb": 1}
    with pytest.raises(InputError, match="event 'kerb' has no drive; run 'replicate'"):
        small.run()
    assert small.passes() == ()


def test_each_measured_pass_is_handed_over_with_its_response(small):
    kept = []
    small.run(keep=lambda entry, response: kept.append((entry.number, response.name[:11])))
    assert kept == [(number, f"pass-{number:06d}") for number in range(1, 13)]


def test_progress_rises_and_names_the_event(small):
    seen = []
    small.run(progress=lambda share, words: seen.append((share, words)))
    shares = [share for share, _ in seen]
    assert shares == sorted(shares)
    assert "pass 1 of 12 now: yard" in seen[0][1]
