"""What the plan stage shows: the set-up to scale, envelopes, supply, modes, tables with margins."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from washboard.plot import to_svg
from washboard.plot._rig import envelope_figure, held_figure, modes_figure, set_up_figure, supply_figure
from washboard.programme._plan import Plan
from washboard.report import Exhibit


def plan_exhibits(table: Mapping[str, Any], arrays: Mapping[str, Any], plan: Plan) -> tuple[Exhibit, ...]:
    """Figures and tables from what the stage wrote."""
    if plan.specimen is None or "stance" not in table:
        return (_envelopes(table),)
    return (
        _set_up(table, plan),
        *_demands(table, arrays, plan),
        *_expected(table),
        _envelopes(table),
        *_supplies(table, arrays, plan),
        _wheels(table),
        _modes_table(table),
        _modes(arrays, plan),
        *_held(table, arrays, plan),
        _schedule(table, plan),
        *_sensors(table),
        *_dummies(table),
        *_procedure(table),
    )


def sheets(table: Mapping[str, Any], plan: Plan, risks: tuple[tuple[str, str], ...]) -> dict[str, str]:
    """Files to print or hand over, by name: the test plan, the set-up procedure, the channel list."""
    from washboard.programme.stages._plan_sheets import channel_list, printed

    procedure, sensors = _procedure(table), _sensors(table)
    risk = Exhibit(
        title="Risks, and what to do about them",
        caption="What planning found, gravest first.",
        columns=("Found", "Advice"),
        rows=risks,
    )
    note = (
        "Made by planning from the description of rig and vehicle and the shortened target, before anything has moved. "
        "Local codes, the makers' instructions and the people licensed for this work decide."
    )
    name = plan.programme.name or (plan.specimen.name if plan.specimen else "") or "the test"
    body = [
        _schedule(table, plan),
        _set_up(table, plan),
        risk,
        procedure[0],
        *sensors,
        *_dummies(table),
        _wheels(table),
    ]
    return {
        "test-plan.html": printed(f"Test plan: {name}", note, body),
        "set-up-procedure.html": printed(table["procedure"]["title"], note, procedure),
        "channels.csv": channel_list(sensors[0]),
    }


def _schedule(table: Mapping[str, Any], plan: Plan) -> Exhibit:
    """What will be reproduced, how long on the rig, what is needed."""
    schedule = table["schedule"]
    rows = tuple(
        (event, entry["plays"], entry["duration_s"],
         None if entry["plays"] is None else entry["plays"] * entry["duration_s"] / 3600,
         "yes" if table["events"][event]["fits"] else "no",
         100 * max(table["events"][event].get("cost", {}).values(), default=0.0))
        for event, entry in schedule["events"].items()
    )  # fmt: skip
    supply = plan.rig.supply
    total = "" if schedule["total_s"] is None else f" {schedule['total_s'] / 3600:.1f} h on the rig in all."
    return Exhibit(
        title="Test plan",
        caption=f"What is to be reproduced, {plan.band.low_hz:g} to {plan.band.high_hz:g} Hz on {len(plan.control)} "
        "control "
        f"channels.{total} Needed: {len(plan.rig.actuators)} actuators, {supply.pump_flow_m3_s * 6e4:.0f} l/min at "
        f"{supply.pressure_pa / 1e5:.0f} bar, set-up and identification on top. Risks: see the findings and the "
        "procedure.",
        columns=("Event", "Plays", "One play [s]", "In all [h]", "Fits the rig", "Limits cost [% of RMS]"),
        rows=rows,
    )


def _sensors(table: Mapping[str, Any]) -> list[Exhibit]:
    found = table["sensors"]
    rows = tuple(
        (number, one["name"], one["on"], one["quantity"], one["unit"], one["direction"],
         " / ".join(f"{value:.2f}" for value in one["position_m"]), one["range_si"], one["why"])
        for number, one in enumerate(found["sensors"], start=1)
    )  # fmt: skip
    unseen = f" Hardly told apart: {', '.join(found['unseen'])}." if found["unseen"] else ""
    return [
        Exhibit(
            title="Channel list proposed from the model",
            caption=f"About {found['hours']:.1f} h to fit. Range: five times the RMS on a class E road (ISO 8608) at "
            "10 m/s; "
            f"take the next larger sensor.{unseen}",
            columns=("No", "Name", "On", "Quantity", "Unit", "Direction", "x / y / z [m]", "Range ± [SI]", "Why"),
            rows=rows,
        )
    ]


def _dummies(table: Mapping[str, Any]) -> list[Exhibit]:
    rows = tuple(
        (name, mode, before, after, 100 * (after / before - 1), ", ".join(effect["lost"]))
        for name, effect in table["dummies"].items()
        for mode, before, after in effect["modes"]
    )
    if not rows:
        return []
    return [
        Exhibit(
            title="If a representative mass stood in for a part",
            caption="Rigid-body modes with the part on its mounts, and with its mass bolted to the frame instead; "
            "the part's "
            "own modes are then missing from the test.",
            columns=("Part", "Motion", "With it [Hz]", "With a mass [Hz]", "Change [%]", "Missing then"),
            rows=rows,
        )
    ]


def _procedure(table: Mapping[str, Any]) -> list[Exhibit]:
    found = table["procedure"]
    rows = tuple(
        (number, step["text"], "HOLD" if step["hold"] else "", "")
        for number, step in enumerate(found["steps"], start=1)
    )
    heights = tuple((wheel, load / 1e3, 1e3 * hub, 1e3 * sunk) for wheel, load, hub, sunk in found["heights"])
    return [
        Exhibit(
            title="Cautions",
            caption="To be read aloud before the first step.",
            columns=("", "Caution"),
            rows=tuple((number, text) for number, text in enumerate(found["cautions"], start=1)),
            print_rows=len(found["cautions"]),
        ),
        Exhibit(
            title=found["title"],
            caption="At a HOLD the named person checks and signs before the next step. Numbers are of this vehicle "
            "on this rig.",
            columns=("No", "Step", "Hold", "Done, signed"),
            rows=rows,
            print_rows=len(rows),
        ),
        Exhibit(
            title="Loads and heights at rest",
            caption="Posts at mid stroke, pans level.",
            columns=("Wheel", "Load [kN]", "Hub over the pan [mm]", "Tyre deflection [mm]"),
            rows=heights,
        ),
    ]


def _set_up(table: Mapping[str, Any], plan: Plan) -> Exhibit:
    assert plan.specimen is not None
    stance = table["stance"]
    cog, mass = stance["loads"]["cog_m"], stance["loads"]["mass_kg"]
    figure = set_up_figure(plan.specimen, plan.rig, plan.channel, cog_m=tuple(cog))
    return Exhibit(
        title="The vehicle on the rig",
        caption=f"To scale, in metres. {mass / 1e3:.2f} t, centre of gravity {cog[2]:.2f} m above the pans; track "
        "over twice "
        f"that height {stance['stability_factor']:.2f}. Mounted parts are drawn by mass, not by shape.",
        svg=to_svg(figure),
    )


def _demands(table: Mapping[str, Any], arrays: Mapping[str, Any], plan: Plan) -> list[Exhibit]:
    events = list(table["events"])
    if not events:
        return []
    clouds = {
        event: (arrays[f"event_{number}_velocity"], arrays[f"event_{number}_force"])
        for number, event in enumerate(events)
    }
    lowest = [entry["supply"]["lowest_pa"] for entry in table["events"].values()]
    rows, worst = [], (0.0, "", "", "")
    for event, entry in table["events"].items():
        for one in entry["actuators"]:
            share = one.get("sustained", one["shares"])  # results of an earlier version have peaks alone
            rows.append(
                (
                    event,
                    one["name"],
                    _milli(one["stroke"], one["unit"]),
                    one["velocity"],
                    one["force_high"] / 1e3,
                    100 * share["stroke"],
                    100 * share["velocity"],
                    100 * share["force"],
                    100 * share["acceleration"],
                    100 * one["beyond"],
                )
            )
            worst = max(worst, (share[one["worst"]], one["worst"], one["name"], event))
    finding = f"Tightest: {worst[1]} of {worst[2]} in {worst[3]}, {worst[0]:.0%} of what there is, peaks left out"
    sag = [pressure for pressure in (min(lowest),) if pressure < 0.98 * plan.rig.supply.pressure_pa and pressure > 0]
    figure = envelope_figure(plan.rig.actuators, plan.rig.supply, clouds, finding=finding, pressures_pa=sag)
    return [
        Exhibit(
            title="Force against speed",
            caption="Outline: what each actuator can give at set pressure (dashed: at the lowest pressure of any "
            "event). "
            "Coloured: the outside of what each event asks, estimated from its target by the linear model.",
            svg=to_svg(figure),
        ),
        Exhibit(
            title="Demand on each actuator",
            caption="Largest values, then shares that are passed for a thousandth of the time only: of reach, of the "
            "speed left at the load and pressure of that instant, of force and of the acceleration allowed; then the "
            "time any limit is passed. Drives are estimated from the target by the linear model and brought inside the "
            "set limits as replication does; impacts come out hard.",
            columns=("Event", "Actuator", "Peak [mm or mrad]", "Speed [m/s or rad/s]", "Force [kN or kN·m]",
                     "Stroke [%]", "Speed [%]", "Force [%]", "Acceleration [%]", "Beyond [% of time]"),
            rows=tuple(rows),
        ),
    ]  # fmt: skip


def _expected(table: Mapping[str, Any]) -> list[Exhibit]:
    """What replication can be expected to reach, per control channel and event."""
    events = {event: entry for event, entry in table["events"].items() if "expected" in entry}
    channels = list(dict.fromkeys(channel for entry in events.values() for channel in entry["expected"]))
    if not events:
        return []
    rows = tuple((channel, *(100 * entry["expected"][channel] for entry in events.values())) for channel in channels)
    return [
        Exhibit(
            title="What replication can be expected to reach",
            caption="Relative RMS error per control channel, by the linear model: what no drive makes of it, with what "
            "the limits of the rig take away. Friction, stops and lift-off come on top.",
            columns=("Control channel", *(f"{event} [%]" for event in events)),
            rows=rows,
        )
    ]


def _milli(value: float, unit: str) -> float:
    return 1e3 * value if unit in ("m", "rad") else value


def _envelopes(table: Mapping[str, Any]) -> Exhibit:
    rows = tuple(
        (one["name"], 1e3 * one["reach"], one["static"] / 1e3, one["rated"] / 1e3, one["stall"] / 1e3,
         one["velocity"], one["acceleration"], one["oil_hz"], one["bandwidth_hz"])
        for one in table["envelopes"]
    )  # fmt: skip
    return Exhibit(
        title="What the actuators can do",
        caption="Speed by the valve's rated flow and the set limit; oil column with the moving mass at mid stroke.",
        columns=("Actuator", "Reach ± [mm or mrad]", "At rest [kN]", "Rated [kN]", "Stall [kN]", "Speed [m/s]",
                 "Acceleration [m/s²]", "Oil column [Hz]", "Bandwidth [Hz]"),
        rows=rows,
    )  # fmt: skip


def _supplies(table: Mapping[str, Any], arrays: Mapping[str, Any], plan: Plan) -> list[Exhibit]:
    events = table["events"]
    if not events:
        return []
    rows = tuple(
        (event, s["mean_flow_m3_s"] * 6e4, s["peak_flow_m3_s"] * 6e4, 100 * s["flow_share"], s["oil_used_m3"] * 1e3,
         s["oil_held_m3"] * 1e3, s["lowest_pa"] / 1e5, s["power_w"] / 1e3, s["heat_w"] / 1e3)
        for event, s in ((event, entry["supply"]) for event, entry in events.items())
    )  # fmt: skip
    hardest = min(range(len(rows)), key=lambda number: (rows[number][6], -rows[number][3]))
    finding = f"{rows[hardest][0]}: {rows[hardest][1]:.0f} l/min on average, down to {rows[hardest][6]:.0f} bar"
    figure = supply_figure(
        arrays[f"event_{hardest}_time_s"],
        arrays[f"event_{hardest}_flow_m3_s"],
        arrays[f"event_{hardest}_pressure_pa"],
        plan.rig.supply,
        finding=finding,
    )
    return [
        Exhibit(
            title="Flow and pressure",
            caption="The event that takes the pressure lowest, played over and over; flow with leakage.",
            svg=to_svg(figure),
        ),
        Exhibit(
            title="Hydraulic supply",
            caption="Oil out of the accumulators at most, and what they hold down to the lowest pressure; heat is "
            "the least "
            "a cooler must take.",
            columns=("Event", "Mean [l/min]", "Peak [l/min]", "Of the pump [%]", "Oil out [l]", "Oil held [l]",
                     "Lowest [bar]", "Power [kW]", "Heat [kW]"),
            rows=rows,
        ),
    ]  # fmt: skip


def _wheels(table: Mapping[str, Any]) -> Exhibit:
    loads = table["stance"]["loads"]["wheel_n"]
    rows = []
    for wheel, load in loads.items():
        moves = [entry["movement"] for entry in table["events"].values()]
        rows.append(
            (
                wheel,
                load / 1e3,
                100 * min((move["least_load"].get(wheel, 1.0) for move in moves), default=1.0),
                100 * max((move["lift_off"].get(wheel, 0.0) for move in moves), default=0.0),
                1e3 * max((move["side_m"][wheel] for move in moves), default=0.0),
                1e3 * max((move["fore_aft_m"][wheel] for move in moves), default=0.0),
            )
        )
    kingpin = table["stance"]["loads"]["kingpin_n"]
    extra = f" The kingpin carries {kingpin / 1e3:.1f} kN." if kingpin else ""
    return Exhibit(
        title="Wheels",
        caption=f"Static load, least load of any event, time without contact, and motion over the pan.{extra}",
        columns=("Wheel", "At rest [kN]", "Least load [%]", "Lifted [% of time]", "Sideways [mm]", "Fore and aft [mm]"),
        rows=tuple(rows),
    )


def _modes_table(table: Mapping[str, Any]) -> Exhibit:
    stance = table["stance"]
    rows = tuple(
        (
            mode["name"],
            mode["standing_hz"],
            100 * mode["standing_damping"],
            mode["rolling_hz"],
            100 * mode["rolling_damping"],
        )
        for mode in stance["modes"]
    )
    lift = stance["side_lift_m"]
    words = f" The first wheel lifts at {1e3 * lift:.0f} mm between left and right posts." if lift is not None else ""
    return Exhibit(
        title="Rigid-body modes, standing and rolling",
        caption=f"Friction made linear at the level of {table['level_of'] or 'no event'}. A rigid vehicle tips "
        f"sideways at {math.degrees(stance['tip_side_rad']):.0f} deg.{words}",
        columns=("Motion", "Standing [Hz]", "Damping [%]", "Rolling [Hz]", "Damping [%]"),
        rows=rows,
    )


def _modes(arrays: Mapping[str, Any], plan: Plan) -> Exhibit:
    assert plan.specimen is not None
    figure = modes_figure(
        plan.specimen,
        [str(name) for name in arrays["dof"]],
        arrays["mode_shape"],
        arrays["mode_hz"],
        arrays["mode_damping"],
        [str(name) for name in arrays["mode_name"]],
    )
    return Exhibit(title="Modes", caption="Grey: at rest. Side view left, from behind right.", svg=to_svg(figure))


def _held(table: Mapping[str, Any], arrays: Mapping[str, Any], plan: Plan) -> list[Exhibit]:
    if "held_hz" not in arrays:
        return []
    errors = {}
    for one in table["controllable"]:
        both = arrays[f"held_{one['motion']}"]
        errors[f"{one['motion']}, channels on axles"] = both[0]
        errors[f"{one['motion']}, all control channels"] = both[1]
    shown = ", ".join(
        f"{one['motion']} from {one['control_hz']:.1f} Hz"
        if one["control_hz"] is not None
        else f"{one['motion']} nowhere"
        for one in table["controllable"]
    )
    figure = held_figure(
        arrays["held_hz"], errors, low_hz=plan.band.low_hz, held=0.5, finding=f"Held by the control channels: {shown}"
    )
    return [
        Exhibit(
            title="Pitch and roll the control channels hold",
            caption="Error of the body's motion over the motion itself, if the control channels are matched with 5 % "
            "error "
            "and their noise, by the linear model, standing against rolling. Held below one half.",
            svg=to_svg(figure),
        )
    ]
