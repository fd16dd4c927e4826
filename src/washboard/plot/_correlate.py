"""Figures of laboratory against field: spectra, cycles, crossings, damage ratios, and the equivalence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.plot._style import (
    CYCLE,
    FIELD,
    INK,
    LABORATORY,
    LIMIT,
    TARGET,
    axis_label,
    new_figure,
    panels,
    pretty_unit,
    styled,
    title,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from washboard.correlate import Comparison, Equivalence


def _grid(n: int) -> tuple[Figure, list[Axes]]:
    """A figure with `n` panels of one x axis; three figures of 15 panels fit a page."""
    columns = _columns(n)
    rows = -(-n // columns)
    figure = new_figure(height_mm=14 + (22.5 if rows > 2 else 30.0) * rows, placed=True)
    axes = panels(figure, rows, columns).ravel()
    _place(figure, rows, between_mm=7.5)
    for number, one in enumerate(axes):
        one.set_visible(number < n)
        if number + columns < n:
            one.tick_params(labelbottom=False)
    return figure, list(axes[:n])


def _columns(n: int) -> int:
    return min(n, 3 if n <= 6 else 4 if n <= 8 else 5)


def _place(figure: Figure, rows: int, *, between_mm: float = 15.0) -> None:
    """Fixed room around panels, in mm: many panels laid out by trial take seconds."""
    width, height = figure.get_size_inches() * 25.4
    panel = (height - 32.0 - between_mm * (rows - 1)) / rows
    figure.subplots_adjust(
        left=17 / width, right=1 - 2 / width, bottom=17 / height, top=1 - 15 / height, wspace=0.44,
        hspace=between_mm / panel,
    )  # fmt: skip
    for axes in figure.axes:
        axes.minorticks_off()


def _both(figure: Figure, axes: list[Axes]) -> None:
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="lower center", ncols=len(labels))


@styled
def spectra_figure(found: Comparison, *, band_hz: tuple[float, float], channels: Sequence[str] = ()) -> Figure:
    """Spectrum of each channel in the field and in the laboratory; the reproduced band is shaded. [Hz]"""
    rows = [found.channels.index(name) for name in channels or found.channels]
    figure, axes = _grid(len(rows))
    top = min(2.5 * band_hz[1], float(found.frequency_hz[-1]))
    shown = (found.frequency_hz >= band_hz[0] / 4) & (found.frequency_hz <= top)
    frequency = found.frequency_hz[shown]
    for number, (panel, row) in enumerate(zip(axes, rows, strict=True)):
        panel.axvspan(*band_hz, color="#F2F5F8", zorder=0)
        panel.loglog(frequency, found.psd_field[row][shown], color=FIELD, label="field")
        panel.loglog(frequency, found.psd_laboratory[row][shown], color=LABORATORY, linewidth=0.9, label="laboratory")
        inside = (frequency >= band_hz[0]) & (frequency <= band_hz[1])
        peak = found.psd_field[row][shown][inside].max(initial=0.0)
        if peak > 0:
            panel.set_ylim(peak * 1e-5, peak * 4)
        panel.minorticks_off()
        panel.tick_params(labelsize=6, pad=1)
        panel.set_title(found.channels[row], fontsize=6, fontweight="normal", pad=2)
        panel.set_ylabel(f"[({pretty_unit(found.units[row])})²/Hz]", fontsize=6, labelpad=1)
        if number + _columns(len(rows)) >= len(rows):
            panel.set_xlabel("frequency [Hz]", fontsize=6.5, labelpad=1)
    _both(figure, axes)
    worst = rows[int(np.argmax(found.error[rows]))]
    title(
        figure,
        f"{found.event}: error at most {100 * found.error[worst]:.0f} % of the field's, on '{found.channels[worst]}'",
    )
    return figure


@styled
def counts_figure(found: Comparison, *, channels: Sequence[str] = ()) -> Figure:
    """Rainflow cycles at least as large as each range, above; crossings of each level, below (ASTM E1049)."""
    rows = [found.channels.index(name) for name in (channels or found.channels)][:6]
    figure = new_figure(height_mm=112, placed=True)
    axes = panels(figure, 2, len(rows))
    _place(figure, 2)
    both = (("field", FIELD), ("laboratory", LABORATORY))
    for column, row in enumerate(rows):
        above, below = axes[0, column], axes[1, column]
        for (label, colour), counted in zip(both, (found.exceedance_field, found.exceedance_laboratory), strict=True):
            kept = counted[row] > 0
            above.step(counted[row][kept], found.ranges[row][kept], where="pre", color=colour, label=label)
        for (label, colour), crossed in zip(both, (found.crossings_field, found.crossings_laboratory), strict=True):
            below.plot(np.maximum(crossed[row], 0.5), found.levels[row], color=colour, label=label)
        above.set_title(found.channels[row], fontsize=7.5, fontweight="normal")
        for panel, what in ((above, "range"), (below, "level about the mean")):
            panel.set_xscale("log")
            panel.minorticks_off()
            panel.tick_params(labelsize=6.5)
            if column == 0 or found.units[row] != found.units[rows[0]]:
                panel.set_ylabel(axis_label(what, found.units[row]), fontsize=7)
        above.set_xlabel("cycles at least as large", fontsize=7)
        below.set_xlabel("crossings", fontsize=7)
    _both(figure, [axes[0, 0]])
    ratios, peaks = found.damage_ratio[rows], found.peak_ratio[rows]
    title(
        figure,
        f"{found.event}: damage {ratios.min():.2f} to {ratios.max():.2f}, peaks {peaks.min():.2f} to {peaks.max():.2f} "
        "times the field's",
    )
    return figure


@styled
def damage_ratio_figure(
    channels: Sequence[str],
    slopes: Sequence[float],
    ratio: ArrayLike,
    *,
    low: float,
    high: float,
    control: Sequence[str] = (),
    heading: str = "",
) -> Figure:
    """Pseudo-damage in the laboratory over that in the field, per channel and slope, on a logarithmic axis.

    Parameters
    ----------
    ratio : array_like, shape (channel, slope)
        Laboratory over field. [-]
    low, high : float
        What the user allows; shaded. [-]
    control : sequence of str
        Channels that the drive was made for; the others' names are set in grey.
    """
    values = np.asarray(ratio, np.float64)
    figure = new_figure(height_mm=26 + 5.2 * len(channels))
    axes = panels(figure)[0, 0]
    rows = np.arange(len(channels))[::-1]
    axes.axvspan(low, high, color="#EEF3F7", zorder=0)
    axes.axvline(1.0, color=TARGET, linewidth=0.8)
    for column, slope in enumerate(slopes):
        shift = (column - (len(slopes) - 1) / 2) * 0.22
        kept = values[:, column] > 0
        axes.plot(
            values[kept, column], rows[kept] - shift, linestyle="none", marker="osD^v"[column % 5], markersize=4,
            color=CYCLE[column % len(CYCLE)], label=f"slope {slope:g}",
        )  # fmt: skip
    axes.set_xscale("log")
    _plain_log_ticks(axes, values)
    axes.set_yticks(rows, list(channels))
    for label, name in zip(axes.get_yticklabels(), channels, strict=True):
        label.set_color(INK if not control or name in control else "#8C8C8C")
    axes.grid(axis="y", visible=False)
    for row, ratios in zip(rows, values, strict=True):
        if ratios.max(initial=0.0) > 20.0:
            axes.annotate(
                f"up to {ratios.max():.2g} →", (0.99, row), xycoords=("axes fraction", "data"), ha="right", va="center",
                fontsize=7.5, color=INK,
            )  # fmt: skip
    axes.set_xlabel("pseudo-damage, laboratory over field [-]")
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))
    inside = int(np.sum((values >= low) & (values <= high)))
    title(axes, heading or f"{inside} of {values.size} damage ratios lie within {low:g} to {high:g}")
    return figure


def _plain_log_ticks(axes: Any, values: NDArray[np.float64]) -> None:
    """Ticks written 0.5, 1, 2 rather than as powers."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter

    positive = values[values > 0]
    low, high = (positive.min(), positive.max()) if positive.size else (0.5, 2.0)
    low, high = max(min(low, 0.7) / 1.2, 0.05), min(max(high, 1.4) * 1.2, 20.0)
    axes.set_xlim(low, high)
    steps = (1, 1.5, 2, 3, 5, 7) if high < 5 * low else (1, 2, 5)
    marks = [m * 10.0**k for k in range(-2, 2) for m in steps if low <= m * 10.0**k <= high]
    axes.xaxis.set_major_locator(FixedLocator(marks))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _position: f"{value:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())


