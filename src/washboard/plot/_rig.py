"""Figures of rig planning: the vehicle on its rig to scale, envelopes, flow and pressure, modes, controllability."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from washboard.plot._style import (
    BLUE,
    CYCLE,
    FAINT,
    INK,
    LIMIT,
    SKY,
    VERMILION,
    axis_label,
    new_figure,
    panels,
    styled,
    title,
)
from washboard.rig import Actuator, Rig, Sensor, Specimen, Supply, velocity_at_force

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]

#: Axes of the three views: what goes to the right, what goes up, and the sign of the first.
_VIEWS = {"side": (0, 2, 1.0), "rear": (1, 2, -1.0), "plan": (0, 1, 1.0)}


@styled
def set_up_figure(
    specimen: Specimen, rig: Rig, sensors: Sequence[Sensor] = (), *, cog_m: tuple[float, float, float] | None = None
) -> Figure:
    """Side, rear and plan view of the vehicle on its rig, to scale, with sensors (numbered) and centre of gravity. [m]

    Parameters
    ----------
    cog_m : tuple, optional
        Of the whole vehicle.
    """
    spans = [_span(specimen, rig, view) for view in _VIEWS]
    width = spans[0][0] + spans[1][0]
    figure = new_figure(width_mm=180, height_mm=min(200.0, 165 / width * (spans[0][1] + spans[2][1]) + 22))
    grid = figure.add_gridspec(2, 2, width_ratios=[spans[0][0], spans[1][0]], height_ratios=[spans[0][1], spans[2][1]])
    for view, cell in (("side", grid[0, 0]), ("rear", grid[0, 1]), ("plan", grid[1, 0])):
        axes = figure.add_subplot(cell)
        _draw(axes, view, specimen, rig, sensors, cog_m)
    legend = figure.add_subplot(grid[1, 1])
    legend.axis("off")
    lines = [f"{number}  {sensor.name}" for number, sensor in enumerate(sensors, start=1)][:26]
    legend.text(0, 1, "\n".join(["Sensors", *lines]), va="top", fontsize=5.6, color=INK, transform=legend.transAxes)
    title(figure, f"{specimen.name or 'The specimen'} on {rig.name or 'the rig'}, to scale")
    return figure


def _span(specimen: Specimen, rig: Rig, view: str) -> tuple[float, float]:
    first, second, _ = _VIEWS[view]
    lengths = []
    for axis in (first, second):
        cog, size = specimen.frame.cog_m[axis], specimen.frame.size_m[axis]
        places = [cog - size / 2, cog + size / 2]
        if axis == 0:
            places += [axle.x_m + sign * 0.8 for axle in specimen.axle for sign in (1, -1)]
        if axis == 1:
            places += [sign * (axle.track_m / 2 + rig.pan.width_m / 2) for axle in specimen.axle for sign in (1, -1)]
        if axis == 2:
            places += [-0.9, *(part.cog_m[2] + 0.5 for part in specimen.part)]
        lengths.append(max(places) - min(places) + 0.6)
    return lengths[0], lengths[1]


def _draw(
    axes: Axes,
    view: str,
    specimen: Specimen,
    rig: Rig,
    sensors: Sequence[Sensor],
    cog_m: tuple[float, float, float] | None,
) -> None:
    from matplotlib.patches import Circle, FancyBboxPatch, Rectangle

    first, second, sign = _VIEWS[view]

    def box(centre: Sequence[float], size: Sequence[float], **look: Any) -> None:
        at = (sign * centre[first] - size[first] / 2, centre[second] - size[second] / 2)
        axes.add_patch(Rectangle(at, size[first], size[second], **look))

    for post in rig.post:
        x, y = post.position_m
        box((x, y, -0.03), (rig.pan.length_m, rig.pan.width_m, 0.06), facecolor=FAINT, edgecolor=INK)
        box((x, y, -0.45), (0.2, 0.2, 0.78), facecolor="white", edgecolor=INK)
        if view != "plan":
            half = (rig.pan.length_m if view == "side" else rig.pan.width_m) / 2
            middle = sign * post.position_m[first]
            for edge in (middle - half, middle + half):
                axes.plot([edge, edge], [0, rig.pan.rim_m], color=INK, linewidth=1.2)
    for axle in specimen.axle:
        for side in (1, -1):
            place = (axle.x_m, side * axle.track_m / 2, axle.tyre.radius_m)
            if view == "side":
                axes.add_patch(Circle((place[0], place[2]), axle.tyre.radius_m, facecolor="#DDDDDD", edgecolor=INK))
            else:
                box(place, (2 * axle.tyre.radius_m, axle.tyre.width_m, 2 * axle.tyre.radius_m), facecolor="#DDDDDD",
                    edgecolor=INK)  # fmt: skip
    box(specimen.frame.cog_m, specimen.frame.size_m, facecolor=SKY, alpha=0.35, edgecolor=BLUE)
    for part in specimen.part:
        # No outside size is known of a part: a cube of its mass at 250 kg per cubic metre.
        edge = max(0.3, (part.mass_kg / 250.0) ** (1 / 3))
        at = (sign * part.cog_m[first] - edge / 2, part.cog_m[second] - edge / 2)
        axes.add_patch(
            FancyBboxPatch(at, edge, edge, boxstyle="round,pad=0,rounding_size=0.08", facecolor="none", edgecolor=BLUE,
                           linestyle="--" if part.dummy else "-")
        )  # fmt: skip
        axes.text(at[0] + edge / 2, at[1] + edge / 2, part.name, ha="center", va="center", fontsize=5, color=BLUE)
    if specimen.kingpin is not None:
        pin = specimen.kingpin
        box((pin.x_m, 0.0, pin.height_m / 2 - 0.05), (0.25, 0.25, pin.height_m - 0.1), facecolor="white", edgecolor=INK)
    for number, sensor in enumerate(sensors, start=1):
        at = (sign * sensor.position_m[first], sensor.position_m[second])
        axes.plot(*at, marker="o", markersize=2.4, color=VERMILION)
        axes.annotate(str(number), at, textcoords="offset points", xytext=(2, 2), fontsize=4.5, color=VERMILION)
    if cog_m is not None:
        axes.plot(sign * cog_m[first], cog_m[second], marker="P", markersize=6, color=INK)
        axes.annotate(
            "cog", (sign * cog_m[first], cog_m[second]), textcoords="offset points", xytext=(4, -7), fontsize=6
        )
    axes.set_aspect("equal")
    axes.margins(0.03)
    axes.grid(visible=False)
    names = {"side": ("x, forward", "z"), "rear": ("-y, seen from behind", "z"), "plan": ("x, forward", "y, left")}
    axes.set_xlabel(axis_label(names[view][0], "m"))
    axes.set_ylabel(axis_label(names[view][1], "m"))
    title(axes, {"side": "Side", "rear": "Rear", "plan": "From above"}[view])


@styled
def envelope_figure(
    actuators: Sequence[Actuator],
    supply: Supply,
    clouds: Mapping[str, tuple[Floats, Floats]],
    *,
    finding: str,
    pressures_pa: Sequence[float] = (),
) -> Figure:
    """Force against speed: what each actuator can do, and the outside of what each event asks.

    Parameters
    ----------
    clouds : mapping of event to (velocity, force)
        Outermost points, shape (drive, point). [m/s or rad/s, N or N m]
    pressures_pa : sequence of float
        Supply pressures at which the envelope is drawn besides the nominal one.
    """
    n = len(actuators)
    columns = min(n, 4)
    rows = -(-n // columns)
    figure = new_figure(width_mm=180, height_mm=20 + 48 * rows)
    field = panels(figure, rows, columns)
    for place, actuator in enumerate(actuators):
        axes = field.flat[place]
        lever = actuator.lever_m if actuator.axis == "roll" else 1.0
        scale = 1e-3
        for index, pressure in enumerate((supply.pressure_pa, *pressures_pa)):
            v, f = _outline(actuator, supply, pressure)
            axes.plot(v / lever, f * lever * scale, color=LIMIT, linewidth=1.2 if not index else 0.7,
                      linestyle="-" if not index else "--")  # fmt: skip
        for colour, (event, (velocity, force)) in zip(np.resize(CYCLE, len(clouds)), clouds.items(), strict=True):
            closed = np.append(np.arange(velocity.shape[1]), 0)
            axes.plot(
                velocity[place][closed], force[place][closed] * scale, color=str(colour), linewidth=0.8, label=event
            )
        unit = ("rad/s", "kN*m") if actuator.axis == "roll" else ("m/s", "kN")
        axes.set_xlabel(axis_label("Speed", unit[0]))
        axes.set_ylabel(axis_label("Force" if actuator.axis == "vertical" else "Moment", unit[1]))
        title(axes, actuator.name)
    for axes in field.flat[n:]:
        axes.axis("off")
    handles, labels = field.flat[0].get_legend_handles_labels()
    if handles:
        figure.legend(handles, labels, loc="outside lower center", ncols=min(5, len(labels)))
    title(figure, finding)
    return figure


def _outline(actuator: Actuator, supply: Supply, pressure_pa: float) -> tuple[Floats, Floats]:
    """The closed outline of speed and force an actuator can give at a pressure."""
    push = min((pressure_pa - supply.return_pressure_pa) * actuator.piston_area_m2, actuator.rated_force_n)
    force = np.linspace(-push, push, 201)
    up = velocity_at_force(actuator, supply, force, pressure_pa)
    down = -velocity_at_force(actuator, supply, -force, pressure_pa)
    return np.concatenate([up, down[::-1], up[:1]]), np.concatenate([force, force[::-1], force[:1]])


@styled
def supply_figure(time_s: Floats, flow_m3_s: Floats, pressure_pa: Floats, supply: Supply, *, finding: str) -> Figure:
    """Flow asked for against the pump's, and the pressure that is left, over one event."""
    figure = new_figure(height_mm=80)
    upper, lower = panels(figure, 2, 1, sharex=True)[:, 0]
    upper.plot(time_s, flow_m3_s * 6e4, color=BLUE, linewidth=0.6)
    upper.axhline(supply.pump_flow_m3_s * 6e4, color=LIMIT, linewidth=1.0)
    upper.annotate("pump", (time_s[-1], supply.pump_flow_m3_s * 6e4), fontsize=7, color=LIMIT, ha="right", va="bottom")
    upper.set_ylabel(axis_label("Flow", "l/min"))
    lower.plot(time_s, pressure_pa / 1e5, color=BLUE, linewidth=0.8)
    lower.axhline(supply.lowest_pressure_pa / 1e5, color=LIMIT, linewidth=1.0)
    lower.annotate("lowest allowed", (time_s[-1], supply.lowest_pressure_pa / 1e5), fontsize=7, color=LIMIT, ha="right",
                   va="bottom")  # fmt: skip
    lower.set_ylabel(axis_label("Pressure", "bar"))
    lower.set_xlabel(axis_label("Time", "s"))
    title(figure, finding)
    return figure


