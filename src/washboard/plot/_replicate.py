"""Figures of replication: convergence, spectra, moments."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from washboard.plot._style import (
    CYCLE,
    FAINT,
    LABORATORY,
    TARGET,
    axis_label,
    new_figure,
    panels,
    pretty_unit,
    styled,
    title,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.figure import Figure
    from numpy.typing import NDArray

_MOST = 12


@styled
def convergence_figure(histories: Mapping[str, Sequence[Mapping[str, Any]]]) -> Figure:
    """Overall error by play, one line per event; plays at a reduced level are hollow, trips crosses."""
    figure = new_figure(height_mm=66)
    axes = panels(figure)[0, 0]
    reached = []
    for k, (event, history) in enumerate(histories.items()):
        colour = CYCLE[k % len(CYCLE)]
        own = [note for note in history if note["overall"] is not None]
        number = [note["play"] for note in own]
        error = [100 * note["overall"] for note in own]
        axes.plot(number, error, color=colour, label=event)
        whole = [note["level"] >= 0.999 for note in own]
        for full, face in ((True, colour), (False, "white")):
            at = [i for i, is_full in enumerate(whole) if is_full == full]
            axes.plot(
                [number[i] for i in at], [error[i] for i in at], "o", color=colour, markerfacecolor=face, markersize=4
            )
        for note in history:
            if note["tripped"]:
                axes.plot(note["play"], 100, "x", color=colour, markersize=6)
        if error:
            reached.append(min(error))
    axes.set_yscale("log")
    axes.set_xlabel("Play")
    axes.set_ylabel(axis_label("Relative RMS error, overall", "%"))
    axes.legend()
    title(
        figure,
        f"Errors come down to {min(reached):.1f} to {max(reached):.1f} %" if reached else "No drive could be played",
    )
    return figure


def _grid(count: int, height_mm: float, *, sharex: bool) -> tuple[Figure, NDArray[Any]]:
    columns = 2 if count in (2, 4) else min(3, count)
    rows = -(-count // columns)
    figure = new_figure(height_mm=16 + height_mm * rows)
    grid = panels(figure, rows, columns, sharex=sharex)
    for place, axes in enumerate(grid.ravel()):
        axes.set_visible(place < count)
        if place < count <= place + columns:
            axes.tick_params(labelbottom=True)
    return figure, grid


@styled
def spectra_figure(event: str, details: Mapping[str, NDArray[Any]], units: Mapping[str, str]) -> Figure:
    """Power spectral densities of target and response per control channel."""
    names = [str(name) for name in details["names"]][:_MOST]
    figure, grid = _grid(len(names), 34, sharex=True)
    f = details["psd_freq_hz"]
    gap = []
    for i, name in enumerate(names):
        axes = grid.ravel()[i]
        wanted, made = details["psd_target"][i], details["psd_response"][i]
        axes.loglog(f, wanted, color=TARGET, label="Target")
        axes.loglog(f, made, color=LABORATORY, label="Response", linewidth=0.9)
        axes.set_ylabel(f"{name}\n[({pretty_unit(units.get(name, ''))})²/Hz]")
        loud = wanted > wanted.max() * 1e-2
        gap.append(float(np.median(np.abs(10 * np.log10(made[loud] / wanted[loud])))))
    for axes in grid.ravel()[max(0, len(names) - grid.shape[1]) : len(names)]:
        axes.set_xlabel(axis_label("Frequency", "Hz"))
    grid[0, 0].legend()
    title(figure, f"{event}: spectra differ by {np.median(gap):.1f} dB (median where the target is loud)")
    return figure


@styled
def excerpt_figure(event: str, details: Mapping[str, NDArray[Any]], units: Mapping[str, str]) -> Figure:
    """Target and response over the loudest seconds, per control channel."""
    names = [str(name) for name in details["names"]][:_MOST]
    figure, grid = _grid(len(names), 30, sharex=True)
    rate = float(details["rate_hz"][0])
    time = float(details["excerpt_start_s"][0]) + np.arange(details["excerpt_target"].shape[1]) / rate
    errors = []
    for i, name in enumerate(names):
        axes = grid.ravel()[i]
        wanted, made = details["excerpt_target"][i], details["excerpt_response"][i]
        axes.plot(time, wanted, color=TARGET, label="Target")
        axes.plot(time, made, color=LABORATORY, label="Response", linewidth=0.8)
        axes.axhline(0, color=FAINT, linewidth=0.5)
        axes.set_ylabel(f"{name}\n[{pretty_unit(units.get(name, ''))}]")
        errors.append(float(np.sqrt(np.mean((made - wanted) ** 2) / max(np.mean(wanted**2), 1e-300))))
    for axes in grid.ravel()[max(0, len(names) - grid.shape[1]) : len(names)]:
        axes.set_xlabel(axis_label("Time", "s"))
    grid[0, 0].legend(ncols=2)
    title(figure, f"{event}: in the loudest seconds the response is {np.median(errors):.0%} off (median over channels)")
    return figure
