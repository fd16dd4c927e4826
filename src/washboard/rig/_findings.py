"""Stance, movement and demand in plain sentences with numbers: what a person must know before the vehicle is set up."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from washboard.recording import Finding, Severity
from washboard.rig._controllable import Controllable
from washboard.rig._demand import RigDemand
from washboard.rig._description import Rig, Specimen
from washboard.rig._elements import stop_stiffness, wheel_name
from washboard.rig._envelope import envelope, stall_force
from washboard.rig._linear_model import wheel_of_posts
from washboard.rig._stability import Movement, Stance, pan_room

#: A share above which an actuator is worth naming.
TIGHT: Final = 0.9
#: What limits may cost, RMS over RMS: less is nothing to speak of, more is another event (common practice, no source).
CHEAP: Final = 0.05
DEAR: Final = 0.30
#: Error that no drive takes away, from which on it is told (common practice, no source).
OUT_OF_REACH: Final = 0.15


def _found(kind: str, severity: Severity, text: str, measured: float, limit: float, advice: str) -> Finding:
    return Finding(kind=kind, severity=severity, text=text, measured=measured, limit=limit, advice=advice)


def stance_findings(found: Stance, specimen: Specimen, rig: Rig) -> tuple[Finding, ...]:
    """What is notable about the vehicle at rest on the posts."""
    return (
        *_standing(found, specimen),
        *_on_stops(found, specimen),
        *_damping(found),
        *_pans(found, specimen, rig),
        *_carrying(found, specimen, rig),
    )


def _standing(found: Stance, specimen: Specimen) -> list[Finding]:
    notes = []
    ratio, name = found.stiffness_ratio, specimen.name or "the specimen"
    if ratio < 1:
        text = f"{name} would fall over by itself: springs and tyres give {ratio:.2f} of the roll stiffness needed"
        advice = "check the height of the centre of gravity, roll centres, spring and tyre stiffness"
        notes.append(_found("stability", "error", text, ratio, 1.0, advice))
    elif ratio < 2.5:
        text = (
            f"the weight of {name} takes away {1 / ratio:.0%} of its roll stiffness; it sways and may tip in resonance"
        )
        advice = "start at low level with the body's roll watched; consider a lower load or outriggers in the restraint"
        notes.append(_found("stability", "warning", text, ratio, 2.5, advice))
    factor = found.stability_factor
    if factor < 0.5:
        text = (
            f"track over twice the height of the centre of gravity is {factor:.2f}: a rigid vehicle tips at "
            f"{math.degrees(found.tip_side_rad):.0f} deg; this one lifts its first wheel at "
            f"{found.side_lift_m * 1e3:.0f} mm between left and right posts"
        )
        advice = "set the restraint's trip well below, and keep people out of the side of fall"
        notes.append(_found("stability", "warning", text, factor, 0.5, advice))
    return notes


def _on_stops(found: Stance, specimen: Specimen) -> list[Finding]:
    notes = []
    for axle in specimen.axle:
        if axle.bump_gap_m > 0 or axle.kind == "rigid" or axle.stop_n_m == 0:
            continue
        stiff, spring = stop_stiffness(axle), axle.spring_n_m
        text = (
            f"{axle.name} just touches its bump stops at rest: into them it is {(axle.stop_n_m + spring) / spring:.1f} "
            "times as stiff as its springs, away from them it is not; the linear model tells neither"
            if axle.bump_gap_m == 0
            else f"{axle.name} rests on its bump stops, pressed in {-axle.bump_gap_m * 1e3:.0f} mm by "
            f"{found.loads.spring_n[wheel_name(axle, 'left')] / 1e3:.1f} kN a side: about rest it is "
            f"{(stiff + spring) / spring:.1f} times as stiff as its springs, and the linear model takes that slope"
        )
        advice = "test it at the load at which it drives free of its stops, or expect hard and non-linear motion"
        notes.append(_found("bump stops", "warning", text, axle.bump_gap_m, 0.0, advice))
    return notes


def _damping(found: Stance) -> list[Finding]:
    notes = []
    for mode in found.modes:
        if mode.name not in ("bounce", "pitch", "roll", "sway") or mode.standing_damping >= 0.10:
            continue
        text = (
            f"{mode.name} on standing tyres at {mode.standing_hz:.2f} Hz has {mode.standing_damping:.1%} of critical "
            f"damping (rolling: {mode.rolling_hz:.2f} Hz, {mode.rolling_damping:.1%})"
        )
        severity: Severity = "warning" if mode.standing_damping < 0.05 else "note"
        advice = "put a sensor on the body that sees this motion, as a control channel"
        notes.append(_found("damping", severity, text, mode.standing_damping, 0.10, advice))
    return notes


def _pans(found: Stance, specimen: Specimen, rig: Rig) -> list[Finding]:
    notes = []
    for axle in specimen.axle:
        rooms = pan_room(axle, rig, found.loads.wheel_n[wheel_name(axle, "left")])
        for room, what, key in zip(rooms, ("narrow", "short"), ("width", "length"), strict=True):
            if room < 0:
                text = f"the pan is {-2e3 * room:.0f} mm too {what} for the tyres of axle {axle.name}"
                notes.append(_found("clearance", "error", text, room, 0.0, f"use a larger pan (rig.pan.{key})"))
    return notes


def _carrying(found: Stance, specimen: Specimen, rig: Rig) -> list[Finding]:
    notes = []
    for post, wheel in zip(rig.post, wheel_of_posts(specimen, rig), strict=True):
        static = envelope(post, rig.supply, static_n=found.loads.wheel_n[wheel]).static
        room = min(stall_force(post, rig.supply, rig.supply.lowest_pressure_pa), post.rated_force_n)
        if static > 0.7 * room:
            text = f"post {post.name} carries {static / 1e3:.1f} kN at rest, {static / room:.0%} of what it can hold"
            severity: Severity = "error" if static > room else "warning"
            advice = "unload the vehicle, use a larger actuator, or support the weight by static springs"
            notes.append(_found("static load", severity, text, static, room, advice))
    return notes


def movement_findings(found: Movement, rig: Rig, *, event: str) -> tuple[Finding, ...]:
    """What is notable while the drives of an event play."""
    notes = []
    lifted = {wheel: share for wheel, share in found.lift_off.items() if share > 0}
    light = {wheel: least for wheel, least in found.least_load.items() if wheel not in lifted and least < 0.15}
    if lifted:
        each = ", ".join(f"{wheel} {share:.2%}" for wheel, share in lifted.items())
        text = f"{event}: wheels lift off their pans: {each} of the time"
        advice = "that is real on the road too if the field shows it; else reduce the level, and watch these wheels"
        notes.append(_found("lift-off", "warning", text, max(lifted.values()), 0.0, advice))
    if light:
        each = ", ".join(f"{wheel} {least:.0%}" for wheel, least in light.items())
        text = f"{event}: wheels keep little of their load at rest: {each}"
        advice = "watch these wheels in the first plays"
        notes.append(_found("lift-off", "note", text, min(light.values()), 0.15, advice))
    for moved, room, what in (
        (found.side_m, found.side_room_m, "sideways"),
        (found.fore_aft_m, found.fore_aft_room_m, "fore and aft"),
    ):
        wheel = max(moved, key=lambda name: moved[name] - room[name])
        left = room[wheel] - moved[wheel]
        if room[wheel] >= 0 and left < 0.03:
            text = (
                f"{event}: the wheel {wheel} moves {moved[wheel] * 1e3:.0f} mm {what} in its pan, which leaves "
                f"{room[wheel] * 1e3:.0f} mm"
            )
            severity: Severity = "error" if left < 0 else "warning"
            notes.append(
                _found("clearance", severity, text, moved[wheel], room[wheel], "use a larger pan or hold the axle")
            )
    slack = rig.restraint.slack_m
    if found.corner_m > slack:
        text = (
            f"{event}: corners of the frame move {found.corner_m * 1e3:.0f} mm, restraints leave {slack * 1e3:.0f} mm"
        )
        notes.append(
            _found(
                "restraint", "warning", text, found.corner_m, slack, f"give at least {found.corner_m * 1.2e3:.0f} mm"
            )
        )
    for tilt, limit, what in (
        (found.roll_rad, rig.restraint.trip_roll_rad, "rolls"),
        (found.pitch_rad, rig.restraint.trip_pitch_rad, "pitches"),
    ):
        if tilt > 0.8 * limit:
            text = (
                f"{event}: the frame {what} {math.degrees(tilt):.1f} deg, the trip is at {math.degrees(limit):.1f} deg"
            )
            severity = "error" if tilt > limit else "warning"
            notes.append(
                _found("tilt", severity, text, tilt, limit, "reduce the level of this event, or shorten it elsewhere")
            )
    return tuple(notes)


def demand_findings(
    found: RigDemand,
    rig: Rig,
    *,
    event: str,
    cost: Mapping[str, float],
    spread: Mapping[str, tuple[float, float]],
) -> tuple[Finding, ...]:
    """Where the drives of an event ask more of the rig than it has, or nearly.

    `cost` is what limits take away per control channel, `spread` the uncertainty of each actuator's worst share (see
    `EventFeasibility`).
    """
    notes = _envelope(found, event, cost, spread)
    supply, settings = found.supply, rig.supply
    share = supply.flow_share
    if share > 1:
        text = (
            f"{event}: asks {supply.mean_flow_m3_s * 6e4:.0f} l/min on average, the pump gives "
            f"{settings.pump_flow_m3_s * 6e4:.0f} l/min"
        )
        advice = f"a pump of {supply.mean_flow_m3_s * 6.6e4:.0f} l/min, or pauses between plays"
        notes.append(_found("flow", "error", text, share, 1.0, advice))
    elif supply.lowest_pa < settings.lowest_pressure_pa:
        text = (
            f"{event}: pressure sags to {supply.lowest_pa / 1e5:.0f} bar, {settings.lowest_pressure_pa / 1e5:.0f} bar "
            f"are needed; accumulators hold {supply.oil_held_m3 * 1e3:.1f} l of {supply.oil_used_m3 * 1e3:.1f} l"
        )
        grown = settings.accumulator_volume_m3 * supply.oil_used_m3 / max(supply.oil_held_m3, 1e-9)
        advice = f"accumulators of {grown * 1e3:.0f} l, or a larger pump"
        notes.append(_found("pressure", "error", text, supply.lowest_pa, settings.lowest_pressure_pa, advice))
    return tuple(notes)


_WORDS = {
    "stroke": "of its stroke",
    "velocity": "of the speed it has at that load and pressure",
    "force": "of its force",
    "acceleration": "of the acceleration allowed",
}


def _envelope(
    found: RigDemand, event: str, cost: Mapping[str, float], spread: Mapping[str, tuple[float, float]]
) -> list[Finding]:
    """At most one finding per event: the tightest actuator, and what its limits will cost."""
    one = max(found.actuators, key=lambda each: each.sustained[each.worst])
    share, lost = one.sustained[one.worst], max(cost.values(), default=0.0)
    if share <= TIGHT and lost < CHEAP:
        return []
    text = f"{event}: {one.name} needs {share_words(share, spread[one.name])} {_WORDS[one.worst]}"
    if max(one.shares.values()) > 1 and one.beyond > 0:
        text += f" and passes a limit {one.beyond:.2%} of the time"
    if cost:
        channel = max(cost, key=lambda name: cost[name])
        text += f"; what limits cut off costs at most {lost:.1%} of RMS ({channel})"
    severity: Severity = "error" if lost > DEAR else "warning" if lost > CHEAP else "note"
    advice = (
        "little is left for overshoot in the first plays"
        if severity == "note"
        else "a linear estimate, hard on impacts: replication on the virtual rig ended at about half of it"
        if severity == "warning"
        else f"everything asked would fit at {min(each.scale_to_fit for each in found.actuators):.0%} of the level"
    )
    return [_found("envelope", severity, text, share, 1.0, advice)]


def reach_findings(beyond: Mapping[str, float], *, event: str) -> tuple[Finding, ...]:
    """Control channels that no drive brings near the field's, by the model."""
    far = {channel: left for channel, left in beyond.items() if left > OUT_OF_REACH}
    if not far:
        return ()
    each = ", ".join(f"{channel} {left:.0%}" for channel, left in sorted(far.items(), key=lambda one: -one[1]))
    text = f"{event}: by the model no drives bring all control channels near the field's at once; error left: {each}"
    advice = (
        "standing tyres hold sideways where rolling ones give, and posts only lift: more weight on these channels "
        "moves the error to others; pans that glide sideways would take it away"
    )
    return (_found("reach", "note", text, max(far.values()), OUT_OF_REACH, advice),)


