"""Figures a page of the app exports: the same data as its chart or its stack of channels, drawn for paper."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.plot._style import CYCLE, SEQUENTIAL, axis_label, new_figure, panels, styled, title

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_DASHES = {"solid": "-", "dash": "--", "dot": ":"}


@styled
def lines_figure(
    *,
    heading: str,
    x: ArrayLike,
    lines: Sequence[tuple[str, ArrayLike, int, str, bool]],
    x_label: str,
    y_label: str,
    x_log: bool = False,
    y_log: bool = False,
    bands: Sequence[tuple[float, float]] = (),
) -> Figure:
    """Lines over one axis.

    Parameters
    ----------
    lines : sequence of (name, values, number of the colour, dash, points only)
        Values over `x`; a line shorter than `x` is drawn over its first part.
    bands : sequence of (from, to)
        Stretches of the x axis to shade.
    """
    figure = new_figure()
    axes = panels(figure)[0, 0]
    for start, end in bands:
        axes.axvspan(start, end, color=CYCLE[2], alpha=0.12, linewidth=0)
    axis = np.asarray(x, dtype=np.float64)
    for name, values, colour, dash, points in lines:
        y = np.asarray(values, dtype=np.float64)
        style = {"linestyle": "none", "marker": "o", "markersize": 4} if points else {"linestyle": _DASHES[dash]}
        axes.plot(axis[: len(y)], y, color=CYCLE[colour % len(CYCLE)], label=name, **style)
    if x_log:
        axes.set_xscale("log")
    if y_log:
        axes.set_yscale("log")
    axes.set_xlabel(x_label)
    axes.set_ylabel(y_label)
    if len(lines) > 1:
        axes.legend(loc="best")
    title(axes, heading)
    return figure


@styled
def stack_figure(
    *,
    heading: str,
    channels: Sequence[tuple[str, str]],
    layers: Sequence[str],
    outlines: Sequence[tuple[int, int, NDArray[np.float64], NDArray[np.float32], NDArray[np.float32]]],
    start_s: float,
    end_s: float,
) -> Figure:
    """Channels under one another over the same time.

    Parameters
    ----------
    channels : sequence of (name, unit)
        One panel each.
    layers : sequence of str
        Names of the recordings drawn over one another.
    outlines : sequence of (layer, channel, time, lowest, highest)
        Time of each stretch and its lowest and highest value. [s, unit of the channel]
    """
    figure = new_figure(height_mm=18 + 26 * len(channels))
    rows = panels(figure, len(channels), 1, sharex=True)[:, 0]
    for layer, channel, time_s, low, high in outlines:
        zigzag = np.stack([high, low], axis=1).ravel() if low is not high else low
        at = np.repeat(time_s, 2) if low is not high else time_s
        rows[channel].plot(at, zigzag, color=CYCLE[layer % len(CYCLE)], linewidth=0.7, label=layers[layer])
    for axes, (name, unit) in zip(rows, channels, strict=True):
        axes.set_ylabel(axis_label("", unit).strip())
        title(axes, name)
    rows[-1].set_xlabel("time [s]")
    rows[-1].set_xlim(start_s, end_s)
    if len(layers) > 1:
        handles = {text: line for axes in rows for line, text in zip(*axes.get_legend_handles_labels(), strict=True)}
        figure.legend(handles.values(), handles.keys(), loc="outside lower center", ncols=min(4, len(handles)))
    title(figure, heading)
    return figure


@styled
def heat_figure(
    *,
    heading: str,
    values: NDArray[np.float64],
    x_edges: NDArray[np.float64],
    y_edges: NDArray[np.float64],
    x_label: str,
    y_label: str,
) -> Figure:
    """A matrix of counts, shape (x, y), with logarithmic colours; zero is left white."""
    from matplotlib.colors import LogNorm

    figure = new_figure(height_mm=110)
    axes = panels(figure)[0, 0]
    shown = np.ma.masked_less_equal(values.T, 0)
    low, high = (float(shown.min()), float(shown.max())) if shown.count() else (1.0, 10.0)
    norm = LogNorm(low, high if high > low else 10 * low)
    mesh = axes.pcolormesh(x_edges, y_edges, shown, cmap=SEQUENTIAL, norm=norm)
    figure.colorbar(mesh, ax=axes, label="cycles")
    axes.set_xlabel(x_label)
    axes.set_ylabel(y_label)
    title(axes, heading)
    return figure
