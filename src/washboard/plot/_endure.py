"""Figures of the endurance run: how far it has come, and how every pass compares with its reference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from washboard.plot._style import CYCLE, FAINT, FIELD, INK, LIMIT, LOOK, new_figure, panels, styled, title

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@styled
def progress_figure(done: Mapping[str, int], planned: Mapping[str, int]) -> Figure:
    """Passes played and still to play, one bar per event, as a share of those planned."""
    events = list(planned)
    figure = new_figure(height_mm=22 + 9 * len(events))
    axes = panels(figure)[0, 0]
    rows = np.arange(len(events))[::-1]
    share = [100 * done.get(event, 0) / max(planned[event], 1) for event in events]
    axes.barh(rows, [100.0] * len(events), height=0.6, color="#EDEDED")
    axes.barh(rows, share, height=0.6, color=FIELD)
    for row, event, value in zip(rows, events, share, strict=True):
        text = f"{done.get(event, 0):,} of {planned[event]:,}"
        axes.text(min(value, 100.0) + 1.0, row, text, va="center", fontsize=7.5, color=INK)
    axes.set_yticks(rows, events)
    axes.set_xlim(0, 100)
    axes.grid(axis="y", visible=False)
    axes.set_xlabel("passes played [% of those planned]")
    total, behind = sum(planned.values()), sum(done.values())
    title(axes, f"{behind:,} of {total:,} passes are done")
    return figure


@styled
def trend_figure(
    numbers: ArrayLike,
    ratio: ArrayLike,
    channels: Sequence[str],
    *,
    tolerance: float,
    changed: Sequence[str] = (),
    what: str = "RMS",
) -> Figure:
    """Amplitude of each channel over that of its reference, pass by pass.

    Parameters
    ----------
    numbers : array_like, shape (pass,)
        Pass numbers.
    ratio : array_like, shape (pass, channel)
        Amplitude over reference. [-]
    tolerance : float
        Shaded about 1. [-]
    changed : sequence of str
        Channels to be named and coloured; the others are drawn pale.
    what : str
        The feature, for the axis.
    """
    x, y = np.asarray(numbers), np.asarray(ratio, np.float64)
    figure = new_figure(height_mm=64)
    axes = panels(figure)[0, 0]
    axes.axhspan(1 - tolerance, 1 + tolerance, color="#EEF3F7", zorder=0)
    for edge in (1 - tolerance, 1 + tolerance):
        axes.axhline(edge, color=LIMIT, linewidth=0.8, linestyle="--")
    for column, name in enumerate(channels):
        if name not in changed:
            axes.plot(x, y[:, column], color=FAINT, linewidth=0.8, marker="o", markersize=2)
    for number, name in enumerate(changed):
        column = list(channels).index(name)
        colour = CYCLE[number % len(CYCLE)]
        axes.plot(x, y[:, column], color=colour, marker="o", markersize=3, label=name)
    low, high = float(y.min(initial=1.0)), float(y.max(initial=1.0))
    axes.set_ylim(min(low, 1 - tolerance) - 0.02, max(high, 1 + tolerance) + 0.02)
    axes.xaxis.get_major_locator().set_params(integer=True)
    axes.set_xlabel("pass number")
    axes.set_ylabel(f"{what}, pass over reference [-]")
    if changed:
        axes.legend(loc="best")
        title(axes, f"{len(changed)} of {len(channels)} channels have left the tolerance of {100 * tolerance:g} %")
    else:
        title(axes, f"All {len(channels)} channels stay within {100 * tolerance:g} % of their reference")
    return figure


@styled
def scatter_figure(labels: Sequence[str], spread: ArrayLike, *, tolerance: float) -> Figure:
    """How far each channel moved from its reference in any pass, largest departure per channel.

    Parameters
    ----------
    labels : sequence of str
        Channels.
    spread : array_like, shape (channel,)
        Largest of ``|ratio - 1|`` over the passes and features. [-]
    """
    values = 100 * np.asarray(spread, np.float64)
    figure = new_figure(height_mm=20 + 6 * len(labels))
    axes = panels(figure)[0, 0]
    rows = np.arange(len(labels))[::-1]
    colours = [LOOK if value > 100 * tolerance else FIELD for value in values]
    axes.barh(rows, values, height=0.55, color=colours)
    axes.axvline(100 * tolerance, color=LIMIT, linewidth=0.9, linestyle="--")
    axes.set_yticks(rows, labels)
    axes.grid(axis="y", visible=False)
    axes.set_xlabel("largest departure from the reference [%]")
    worst = labels[int(values.argmax())] if len(labels) else ""
    title(axes, f"The largest departure is {values.max(initial=0.0):.2g} %, on '{worst}'")
    return figure
