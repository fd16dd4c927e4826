"""Background runs: a process of its own, watched and stopped through files."""

import json
import time
from pathlib import Path

import pytest

from washboard.errors import InputError
from washboard.programme import read_record
from washboard.web._jobs import Job, Jobs


def jobs_of(folder: Path) -> Jobs:
    return Jobs(folder, folder / ".washboard")


def ended(jobs: Jobs, seconds: float = 60.0) -> Job:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        job = jobs.current()
        if job is not None and not job.active:
            return job
        time.sleep(0.05)
    raise AssertionError(f"still running: {jobs.current()}")


def test_a_stage_runs_to_its_end_and_says_what_it_found(folder: Path) -> None:
    jobs = jobs_of(folder)
    assert jobs.current() is None
    jobs.start("check")
    job = ended(jobs)
    record = read_record(folder, "check")
    assert (job.state, job.share) == ("done", 1.0)
    assert record is not None
    assert job.message == record.summary


def test_a_failure_is_a_sentence(folder: Path) -> None:
    (folder / "recordings" / "kerb.nc").unlink()
    jobs = jobs_of(folder)
    jobs.start("check")
    job = ended(jobs)
    assert job.state == "failed"
    assert "no file matches" in job.message
    assert "Traceback" not in job.message


def test_a_run_asked_to_stop_stops_and_another_can_start(folder: Path) -> None:
    jobs = jobs_of(folder)
    jobs.start("check")
    jobs.stop()
    job = ended(jobs)
    assert job.state in {"stopped", "done"}
    assert not jobs.stopping()
    jobs.start("check")
    assert ended(jobs).state == "done"


def test_a_stop_is_heeded_at_the_next_progress(tmp_path: Path) -> None:
    from washboard.errors import Cancelled
    from washboard.web._worker import Report

    report = Report(tmp_path, "check")
    progress = report.progress("check")
    progress(0.5, "half")
    (tmp_path / "job.stop").touch()
    with pytest.raises(Cancelled, match="what was finished is kept"):
        progress(0.6, "more")


def test_only_one_at_a_time_and_a_new_server_sees_it(folder: Path) -> None:
    jobs = jobs_of(folder)
    jobs.start("check")
    if (jobs.current() or ended(jobs)).active:
        with pytest.raises(InputError, match="'check' is running"):
            jobs_of(folder).start("check")
    ended(jobs)
    again = jobs_of(folder).current()
    assert again is not None
    assert again.state == "done"


def test_a_process_that_vanished_is_said_to_be_interrupted(folder: Path) -> None:
    jobs = jobs_of(folder)
    jobs.state_file.parent.mkdir()
    table = {"stage": "check", "doing": "check", "state": "running", "share": 0.4, "words": "", "message": ""}
    jobs.state_file.write_text(json.dumps(table | {"started": 1.0, "finished": 0.0, "pid": 2**22 + 7}))
    job = jobs.current()
    assert job is not None
    assert job.state == "interrupted"
    assert "what was finished is kept" in job.message
