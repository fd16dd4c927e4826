"""Numbers in a description that can hardly be meant: a slip of unit or decimal, told before it costs a day.

The ranges are wide and common practice, no source; a finding asks to look, it refuses nothing.
"""

from __future__ import annotations

from washboard.recording import Finding
from washboard.rig._bodies import SIDES, frame_inertias
from washboard.rig._description import Axle, Rig, Specimen
from washboard.rig._elements import tyre_deflection, wheel_name
from washboard.rig._envelope import stall_force
from washboard.rig._statics import StaticLoads, static_loads


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
    roll, pitch = frame_inertias(specimen)
    roll_box, pitch_box = frame.mass_kg * (width**2 + height**2) / 12, frame.mass_kg * (length**2 + height**2) / 12
    return [
        *_doubt("specimen.frame.roll_inertia", f"{roll / roll_box:.2f} times that of a box of its size",
                roll / roll_box, 0.25, 4.0),
        *_doubt("specimen.frame.pitch_inertia", f"{pitch / pitch_box:.2f} times that of a box of its size",
                pitch / pitch_box, 0.25, 4.0),
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
    if axle.kind == "beam":
        wide = axle.spring_spacing_m / axle.track_m
        found += _doubt(f"{key}.spring_spacing", f"{wide:.2f} of the track", wide, 0.2, 1.0)
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
    for actuator in rig.actuators:
        share = actuator.rated_force_n / stall_force(actuator, supply)
        text = f"rated force is {share:.2f} of what pressure and piston area give"
        found += _doubt(f"rig actuator {actuator.name}", text, share, 0.4, 1.1)
    return found
