"""The stage engine: what is fresh, what a run does and leaves, however it ends. No outside source: our own contract."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from washboard.errors import Cancelled, InputError, StorageError
from washboard.programme import Outcome, Stage, Workspace, read_record, run_stage, status_of
from washboard.programme._digest import Digests, content_digest
from washboard.programme._lock import FolderLock


def states(job):
    return {entry.stage: entry.state for entry in status_of(job.stages, job.folder, job.plan)}


def reason(job, name):
    return next(entry.reason for entry in status_of(job.stages, job.folder, job.plan) if entry.stage == name)


def run(job, name="endure", **options):
    stage = next(entry for entry in job.stages if entry.name == name)
    return run_stage(stage, job.stages, job.folder, job.plan, **options)


def test_everything_is_missing_before_the_first_run(job):
    assert set(states(job).values()) == {"missing"}


def test_a_run_first_runs_what_it_needs_in_order_and_only_that(job):
    assert [record.stage for record in run(job, "target")] == ["check", "target"]
    assert states(job) == {"check": "fresh", "target": "fresh", "identify": "missing", "endure": "missing"}
    assert [record.stage for record in run(job)] == ["identify", "endure"]


def test_running_again_does_nothing(job):
    run(job)
    del job.runs[:]
    assert run(job) == ()
    assert job.runs == []


def test_again_runs_the_stage_itself_but_not_what_it_needs(job):
    run(job)
    del job.runs[:]
    run(job, again=True)
    assert job.runs == ["endure"]


def test_changed_repeats_leave_what_does_not_depend_on_them_fresh(job):
    run(job)
    job.edit("repeats = 100", "repeats = 120")
    assert states(job) == {"check": "fresh", "target": "stale", "identify": "fresh", "endure": "stale"}
    assert "settings in programme.toml changed" in reason(job, "target")
    assert reason(job, "endure") == "target before it is not fresh"
    del job.runs[:]
    run(job)
    assert job.runs == ["target", "endure"]


def test_a_change_undone_is_fresh_again(job):
    run(job)
    job.edit("repeats = 100", "repeats = 120")
    job.edit("repeats = 120", "repeats = 100")
    assert set(states(job).values()) == {"fresh"}


def test_a_comment_in_the_plan_changes_nothing(job):
    run(job)
    job.edit("[duty]", "# the service\n[duty]")
    assert set(states(job).values()) == {"fresh"}


def test_a_changed_recording_is_named(job):
    run(job)
    (job.folder / "recordings" / "yard-2.csv").write_text("other samples\n")
    assert states(job)["check"] == "stale"
    assert reason(job, "check") == "yard: recordings/yard-2.csv changed"


def test_a_touched_recording_is_still_fresh(job):
    run(job)
    os.utime(job.folder / "recordings" / "ramp.csv")
    assert set(states(job).values()) == {"fresh"}


def test_new_and_lost_laps_are_named(job):
    run(job)
    (job.folder / "recordings" / "yard-3.csv").write_text("samples of yard-3\n")
    assert reason(job, "check") == "yard: recordings/yard-3.csv is new"
    (job.folder / "recordings" / "yard-3.csv").unlink()
    (job.folder / "recordings" / "yard-1.csv").unlink()
    assert reason(job, "check") == "yard: recordings/yard-1.csv is gone"


def test_equal_output_of_a_stage_run_again_leaves_those_after_it_fresh(job):
    run(job)
    run(job, "check", again=True)
    assert set(states(job).values()) == {"fresh"}


def test_a_change_in_a_file_nobody_reads_changes_nothing_after_it(job):
    run(job)
    job.before["check"] = lambda ws: None
    run(job, "check", again=True)
    file = job.folder / "stages" / "check" / "notes.txt"
    record = json.loads((job.folder / "stages" / "check" / "stage.json").read_text())
    file.write_text("other words")
    record["outputs"]["notes.txt"] = content_digest(file)
    (job.folder / "stages" / "check" / "stage.json").write_text(json.dumps(record))
    assert states(job) == dict.fromkeys(("check", "target", "identify", "endure"), "fresh")


def test_a_lost_output_and_an_altered_one_are_noticed_and_made_again(job):
    run(job)
    file = job.folder / "stages" / "identify" / "result.txt"
    file.unlink()
    assert reason(job, "identify") == "its file result.txt is gone"
    run(job)
    file.write_text("by hand")
    assert reason(job, "identify") == "its file result.txt was changed since"
    run(job)
    assert file.read_text() == "frf"
    assert set(states(job).values()) == {"fresh"}


@pytest.mark.parametrize("error", [InputError("no"), StorageError("full"), ValueError("bug"), KeyboardInterrupt()])
def test_a_failing_run_leaves_the_earlier_result_whole_and_stale(job, error):
    run(job)
    before = (job.folder / "stages" / "target" / "result.txt").read_text()
    job.edit("repeats = 100", "repeats = 7")

    def fail(ws: Workspace) -> None:
        (ws.out / "result.txt").write_text("half")
        raise error

    job.before["target"] = fail
    with pytest.raises(type(error)):
        run(job)
    assert (job.folder / "stages" / "target" / "result.txt").read_text() == before
    assert states(job)["target"] == "stale"
    job.before = {}
    run(job)
    assert set(states(job).values()) == {"fresh"}
    assert not list((job.folder / "stages").glob(".target*"))


def test_an_interrupted_run_goes_on_with_what_it_left_unless_its_inputs_changed(job):
    seen = []

    def interrupted(ws: Workspace) -> None:
        part = ws.out / "part.txt"
        seen.append(part.exists())
        part.write_text("half the work")
        if len(seen) in {1, 3}:
            raise Cancelled("stopped")

    job.before["identify"] = interrupted
    for _ in range(2):
        try:
            run(job, "identify")
        except Cancelled:
            assert reason(job, "identify") == "interrupted; run it to go on"
    assert seen == [False, True]
    job.edit("[duty]", '[identify]\nbudget = "300 s"\n[duty]')
    with pytest.raises(Cancelled):
        run(job, "identify")
    job.edit('budget = "300 s"', 'budget = "400 s"')
    run(job, "identify")
    assert seen == [False, True, False, False]


KILLED = textwrap.dedent(
    """
    import sys, time
    from pathlib import Path
    from washboard.programme import Outcome, Stage, read_plan, run_stage

    folder, text, marker = Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3])

    def work(ws):
        (ws.out / "result.txt").write_text(text)
        marker.touch()
        if text == "half":
            time.sleep(60)
        return Outcome(verdict="fine", summary="done")

    stage = Stage(name="slow", title="slow", needs={}, reads=lambda plan: text, run=work)
    run_stage(stage, (stage,), folder, read_plan(folder))
    """
)


@pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
def test_a_killed_process_leaves_nothing_half_made_and_no_lock(job, tmp_path):
    script = tmp_path / "killed.py"
    script.write_text(KILLED)
    marker = tmp_path / "marker"
    assert subprocess.run([sys.executable, script, job.folder, "whole", marker], check=False).returncode == 0
    marker.unlink()
    process = subprocess.Popen([sys.executable, script, job.folder, "half", marker])
    deadline = time.monotonic() + 20
    while not marker.exists() and time.monotonic() < deadline:
        time.sleep(0.02)
    assert marker.exists()
    slow = Stage(name="slow", title="slow", needs={}, reads=lambda plan: "whole", run=lambda ws: None)  # type: ignore[arg-type,return-value]
    with pytest.raises(StorageError, match=f"another process \\({process.pid}\\) is working on"):
        run_stage(slow, (slow,), job.folder, job.plan, again=True)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert (job.folder / "stages" / "slow" / "result.txt").read_text() == "whole"
    assert status_of((slow,), job.folder, job.plan)[0].state == "fresh"
    assert run_stage(slow, (slow,), job.folder, job.plan) == ()


@pytest.mark.parametrize("complete", [True, False])
def test_a_crash_between_the_last_two_renames_loses_nothing(job, complete):
    run(job)
    stages = job.folder / "stages"
    # As it stands in that instant: the old result moved aside, the new one not yet in its place.
    shutil.copytree(stages / "identify", stages / ".identify")
    (stages / "identify").replace(stages / ".identify.old")
    if not complete:
        (stages / ".identify" / ".inputs").write_text("key")
    del job.runs[:]
    run(job)
    assert job.runs == []
    assert set(states(job).values()) == {"fresh"}


def test_two_threads_cannot_work_on_one_folder(job):
    with FolderLock(job.folder), pytest.raises(StorageError, match="is working on"):
        run(job)
    run(job)


def test_a_stage_that_changes_its_own_state_is_fresh_after_it_and_stale_after_another_change(job):
    ledger = job.folder / "ledger.txt"
    ledger.write_text("0")

    def work(ws: Workspace) -> Outcome:
        ledger.write_text(str(int(ledger.read_text()) + 1))
        return Outcome(verdict="fine", summary="counted")

    stage = Stage(
        name="count", title="counts", needs={}, reads=lambda plan: "", run=work,
        state=lambda folder: {"ledger": (folder / "ledger.txt").read_text()},
    )  # fmt: skip
    run_stage(stage, (stage,), job.folder, job.plan)
    assert status_of((stage,), job.folder, job.plan)[0].state == "fresh"
    ledger.write_text("7")
    found = status_of((stage,), job.folder, job.plan)[0]
    assert (found.state, found.reason) == ("stale", "ledger changed")


def test_a_recording_changed_during_the_run_makes_the_stage_stale(job):
    def change(ws: Workspace) -> None:
        (ws.folder / "recordings" / "ramp.csv").write_text("changed meanwhile")

    job.before["check"] = change
    run(job, "check")
    assert states(job)["check"] == "stale"


def test_a_damaged_record_says_what_to_do(job):
    run(job)
    file = job.folder / "stages" / "identify" / "stage.json"
    file.write_text(file.read_text()[:50])
    with pytest.raises(StorageError, match=r"identify/stage\.json is damaged; delete the folder .* run 'identify'"):
        read_record(job.folder, "identify")


def test_a_raised_revision_makes_a_stage_stale(job):
    import dataclasses

    run(job)
    job.stages = tuple(
        dataclasses.replace(stage, revision=2) if stage.name == "target" else stage for stage in job.stages
    )
    assert states(job) == {"check": "fresh", "target": "stale", "identify": "fresh", "endure": "stale"}


@pytest.mark.parametrize(
    ("pattern", "words"),
    [("recordings/none-*.csv", "no file matches"), ("../other.csv", "inside the programme folder")],
)
def test_recordings_that_are_not_there_or_outside_are_refused(job, pattern, words):
    job.edit("recordings/ramp.csv", pattern)
    with pytest.raises(InputError, match=rf"event 'ramp'.*{words}"):
        run(job)


def test_digests_are_remembered_only_once_the_file_has_settled(job):
    file = job.folder / "recordings" / "ramp.csv"
    os.utime(file, (1e9, 1e9))
    digests = Digests(job.folder)
    digest = digests.of(file)
    digests.save()
    assert digest == content_digest(file)
    stat = file.stat()
    file.write_text("x" * stat.st_size)
    os.utime(file, (1e9, 1e9))
    # Same size and time of change: taken from memory, which is the price of a quick status.
    assert Digests(job.folder).of(file) == digest
    os.utime(file)
    assert Digests(job.folder).of(file) == content_digest(file)
    file.write_text("y" * stat.st_size)
    assert Digests(job.folder).of(file) == content_digest(file)


def test_a_moved_programme_folder_is_still_fresh(job, tmp_path: Path):
    run(job)
    moved = tmp_path / "elsewhere"
    job.folder.rename(moved)
    job.folder = moved
    assert set(states(job).values()) == {"fresh"}
