"""Numbers in a description that can hardly be meant: a slip of unit or decimal, told before it costs a day.

The ranges are wide and common practice, no source; a finding asks to look, it refuses nothing.
"""

from __future__ import annotations

import math

from washboard.recording import Finding
from washboard.rig._bodies import SIDES, frame_inertias
from washboard.rig._description import Axle, Rig, Specimen
from washboard.rig._elements import tyre_deflection, wheel_name
from washboard.rig._envelope import stall_force
from washboard.rig._statics import StaticLoads, static_loads
from washboard.units import STANDARD_GRAVITY


def _doubt(key: str, text: str, measured: float, low: float, high: float) -> list[Finding]:
    """A finding when a number is outside its usual range."""
    if low <= measured <= high:
        return []
    limit = low if measured < low else high
    words = f"{key}: {text} (usual: {low:g} to {high:g})"
    advice = f"check the unit and the decimal point of {key}"
    return [Finding(kind="description", severity="warning", text=words, measured=measured, limit=limit, advice=advice)]


def plausibility(specimen: Specimen, rig: Rig) -> tuple[Finding, ...]:
    """Everything in specimen and rig that is outside its usual range. Raises InputError when it does not stand."""
    loads = static_loads(specimen)
    found = [*_frame(specimen)]
    for number, axle in enumerate(specimen.axle, start=1):
        found += _axle(f"specimen.axle {number} ({axle.name})", axle, loads)
        found += _weighed(f"specimen.axle {number} ({axle.name})", axle, loads)
    for part in specimen.part:
        for number, mount in enumerate(part.mount, start=1):
            sunk = loads.mount_n[f"{part.name} {number}"] / mount.stiffness_n_m
            text = f"its own weight presses the mount in by {sunk * 1e3:.1f} mm"
            found += _doubt(f"specimen.part ({part.name}) mount {number} stiffness", text, sunk, 1e-4, 0.15)
    return (*found, *_hydraulics(rig))


def _frame(specimen: Specimen) -> list[Finding]:
    frame = specimen.frame
    length, width, height = frame.size_m
    torsion = frame.torsion_nm_rad / 1e3
    density = frame.mass_kg / max(length * width * height, 1e-9)
    roll, pitch = frame_inertias(specimen)
    roll_box, pitch_box = frame.mass_kg * (width**2 + height**2) / 12, frame.mass_kg * (length**2 + height**2) / 12
    return [
        *_doubt("specimen.frame.roll_inertia", f"{roll / roll_box:.2f} times that of a box of its size",
                roll / roll_box, 0.25, 4.0),
        *_doubt("specimen.frame.pitch_inertia", f"{pitch / pitch_box:.2f} times that of a box of its size",
                pitch / pitch_box, 0.25, 4.0),
        *_doubt("specimen.frame.mass", f"{density:.0f} kg per cubic metre of its size", density, 20.0, 2500.0),
        *_doubt("specimen.frame.torsion", f"{torsion:.3g} kN*m/rad", torsion, 10.0, 2e4),
        *_doubt("specimen.frame.cog", f"height {frame.cog_m[2]:.2f} m", frame.cog_m[2], 0.3, 4.0),
    ]  # fmt: skip


def _axle(key: str, axle: Axle, loads: StaticLoads) -> list[Finding]:
    found = []
    for side, _ in SIDES:
        wheel = wheel_name(axle, side)
        sunk = tyre_deflection(axle.tyre, loads.wheel_n[wheel]) / axle.tyre.radius_m
        text = f"at rest the {side} tyre is pressed in by {sunk:.1%} of its radius"
        found += _doubt(f"{key}.tyre.stiffness", text, sunk, 0.01, 0.25)
        if axle.kind == "rigid":
            continue
        travel = loads.spring_n[wheel] / axle.spring_n_m
        found += _doubt(f"{key}.spring", f"at rest it is pressed in by {travel * 1e3:.0f} mm", travel, 0.01, 0.6)
        rub = axle.friction_n / loads.spring_n[wheel]
        found += _doubt(f"{key}.friction", f"friction is {rub:.1%} of the load the spring carries", rub, 0.0, 0.4)
    found += _parts_of_axle(key, axle, loads)
    if axle.kind == "beam":
        wide = axle.spring_spacing_m / axle.track_m
        found += _doubt(f"{key}.spring_spacing", f"{wide:.2f} of the track", wide, 0.2, 1.0)
    return found


