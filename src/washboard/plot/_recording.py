"""Figures of recordings: a channel as recorded and as repaired."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from washboard.plot._style import FIELD, LOOK, axis_label, new_figure, outline, styled, title
from washboard.recording import Recording

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_MARGIN_S = 0.25


@styled
def fault_figure(original: Recording, copy: Recording, channel: str, *, did: str = "") -> Figure:
    """One channel before and after repair, zoomed to where they differ most.

    Parameters
    ----------
    original, copy : Recording
        Both with `channel`, in one unit and at one sample rate.
    did : str
        Name of the repair, for the title.
    """
    before, after = original.values(channel), copy.values(channel)
    size = min(before.size, after.size)
    before, after = before[:size], after[:size]
    differs = np.flatnonzero((before != after) & ~(np.isnan(before) & np.isnan(after)))
    first, last = 0, size
    if differs.size and differs.size < size // 2:
        gaps = np.flatnonzero(np.diff(differs) > original.rate_hz)
        groups = np.split(differs, gaps + 1)
        step = np.nan_to_num(np.abs(before - after), nan=np.inf)
        worst = max(groups, key=lambda group: float(step[group].max()))
        margin = max(round(_MARGIN_S * original.rate_hz), int(0.6 * (worst[-1] - worst[0])))
        first, last = max(0, int(worst[0]) - margin), min(size, int(worst[-1]) + margin)
    figure = new_figure(height_mm=50.0)
    axes = figure.subplots()
    time_s = np.arange(first, last) / original.rate_hz
    for samples, colour, label, width in ((before, LOOK, "as recorded", 1.4), (after, FIELD, "as repaired", 0.8)):
        part = samples[first:last]
        kept = outline(np.nan_to_num(part)) if part.size > 4000 else np.arange(part.size)
        axes.plot(time_s[kept], part[kept], color=colour, linewidth=width, label=label)
    entry = original.channel(channel)
    axes.set_xlabel(axis_label("time", "s"))
    axes.set_ylabel(axis_label(entry.quantity or channel, entry.unit))
    axes.legend(loc="upper right", frameon=False)
    changed = f"{differs.size} samples changed" if differs.size < size // 2 else "all samples changed"
    title(axes, f"{channel}: {changed}" + (f" by {did}" if did else ""))
    return figure
