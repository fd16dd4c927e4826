"""Laboratory against field for one event: levels, spectra, crossings, cycles, damage and error of each channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import ChannelError, DataError
from washboard.loads import level_crossings, psd, pseudo_damage, rainflow
from washboard.recording import Recording

N_LEVELS = 48


@dataclass(frozen=True, kw_only=True, slots=True)
class Comparison:
    """One event in the field and in the laboratory; every array's first axis is the channel.

    Parameters
    ----------
    event : str
        Name.
    channels, units : tuple of str
        Names, and SI units of the samples.
    slopes : tuple of float
        Basquin slopes of `damage_ratio`. [-]
    error : ndarray, shape (channel,)
        RMS of the difference over the RMS of the field, both about their means, at the same instants. [-]
    rms_field, rms_laboratory : ndarray, shape (channel,)
        About the mean. [unit of the channel]
    peak_ratio : ndarray, shape (channel,)
        Largest departure from the mean, laboratory over field. [-]
    damage_ratio : ndarray, shape (channel, slope)
        Pseudo-damage, laboratory over field, residue as half cycles (ASTM E1049). [-]
    frequency_hz, psd_field, psd_laboratory : ndarray, (frequency,) and (channel, frequency)
        One-sided spectra. [Hz], [unit of the channel squared per Hz]
    levels, crossings_field, crossings_laboratory : ndarray, (channel, level)
        Levels about the mean of the field and how often each is crossed (ASTM E1049 5.1). [unit], [1]
    ranges, exceedance_field, exceedance_laboratory : ndarray, (channel, level)
        Rainflow ranges and how many cycles are at least as large. [unit], [1]
    """

    event: str
    channels: tuple[str, ...]
    units: tuple[str, ...]
    slopes: tuple[float, ...]
    error: NDArray[np.float64]
    rms_field: NDArray[np.float64]
    rms_laboratory: NDArray[np.float64]
    peak_ratio: NDArray[np.float64]
    damage_ratio: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    psd_field: NDArray[np.float64]
    psd_laboratory: NDArray[np.float64]
    levels: NDArray[np.float64]
    crossings_field: NDArray[np.int64]
    crossings_laboratory: NDArray[np.int64]
    ranges: NDArray[np.float64]
    exceedance_field: NDArray[np.float64]
    exceedance_laboratory: NDArray[np.float64]


def compare(
    field: Recording,
    laboratory: Recording,
    *,
    event: str,
    slopes: tuple[float, ...],
    block_s: float = 8.0,
    n_levels: int = N_LEVELS,
) -> Comparison:
    """Hold a laboratory response against what it was to reproduce.

    Parameters
    ----------
    field, laboratory : Recording
        Same rate, length and start; the channels of `field`, looked for by name in `laboratory`. SI units.
    event : str
        For messages and titles.
    slopes : tuple of float
        Basquin slopes. [-]
    block_s : float
        Length of a spectral block; a quarter of the recording where that is shorter. [s]
    n_levels : int
        Levels and ranges per channel.

    Raises
    ------
    ChannelError
        A channel of the field is missing in the laboratory, or has another unit there.
    DataError
        Another rate or length, or samples that are not finite.
    """
    lab = laboratory.select(field.names)
    for one, other in zip(field.channels, lab.channels, strict=True):
        if one.unit != other.unit:
            raise ChannelError(
                f"event '{event}': channel '{one.name}' is in {one.unit} in the field and in {other.unit} in the "
                "laboratory"
            )
    if field.rate_hz != lab.rate_hz or field.n_samples != lab.n_samples:
        raise DataError(
            f"event '{event}': the field has {field.n_samples} samples at {field.rate_hz:g} Hz and the laboratory "
            f"{lab.n_samples} at {lab.rate_hz:g} Hz; both must be the same to be compared"
        )
    x, y = np.asarray(field.samples, np.float64), np.asarray(lab.samples, np.float64)
    x, y = x - x.mean(axis=1, keepdims=True), y - y.mean(axis=1, keepdims=True)
    block = min(block_s, field.duration_s / 4)
    spectrum, spectrum_lab = psd(x, field.rate_hz, block_s=block), psd(y, field.rate_hz, block_s=block)
    levels, crossed, crossed_lab = _crossings(x, y, n_levels)
    ranges, counts, counts_lab = _exceedance(x, y, n_levels)
    rms = _rms(x)
    return Comparison(
        event=event,
        channels=field.names,
        units=tuple(channel.unit for channel in field.channels),
        slopes=slopes,
        error=_ratio(_rms(y - x), rms),
        rms_field=rms,
        rms_laboratory=_rms(y),
        peak_ratio=_ratio(np.abs(y).max(axis=1), np.abs(x).max(axis=1)),
        damage_ratio=_ratio(pseudo_damage(y, slopes), pseudo_damage(x, slopes)),
        frequency_hz=spectrum.frequency_hz,
        psd_field=spectrum.values,
        psd_laboratory=spectrum_lab.values,
        levels=levels,
        crossings_field=crossed,
        crossings_laboratory=crossed_lab,
        ranges=ranges,
        exceedance_field=counts,
        exceedance_laboratory=counts_lab,
    )


def _rms(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.sqrt(np.mean(values**2, axis=1)))


def _ratio(above: NDArray[np.float64], below: NDArray[np.float64]) -> NDArray[np.float64]:
    """Quotient, and 0 where the field has nothing."""
    return np.divide(above, below, out=np.zeros_like(above), where=below > 0)


def _crossings(
    x: NDArray[np.float64], y: NDArray[np.float64], n_levels: int
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    low = np.minimum(x.min(axis=1), y.min(axis=1))
    high = np.maximum(x.max(axis=1), y.max(axis=1))
    grid = low[:, None] + (high - low)[:, None] * (np.arange(n_levels) + 0.5) / n_levels
    counted, counted_lab = [], []
    for row in range(len(x)):
        if high[row] > low[row]:
            counted.append(level_crossings(x[row], grid[row]).astm[0])
            counted_lab.append(level_crossings(y[row], grid[row]).astm[0])
        else:
            counted.append(np.zeros(n_levels, np.int64))
            counted_lab.append(np.zeros(n_levels, np.int64))
    return grid, np.stack(counted), np.stack(counted_lab)


def _exceedance(
    x: NDArray[np.float64], y: NDArray[np.float64], n_levels: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Cycles with at least each range, from one hundredth of the largest to the largest."""
    grids, counted, counted_lab = [], [], []
    for one, other in zip(x, y, strict=True):
        cycles, cycles_lab = rainflow(one), rainflow(other)
        largest = max(cycles.range.max(initial=0.0), cycles_lab.range.max(initial=0.0))
        grid = np.geomspace(0.01, 1.0, n_levels) * largest
        grids.append(grid)
        counted.append(_at_least(grid, cycles.range, cycles.count))
        counted_lab.append(_at_least(grid, cycles_lab.range, cycles_lab.count))
    return np.stack(grids), np.stack(counted), np.stack(counted_lab)


def _at_least(
    grid: NDArray[np.float64], ranges: NDArray[np.float64], count: NDArray[np.float64]
) -> NDArray[np.float64]:
    order = np.argsort(ranges)
    behind = np.concatenate([[0.0], np.cumsum(count[order])])
    below = np.searchsorted(ranges[order], grid * (1 - 1e-12))
    return np.asarray(behind[-1] - behind[below])
