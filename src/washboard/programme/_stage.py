"""Stages: what each needs, when it is fresh, and how it is run so that nothing half-made is taken for whole.

A stage is fresh when everything it was made from has the same content as then: the part of the plan it reads, the
recordings it reads, and the outputs it reads of the stages before it. Content, not time, decides; so a stage that is
run again and makes the same output leaves those after it fresh.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from washboard import __version__
from washboard.errors import InputError, StorageError
from washboard.programme._digest import Digests, content_digest
from washboard.programme._lock import FolderLock
from washboard.programme._plan import Plan
from washboard.recording import Finding, write_whole
from washboard.report import Exhibit
from washboard.settings import Progress, no_progress, to_plain

Verdict = Literal["fine", "look"]
State = Literal["fresh", "stale", "missing"]

RECORD = "stage.json"
KEY = ".inputs"


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """What a stage found: a verdict, a few sentences for the user, and figures for scripts.

    `figures` holds plain JSON values with names that say the unit; `findings` everything worth the user's look.
    """

    verdict: Verdict
    summary: str
    figures: Mapping[str, Any] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Workspace:
    """What a stage function gets to work with.

    Parameters
    ----------
    plan : Plan
        The whole plan; a stage reads only the part that its `Stage.reads` names.
    folder : Path
        The programme folder.
    out : Path
        Where the stage writes its files. Survives an interruption: a stage finds here what its last, unfinished run
        with the same inputs left, and goes on from it.
    progress : Progress
        Called now and then; raises Cancelled when the user wants to stop.
    """

    plan: Plan
    folder: Path
    out: Path
    progress: Progress = no_progress

    def of(self, stage: str) -> Path:
        """Folder with the outputs of an earlier stage."""
        return self.folder / "stages" / stage

    def figures(self, stage: str) -> Mapping[str, Any]:
        """Figures of an earlier stage."""
        figures: Mapping[str, Any] = json.loads((self.of(stage) / RECORD).read_text(encoding="utf-8"))["figures"]
        return figures

    @property
    def plays(self) -> Path:
        """Where every drive ever played is kept with its response; never cleared."""
        return self.folder / "plays"

    @property
    def journal(self) -> Path:
        """The journal's database file."""
        return self.folder / "journal.db"


@dataclass(frozen=True, kw_only=True, slots=True)
class Stage:
    """One stage of the job.

    Parameters
    ----------
    name : str
        Its command, and its folder under `stages/`.
    title : str
        What it does, a few words.
    needs : mapping of str to tuple of str
        Stages whose outputs it reads, and which of their files (patterns); an empty tuple means all of them.
    reads : function
        The part of the plan it reads; a change elsewhere leaves it fresh.
    run : function
        Loads, calls the rooms, writes into `Workspace.out`.
    recordings : bool
        Whether it reads the original recordings.
    others : function, optional
        Further files it reads.
    state : function, optional
        Further things it depends on that are not files of the programme, as a digest per name, from the programme
        folder; for example what a journal holds. The stage may itself change them while it runs.
    revision : int
        Raised when the stage computes something else from the same input.
    show : function, optional
        Plots and tables of the finished stage, for reports and pages, from the programme folder and the plan.
    printed : function, optional
        Those of them that the report prints, where it leaves some to the app.
    shows : tuple of str
        Files of the programme folder that `show` reads beside what the stage wrote, so that pages draw anew after them.
    """

    name: str
    title: str
    needs: Mapping[str, tuple[str, ...]]
    reads: Callable[[Plan], Any]
    run: Callable[[Workspace], Outcome]
    recordings: bool = False
    others: Callable[[Path], tuple[Path, ...]] | None = None
    state: Callable[[Path], Mapping[str, str]] | None = None
    revision: int = 1
    show: Callable[[Path, Plan], tuple[Exhibit, ...]] | None = None
    printed: Callable[[Path, Plan], tuple[Exhibit, ...]] | None = None
    shows: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class StageRecord:
    """What stage.json says: what a stage was made from and what came out."""

    stage: str
    inputs: Mapping[str, str]
    settings: Any
    version: str
    started: str
    seconds: float
    verdict: Verdict
    summary: str
    figures: Mapping[str, Any]
    findings: tuple[Finding, ...]
    outputs: Mapping[str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class StageStatus:
    """Whether a stage is fresh, stale or missing, and why."""

    stage: str
    title: str
    state: State
    reason: str
    record: StageRecord | None = None


def read_record(folder: Path, stage: str) -> StageRecord | None:
    """The record of a finished stage, or None. Raises StorageError when it is damaged."""
    file = folder / "stages" / stage / RECORD
    try:
        table = json.loads(file.read_text(encoding="utf-8"))
        table["findings"] = tuple(Finding(**finding) for finding in table["findings"])
        return StageRecord(**table)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError):
        raise StorageError(f"{file} is damaged; delete the folder {file.parent} and run '{stage}' again") from None


