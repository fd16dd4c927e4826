"""Target: the damage that the stated service does to each channel, and the lap that stands for each event."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.duty._usage import Usage
from washboard.errors import DataError, InputError

_TINY = 1e-300


@dataclass(frozen=True, kw_only=True, slots=True)
class EventLoads:
    """Damage of every lap of one event.

    Parameters
    ----------
    name : str
        The event.
    damage : ndarray, shape (lap, channel, slope)
        Pseudo-damage of each lap. [unit of the channel to the power of the slope]
    duration_s : ndarray, shape (lap,)
        Length of each lap. [s]
    blocks : tuple of ndarray, shape (block, channel, slope), optional
        Damage of equally long pieces of each lap, for its scatter where laps are few.
    """

    name: str
    damage: NDArray[np.float64]
    duration_s: NDArray[np.float64]
    blocks: tuple[NDArray[np.float64], ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Target:
    """Damage of the whole service.

    Parameters
    ----------
    events, channels : tuple of str
        Names.
    slopes : tuple of float
        Basquin slopes. [-]
    damage : ndarray, shape (channel, slope)
        To be reached by the test.
    share : ndarray, shape (event, channel, slope)
        Share of the average user's damage that each event does; sums to 1 over the events. [-]
    group_damage : ndarray, shape (group, channel, slope)
        Damage of one user of each group.
    percentile_factor : ndarray, shape (channel, slope)
        Damage of the percentile user over that of the average user; 1 without a percentile. [-]
    representative : tuple of int
        Lap of each event whose damage lies nearest to the mean of its laps.
    """

    events: tuple[str, ...]
    channels: tuple[str, ...]
    slopes: tuple[float, ...]
    damage: NDArray[np.float64]
    share: NDArray[np.float64]
    group_damage: NDArray[np.float64]
    percentile_factor: NDArray[np.float64]
    representative: tuple[int, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class OnePlay:
    """What one play of an event consists of.

    Parameters
    ----------
    laps : tuple of int
        Laps it is made of, end to end.
    damage : ndarray, shape (channel, slope)
        Their damage together.
    duration_s : float
        Their length together. [s]
    """

    laps: tuple[int, ...]
    damage: NDArray[np.float64]
    duration_s: float


def one_play(event: EventLoads, lap: int | None) -> OnePlay:
    """One play of an event: its lap number `lap`, or all its laps end to end when None."""
    laps = tuple(range(event.damage.shape[0])) if lap is None else (lap,)
    return OnePlay(
        laps=laps,
        damage=event.damage[list(laps)].sum(axis=0),
        duration_s=float(event.duration_s[list(laps)].sum()),
    )


def target_damage(
    loads: Sequence[EventLoads],
    mix: Usage,
    *,
    channels: tuple[str, ...],
    slopes: tuple[float, ...],
    percentile: float | None = None,
    watched: tuple[str, ...] = (),
) -> Target:
    """Damage of the service: laps of each event times the mean damage of its laps, summed (Palmgren-Miner).

    With a percentile, damage of users is taken as log-normal: mean and standard deviation of the logarithm from the
    groups with their weights, per channel and slope, so that ``D_p = exp(mu + z_p sigma)``. The percentile user of one
    channel need not be that of another: the target then is the envelope over channels.

    Parameters
    ----------
    loads : sequence of EventLoads
        Every event of `mix`, in its order.
    mix : Usage
        Laps of each event in service.
    channels, slopes
        Names and Basquin slopes, in the order of the damage.
    percentile : float, optional
        Share of users that the target is more severe than. [-]
    watched : tuple of str
        Channels that may be without damage.

    Raises
    ------
    DataError
        An event without a lap; a channel without damage in every event that occurs.
    InputError
        A percentile with fewer than two groups of users.

    References
    ----------
    Johannesson and Speckert (eds.), Guide to Load Analysis for Durability in Vehicle Engineering, Wiley 2013 (a
    population of users with mean and standard deviation, and the 95 % driver as one aim of a test: seen quoted in
    public; that damage of users is log-normal: from memory, and common practice).
    """
    _check_laps(loads, mix)
    mean = np.stack([event.damage.mean(axis=0) for event in loads])
    group_damage = np.einsum("ge,ecs->gcs", mix.laps, mean)
    average = np.einsum("g,gcs->cs", mix.weights, group_damage)
    _check_damage(average, channels, watched)
    known = np.where(average > 0, average, 1.0)
    factor = np.ones_like(average)
    if percentile is not None:
        factor = np.where(average > 0, _percentile_damage(group_damage, mix, percentile) / known, 1.0)
    part = mix.mean_laps[:, None, None] * mean
    share = part / known
    return Target(
        events=mix.events,
        channels=channels,
        slopes=slopes,
        damage=average * factor,
        share=share,
        group_damage=group_damage,
        percentile_factor=factor,
        representative=tuple(representative_lap(event.damage, share[index]) for index, event in enumerate(loads)),
    )


def _check_laps(loads: Sequence[EventLoads], mix: Usage) -> None:
    names = tuple(event.name for event in loads)
    if names != mix.events:
        raise InputError(f"damage was given for the events {names}, usage for {mix.events}; they must be the same")
    for event in loads:
        if event.damage.shape[0] == 0:
            raise DataError(
                f"event '{event.name}' has no lap left; every recording of it was excluded by the check. "
                "Record it again, mend the recording, or take the event out of programme.toml"
            )


def _check_damage(damage: NDArray[np.float64], channels: tuple[str, ...], watched: tuple[str, ...]) -> None:
    sound = [bool(np.isfinite(row).all() and (row > 0).all()) for row in damage]
    bad = [name for name, good in zip(channels, sound, strict=True) if not good and name not in watched]
    if bad:
        many = f"channels {', '.join(repr(name) for name in bad)} have" if len(bad) > 1 else f"channel '{bad[0]}' has"
        raise DataError(
            f"{many} no damage in any event of the service (constant signal, or not finite): nothing can be matched. "
            "Look at the sensor and its scaling, or take the channel out of programme.toml"
        )


def _percentile_damage(group_damage: NDArray[np.float64], mix: Usage, percentile: float) -> NDArray[np.float64]:
    from scipy.special import ndtri

    used = mix.weights > 0
    if int(used.sum()) < 2:
        raise InputError(
            "duty: a percentile user needs at least two groups of users to know their scatter; "
            "add [[duty.group]] tables or take percentile out"
        )
    logs = np.log(np.maximum(group_damage[used], _TINY))
    weights = mix.weights[used]
    mu = np.einsum("g,gcs->cs", weights, logs)
    variance = np.einsum("g,gcs->cs", weights, (logs - mu) ** 2)
    # Unbiased for weights that are shares of a population seen through a few groups (effective number of groups).
    variance = variance / max(1.0 - float(np.sum(weights**2)), 1e-9)
    result: NDArray[np.float64] = np.exp(mu + float(ndtri(percentile)) * np.sqrt(variance))
    return result


def representative_lap(damage: NDArray[np.float64], weight: NDArray[np.float64]) -> int:
    """The lap whose damage lies nearest to the mean of the laps.

    Nearest by the root mean square of the logarithm of the ratio, over channels and slopes weighted by the share of the
    service's damage that the event does there: where the event matters it should be typical.

    Parameters
    ----------
    damage : ndarray, shape (lap, channel, slope)
    weight : ndarray, shape (channel, slope)
    """
    mean = damage.mean(axis=0)
    counted = (mean > 0) & np.isfinite(weight)
    if not counted.any():
        return 0
    ratio = np.log(np.maximum(damage[:, counted], _TINY) / mean[counted])
    importance = np.maximum(weight[counted], 1e-3)
    distance = np.sum(importance * ratio**2, axis=1) / importance.sum()
    return int(np.argmin(distance))