@styled
def equivalence_figure(found: Equivalence, own: Sequence[int], *, channels: Sequence[str] = ()) -> Figure:
    """Service that the whole test equals, with its interval, and what has been run of it, per channel.

    Parameters
    ----------
    found : Equivalence
        All channels.
    own : sequence of int
        Column of each channel's own slope.
    channels : sequence of str
        Those shown; all by default.
    """
    names = list(channels or found.channels)
    rows = [found.channels.index(name) for name in names]
    scale, unit = (1000.0, "km") if found.unit == "m" else (3600.0, "h")
    columns = [own[row] for row in rows]
    value, low, high = (
        np.array([part[row, column] for row, column in zip(rows, columns, strict=True)]) / scale
        for part in (found.planned.value, found.planned.low, found.planned.high)
    )
    done = np.array([found.done.value[row, column] for row, column in zip(rows, columns, strict=True)]) / scale
    figure = new_figure(height_mm=26 + 5.5 * len(names))
    axes = panels(figure)[0, 0]
    places = np.arange(len(names))[::-1]
    axes.axvline(found.service / scale, color=LIMIT, linewidth=1.0, linestyle="--", label="asked for")
    axes.errorbar(
        value, places, xerr=np.stack([value - low, high - value]), fmt="o", color=FIELD, markersize=4, capsize=2,
        linewidth=1.0, label=f"whole test, {100 * found.confidence:.0f} % interval",
    )  # fmt: skip
    axes.barh(places, done, height=0.35, color=LABORATORY, label="run so far", zorder=1)
    axes.set_yticks(places, names)
    axes.grid(axis="y", visible=False)
    # A channel far off would squeeze all others against the axis: it runs out of the figure, with its number there.
    top = 1.05 * max(float(high.max(initial=0.0)), found.service / scale)
    axes.set_xlim(0, min(top, 3.0 * found.service / scale))
    for place, middle in zip(places, value, strict=True):
        if middle > 3.0 * found.service / scale:
            axes.annotate(
                f"{_three_digits(middle)} {unit} →", (0.99, place), xycoords=("axes fraction", "data"), ha="right",
                va="center", fontsize=7.5, color=INK,
            )  # fmt: skip
    axes.set_xlabel(f"service at the channel's own slope [{unit}]")
    figure.legend(loc="outside lower center", ncols=3)
    least = int(value.argmin())
    title(axes, f"The whole test equals at least {_three_digits(value[least])} {unit} of service, on '{names[least]}'")
    return figure


def _three_digits(value: float) -> str:
    """48,300 rather than 4.83e+04."""
    if value <= 0:
        return "0"
    places = 2 - int(np.floor(np.log10(value)))
    return f"{round(value, places):,.{max(places, 0)}f}"
