"""Figures of loads: spectra, load spectra, level crossings, damage by event, by band and by natural frequency."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from washboard.plot._style import (
    CYCLE,
    LIMIT,
    SEQUENTIAL,
    axis_label,
    new_figure,
    panels,
    pretty_unit,
    styled,
    title,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

F64 = NDArray[np.float64]

_COLUMNS = 3


def _small_multiples(
    channels: tuple[str, ...], draw: Callable[[Axes, int], None], *, x: str, height_mm: float = 33
) -> Figure:
    """One panel per channel, three to a row, with the x label under the lowest panels."""
    columns = 2 if len(channels) in (2, 4) else min(_COLUMNS, len(channels))
    rows = -(-len(channels) // columns)
    figure = new_figure(height_mm=14 + height_mm * rows)
    axes = panels(figure, rows, columns, sharex=True)
    for number in range(rows * columns):
        panel = axes[number // columns, number % columns]
        if number >= len(channels):
            panel.set_axis_off()
            continue
        draw(panel, number)
        panel.set_title(channels[number], fontsize=7.5, fontweight="normal")
        if number + columns >= len(channels):
            panel.set_xlabel(x)
            panel.tick_params(labelbottom=True)
    return figure


def _key(figure: Figure, events: tuple[str, ...]) -> None:
    handles, labels = figure.axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=min(5, max(1, len(events))))


@styled
def psd_figure(
    frequency_hz: F64, psd: F64, *, events: tuple[str, ...], channels: tuple[str, ...], units: tuple[str, ...]
) -> Figure:
    """Power spectral densities, a panel per channel and a line per event.

    Parameters
    ----------
    frequency_hz : ndarray, shape (frequency,)
        [Hz]
    psd : ndarray, shape (event, channel, frequency)
        [unit squared per Hz]
    """
    inside = frequency_hz > 0

    def draw(panel: Axes, channel: int) -> None:
        for number, event in enumerate(events):
            panel.loglog(frequency_hz[inside], psd[number, channel, inside], lw=0.8, color=_colour(number), label=event)
        top = float(np.max(psd[:, channel]))
        if top > 0:
            panel.set_ylim(top * 1e-7, top * 3)
        panel.set_ylabel(f"[({pretty_unit(units[channel])})²/Hz]", fontsize=7)

    figure = _small_multiples(channels, draw, x="frequency [Hz]")
    _key(figure, events)
    loud = np.unravel_index(int(np.argmax(psd[:, :, inside].max(axis=(1, 2)))), (len(events),))[0]
    title(figure, f"The highest spectral peak is that of {events[int(loud)]}")
    return figure


def _colour(number: int) -> Any:
    return CYCLE[number % len(CYCLE)]


@styled
def damage_share_figure(damage: F64, *, events: tuple[str, ...], channels: tuple[str, ...]) -> Figure:
    """Damage per hour of each event on each channel, as a share of the channel's worst event.

    Parameters
    ----------
    damage : ndarray, shape (event, channel)
        Per hour, in each channel's own units.
    """
    share = damage / np.maximum(damage.max(axis=0, keepdims=True), 1e-300)
    figure = new_figure(height_mm=30 + 5.2 * len(channels))
    axes = panels(figure)[0, 0]
    shown = np.log10(np.maximum(share.T, 1e-4))
    image = axes.imshow(shown, aspect="auto", cmap=SEQUENTIAL, vmin=-4, vmax=0)
    axes.grid(visible=False)
    axes.set_xticks(range(len(events)), list(events), rotation=20, ha="right")
    axes.set_yticks(range(len(channels)), list(channels))
    for row in range(len(channels)):
        for column in range(len(events)):
            value = share[column, row]
            axes.text(
                column, row, "1" if value == 1 else f"{value:.2g}" if value >= 1e-4 else "<1e-4", ha="center",
                va="center", fontsize=6.5, color="#FEFEFE" if shown[row, column] < -1.6 else "#010101",
            )  # fmt: skip
    bar = figure.colorbar(image, ax=axes, ticks=range(-4, 1))
    bar.ax.set_yticklabels(["1e-4", "0.001", "0.01", "0.1", "1"])
    bar.set_label("share of the channel's worst event [-]")
    leading = events[int(np.bincount(share.argmax(axis=0), minlength=len(events)).argmax())]
    title(axes, f"Per hour, {leading} is the worst event of most channels")
    return figure


@styled
def band_figure(
    edge_hz: F64,
    without_above: F64,
    without_below: F64,
    *,
    channels: tuple[str, ...],
    band_hz: tuple[float, float],
) -> Figure:
    """Damage that remains when content above or below a frequency is lost, a line per channel.

    Parameters
    ----------
    edge_hz : ndarray, shape (edge,)
        [Hz]
    without_above, without_below : ndarray, shape (channel, edge)
        Share of the damage. [-]
    band_hz : tuple of two floats
        Band of the test. [Hz]
    """
    figure = new_figure(height_mm=68)
    axes = panels(figure, 1, 2, sharey=True)
    for panel, curves, words in (
        (axes[0, 0], without_below, "Without the content below"),
        (axes[0, 1], without_above, "Without the content above"),
    ):
        for number, channel in enumerate(channels):
            style = ("-", "--", ":")[number // len(CYCLE) % 3]
            panel.semilogx(edge_hz, curves[number], ls=style, color=_colour(number), label=channel)
        panel.set_ylim(0, min(1.6, max(1.05, float(curves.max()) * 1.02)))
        panel.set_xlabel("frequency [Hz]")
        panel.set_title(words, fontsize=8)
    axes[0, 0].axvline(band_hz[0], color=LIMIT, lw=1.2)
    axes[0, 1].axvline(band_hz[1], color=LIMIT, lw=1.2)
    axes[0, 0].set_ylabel("damage that remains [-]")
    axes[0, 1].legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize=6.5)
    low = float(np.min([np.interp(band_hz[0], edge_hz, curve) for curve in without_below]))
    high = float(np.min([np.interp(band_hz[1], edge_hz, curve) for curve in without_above]))
    title(figure, f"At the edges of the test band every channel keeps at least {min(low, high):.0%} of its damage")
    return figure


@styled
def range_spectrum_figure(
    from_to: F64, class_edges: F64, *, events: tuple[str, ...], channels: tuple[str, ...], units: tuple[str, ...]
) -> Figure:
    """Cycles of at least a range, a panel per channel and a line per event.

    Parameters
    ----------
    from_to : ndarray, shape (event, channel, class, class)
        Cycles.
    class_edges : ndarray, shape (channel, class + 1)
        [unit of the channel]
    """
    n = from_to.shape[-1]
    steps = np.abs(np.arange(n)[:, None] - np.arange(n)[None, :]).ravel()

    def draw(panel: Axes, channel: int) -> None:
        width = class_edges[channel, 1] - class_edges[channel, 0]
        for number, event in enumerate(events):
            counts = np.bincount(steps, from_to[number, channel].ravel(), n)
            above = np.cumsum(counts[::-1])[::-1]
            kept = (above > 0) & (np.arange(n) > 0)
            panel.semilogx(above[kept], np.arange(n)[kept] * width, lw=0.9, color=_colour(number), label=event)
        panel.set_ylim(bottom=0)
        panel.set_ylabel(axis_label("range", units[channel]), fontsize=7)

    figure = _small_multiples(channels, draw, x="cycles of at least this range [-]")
    _key(figure, events)
    title(figure, "Load spectra: few large cycles and many small ones")
    return figure


@styled
def crossings_figure(
    up: NDArray[np.int64],
    levels: F64,
    *,
    events: tuple[str, ...],
    channels: tuple[str, ...],
    units: tuple[str, ...],
) -> Figure:
    """Upward crossings of levels, a panel per channel and a line per event.

    Parameters
    ----------
    up : ndarray, shape (event, channel, level)
    levels : ndarray, shape (channel, level)
        [unit of the channel]
    """

    def draw(panel: Axes, channel: int) -> None:
        for number, event in enumerate(events):
            kept = up[number, channel] > 0
            panel.semilogx(up[number, channel][kept], levels[channel][kept], lw=0.9, color=_colour(number), label=event)
        panel.set_ylabel(axis_label("level", units[channel]), fontsize=7)

    figure = _small_multiples(channels, draw, x="upward crossings [-]")
    _key(figure, events)
    title(figure, "Level crossings show how far each event goes to either side")
    return figure


@styled
def damage_spectrum_figure(
    natural_hz: F64, damage: F64, *, events: tuple[str, ...], channels: tuple[str, ...]
) -> Figure:
    """Damage of oscillators by natural frequency, as one equivalent cycle; a panel per channel, a line per event.

    Parameters
    ----------
    natural_hz : ndarray, shape (frequency,)
        [Hz]
    damage : ndarray, shape (event, channel, frequency)
        Range of the one cycle per lap that would do it, times angular frequency squared; NaN where a channel is no
        acceleration. [m/s2]
    """
    kept = [row for row in range(len(channels)) if np.isfinite(damage[:, row]).all()]

    def draw(panel: Axes, place: int) -> None:
        for number, event in enumerate(events):
            panel.loglog(natural_hz, damage[number, kept[place]], lw=0.9, color=_colour(number), label=event)
        panel.set_ylabel(axis_label("range", "m/s2"), fontsize=7)

    figure = _small_multiples(tuple(channels[row] for row in kept), draw, x="natural frequency [Hz]")
    _key(figure, events)
    worst = events[int(np.nansum(damage[:, kept] / np.nanmax(damage[:, kept], axis=0), axis=(1, 2)).argmax())]
    title(figure, f"{worst} damages most structures, whatever their natural frequency")
    return figure
