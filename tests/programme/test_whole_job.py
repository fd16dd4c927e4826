"""The whole job on the quarry tipper, shortened: from recordings to report, then what a change makes stale."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import shutil
import subprocess
from pathlib import Path

import pytest

from washboard.endure import Journal
from washboard.programme import STAGE_NAMES, all_stages, new_programme, read_plan, read_record, run_stage, status_of
from washboard.settings import to_plain

pytestmark = pytest.mark.timeout(900)


@pytest.fixture(scope="module")
def job(tmp_path_factory) -> Path:
    """An example run through, with fewer plays and passes than the demo."""
    folder = tmp_path_factory.mktemp("whole") / "quarry"
    new_programme(folder, "quarry-tipper")
    file = folder / "programme.toml"
    text = file.read_text()
    for old, new in (("plays = 8", "plays = 4"), ("passes = 24", "passes = 6")):
        assert old in text
        text = text.replace(old, new)
    file.write_text(text)
    run(folder, "report")
    return folder


def run(folder: Path, name: str, **options):
    stages = all_stages()
    stage = next(entry for entry in stages if entry.name == name)
    return [record.stage for record in run_stage(stage, stages, folder, read_plan(folder), **options)]


def states(folder: Path) -> dict[str, str]:
    return {entry.stage: entry.state for entry in status_of(all_stages(), folder, read_plan(folder))}


def recordings(folder: Path) -> dict[str, str]:
    return {
        file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in sorted((folder / "recordings").iterdir())
    }


def test_every_stage_has_run_and_says_what_it_found(job):
    assert set(states(job)) == set(STAGE_NAMES)
    assert set(states(job).values()) == {"fresh"}
    for name in STAGE_NAMES:
        record = read_record(job, name)
        assert record is not None
        assert len(record.summary.split()) > 5
        assert record.outputs
        json.dumps(to_plain(record.figures), allow_nan=False)


def test_running_again_does_nothing(job):
    assert run(job, "report") == []


def test_originals_are_as_they_were(job):
    record = read_record(job, "check")
    assert record is not None
    known = {name.split("/")[-1]: digest for name, digest in record.inputs.items() if "recordings/" in name}
    assert recordings(job) == known


def test_the_laboratory_does_the_damage_of_the_field(job):
    # Our own goal, no source: control channels within the schedule's bounds, though the drives had half their plays.
    table = json.loads((job / "stages" / "correlate" / "correlate.json").read_text())
    for event in table["events"].values():
        for name in table["control"]:
            assert event["error"][name] < 0.5
    assert table["passes_done"] == 6
    assert 1 < table["compression"] < 1000
    share = read_record(job, "correlate").figures["least_share"]
    assert 0.3 < share < 2.0


def test_the_report_says_the_same_on_paper_and_in_the_browser(job):
    statement = json.loads((job / "stages" / "correlate" / "correlate.json").read_text())["statement"]
    html = (job / "report" / "report.html").read_text(encoding="utf-8")
    assert statement.replace("'", "&#x27;") in html
    assert 'http-equiv="Content-Security-Policy" content="default-src \'none\'' in html
    pdf = job / "report" / "report.pdf"
    assert pdf.read_bytes().startswith(b"%PDF-")
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed (package poppler-utils)")
    text = subprocess.run(["pdftotext", "-raw", pdf, "-"], capture_output=True, text=True, check=True).stdout
    words = " ".join(text.split())
    assert " ".join(statement.split()[:12]) in words
    for name in STAGE_NAMES[:-1]:
        assert name.capitalize() in words
    assert "People first" in words


def test_the_journal_holds_the_passes_and_more_can_be_run(job):
    with Journal(job / "journal.db") as journal:
        before = journal.passes()
    assert [entry.state for entry in before] == ["done"] * 6
    assert run(job, "endure", again=True) == ["endure"]
    with Journal(job / "journal.db") as journal:
        after = journal.passes()
    assert [entry.number for entry in after] == list(range(1, 13))
    assert after[:6] == before
    found = states(job)
    assert {name for name, state in found.items() if state == "stale"} == {"correlate", "report"}
    assert run(job, "report") == ["correlate", "report"]


def test_changed_repeats_make_exactly_what_depends_on_them_stale(job):
    file = job / "programme.toml"
    text = file.read_text()
    file.write_text(text.replace("repeats = 1500", "repeats = 1600"))
    try:
        found = states(job)
        assert {name for name, state in found.items() if state == "fresh"} == {"check", "loads", "identify"}
        assert {name for name, state in found.items() if state == "stale"} == set(STAGE_NAMES) - {
            "check", "loads", "identify",
        }  # fmt: skip
    finally:
        file.write_text(text)
    assert set(states(job).values()) == {"fresh"}


@pytest.mark.parametrize(
    ("change", "own"),
    [
        # Which stages' own settings each change touches; what comes after them follows from `needs`.
        (lambda plan: {"event": (dataclasses.replace(plan.event[0], description="x"), *plan.event[1:])}, {"report"}),
        (lambda plan: {"loads": dataclasses.replace(plan.loads, block_s=4.0)}, {"loads", "correlate", "report"}),
        (lambda plan: {"shorten": dataclasses.replace(plan.shorten, keep=0.8)}, {"shorten", "report"}),
        (lambda plan: {"endure": dataclasses.replace(plan.endure, passes=7)}, set()),
        (lambda plan: {"replicate": dataclasses.replace(plan.replicate, plays=5)}, {"replicate", "report"}),
        (lambda plan: {"identify": dataclasses.replace(plan.identify, period_s=8.0)}, {"identify", "report"}),
    ],
    ids=["description", "loads.block", "shorten.keep", "endure.passes", "replicate.plays", "identify.period"],
)
def test_a_key_touches_only_the_stages_that_read_it(job, change, own):
    plan = read_plan(job)
    changed = dataclasses.replace(plan, **change(plan))
    touched = {stage.name for stage in all_stages() if to_plain(stage.reads(plan)) != to_plain(stage.reads(changed))}
    assert touched == own
