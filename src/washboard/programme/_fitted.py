"""The description of the specimen fitted to what the identify stage measured, so that planning gets better."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from washboard.errors import InputError
from washboard.programme._frf_file import FILE_NAME, load_frf
from washboard.programme._plan import Plan
from washboard.programme._store import load_table
from washboard.recording import read_recording
from washboard.rig import Linearisation, ModelFit, fit_model, model_at_level

#: Lines of the FRF that are fitted, evenly spread over the band.
LINES = 80


def fit_identified(folder: Path, plan: Plan, *, wheel_loads_n: dict[str, float] | None = None) -> ModelFit:
    """Fit the plan's specimen to the FRF of the finished identify stage.

    Friction is made linear at the level of the first shortened target, since the rig is identified near it.

    Parameters
    ----------
    wheel_loads_n : mapping of wheel name to float, optional
        Weighed static wheel loads, which tell masses. [N]

    Raises
    ------
    InputError
        The plan has no specimen, or the identify stage has not been run.
    """
    if plan.specimen is None:
        raise InputError(f"{folder / 'programme.toml'}: there is no [specimen] to fit; describe the vehicle first")
    file = folder / "stages" / "identify" / FILE_NAME
    if not file.exists():
        raise InputError(f"{folder}: nothing was identified yet; run 'washboard identify' first")
    frf = load_frf(file)
    sensors = [channel for channel in plan.channel if channel.name in frf.responses]
    frf = frf.pick(tuple(sensor.name for sensor in sensors))
    inside = np.flatnonzero((frf.freq_hz >= plan.band.low_hz) & (frf.freq_hz <= plan.band.high_hz))
    lines = inside[np.unique(np.linspace(0, len(inside) - 1, min(LINES, len(inside))).astype(np.intp))]
    return fit_model(
        plan.specimen,
        sensors,
        frf.freq_hz[lines],
        frf.values[lines],
        rig=plan.rig,
        variance=frf.variance[lines],
        wheel_loads_n=wheel_loads_n,
        posts=True,
        linearisation=_level(folder, plan),
    )


def _level(folder: Path, plan: Plan) -> Linearisation:
    assert plan.specimen is not None
    table = folder / "stages" / "shorten" / "shorten.json"
    if not table.exists():
        return Linearisation()
    entries = load_table(table)["events"]
    first = next(iter(entries.values()))
    target = read_recording(folder / "stages" / "shorten" / first["file"])
    band = (plan.band.low_hz, min(plan.band.high_hz, 0.45 * target.rate_hz))
    return model_at_level(plan.specimen, plan.rig, target, plan.control, band_hz=band).linearisation