def _parts_of_axle(key: str, axle: Axle, loads: StaticLoads) -> list[Finding]:
    """Sizes, masses and dampings of an axle and its tyres."""
    tyre, half = axle.tyre, axle.mass_kg / 2
    bar = tyre.pressure_pa / 1e5
    hop = 2 * math.sqrt((tyre.stiffness_n_m + (0 if axle.kind == "rigid" else axle.spring_n_m)) * half)
    found = [
        *_doubt(f"{key}.mass", f"{axle.mass_kg:.3g} kg", axle.mass_kg, 40.0, 4000.0),
        *_doubt(f"{key}.tyre.radius", f"{tyre.radius_m:.3g} m", tyre.radius_m, 0.2, 1.2),
        *_doubt(f"{key}.tyre.width", f"{tyre.width_m:.3g} m", tyre.width_m, 0.1, 1.5),
        *_doubt(f"{key}.tyre.pressure", f"{bar:.3g} bar", bar, 0.5, 14.0),
        *_doubt(f"{key}.tyre.stiffness", f"{tyre.stiffness_n_m / 1e3:.3g} kN/m", tyre.stiffness_n_m / 1e3, 80.0, 8e3),
        *_doubt(f"{key}.tyre.lateral_stiffness", f"{tyre.lateral_stiffness_n_m / tyre.stiffness_n_m:.2g} of the radial",
                tyre.lateral_stiffness_n_m / tyre.stiffness_n_m, 0.1, 2.0),
    ]  # fmt: skip
    for name, damping in (("rolling", tyre.rolling_damping_n_s_m), ("standing", tyre.standing_damping_n_s_m)):
        share = damping / hop
        found += _doubt(f"{key}.tyre.{name}_damping", f"{share:.2%} of critical for the wheel", share, 0.0, 0.4)
    if axle.kind == "rigid":
        return found
    both = (axle.bump_damping_n_s_m + axle.rebound_damping_n_s_m) / 2
    carried = max(loads.spring_n[wheel_name(axle, side)] for side, _ in SIDES) / STANDARD_GRAVITY
    share = both / (2 * math.sqrt(axle.spring_n_m * max(carried, 1.0)))
    found += _doubt(f"{key} dampers", f"{share:.1%} of critical for the body", share, 0.0, 2.0)
    if axle.bump_damping_n_s_m > 0:
        ratio = axle.rebound_damping_n_s_m / axle.bump_damping_n_s_m
        found += _doubt(f"{key}.rebound_damping", f"{ratio:.3g} times that in bump", ratio, 0.2, 10.0)
    found += _doubt(f"{key}.bump_gap", f"{axle.bump_gap_m * 1e3:.0f} mm", 1e3 * axle.bump_gap_m, -100.0, 400.0)
    found += _doubt(f"{key}.rebound_gap", f"{axle.rebound_gap_m * 1e3:.0f} mm", 1e3 * axle.rebound_gap_m, 5.0, 500.0)
    found += _doubt(f"{key}.roll_centre", f"{axle.roll_centre_m:.3g} m high", axle.roll_centre_m, 0.0, 2.0)
    if axle.kind == "beam":
        turn = math.sqrt(axle.roll_inertia_kg_m2 / axle.mass_kg) / axle.track_m
        found += _doubt(f"{key}.roll_inertia", f"radius of gyration {turn:.2f} of the track", turn, 0.1, 0.7)
    return found