def event_files(folder: Path, plan: Plan) -> dict[str, tuple[Path, ...]]:
    """The recordings of each event, one per lap, in the order of their names.

    Raises
    ------
    InputError
        A file is missing, a pattern finds nothing, or a path leads out of the programme folder.
    """
    root = folder.resolve()
    found: dict[str, tuple[Path, ...]] = {}
    for event in plan.event:
        files: list[Path] = []
        for pattern in event.recordings:
            if Path(pattern).is_absolute() or ".." in Path(pattern).parts:
                raise InputError(
                    f"{folder / 'programme.toml'}: event '{event.name}': recordings = \"{pattern}\" must lie "
                    "inside the programme folder; copy or link the file into recordings/"
                )
            matches = sorted(path for path in root.glob(pattern) if path.is_file())
            if not matches:
                raise InputError(
                    f"{folder / 'programme.toml'}: event '{event.name}': no file matches recordings = \"{pattern}\"; "
                    "put the recording there or correct the name"
                )
            files.extend(path for path in matches if path not in files)
        found[event.name] = tuple(files)
    return found


def inputs_of(stage: Stage, folder: Path, plan: Plan, digests: Digests) -> dict[str, str]:
    """Digest of everything the stage would be made from now; an absent input has the digest ``"absent"``."""
    reads = json.dumps(to_plain(stage.reads(plan)), sort_keys=True)
    inputs = {"plan": hashlib.sha256(f"{stage.revision}:{reads}".encode()).hexdigest()}
    if stage.recordings:
        for event, files in event_files(folder, plan).items():
            for file in files:
                inputs[f"{event}: {file.relative_to(folder.resolve()).as_posix()}"] = digests.of(file)
    for needed, patterns in stage.needs.items():
        record = read_record(folder, needed)
        outputs = {} if record is None else record.outputs
        for name in sorted(outputs):
            if not patterns or any(Path(name).match(pattern) for pattern in patterns):
                inputs[f"{needed}/{name}"] = outputs[name]
        if record is None:
            inputs[f"{needed}/"] = "absent"
    for file in stage.others(folder) if stage.others else ():
        inputs[file.name] = digests.of(file) if file.exists() else "absent"
    if stage.state:
        inputs.update(stage.state(folder))
    return inputs


def _damage(record: StageRecord, folder: Path, digests: Digests) -> str:
    """In words, which of its files is gone or no longer what the stage made; empty when all is whole."""
    for name, digest in record.outputs.items():
        file = folder / "stages" / record.stage / name
        if not file.is_file():
            return f"its file {name} is gone"
        if digests.of(file) != digest:
            return f"its file {name} was changed since"
    return ""


def _difference(then: Mapping[str, str], now: Mapping[str, str]) -> str:
    """In words, what is not as it was."""
    words = []
    for name in [*now, *(name for name in then if name not in now)]:
        if then.get(name) != now.get(name):
            what = "its settings in programme.toml" if name == "plan" else name
            change = "changed" if name in then and name in now else "is new" if name in now else "is gone"
            words.append(f"{what} {change}")
    more = f" and {len(words) - 2} more" if len(words) > 2 else ""
    return "; ".join(words[:2]) + more