def share_words(share: float, spread: tuple[float, float]) -> str:
    """A share of a limit with its uncertainty: ``85% (70 to 110%)``.

    Parameters
    ----------
    share : float
        Used over available. [-]
    spread : tuple of two floats
        Its lowest and highest likely value. [-]
    """
    if round(100 * spread[0]) == round(100 * spread[1]):
        return f"{share:.0%}"
    return f"{share:.0%} ({100 * min(spread[0], share):.0f} to {max(spread[1], share):.0%})"


def controllable_findings(found: tuple[Controllable, ...], low_hz: float) -> tuple[Finding, ...]:
    """Body motions that the control channels do not hold down to the band's low edge."""
    notes = []
    for one in found:
        if one.control_hz <= low_hz:
            continue
        text = (
            f"{one.motion}: the control channels tell it apart only above {one.control_hz:.1f} Hz "
            f"(axle channels alone: {_hz(one.axle_hz)}); the band begins at {low_hz:g} Hz"
        )
        if one.best:
            text += f"; with {one.best} above {_hz(one.best_hz)}"
        advice = f"add {one.best} as a control channel" if one.best else "raise the band's low edge"
        notes.append(_found("controllability", "warning", text, one.control_hz, low_hz, advice))
    return tuple(notes)


def _hz(value: float) -> str:
    return f"{value:.1f} Hz" if math.isfinite(value) else "nowhere in the band"
