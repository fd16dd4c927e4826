"""Figures of identification: coherence, frequency response, condition."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from washboard.identify import Frf
from washboard.plot._style import (
    CYCLE,
    FAINT,
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
    from collections.abc import Mapping

    from matplotlib.figure import Figure

    from washboard.replicate import ControlChoice


def _inside(frf: Frf, band_hz: tuple[float, float]) -> np.ndarray:
    return np.asarray((frf.freq_hz >= band_hz[0]) & (frf.freq_hz <= band_hz[1]))


@styled
def coherence_figure(frf: Frf, band_hz: tuple[float, float]) -> Figure:
    """Multiple coherence of every response over frequency, as a map."""
    inside = _inside(frf, band_hz)
    coherence = frf.coherence[inside]
    figure = new_figure(height_mm=22 + 5.5 * len(frf.responses))
    axes = panels(figure)[0, 0]
    f = frf.freq_hz[inside]
    edges = np.concatenate([f - (f[1] - f[0]) / 2, [f[-1] + (f[1] - f[0]) / 2]])
    image = axes.pcolormesh(
        edges, np.arange(len(frf.responses) + 1) - 0.5, coherence.T, cmap=SEQUENTIAL, vmin=0, vmax=1, rasterized=True
    )
    axes.set_xscale("log")
    axes.set_yticks(range(len(frf.responses)), frf.responses)
    axes.invert_yaxis()
    axes.grid(visible=False)
    axes.set_xlabel(axis_label("Frequency", "Hz"))
    figure.colorbar(image, ax=axes, label="Multiple coherence [-]")
    median = np.median(coherence, axis=0)
    low = int(np.argmin(median))
    title(
        figure,
        f"Drives explain the responses to a median coherence of {np.median(median):.2f}; least: {frf.responses[low]}",
    )
    return figure


@styled
def frf_figure(frf: Frf, band_hz: tuple[float, float], units: Mapping[str, str]) -> Figure:
    """Magnitude of the FRF of a few responses, one line per drive, standard deviation shaded."""
    inside = _inside(frf, band_hz)
    f, spread = frf.freq_hz[inside], np.sqrt(frf.variance[inside])
    columns = 2
    rows = -(-len(frf.responses) // columns)
    figure = new_figure(height_mm=18 + 34 * rows)
    grid = panels(figure, rows, columns, sharex=True)
    for i, name in enumerate(frf.responses):
        axes = grid.ravel()[i]
        for j, drive in enumerate(frf.drives):
            size = np.abs(frf.values[inside, i, j])
            colour = CYCLE[j % len(CYCLE)]
            axes.loglog(f, size, color=colour, label=drive)
            low = np.maximum(size - spread[:, i, j], size * 0.02)
            axes.fill_between(f, low, size + spread[:, i, j], color=colour, alpha=0.18, linewidth=0)
        axes.set_ylabel(f"{name}\n[({pretty_unit(units.get(name, ''))})/drive]", fontsize=7)
    for axes in grid.ravel()[len(frf.responses) :]:
        axes.set_visible(False)
    for axes in grid[-1]:
        axes.set_xlabel(axis_label("Frequency", "Hz"))
    grid[0, 0].legend(ncols=2)
    title(figure, f"Frequency response of {len(frf.responses)} channels to {len(frf.drives)} drives")
    return figure


@styled
def condition_figure(frf: Frf, band_hz: tuple[float, float]) -> Figure:
    """Singular values of the FRF, responses scaled to equal power, and their ratio."""
    inside = _inside(frf, band_hz)
    f, values = frf.freq_hz[inside], frf.values[inside]
    scale = np.sqrt(np.mean(np.abs(values) ** 2, axis=(0, 2)))
    reach = np.sqrt(np.mean(np.abs(values / scale[None, :, None]) ** 2, axis=(0, 1)))
    singular = np.linalg.svd(values / scale[None, :, None] / reach[None, None, :], compute_uv=False)
    figure = new_figure(height_mm=64)
    left, right = panels(figure, 1, 2)[0]
    for k in range(singular.shape[1]):
        left.loglog(f, singular[:, k], color=CYCLE[k % len(CYCLE)])
    left.set_ylabel(axis_label("Singular values, scaled", "1"))
    condition = singular[:, 0] / np.maximum(singular[:, -1], 1e-300)
    right.loglog(f, condition, color=LIMIT)
    right.axhline(10, color=FAINT, linewidth=0.8)
    right.set_ylabel(axis_label("Condition number", "1"))
    for axes in (left, right):
        axes.set_xlabel(axis_label("Frequency", "Hz"))
    worst = int(np.argmax(condition))
    title(
        figure, f"The drives are hardest to tell apart at {f[worst]:.1f} Hz (condition number {condition[worst]:.0f})"
    )
    return figure


@styled
def reach_figure(choice: ControlChoice) -> Figure:
    """What the drives leave of every channel over frequency, as a map."""
    names = [
        name if control else f"{name} (not controlled)"
        for name, control in zip(choice.names, choice.control, strict=True)
    ]
    f, error = choice.freq_hz, np.clip(choice.now.error_band, 0.0, 1.0)
    middle = np.sqrt(f[1:] * f[:-1])
    edges = np.concatenate([[f[0] ** 2 / middle[0]], middle, [f[-1] ** 2 / middle[-1]]])
    figure = new_figure(height_mm=22 + 5.5 * len(names))
    axes = panels(figure)[0, 0]
    image = axes.pcolormesh(
        edges, np.arange(len(names) + 1) - 0.5, error.T, cmap=SEQUENTIAL, vmin=0, vmax=1, rasterized=True
    )
    axes.set_xscale("log")
    axes.set_yticks(range(len(names)), names)
    axes.invert_yaxis()
    axes.grid(visible=False)
    axes.set_xlabel(axis_label("Frequency", "Hz"))
    figure.colorbar(image, ax=axes, label="Outside what the drives make [-]")
    mean = np.sqrt(np.mean(error[:, choice.control] ** 2, axis=1))
    worst = int(np.argmax(mean))
    title(figure, f"Most lies outside these drives at {f[worst]:.1f} Hz: {mean[worst]:.0%} of the control channels")
    return figure
