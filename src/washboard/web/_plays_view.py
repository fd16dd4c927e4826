"""Plays of a replication while it runs: the error of each, from the files every play leaves."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from washboard.programme import Plan, load_arrays, play_name
from washboard.recording import read_recording, resample
from washboard.replicate import PreparedTarget, prepare_target

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class PlaySeen:
    """One play: its number (0 where the best drive was repeated), and per control channel the relative RMS error.

    Parameters
    ----------
    error : tuple of float
        Empty where the rig tripped. [-]
    largest : tuple of float
        Largest command of each drive channel. [m or rad]
    """

    run: str
    event: str
    number: int
    error: tuple[float, ...]
    largest: tuple[float, ...]
    drives: tuple[str, ...]


@lru_cache(maxsize=32)
def _target(
    file: Path, _stamp: int, names: tuple[str, ...], rate_hz: float, band: tuple[float, float], taper_s: float
) -> PreparedTarget:
    target = read_recording(file).in_si()
    at_rate = target if abs(target.rate_hz - rate_hz) < 1e-9 * rate_hz else resample(target, rate_hz)
    samples = np.asarray(at_rate.select(names).samples, dtype=float)
    return prepare_target(samples, rate_hz, names=names, band_hz=band, taper_s=taper_s)


@lru_cache(maxsize=512)
def _seen(
    file: Path, _stamp: int, target_file: Path, target_stamp: int, event: str, plan_key: tuple[object, ...]
) -> PlaySeen | None:
    named = play_name(file)
    if named is None:
        return None
    names, low_hz, high_hz, taper_s = plan_key
    assert isinstance(names, tuple)
    kept = load_arrays(file)
    error: tuple[float, ...] = ()
    if "response" in kept:
        rate_hz = float(kept["rate_hz"][0])
        target = _target(target_file, target_stamp, names, rate_hz, (float(low_hz), float(high_hz)), float(taper_s))  # type: ignore[arg-type]
        responses = [str(name) for name in kept["responses"]]
        made = np.asarray(kept["response"], dtype=float)[[responses.index(name) for name in names]]
        if made.shape[1] == target.n_samples:
            off = (target.in_band(made) - target.samples)[:, target.span]
            error = tuple(float(v) for v in np.sqrt(np.mean(off**2, axis=1)) / target.rms)
    return PlaySeen(
        run=named.run,
        event=event,
        number=named.number,
        error=error,
        largest=tuple(float(value) for value in np.abs(kept["drive"]).max(axis=1)),
        drives=tuple(str(name) for name in kept["drives"]),
    )


def plays_seen(folder: Path, plan: Plan, targets: dict[str, str]) -> list[PlaySeen]:
    """Every play of the latest replication, oldest first.

    Parameters
    ----------
    targets : dict of event to file name
        The shortened targets in stages/shorten.
    """
    stems = {Path(file).stem: (event, folder / "stages" / "shorten" / file) for event, file in targets.items()}
    files = [
        (file, named)
        for file in sorted((folder / "plays").glob("replicate-*.nc"), key=lambda path: path.stat().st_mtime_ns)
        if (named := play_name(file)) and named.stem in stems
    ]
    if not files:
        return []
    latest = files[-1][1].run
    key = (tuple(channel.name for channel in plan.control), plan.band.low_hz, plan.band.high_hz, plan.replicate.taper_s)
    found: dict[tuple[str, int], PlaySeen] = {}
    for file, named in files:
        if named.run != latest:
            continue
        event, target = stems[named.stem]
        if not target.exists():
            continue
        play = _seen(file, file.stat().st_mtime_ns, target, target.stat().st_mtime_ns, event, key)
        if play is not None:
            # Gone on with other settings, a run may play one number with another drive: the later one is meant.
            found.pop((event, named.number), None)
            found[event, named.number] = play
    return list(found.values())
