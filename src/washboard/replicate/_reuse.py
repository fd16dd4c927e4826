"""Drives re-used: what a drive found for one specimen would do with another, and whether to iterate again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.identify import Frf
from washboard.loads import pseudo_damage
from washboard.replicate._measures import overall_error
from washboard.replicate._model import line_model, weighted_inverse
from washboard.replicate._target import PreparedTarget, prepare_target

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

Decision = Literal["keep", "try", "again"]

#: Damage may change by so much before a drive is to be found anew; the error may grow by so much before one should
#: look. Common practice, no source.
_DAMAGE, _GROWN = (0.8, 1.25), 1.25


@dataclass(frozen=True, kw_only=True, slots=True)
class DriveOutlook:
    """What an existing drive would do with a changed specimen.

    Parameters
    ----------
    names : tuple of str
        Control channels.
    error_before, error : ndarray, shape (response,)
        Relative RMS error against the target in band, as measured then and as expected now, uncertainty included. [-]
    uncertain : ndarray, shape (response,)
        Standard deviation of the foretold response from the FRFs' own variance, over the target's RMS. [-]
    damage_ratio : ndarray, shape (response, slope)
        Pseudo-damage foretold over the target's. [-]
    damage_change : ndarray, shape (response, slope)
        Pseudo-damage foretold over that measured then. [-]
    response : ndarray, shape (response, time)
        Foretold, in band, on the target's own time.
    importance : ndarray, shape (response,)
        What each channel counts in the error over all. [-]
    decision : str
        ``"keep"``, ``"try"`` (play it once and look) or ``"again"`` (iterate again).
    words : str
        Why.
    """

    names: tuple[str, ...]
    error_before: Floats
    error: Floats
    uncertain: Floats
    damage_ratio: Floats
    damage_change: Floats
    response: Floats
    importance: Floats
    decision: Decision
    words: str

    @property
    def overall(self) -> float:
        """The foretold error over all channels, see `overall_error`. [-]"""
        return overall_error(self.error, self.importance)

    @property
    def overall_before(self) -> float:
        """The same as measured then. [-]"""
        return overall_error(self.error_before, self.importance)


def drive_outlook(
    drive: Floats,
    measured: Floats,
    target: PreparedTarget,
    *,
    before: Frf,
    after: Frf,
    slopes: tuple[float, ...] = (3.0, 5.0, 8.0),
    goal: float = 0.05,
    importance: Floats | None = None,
) -> DriveOutlook:
    """Foretell the response of a drive after the specimen has changed: what was measured, plus what the FRFs change.

    The change is computed from the drive that a linear specimen would have needed for what was measured then, not from
    the drive itself: at the level of a target friction and stops let through more or less than at that of the
    identification, and this factor is kept. What no drive explains of the measured response stays as it was.

    Parameters
    ----------
    drive : ndarray, shape (drive, time)
        The whole play, run-in and run-out included. [m or rad]
    measured : ndarray, shape (response, time)
        What it brought then on the control channels, on the target's own time.
    target : PreparedTarget
        Prepared at the drive's sample rate with the run-in the drive was found with.
    before, after : Frf
        Of the specimen then and now.
    slopes : tuple of float
        Of the pseudo-damage; the middle one decides.
    goal : float
        Relative RMS error that is good enough.
    importance : ndarray, shape (response,), optional
        What each channel counts in the error over all; all alike without it. [-]

    Raises
    ------
    DataError
        The drive does not belong to this target (another length).
    """
    if drive.shape[1] != target.n_samples or measured.shape[1] != target.length:
        raise DataError(
            f"the drive has {drive.shape[1]} samples and its response {measured.shape[1]}; a play of this target has "
            f"{target.n_samples} and {target.length}. Find the drive again: the target or its run-in has changed"
        )
    lines = target.to_lines(drive)
    old, new = (line_model(frf.pick(target.names), target.freq_hz) for frf in (before, after))
    seconds = (target.lead + 0.5) / target.rate_hz
    then = prepare_target(
        measured, target.rate_hz, names=target.names, band_hz=target.band_hz, taper_s=seconds
    )  # fmt: skip
    then_in_band = then.samples[:, then.span]
    weight = np.broadcast_to(1.0 / target.rms, then.spectrum.shape)
    inverse = weighted_inverse(old.frf, weight, old.ridge(weight))
    needed = np.einsum("fji,fi->fj", inverse, then.spectrum)
    change = np.einsum("fij,fj->fi", new.frf - old.frf, needed)
    wanted = target.samples[:, target.span]
    now = then_in_band + target.to_time(change)[:, target.span]
    power = np.zeros(len(target.names))
    for model in (old, new):
        variance = model.spread / model.certainty[:, None]
        power += (variance * (np.abs(lines) ** 2 / model.shape).sum(axis=1)[:, None] * target.edge[:, None] ** 2).sum(0)
    changed_by = np.sqrt(np.mean((now - then_in_band) ** 2, axis=1)) / target.rms
    # Where both FRFs share an error, as with one excitation and a small change, it cancels: no more than the change.
    uncertain = np.minimum(np.sqrt(2 * power * target.n_samples / target.length) / target.rms, changed_by)

    def error(made: Floats) -> Floats:
        return np.asarray(np.sqrt(np.mean((made - wanted) ** 2, axis=1)) / target.rms)

    damage, damage_then, damage_wanted = (pseudo_damage(x, slopes) for x in (now, then_in_band, wanted))
    found, earlier = np.hypot(error(now), uncertain), error(then_in_band)
    changed = damage / np.maximum(damage_then, 1e-300)
    importance = np.ones(len(target.names)) if importance is None else importance
    foretold, held, doubt = (overall_error(value, importance) for value in (found, earlier, uncertain))
    decision, words = _decide(target.names, foretold, held, doubt, changed[:, len(slopes) // 2], goal)
    return DriveOutlook(
        names=target.names, error_before=earlier, error=found, uncertain=uncertain,
        damage_ratio=damage / np.maximum(damage_wanted, 1e-300), damage_change=changed, response=now,
        importance=importance, decision=decision, words=words,
    )  # fmt: skip


def _decide(
    names: tuple[str, ...], overall: float, earlier: float, doubt: float, damage: Floats, goal: float
) -> tuple[Decision, str]:
    far = int(np.argmax(np.abs(np.log(np.maximum(damage, 1e-300)))))
    says = f"error {overall:.0%} foretold ({earlier:.0%} as found), damage of {names[far]} times {damage[far]:.2f}"
    allowed = max(goal, _GROWN * earlier)
    apart = float(np.sqrt(max(overall**2 - earlier**2, 0.0)))
    if not _DAMAGE[0] <= damage[far] <= _DAMAGE[1]:
        return "again", f"{says}: iterate again"
    if overall <= allowed:
        return "keep", f"{says}: the drive still does"
    if apart > 2 * doubt:
        return "again", f"{says}: iterate again"
    return "try", f"{says}, within what the FRFs leave open ({doubt:.0%}): play it once and look"


def described_frf(identified: Frf, then: Complexes, now: Complexes) -> Frf:
    """The identified FRF carried over to a changed description: H_now pinv(H_then) H_identified, line by line.

    What drives, posts and delays do stays as identified; the descriptions say only how responses change with the
    specimen, ``r_now = H_now pinv(H_then) r_then``. Derived here.

    Parameters
    ----------
    identified : Frf
        Of the specimen as it was.
    then, now : ndarray, shape (freq, response, drive)
        FRFs computed from the two descriptions on the identified one's lines, responses in its order (at least as many
        as drives).
    """
    size = np.sqrt(np.mean(np.abs(then) ** 2, axis=(0, 2)))
    weight = np.broadcast_to(np.divide(1.0, size, out=np.zeros_like(size), where=size > 0), then.shape[:2])
    normal = np.einsum("fij,fi->fj", np.abs(then) ** 2, weight**2)
    back = weighted_inverse(then, weight, 1e-6 * normal)
    return replace(identified, values=identified.values + (now - then) @ back @ identified.values)