#: A wheel weighed more than this off what the description gives is worth a correction.
WEIGHED_OFF = 0.05


def _weighed(key: str, axle: Axle, loads: StaticLoads) -> list[Finding]:
    """Weighed wheel loads against those of the description."""
    found = []
    for (side, _), weighed in zip(SIDES, axle.weighed_n or (), strict=False):
        given = loads.wheel_n[wheel_name(axle, side)]
        off = given / weighed - 1
        if abs(off) > WEIGHED_OFF:
            text = (
                f"{key}.weighed: the {side} wheel was weighed with {weighed / 1e3:.2f} kN, the description gives "
                f"{given / 1e3:.2f} kN ({off:+.0%})"
            )
            advice = "correct masses and centre of gravity; every load, tip angle and mode depends on them"
            found.append(Finding(kind="description", severity="warning", text=text, measured=off, limit=WEIGHED_OFF,
                                 advice=advice))  # fmt: skip
    return found


def _hydraulics(rig: Rig) -> list[Finding]:
    supply = rig.supply
    ratio = supply.precharge_pa / supply.lowest_pressure_pa
    text = f"precharge is {ratio:.2f} of the lowest pressure"
    found = _doubt("rig.supply.precharge", text, ratio, 0.5, 1.0) if supply.accumulator_volume_m3 > 0 else []
    drop = supply.lowest_pressure_pa / supply.pressure_pa
    found += _doubt("rig.supply.lowest_pressure", f"{drop:.2f} of the set pressure", drop, 0.5, 0.999)
    if rig.actuators:
        pump = supply.pump_flow_m3_s / sum(actuator.rated_flow_m3_s for actuator in rig.actuators)
        found += _doubt("rig.supply.pump_flow", f"{pump:.2f} of all valves' rated flow together", pump, 0.08, 3.0)
    found += _doubt("rig.supply.pressure", f"{supply.pressure_pa / 1e5:.3g} bar", supply.pressure_pa / 1e5, 50, 420)
    for name, size, low, high in (
        ("length", rig.pan.length_m, 200.0, 2500.0),
        ("width", rig.pan.width_m, 200.0, 2000.0),
        ("rim", rig.pan.rim_m, 0.0, 400.0),
    ):
        found += _doubt(f"rig.pan.{name}", f"{size * 1e3:.0f} mm", 1e3 * size, low, high)
    for actuator in rig.actuators:
        speed = actuator.rated_flow_m3_s / actuator.piston_area_m2
        for name, words, value, low, high in (
            ("stroke", f"{actuator.stroke_m * 1e3:.0f} mm", 1e3 * actuator.stroke_m, 30.0, 800.0),
            ("moving_mass", f"{actuator.moving_mass_kg:.3g} kg", actuator.moving_mass_kg, 25.0, 3000.0),
            ("bandwidth", f"{actuator.bandwidth_hz:.3g} Hz", actuator.bandwidth_hz, 5.0, 200.0),
            ("delay", f"{actuator.delay_s * 1e3:.3g} ms", 1e3 * actuator.delay_s, 0.0, 50.0),
            ("rated_flow", f"{speed:.3g} m/s of the piston", speed, 0.05, 5.0),
            ("max_velocity", f"{actuator.max_velocity_m_s:.3g} m/s", actuator.max_velocity_m_s, 0.1, 6.0),
            ("max_acceleration", f"{actuator.max_acceleration_m_s2:.3g} m/s2", actuator.max_acceleration_m_s2, 5, 500),
        ):
            found += _doubt(f"rig actuator {actuator.name} {name}", words, value, low, high)
        share = actuator.rated_force_n / stall_force(actuator, supply)
        text = f"rated force is {share:.2f} of what pressure and piston area give"
        found += _doubt(f"rig actuator {actuator.name}", text, share, 0.4, 1.1)
    return found