def status_of(stages: tuple[Stage, ...], folder: Path, plan: Plan) -> tuple[StageStatus, ...]:
    """Fresh, stale or missing for each of `stages` (in the order of the job)."""
    digests = Digests(folder)
    found: dict[str, StageStatus] = {}
    for stage in stages:
        record = read_record(folder, stage.name)
        behind = [name for name in stage.needs if name in found and found[name].state != "fresh"]
        state: State
        if record is None:
            unfinished = (folder / "stages" / f".{stage.name}").exists()
            state, reason = "missing", "interrupted; run it to go on" if unfinished else "not run yet"
        else:
            now = inputs_of(stage, folder, plan, digests)
            if damage := _damage(record, folder, digests):
                state, reason = "stale", damage
            elif now != dict(record.inputs):
                state, reason = "stale", _difference(record.inputs, now)
            elif behind:
                state, reason = "stale", f"{behind[0]} before it is not fresh"
            else:
                state, reason = "fresh", ""
        found[stage.name] = StageStatus(stage=stage.name, title=stage.title, state=state, reason=reason, record=record)
    digests.save()
    return tuple(found.values())


def run_stage(
    stage: Stage,
    stages: tuple[Stage, ...],
    folder: Path,
    plan: Plan,
    *,
    progress: Callable[[str], Progress] = lambda _stage: no_progress,
    again: bool = False,
) -> tuple[StageRecord, ...]:
    """Run `stage`, and first whatever it needs that is not fresh; returns the records of those that were run.

    Raises
    ------
    InputError, RigError, StorageError, Cancelled
        From the stage; what earlier runs made stays as it was.
    """
    by_name = {entry.name: entry for entry in stages}
    order: list[Stage] = []

    def visit(entry: Stage) -> None:
        for name in entry.needs:
            visit(by_name[name])
        if entry not in order:
            order.append(entry)

    visit(stage)
    order.sort(key=stages.index)
    done = []
    with FolderLock(folder):
        digests = Digests(folder)
        for entry in order:
            _mend(folder / "stages", entry.name)
            record = read_record(folder, entry.name)
            inputs = inputs_of(entry, folder, plan, digests)
            whole = record is not None and not _damage(record, folder, digests)
            digests.save()
            if whole and record is not None and dict(record.inputs) == inputs and not (again and entry is stage):
                continue
            done.append(_run_one(entry, folder, plan, inputs, progress(entry.name)))
    return tuple(done)


def _mend(stages: Path, name: str) -> None:
    """Finish a change of folders that was cut short: the last step of a run that was otherwise complete."""
    final, work, old = stages / name, stages / f".{name}", stages / f".{name}.old"
    if final.exists() or not old.exists():
        return
    if (work / RECORD).exists() and not (work / KEY).exists():
        work.replace(final)
        shutil.rmtree(old)
    else:
        old.replace(final)


def _run_one(stage: Stage, folder: Path, plan: Plan, inputs: dict[str, str], progress: Progress) -> StageRecord:
    final = folder / "stages" / stage.name
    work = folder / "stages" / f".{stage.name}"
    key = hashlib.sha256(json.dumps(inputs, sort_keys=True).encode()).hexdigest()
    key_file = work / KEY
    if work.exists() and (not key_file.exists() or key_file.read_text(encoding="utf-8") != key):
        shutil.rmtree(work)
    work.mkdir(parents=True, exist_ok=True)
    key_file.write_text(key, encoding="utf-8")
    started, clock = datetime.now(UTC), time.perf_counter()
    outcome = stage.run(Workspace(plan=plan, folder=folder, out=work, progress=progress))
    outputs = {
        file.relative_to(work).as_posix(): content_digest(file)
        for file in sorted(work.rglob("*"))
        if file.is_file() and not any(part.startswith(".") for part in file.relative_to(work).parts)
    }
    # What it changed may itself be an input (a journal it wrote to): take that part as it is now, and only that.
    after = {**inputs, **(stage.state(folder) if stage.state else {})}
    record = StageRecord(
        stage=stage.name,
        inputs=after,
        settings=to_plain(stage.reads(plan)),
        version=__version__,
        started=started.isoformat(timespec="seconds"),
        seconds=round(time.perf_counter() - clock, 3),
        verdict=outcome.verdict,
        summary=outcome.summary,
        figures=to_plain(outcome.figures),
        findings=outcome.findings,
        outputs=outputs,
    )
    write_whole(work / RECORD, json.dumps(to_plain(record), indent=1))
    key_file.unlink()
    old = folder / "stages" / f".{stage.name}.old"
    if old.exists():
        shutil.rmtree(old)
    if final.exists():
        final.replace(old)
    work.replace(final)
    if old.exists():
        shutil.rmtree(old)
    return record
