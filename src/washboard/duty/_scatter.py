"""Scatter: how uncertain the target is because only a few laps were driven, and how many would be enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.duty._target import EventLoads
from washboard.duty._usage import Usage

_MOST_LAPS = 1000


@dataclass(frozen=True, kw_only=True, slots=True)
class TargetScatter:
    """Uncertainty of target damage from the scatter between laps.

    Parameters
    ----------
    confidence : float
        How sure the interval is meant. [-]
    low, high : ndarray, shape (channel, slope)
        Bootstrap interval of the damage over the damage itself, about 1. [-]
    half_width : ndarray, shape (channel, slope)
        Half the width of the interval that Student's t gives for the laps driven, over the damage. Wider than the
        bootstrap where laps are few, and the one to plan laps by; NaN where an event that matters has a single lap. [-]
    deviation : ndarray, shape (event, channel, slope)
        Standard deviation of one lap's damage times the laps in service, over the damage of the service; NaN for an
        event of a single lap. [-]
    single : tuple of str
        Events of a single lap: their scatter is not known and not in the interval.
    """

    confidence: float
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    half_width: NDArray[np.float64]
    deviation: NDArray[np.float64]
    single: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class LapsNeeded:
    """Laps that would make the target as certain as asked for.

    Parameters
    ----------
    uncertainty : float
        Half width of the interval asked for, over the damage. [-]
    laps : tuple of int
        Laps of each event in all, those already driven included.
    reached : bool
        False when not even the most laps tried are enough, or the scatter of an event is not known.
    channel : str
        The channel that asks for most.
    slope : float
        And the slope.
    path_laps : tuple of int
        Laps of all events on the way from those driven to those enough.
    path_half_width : tuple of float
        Widest half width of any channel with as many laps. [-]
    """

    uncertainty: float
    laps: tuple[int, ...]
    reached: bool
    channel: str
    slope: float
    path_laps: tuple[int, ...]
    path_half_width: tuple[float, ...]


def target_scatter(
    loads: Sequence[EventLoads],
    mix: Usage,
    *,
    confidence: float = 0.9,
    draws: int = 2000,
    seed: int = 1,
) -> TargetScatter:
    """Uncertainty of target damage by a bootstrap over laps, laps of each event drawn with replacement.

    Parameters
    ----------
    loads : sequence of EventLoads
        Damage of every lap.
    draws : int
        Bootstrap draws.
    seed : int
        The draws repeat bit for bit.

    Notes
    -----
    The percentile bootstrap of a mean of n laps is too narrow by about sqrt((n - 1)/n), and few laps show none of the
    tail. `half_width` therefore comes from Student's t with Welch and Satterthwaite's degrees of freedom.

    References
    ----------
    Efron and Tibshirani, An Introduction to the Bootstrap, 1993 (percentile interval).
    Welch, Biometrika 34 (1947) 28 (degrees of freedom of a sum with unequal variances).
    """
    rng = np.random.default_rng(seed)
    n_laps = mix.mean_laps
    mean = np.stack([event.damage.mean(axis=0) for event in loads])
    total = np.einsum("e,ecs->cs", n_laps, mean)
    total = np.where(total > 0, total, np.inf)
    drawn = np.zeros((draws, *total.shape))
    deviation = np.full(mean.shape, np.nan)
    for index, event in enumerate(loads):
        laps = event.damage.shape[0]
        scaled = n_laps[index] * event.damage / total
        if laps > 1:
            counts = rng.multinomial(laps, np.full(laps, 1 / laps), size=draws)
            drawn += np.tensordot(counts / laps, scaled, axes=(1, 0))
            deviation[index] = scaled.std(axis=0, ddof=1)
        else:
            drawn += scaled[0]
            if n_laps[index] == 0:
                deviation[index] = 0.0
    tail = (1 - confidence) / 2
    low, high = np.quantile(drawn, [tail, 1 - tail], axis=0)
    counts_now = np.array([event.damage.shape[0] for event in loads])
    return TargetScatter(
        confidence=confidence,
        low=low,
        high=high,
        half_width=_half_width(deviation, counts_now, confidence),
        deviation=deviation,
        single=tuple(
            event.name for event, n in zip(loads, n_laps, strict=True) if event.damage.shape[0] == 1 and n > 0
        ),
    )


def _half_width(deviation: NDArray[np.float64], laps: NDArray[np.int_], confidence: float) -> NDArray[np.float64]:
    """Half width of the interval of the sum over events, for `laps` of each, shape (channel, slope)."""
    from scipy.special import stdtrit

    part = deviation**2 / laps[:, None, None]
    variance = part.sum(axis=0)
    freedom = np.maximum(laps - 1, 1)[:, None, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        effective = np.where(variance > 0, variance**2 / np.sum(part**2 / freedom, axis=0), np.inf)
    quantile = stdtrit(np.minimum(effective, 1e6), 0.5 + confidence / 2)
    width: NDArray[np.float64] = quantile * np.sqrt(variance)
    return width


def laps_needed(
    scatter: TargetScatter,
    laps: Sequence[int],
    *,
    channels: tuple[str, ...],
    slopes: tuple[float, ...],
    uncertainty: float,
) -> LapsNeeded:
    """How many laps of each event would bring every channel's uncertainty down to `uncertainty`.

    One lap more at a time goes to the event that lowers the worst channel's interval most, the scatter between laps
    being taken as it was seen. An event of a single lap gets a second one first, for without it nothing is known.
    """
    now = np.maximum(np.asarray(laps, int), 1)
    unknown = np.isnan(scatter.deviation).any(axis=(1, 2))
    now = np.where(unknown, np.maximum(now, 2), now)
    deviation = np.nan_to_num(scatter.deviation)
    steps = np.eye(len(now), dtype=int)
    path: list[tuple[int, float]] = []
    while True:
        width = _half_width(deviation, now, scatter.confidence)
        worst = np.unravel_index(int(np.argmax(width)), width.shape)
        path.append((int(now.sum()), float(width[worst])))
        if width[worst] <= uncertainty or now.sum() >= _MOST_LAPS:
            break
        column = deviation[:, worst[0] : worst[0] + 1, worst[1] : worst[1] + 1]
        after = [float(_half_width(column, now + step, scatter.confidence)[0, 0]) for step in steps]
        now = now + steps[int(np.argmin(after))]
    return LapsNeeded(
        uncertainty=uncertainty,
        laps=tuple(int(entry) for entry in now),
        reached=bool(width[worst] <= uncertainty and not unknown.any()),
        channel=channels[worst[0]],
        slope=slopes[worst[1]],
        path_laps=tuple(laps_now for laps_now, _width in path),
        path_half_width=tuple(width_now for _laps, width_now in path),
    )
