"""Each pass against its reference: what has changed, by how much, and what that looks like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from washboard.endure._features import PassFeatures
from washboard.errors import InputError

#: Share of passes in which a channel that has not changed may be taken for changed by its own scatter.
FALSE_ALARM = 1e-3


@dataclass(frozen=True, kw_only=True, slots=True)
class Reference:
    """Mean and scatter of the amplitudes of the first passes of one drive.

    Parameters
    ----------
    names : tuple of str
        What each column of `mean` is: ``"RMS"``, ``"peak"``, ``"damage, slope 5"``, ``"level 1.2 to 2.4 Hz"``.
    mean, scatter : ndarray, shape (channel, feature)
        As amplitudes [unit of the channel]: damage to the power of one over its slope, so that all features scale with
        the load. `scatter` is the standard deviation between the passes.
    n_passes : int
        How many passes it was made from.
    """

    channels: tuple[str, ...]
    names: tuple[str, ...]
    mean: NDArray[np.float64]
    scatter: NDArray[np.float64]
    n_passes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """One channel that differs from its reference: in which feature most, and by which factor of amplitude."""

    channel: str
    feature: str
    ratio: float
    limit: float


@dataclass(frozen=True, kw_only=True, slots=True)
class PassComparison:
    """One pass against its reference.

    Parameters
    ----------
    ratio : ndarray, shape (channel, feature)
        Amplitude over that of the reference; 1 where the reference has nothing to compare. [-]
    changes : tuple of Change
        At most one per channel: its largest.
    """

    channels: tuple[str, ...]
    names: tuple[str, ...]
    ratio: NDArray[np.float64]
    changes: tuple[Change, ...]


def _amplitudes(features: PassFeatures) -> NDArray[np.float64]:
    """All features as amplitudes, shape (channel, feature). [unit of the channel]"""
    damage = features.damage ** (1 / np.asarray(features.slopes))
    return np.concatenate([features.rms[:, None], features.peak[:, None], damage, features.band_rms], axis=1)


def _names(features: PassFeatures) -> tuple[str, ...]:
    return (
        "RMS",
        "peak",
        *(f"damage, slope {slope:g}" for slope in features.slopes),
        *(f"level {low:.2g} to {high:.2g} Hz" for low, high in features.bands_hz),
    )


def reference_of(passes: Sequence[PassFeatures]) -> Reference:
    """The reference that some passes of one drive make. Raises InputError when they do not belong together."""
    if not passes:
        raise InputError("a reference needs at least one measured pass")
    first = passes[0]
    for other in passes[1:]:
        if (other.channels, other.slopes, other.bands_hz) != (first.channels, first.slopes, first.bands_hz):
            raise InputError("passes measured with different channels, slopes or bands make no reference")
    values = np.stack([_amplitudes(entry) for entry in passes])
    scatter = values.std(axis=0, ddof=1) if len(passes) > 1 else np.zeros(values.shape[1:])
    return Reference(
        channels=first.channels, names=_names(first), mean=values.mean(axis=0), scatter=scatter, n_passes=len(passes)
    )


def compare_pass(features: PassFeatures, reference: Reference, *, tolerance: float) -> PassComparison:
    """Hold one pass against its reference.

    A feature has changed when its amplitude differs by more than `tolerance` *and* by more than a single further pass
    would by its own scatter: the two-sided prediction interval for one observation from a normal sample of n,
    ``s t sqrt(1 + 1/n)`` at 1 in 1000 (ISO 16269-8, for a mean and standard deviation both estimated). The scatter of a
    feature is pooled over the channels as a share of its mean, since few reference passes estimate it poorly. Levels by
    band that are less than 3 % of their channel's RMS value are not compared; a peak, a single sample, has twice the
    tolerance.

    Parameters
    ----------
    tolerance : float
        Of amplitude. [-]

    Raises
    ------
    InputError
        Pass and reference do not have the same channels and features.
    """
    names = _names(features)
    if (features.channels, names) != (reference.channels, reference.names):
        raise InputError("this pass was measured with other channels or features than its reference")
    values = _amplitudes(features)
    worth = reference.mean > 0.03 * reference.mean[:, :1]
    safe = np.where(worth, reference.mean, 1.0)
    ratio = np.where(worth, values / safe, 1.0)
    share = np.where(worth, reference.scatter / safe, 0.0)
    pooled = np.sqrt(np.mean(share**2, axis=0))
    spread = np.maximum(share, pooled)
    degrees = max(1, (reference.n_passes - 1) * len(reference.channels))
    noise = spread * _student(1 - FALSE_ALARM / 2, degrees) * np.sqrt(1 + 1 / reference.n_passes)
    allowed = np.where(np.asarray(names) == "peak", 2 * tolerance, tolerance)
    limit = np.maximum(allowed, noise)
    excess = np.abs(ratio - 1) / limit
    changes = []
    for row, channel in enumerate(features.channels):
        column = int(excess[row].argmax())
        if excess[row, column] > 1:
            changes.append(
                Change(
                    channel=channel,
                    feature=names[column],
                    ratio=float(ratio[row, column]),
                    limit=float(limit[row, column]),
                )
            )
    return PassComparison(channels=features.channels, names=names, ratio=ratio, changes=tuple(changes))


@cache
def _student(probability: float, degrees: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(degrees, probability))


def change_statement(changes: Sequence[Change], channels: Sequence[str], *, passes: int) -> str:
    """In words: what has changed over the last `passes` passes, and what such a pattern usually comes from."""
    if not changes:
        return "No channel has changed against its reference."
    largest = max(changes, key=lambda entry: abs(np.log(max(entry.ratio, 1e-9))))
    how = f"'{largest.channel}' to {100 * largest.ratio:.0f} % of its reference ({largest.feature})"
    seen = f"in {passes} passes in a row" if passes > 1 else "in one pass"
    share = len(changes) / len(channels)
    if len(changes) == 1:
        return f"One channel has changed {seen}: {how}. Look at its sensor and cable first, then at the part it is on."
    if share > 0.8:
        return (
            f"{len(changes)} of {len(channels)} channels have changed {seen}, most of all {how}. All together usually "
            "means rig, supply, tyre pressure or temperature rather than a part of the vehicle."
        )
    names = ", ".join(f"'{entry.channel}'" for entry in changes[:4]) + (" and others" if len(changes) > 4 else "")
    return (
        f"{len(changes)} of {len(channels)} channels have changed {seen}: {names}; most of all {how}. Look at the "
        "parts they have in common, at the post and tyre beneath them, and at bolts and welds nearby."
    )
