"""Drives there are, seen from a changed specimen: identified anew, or described otherwise, since they were found."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from washboard.errors import WashboardError
from washboard.identify import Frf
from washboard.programme._file import FILE_NAME as PLAN_FILE
from washboard.programme._file import parse_plan
from washboard.programme._frf_file import FILE_NAME, load_frf, save_frf
from washboard.programme._plan import Plan
from washboard.programme._stage import Workspace
from washboard.programme._store import load_table
from washboard.recording import read_recording, resample

if TYPE_CHECKING:
    from washboard.replicate import DriveOutlook


def keep_basis(ws: Workspace, frf: Frf) -> None:
    """Beside the drives, keep the FRF and the plan they were found with."""
    save_frf(ws.out / FILE_NAME, frf)
    if (ws.folder / PLAN_FILE).is_file():
        shutil.copyfile(ws.folder / PLAN_FILE, ws.out / PLAN_FILE)


def outlook_of_drives(folder: Path, plan: Plan, after: Frf | None = None) -> Mapping[str, DriveOutlook]:
    """What every drive there is would do now, by event; empty where nothing has changed since they were found.

    Parameters
    ----------
    folder : Path
        The programme folder.
    plan : Plan
        As it is now.
    after : Frf, optional
        Identified now. Without it, or where it is the one the drives were found with, a changed description of the
        specimen decides.
    """
    kept = folder / "stages" / "replicate"
    if not (kept / FILE_NAME).is_file() or not (kept / "replicate.json").is_file():
        return {}
    before = load_frf(kept / FILE_NAME)
    if after is None or (after.values.shape == before.values.shape and np.array_equal(after.values, before.values)):
        described = _described(kept / PLAN_FILE, plan, before)
        if described is None:
            return {}
        after = described
    found = {}
    for event, entry in load_table(kept / "replicate.json")["events"].items():
        if (one := _outlook(kept, event, entry, plan, before, after)) is not None:
            found[event] = one
    return found


def _described(file: Path, plan: Plan, before: Frf) -> Frf | None:
    """The FRF for the specimen as it is described now; None where the description is the same or cannot be used."""
    from washboard.replicate import described_frf
    from washboard.rig import linear_model

    if not file.is_file():
        return None
    try:
        then = parse_plan(file.read_text(encoding="utf-8"))
        if then.specimen is None or plan.specimen is None or then.specimen == plan.specimen:
            return None
        by_name = {channel.name: channel for channel in plan.channel}
        sensors = [by_name[name] for name in before.responses]
        models = [linear_model(one.specimen, one.rig) for one in (then, plan) if one.specimen is not None]
        old, new = (model.frf(before.freq_hz, sensors) for model in models)
    except (WashboardError, KeyError):
        return None
    return described_frf(before, old, new)


def _outlook(
    kept: Path, event: str, entry: Mapping[str, object], plan: Plan, before: Frf, after: Frf
) -> DriveOutlook | None:
    """Of one event; None where it has no drive, or target or channels are no longer those it was found for."""
    from washboard.replicate import drive_outlook, prepare_target

    shorten = kept.parent / "shorten"
    if entry.get("overall") is None or not (shorten / "shorten.json").is_file():
        return None
    target_of = load_table(shorten / "shorten.json")["events"].get(event)
    names = tuple(channel.name for channel in plan.control)
    if target_of is None or any(name not in frf.responses for name in names for frf in (before, after)):
        return None
    try:
        drive = read_recording(kept / str(entry["drive"]))
        rate_hz = drive.rate_hz
        target, response = (
            resample(one, rate_hz)
            for one in (
                read_recording(file).in_si().select(names)
                for file in (shorten / target_of["file"], kept / str(entry["response"]))
            )
        )
        prepared = prepare_target(
            np.asarray(target.samples, dtype=float), rate_hz, names=names,
            band_hz=(plan.band.low_hz, plan.band.high_hz), taper_s=plan.replicate.taper_s,
        )  # fmt: skip
        measured = np.asarray(response.samples, dtype=float)[:, : prepared.length]
        return drive_outlook(
            np.asarray(drive.samples, dtype=float), measured, prepared, before=before, after=after,
            slopes=tuple(plan.loads.slopes), goal=plan.replicate.goal, importance=np.array(plan.weights),
        )  # fmt: skip
    except WashboardError:
        return None
