"""How the vehicle gets onto the rig: steps with hold points, loads and heights of this vehicle and this rig.

The steps follow common practice of servo-hydraulic laboratories (no source); they are a start for the laboratory's own
procedure, which local codes and the people licensed for this work decide.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from washboard.errors import InputError
from washboard.rig._bodies import SIDES
from washboard.rig._description import Actuator, Rig, Specimen
from washboard.rig._elements import tyre_deflection, wheel_name
from washboard.rig._linear_model import wheel_of_posts
from washboard.rig._stability import Movement, pan_room, tip_sideways
from washboard.rig._statics import StaticLoads, static_loads
from washboard.units import STANDARD_GRAVITY


@dataclass(frozen=True, kw_only=True, slots=True)
class ProcedureStep:
    """One step; at a hold point someone named checks and signs before the next one begins."""

    text: str
    hold: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Procedure:
    """Setting a specimen up on a rig.

    Parameters
    ----------
    title : str
        Which vehicle, which rig.
    cautions : tuple of str
        To be read aloud before the first step.
    steps : tuple of ProcedureStep
        In order.
    heights : tuple of (str, float, float, float)
        Per post: its wheel, load at rest [N], height of the hub over the pan [m], tyre deflection [m].
    """

    title: str
    cautions: tuple[str, ...]
    steps: tuple[ProcedureStep, ...]
    heights: tuple[tuple[str, float, float, float], ...]


CAUTIONS: Final = (
    "This list is a start for your laboratory's own procedure. Local codes, the maker's instructions for vehicle, "
    "rig and "
    "hydraulics, and the people licensed for pressurised hydraulics, lifting and vehicle work decide; where they "
    "differ "
    "from this list, they are right.",
    "Hydraulic oil under pressure cuts through skin: never feel for leaks by hand, never loosen a line under "
    "pressure. An "
    "oil injection is an emergency even when it looks small.",
    "Posts, pans, kingpin plate, suspension and restraints crush: keep hands and feet out whenever pressure is on or "
    "the "
    "vehicle is not blocked. Accumulators keep pressure after the pump is off.",
    "Nobody is inside the marked zone, in or under the vehicle while pressure is on. The zone reaches at least as "
    "far as "
    "the vehicle is high, on both sides: a vehicle can fall off its posts.",
    "An emergency stop that works without any computer is within reach of everyone who watches; it is tried on every "
    "day of running, before the first play.",
    "Posts, landing legs and jacks are not stands: nobody goes under the vehicle unless it stands on stands or blocks "
    "rated for its load.",
    "Before anyone goes to the vehicle: pump off, accumulators emptied, pressure gauge at zero, main switch locked "
    "with "
    "the own padlock of each person, posts resting on their mechanical stops.",
)


def procedure(specimen: Specimen, rig: Rig, *, movement: Movement | None = None) -> Procedure:
    """The step list for a vehicle that drives on, or for a trailer that is set on a kingpin.

    Parameters
    ----------
    movement : Movement, optional
        Of the hardest event, for the slack of restraints; without it `rig.restraint` stands.

    Raises
    ------
    InputError
        The rig has no posts, or posts and wheels do not match.
    """
    if not rig.post:
        raise InputError("rig.post: the rig has no posts, so nothing can be set up on it")
    loads = static_loads(specimen)
    under = wheel_of_posts(specimen, rig)
    axle_of = {wheel_name(axle, side): axle for axle in specimen.axle for side, _ in SIDES}
    heights = tuple(
        (
            wheel,
            loads.wheel_n[wheel],
            axle_of[wheel].tyre.radius_m - tyre_deflection(axle_of[wheel].tyre, loads.wheel_n[wheel]),
            tyre_deflection(axle_of[wheel].tyre, loads.wheel_n[wheel]),
        )
        for wheel in under
    )
    slack_m = max(rig.restraint.slack_m, 0.0 if movement is None else 1.2 * movement.corner_m)
    steps = [
        *_before(specimen, rig, loads.mass_kg, loads.cog_m),
        *(_drive_on(rig) if specimen.kingpin is None else _set_on_kingpin(specimen, rig, loads.kingpin_n)),
        *_standing(specimen, rig, under, loads, slack_m, movement),
        *_pressure(specimen, rig),
        *_first_motion(rig),
        *_taking_off(specimen),
    ]
    name = specimen.name or "the specimen"
    return Procedure(
        title=f"Setting up {name} on {rig.name or 'the rig'}", cautions=CAUTIONS, steps=tuple(steps), heights=heights
    )


def _step(text: str, *, hold: bool = False) -> ProcedureStep:
    return ProcedureStep(text=text, hold=hold)


def _before(specimen: Specimen, rig: Rig, mass_kg: float, cog_m: tuple[float, float, float]) -> list[ProcedureStep]:
    dummies = [part for part in specimen.part if part.dummy]
    pressures = ", ".join(f"{axle.name} {axle.tyre.pressure_pa / 1e5:.1f} bar" for axle in specimen.axle)
    tracks = sorted({axle.track_m for axle in specimen.axle})
    where = "behind" if cog_m[0] < 0 else "ahead of"
    track = " and ".join(f"{value:.2f} m" for value in tracks)
    steps = [
        _step("Read the cautions aloud; name who leads, who watches the vehicle, who stands at the emergency stop."),
        _step(
            f"Weigh the vehicle wheel by wheel as it will be tested. Expected: {mass_kg:.0f} kg in all "
            f"({mass_kg * STANDARD_GRAVITY / 1e3:.1f} kN), centre of gravity {abs(cog_m[0]):.2f} m {where} the first "
            "axle "
            "and "
            f"{cog_m[2]:.2f} m above the ground. A wheel more than 5 % off: correct the description and plan again.",
            hold=True,
        ),
        _step(f"Set the tyres to test pressure, cold: {pressures}. Write down pressure and temperature."),
        _step(
            f"Pump off, accumulators empty, main switch locked. Set the posts to a track of {track}; bolt them down "
            "and "
            "check the bolts with a torque wrench."
        ),
        _step(
            f"All actuators rest on their lower mechanical stops, {_below(rig.post):.0f} mm below mid stroke (posts)"
            f"{_kingpin_below(rig)}; block them there."
        ),
        _step(
            "Isolate the battery unless the test needs it; fuel, gas, air and load as your rules ask. Tie down or take "
            "off whatever is loose. A fire extinguisher stands at the zone."
        ),
    ]
    if dummies:
        names = ", ".join(f"{part.name} ({part.mass_kg:.0f} kg at {part.cog_m[2]:.2f} m)" for part in dummies)
        steps.append(
            _step(f"Bolt on the representative masses: {names}. Secure loose parts; drain or fill tanks as planned.")
        )
    return steps


def _below(actuators: tuple[Actuator, ...]) -> float:
    """Half the longest stroke: how far the lower stop is below mid stroke. [mm]"""
    return 500 * max(actuator.stroke_m for actuator in actuators)


def _kingpin_below(rig: Rig) -> str:
    lifts = tuple(actuator for actuator in rig.kingpin if actuator.axis == "vertical")
    return f" and {_below(lifts):.0f} mm (kingpin)" if lifts else ""


def _drive_on(rig: Rig) -> list[ProcedureStep]:
    return [
        _step("Lay the ramps or the level floor plates over the pans; check them for the heaviest wheel load."),
        _step(
            "Drive or winch the vehicle on at walking speed, one person guiding from the front, in sight of the driver."
        ),
        _step(
            f"Stop with every wheel in the middle of its pan, within 20 mm along and across (pans are "
            f"{rig.pan.length_m:.2f} m by {rig.pan.width_m:.2f} m). Engine off, gear in neutral, parking brake "
            "released once "
            "wheels are chocked: a braked wheel would drag fore and aft in its pan.",
            hold=True,
        ),
    ]


def _set_on_kingpin(specimen: Specimen, rig: Rig, kingpin_n: float) -> list[ProcedureStep]:
    pin = specimen.kingpin
    assert pin is not None
    down = max((actuator.reach for actuator in rig.kingpin if actuator.axis == "vertical"), default=0.0)
    lifts = tuple(actuator for actuator in rig.kingpin if actuator.axis == "vertical")
    # With everything on its stops the plate stands higher over the pans by the difference of the half strokes.
    parked = pin.height_m + (_below(rig.post) - (_below(lifts) if lifts else 0.0)) / 1e3
    left = pin.landing_gear_clearance_m - down
    verdict = (
        f"leaves {left * 1e3:.0f} mm at full stroke"
        if left > 0.02
        else f"is {-left * 1e3:.0f} mm too little at full stroke: take the legs off, or limit the stroke"
    )
    return [
        _step(
            f"Bring the trailer in with a tractor or shunter until every wheel is over its pan; lower the landing "
            "legs on firm "
            f"ground, chock the wheels, uncouple. The legs carry {kingpin_n / 1e3:.1f} kN."
        ),
        _step(
            f"Kingpin plate level, its actuators on their lower stops: it stands {parked:.3f} m above the pans then. "
            f"(At ride height, everything at mid stroke: {pin.height_m:.3f} m.) Shim its base if it does not."
        ),
        _step(
            "Bring the kingpin over the plate with the landing legs a hand's breadth higher than that, lower the "
            "trailer on its legs until the plate carries, close and secure the lock; look at the lock from below "
            "with a mirror and pull against it. No pressure is needed for this and none is on.",
            hold=True,
        ),
        _step(
            f"Raise the landing legs fully. Their clearance of {pin.landing_gear_clearance_m * 1e3:.0f} mm {verdict}.",
            hold=True,
        ),
        _step(
            "Release the trailer's brakes by its own means (air to the spring brakes); wheels stay chocked until "
            "pressure."
        ),
    ]


def _standing(
    specimen: Specimen,
    rig: Rig,
    under: tuple[str, ...],
    loads: StaticLoads,
    slack_m: float,
    movement: Movement | None,
) -> list[ProcedureStep]:
    wheel_n = loads.wheel_n
    rooms = [pan_room(axle, rig, wheel_n[wheel_name(axle, "left")]) for axle in specimen.axle]
    side, fore = min(room[0] for room in rooms), min(room[1] for room in rooms)
    posts = "; ".join(
        f"{post.name} under {wheel} {wheel_n[wheel] / 1e3:.1f} kN" for post, wheel in zip(rig.post, under, strict=True)
    )
    if specimen.kingpin is not None:
        posts += f"; the kingpin {loads.kingpin_n / 1e3:.1f} kN"
    trip = rig.restraint
    tilts = "" if movement is None else (
        f" (the hardest event, by the model: {math.degrees(movement.roll_rad):.1f} and "
        f"{math.degrees(movement.pitch_rad):.1f} deg)"
    )  # fmt: skip
    tips = math.degrees(tip_sideways(specimen, loads.cog_m[2]))
    return [
        _step(
            f"Check the room between tyre and rim all round: at least {side * 1e3:.0f} mm sideways, "
            f"{fore * 1e3:.0f} mm along."
        ),
        _step(
            f"Fit the restraints: straps or chains at all four corners of the frame, each with {slack_m * 1e3:.0f} "
            "mm of slack, so that they hold a falling vehicle and do not pull on a moving one. Whoever is responsible "
            f"for lifting gear chooses them and their anchors for {loads.mass_kg:.0f} kg. Two people check each one.",
            hold=True,
        ),
        _step(
            f"Set the trip: roll {math.degrees(trip.trip_roll_rad):.1f} deg, pitch "
            f"{math.degrees(trip.trip_pitch_rad):.1f} deg{tilts}; a rigid vehicle of this height tips sideways at "
            f"{tips:.0f} deg. It is tried once pressure is on."
        ),
        _step(f"Loads the posts will carry at rest: {posts}. Enter them as the expected load in the controller."),
        _step(
            "Connect the sensors, lay the cables so that nothing moving reaches them, zero what is to be zeroed, "
            "at rest."
        ),
        _step("Take the wheel chocks out: from here the rims of the pans and the restraints hold the vehicle."),
        _step("Clear the zone, close it, count the people.", hold=True),
    ]


def _pressure(specimen: Specimen, rig: Rig) -> list[ProcedureStep]:
    all_up = "posts" if specimen.kingpin is None else "posts and the kingpin plate"
    low = min(0.25 * rig.supply.pressure_pa, rig.supply.lowest_pressure_pa) / 1e5
    return [
        _step(
            f"Low pressure on (about {low:.0f} bar or what the maker names). Look for leaks from a distance, with "
            "a mirror."
        ),
        _step(
            f"Raise {all_up} slowly, all together, to mid stroke: ride height, drive signal 0. Compare each load with "
            "the expected one: more than 10 % off, stop and find out why.",
            hold=True,
        ),
        _step(
            "Trip the tilt limit from outside the zone, by its own test, and see the rig dump pressure; raise again.",
            hold=True,
        ),
        _step(f"Full pressure ({rig.supply.pressure_pa / 1e5:.0f} bar). Look and listen again, from outside the zone."),
    ]


def _first_motion(rig: Rig) -> list[ProcedureStep]:
    smallest = min(post.reach for post in rig.post)
    return [
        _step(
            f"Move one post after the other by {min(5.0, 50 * smallest):.0f} mm at 0.2 Hz: right post, right "
            "direction (up is "
            "positive), the right channels answer, with the right sign.",
            hold=True,
        ),
        _step(
            "Move all posts together up and down, then front against rear, then left against right, at the same level."
        ),
        _step("Try the emergency stop while they move. The vehicle comes to rest without a jolt.", hold=True),
        _step(
            "Identify at low level first. Look at every tyre, spring, mount and restraint after the first ten "
            "minutes, with "
            "pressure off and locked."
        ),
        _step(
            "Warm up for as long as tyre pressures and temperatures still change, before anything is measured for "
            "keeps."
        ),
    ]


def _taking_off(specimen: Specimen) -> list[ProcedureStep]:
    steps = [
        _step(
            "At the end of running: drive signal to 0, all actuators slowly down onto their stops, pump off, "
            "accumulators emptied, gauge at zero, main switch locked. Only then the zone is opened.",
            hold=True,
        ),
        _step("Chock the wheels; look over vehicle, restraints, pans and hoses, and write down what was found."),
    ]
    if specimen.kingpin is not None:
        steps.append(
            _step(
                "Landing legs down on firm ground until they carry, then open the kingpin lock, then lift off.",
                hold=True,
            )
        )
    steps.append(_step("Restraints off last, just before the vehicle leaves the pans."))
    return steps
