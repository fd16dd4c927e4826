"""Figures of the target: test against target per channel, and where the damage of the service comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from washboard.plot._style import CYCLE, FAINT, GOOD, INK, LIMIT, new_figure, panels, styled, title

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_MARKS = ("o", "s", "^", "D", "v", "P", "X")


@styled
def ratio_figure(
    ratio: NDArray[np.float64],
    *,
    channels: tuple[str, ...],
    slopes: tuple[float, ...],
    under: float,
    over: float,
    bounded: NDArray[np.bool_] | None = None,
) -> Figure:
    """Test damage over target damage, one row per channel and one mark per slope, with the bounds allowed.

    Parameters
    ----------
    ratio : ndarray, shape (channel, slope)
        [-]
    channels, slopes
        Names and Basquin slopes.
    under, over : float
        Bounds. [-]
    bounded : ndarray of bool, shape (channel,), optional
        Channels for which the upper bound holds; the others stand in brackets.
    """
    upper = np.full(len(channels), over) if bounded is None else np.where(bounded, over, np.inf)
    figure = new_figure(height_mm=24 + 5.0 * len(channels))
    axes = panels(figure)[0, 0]
    axes.axvspan(under, over, color=GOOD, alpha=0.12, lw=0)
    axes.axvline(1.0, color=FAINT, lw=0.8)
    rows = np.arange(len(channels))
    for place, slope in enumerate(slopes):
        offset = (place - (len(slopes) - 1) / 2) * 0.18
        axes.plot(
            np.maximum(ratio[:, place], 1e-3),
            rows + offset,
            ls="",
            marker=_MARKS[place % len(_MARKS)],
            ms=4,
            label=f"slope {slope:g}",
        )
    axes.set_xscale("log")
    low, high = min(float(ratio.min()), under) * 0.9, max(float(ratio.max()), over) * 1.1
    axes.set_xlim(max(low, 1e-3), high)
    ticks = [
        tick for tick in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.7, 0.9, 1, 1.2, 1.5, 2, 3, 5, 10) if low <= tick <= high
    ]
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.minorticks_off()
    labels = [name if np.isfinite(most) else f"({name})" for name, most in zip(channels, upper, strict=True)]
    axes.set_yticks(rows, labels)
    axes.set_ylim(len(channels) - 0.4, -0.6)
    axes.set_xlabel("test damage / target damage [-]")
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))
    outside = int(np.sum((ratio < under * (1 - 1e-6)) | (ratio > upper[:, None] * (1 + 1e-6))))
    words = f"every channel lies within {under:g} to {over:g} of its target"
    if not np.isfinite(upper).all():
        words = f"every channel reaches {under:g} of its target, control channels at most {over:g}"
    if outside:
        words = f"{outside} of {ratio.size} damages lie outside their bounds of {under:g} to {over:g}"
    title(axes, words[0].upper() + words[1:])
    return figure


@styled
def share_figure(share: NDArray[np.float64], *, events: tuple[str, ...], channels: tuple[str, ...]) -> Figure:
    """Share of each event in the damage of the service, stacked per channel.

    Parameters
    ----------
    share : ndarray, shape (event, channel)
        Sums to 1 over the events. [-]
    events, channels : tuple of str
        Names.
    """
    figure = new_figure(height_mm=24 + 5.0 * len(channels))
    axes = panels(figure)[0, 0]
    rows, left = np.arange(len(channels)), np.zeros(len(channels))
    for number, event in enumerate(events):
        color = CYCLE[number % len(CYCLE)]
        hatch = "" if number < len(CYCLE) else "///"
        axes.barh(rows, share[number], left=left, height=0.7, color=color, hatch=hatch, edgecolor="white", label=event)
        for row in rows:
            if share[number, row] >= 0.1:
                middle = left[row] + share[number, row] / 2
                axes.text(
                    middle, row, f"{share[number, row]:.0%}", ha="center", va="center", fontsize=6.5, color="white"
                )
        left = left + share[number]
    axes.set_xlim(0, 1)
    axes.set_yticks(rows, channels)
    axes.set_ylim(len(channels) - 0.4, -0.6)
    axes.grid(visible=False, axis="y")
    axes.set_xlabel("share of the damage of the service [-]")
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))
    loudest = int(np.argmax(share.mean(axis=1)))
    title(axes, f"'{events[loudest]}' does {share[loudest].mean():.0%} of the damage on average")
    return figure


@styled
def laps_figure(
    half_width: NDArray[np.float64], laps: NDArray[np.int_], *, wanted: float, confidence: float, channel: str
) -> Figure:
    """Uncertainty of a target against laps recorded.

    Parameters
    ----------
    half_width : ndarray, shape (point,)
        Half the interval over the damage. [-]
    laps : ndarray of int, shape (point,)
        Laps in all.
    wanted, confidence : float
        What is asked for. [-]
    channel : str
        Whose target.
    """
    figure = new_figure(height_mm=54)
    axes = panels(figure)[0, 0]
    axes.plot(laps, 100 * half_width, marker="o" if len(laps) < 25 else "", ms=3)
    axes.set_ylim(0, None)
    axes.axhline(100 * wanted, color=LIMIT, lw=0.8)
    axes.text(float(laps[-1]), 100 * wanted, "asked for", ha="right", va="bottom", fontsize=7, color=INK)
    axes.set_xlabel("laps recorded, all events [-]")
    axes.set_ylabel(f"uncertainty of target damage,\n±, confidence {confidence:.0%} [%]")
    reached = laps[half_width <= wanted]
    words = f"More than {laps[-1]} laps are needed"
    if reached.size:
        words = f"{laps[0]} laps leave ±{half_width[0]:.0%}, {reached[0]} would be enough (last: '{channel}')"
    title(axes, words)
    return figure
