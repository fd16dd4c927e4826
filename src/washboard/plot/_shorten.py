"""Figures of shortening: damage kept, time against damage, what was kept, and what it did to spectra and levels."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from washboard.plot._style import (
    CYCLE,
    FAINT,
    FIELD,
    INK,
    LABORATORY,
    LIMIT,
    axis_label,
    new_figure,
    panels,
    pretty_unit,
    styled,
    title,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_MARKS = ("o", "s", "^", "D", "v", "P", "X")


@styled
def retained_figure(
    held: NDArray[np.float64], required: NDArray[np.float64], *, events: tuple[str, ...], channels: tuple[str, ...]
) -> Figure:
    """Share of damage kept, one row per channel and one mark per event; a bar marks what was asked.

    Parameters
    ----------
    held, required : ndarray, shape (event, channel)
        [-]
    events, channels : tuple of str
        Names.
    """
    figure = new_figure(height_mm=22 + 4.8 * len(channels))
    axes = panels(figure)[0, 0]
    rows = np.arange(len(channels))
    most = required.max(axis=0)
    asked = most > 0
    axes.plot(most[asked], rows[asked], ls="", marker="|", ms=11, mew=1.6, color=LIMIT, label="asked")
    for number, event in enumerate(events):
        axes.plot(
            held[number],
            rows + (number - (len(events) - 1) / 2) * 0.5 / max(1, len(events)),
            ls="",
            marker=_MARKS[number % len(_MARKS)],
            ms=3.5,
            color=CYCLE[number % len(CYCLE)],
            label=event,
        )
    axes.set_yticks(
        rows, [name if wanted else f"{name} (watched)" for name, wanted in zip(channels, asked, strict=True)]
    )
    axes.set_ylim(len(channels) - 0.4, -0.6)
    axes.set_xlim(min(0.45, float(held.min()) - 0.05), 1.03)
    axes.set_xlabel("damage kept / damage of the original [-]")
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))
    wanted = required > 0
    short = int(np.sum(held[wanted] < required[wanted] - 1e-5))
    words = (
        "Every channel keeps what was asked in every event" if not short else f"{short} channels keep less than asked"
    )
    title(axes, words)
    return figure


@styled
def trade_off_figure(
    events: tuple[str, ...],
    share: Sequence[NDArray[np.float64]],
    length: Sequence[NDArray[np.float64]],
    *,
    chosen: Sequence[tuple[float, float]],
) -> Figure:
    """Length against share of damage kept, one line per event.

    Parameters
    ----------
    events : tuple of str
        Names.
    share, length : sequences of ndarray, shape (point,)
        Share kept and length over the original's, per event. [-]
    chosen : sequence of (share, length)
        What was chosen, per event. [-]
    """
    figure = new_figure(height_mm=64)
    axes = panels(figure)[0, 0]
    axes.plot([50, 100], [50, 100], color=FAINT, lw=0.8)
    for number, event in enumerate(events):
        color = CYCLE[number % len(CYCLE)]
        axes.plot(100 * share[number], 100 * length[number], color=color, label=event)
        axes.plot(100 * chosen[number][0], 100 * chosen[number][1], "o", ms=6, mfc="none", color=color)
    axes.set_xlim(49, 101)
    axes.set_ylim(0, 103)
    axes.set_xlabel("damage kept on every channel [%]")
    axes.set_ylabel("length / original length [%]")
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))
    best = int(np.argmin([length_ for _share, length_ in chosen]))
    title(
        axes,
        f"'{events[best]}' shortens most: {chosen[best][1]:.0%} of its time keeps {chosen[best][0]:.0%} of its damage",
    )
    return figure


@styled
def stretches_figure(
    events: tuple[str, ...], kept: Sequence[Sequence[tuple[float, float]]], original_s: Sequence[float]
) -> Figure:
    """Stretches kept, one row per event.

    Parameters
    ----------
    events : tuple of str
        Names.
    kept : sequence of sequences of (start, end)
        [s]
    original_s : sequence of float
        Length of each original. [s]
    """
    figure = new_figure(height_mm=22 + 8 * len(events))
    axes = panels(figure)[0, 0]
    for row, (parts, length) in enumerate(zip(kept, original_s, strict=True)):
        axes.broken_barh([(0.0, length)], (row - 0.3, 0.6), color=FAINT, alpha=0.5)
        axes.broken_barh([(start, end - start) for start, end in parts], (row - 0.3, 0.6), color=FIELD)
    axes.set_yticks(range(len(events)), events)
    axes.invert_yaxis()
    axes.grid(visible=False, axis="y")
    axes.set_xlabel("time in the original [s]")
    total = sum(end - start for parts in kept for start, end in parts)
    title(axes, f"{total / sum(original_s):.0%} of the time is kept (blue)")
    return figure


@styled
def effects_figure(
    frequency_hz: NDArray[np.float64],
    psd: tuple[NDArray[np.float64], NDArray[np.float64]],
    levels: NDArray[np.float64],
    crossings_per_s: tuple[NDArray[np.float64], NDArray[np.float64]],
    *,
    channel: str,
    quantity: str,
    unit: str,
    band_hz: tuple[float, float],
) -> Figure:
    """Spectrum and level crossings of one channel, original and shortened.

    Parameters
    ----------
    frequency_hz : ndarray, shape (frequency,)
        [Hz]
    psd : two of ndarray, shape (frequency,)
        Original and shortened. [unit^2/Hz]
    levels : ndarray, shape (level,)
        [unit]
    crossings_per_s : two of ndarray, shape (level,)
        Upward crossings per second, original and shortened. [1/s]
    channel, quantity, unit : str
        Of the channel.
    band_hz : (low, high)
        Band to show. [Hz]
    """
    figure = new_figure(height_mm=58)
    left, right = panels(figure, 1, 2)[0]
    inside = (frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])
    for values, color, name in zip(psd, (FIELD, LABORATORY), ("original", "shortened"), strict=True):
        left.loglog(frequency_hz[inside], np.maximum(values[inside], 1e-30), color=color, label=name)
    left.set_xlabel("frequency [Hz]")
    plain = pretty_unit(unit)
    left.set_ylabel(f"{quantity} [{plain if plain.isalpha() else f'({plain})'}²/Hz]")
    left.legend()
    rms = [float(np.sqrt(np.trapezoid(values[inside], frequency_hz[inside]))) for values in psd]
    title(left, f"{channel}: {rms[1] / rms[0]:.2f} times as lively")
    for values, color in zip(crossings_per_s, (FIELD, LABORATORY), strict=True):
        right.plot(np.where(values > 0, values, np.nan), levels, color=color)
    right.set_xscale("log")
    right.set_xlabel("upward crossings [1/s]")
    right.set_ylabel(axis_label("level", unit))
    right.tick_params(colors=INK)
    title(right, "Levels crossed")
    return figure