@styled
def modes_figure(
    specimen: Specimen,
    dofs: Sequence[str],
    shapes: NDArray[np.complex128],
    freq_hz: Floats,
    damping: Floats,
    names: Sequence[str],
    *,
    most: int = 8,
) -> Figure:
    """The lowest modes, each drawn twice: from the side and from behind, at rest (grey) and at its largest motion."""
    n = min(most, len(freq_hz))
    figure = new_figure(width_mm=180, height_mm=15 + 31 * -(-n // 2))
    field = panels(figure, -(-n // 2), 4)
    for number in range(n):
        side, rear = field[number // 2, 2 * (number % 2)], field[number // 2, 2 * (number % 2) + 1]
        moved = dict(zip(dofs, shapes[number].real, strict=True))
        _shape_side(side, specimen, moved)
        _shape_rear(rear, specimen, moved)
        title(side, f"{freq_hz[number]:.2f} Hz, {damping[number]:.0%}: {names[number]}")
    for axes in field.flat:
        axes.set_aspect("equal")
        axes.axis("off")
    title(figure, "Modes standing on the posts; frequency, share of critical damping, what moves most")
    return figure


def _amplitude(specimen: Specimen, moved: Mapping[str, float]) -> float:
    """Factor that makes the largest motion of the drawing a good tenth of the vehicle."""
    length, width, height = specimen.frame.size_m
    reach = {"pitch": length / 2, "yaw": 0.0}
    sizes = [
        abs(value) * reach.get(name.split()[-1], width / 2 if "roll" in name else 1.0) for name, value in moved.items()
    ]
    return 0.12 * max(length, height) / max(max(sizes), 1e-9)


def _shape_side(axes: Axes, specimen: Specimen, moved: Mapping[str, float]) -> None:
    xc, _, zc = specimen.frame.cog_m
    length, _, height = specimen.frame.size_m
    scale = _amplitude(specimen, moved)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]]) * [length / 2, height / 2] + [xc, zc]
    axes.plot(*corners.T, color=FAINT)
    turn = scale * moved["pitch"]
    lifted = corners + np.stack(
        [(corners[:, 1] - zc) * turn, scale * moved["heave"] - (corners[:, 0] - xc) * turn], axis=1
    )
    axes.plot(*lifted.T, color=BLUE)
    for axle in specimen.axle:
        rise = moved.get(f"{axle.name} heave")
        if rise is None:
            left = moved.get(f"{axle.name} left")
            rise = moved["heave"] - (axle.x_m - xc) * moved["pitch"] if left is None else (
                left + moved[f"{axle.name} right"]) / 2  # fmt: skip
        _ring(axes, axle.x_m, axle.tyre.radius_m, axle.tyre.radius_m, FAINT)
        _ring(axes, axle.x_m, axle.tyre.radius_m + scale * rise, axle.tyre.radius_m, BLUE)
    for part in specimen.part:
        rise = moved.get(f"{part.name} heave")
        if rise is not None:
            axes.plot([part.cog_m[0]] * 2, [part.cog_m[2], part.cog_m[2] + scale * rise], color=VERMILION, marker=".")


def _shape_rear(axes: Axes, specimen: Specimen, moved: Mapping[str, float]) -> None:
    _, yc, zc = specimen.frame.cog_m
    _, width, height = specimen.frame.size_m
    scale = _amplitude(specimen, moved)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]]) * [width / 2, height / 2] + [yc, zc]
    axes.plot(-corners[:, 0], corners[:, 1], color=FAINT)
    for end, colour in (("rear", SKY), ("front", BLUE)):
        turn = scale * moved[f"roll {end}"]
        aside = scale * moved["sway"] - (corners[:, 1] - zc) * turn
        lift = scale * moved["heave"] + (corners[:, 0] - yc) * turn
        axes.plot(-(corners[:, 0] + aside), corners[:, 1] + lift, color=colour)
    for axle in specimen.axle:
        if f"{axle.name} roll" not in moved:
            continue
        half, hub = axle.track_m / 2, axle.tyre.radius_m
        rise, turn = scale * moved[f"{axle.name} heave"], scale * moved[f"{axle.name} roll"]
        axes.plot([-half, half], [hub, hub], color=FAINT)
        axes.plot([-half, half], [hub + rise + half * turn, hub + rise - half * turn], color=BLUE, marker="o")


def _ring(axes: Axes, x: float, z: float, radius: float, colour: str) -> None:
    turn = np.linspace(0, 2 * math.pi, 49)
    axes.plot(x + radius * np.cos(turn), z + radius * np.sin(turn), color=colour, linewidth=0.8)


@styled
def held_figure(freq_hz: Floats, errors: Mapping[str, Floats], *, low_hz: float, held: float, finding: str) -> Figure:
    """Error of body motions over the motions themselves against frequency, per set of channels."""
    figure = new_figure(height_mm=70)
    axes = panels(figure)[0, 0]
    for colour, (name, error) in zip(np.resize(CYCLE, len(errors)), errors.items(), strict=True):
        axes.loglog(freq_hz, np.where(np.isfinite(error), error, np.nan), color=str(colour), label=name)
    axes.axhline(held, color=LIMIT, linewidth=1.0)
    axes.axvline(low_hz, color=FAINT, linewidth=1.0)
    axes.annotate("held below", (freq_hz[-1], held), fontsize=7, color=LIMIT, ha="right", va="bottom")
    axes.set_xlabel(axis_label("Frequency", "Hz"))
    axes.set_ylabel(axis_label("Error over motion", "1"))
    axes.legend()
    title(figure, finding)
    return figure
