"""plan: can this rig do what the target asks, and does the vehicle stand safely on it?"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.programme._level import band_of, model_of
from washboard.programme._plan import Plan
from washboard.programme._stage import Outcome, Stage, Workspace
from washboard.programme._store import load_arrays, load_table, save_arrays, save_table
from washboard.recording import Channel, Finding, Recording, read_recording
from washboard.report import Exhibit
from washboard.rig import (
    Controllable,
    EventFeasibility,
    InstrumentationPlan,
    Linearisation,
    LinearModel,
    Movement,
    RigLinkSettings,
    Specimen,
    body_candidates,
    controllable,
    controllable_findings,
    dummy_effect,
    envelope,
    feasibility,
    instrumentation,
    linear_model,
    models_around,
    plausibility,
    procedure,
    share_words,
    stance,
    stance_findings,
    static_on_actuators,
)

Floats = NDArray[np.float64]


def _reads(plan: Plan) -> Any:
    rig = dataclasses.replace(plan.rig, link=RigLinkSettings())
    return rig, plan.specimen, plan.channel, plan.band, plan.replicate.reserve


def _run(ws: Workspace) -> Outcome:
    plan = ws.plan
    if plan.specimen is None or not plan.rig.post:
        return _without_specimen(ws)
    events = _events(ws, plan.specimen)
    ws.progress(0.9, "stability")
    # Modes and stability at the level of the event that plays longest.
    schedule = _schedule(ws)
    longest = max(events, key=lambda event: _hours(schedule, event.event), default=None)
    rule = Linearisation() if longest is None else longest.model.linearisation
    model = linear_model(plan.specimen, plan.rig, linearisation=rule)
    rolling = linear_model(plan.specimen, plan.rig, standing=False, linearisation=rule)
    stood = stance(plan.specimen, plan.rig, linearisation=rule)
    held = controllable(model, rolling, plan.control, candidates=body_candidates(model.bodies))
    findings = [
        *plausibility(plan.specimen, plan.rig),
        *stance_findings(stood, plan.specimen, plan.rig),
        *controllable_findings(held, plan.band.low_hz),
    ]
    for event in events:
        findings.extend(event.findings)
    static = static_on_actuators(model)
    table = {
        "stance": stood,
        "envelopes": [
            envelope(actuator, plan.rig.supply, static_n=float(load))
            for actuator, load in zip(plan.rig.actuators, static, strict=True)
        ],
        "controllable": [
            {"motion": one.motion, "axle_hz": _finite(one.axle_hz), "control_hz": _finite(one.control_hz),
             "best": one.best, "best_hz": _finite(one.best_hz)}
            for one in held
        ],
        "events": {event.event: _event_table(event) for event in events},
        "procedure": procedure(plan.specimen, plan.rig, movement=_hardest(events)),
        "sensors": _sensors(instrumentation(plan.specimen, high_hz=plan.band.high_hz)),
        "dummies": _dummies(plan.specimen, rule),
        "schedule": schedule,
        "level_of": "" if longest is None else longest.event,
    }  # fmt: skip
    save_table(ws.out / "plan.json", _plain(table))
    _write_arrays(ws.out, model, events, held)
    _print(ws, findings)
    return _outcome(events, tuple(findings), stood)


def _print(ws: Workspace, findings: list[Finding]) -> None:
    """The sheets that are handed over before the vehicle arrives."""
    from washboard.programme.stages._plan_exhibits import sheets

    grave = {"error": 0, "warning": 1, "note": 2}
    risks = tuple((one.text, one.advice) for one in sorted(findings, key=lambda one: grave[one.severity]))
    for name, text in sheets(load_table(ws.out / "plan.json"), ws.plan, risks).items():
        (ws.out / name).write_text(text, encoding="utf-8", newline="")


def _hours(schedule: dict[str, Any], event: str) -> float:
    entry = schedule["events"][event]
    return float((entry["plays"] or 1) * (entry["duration_s"] or 0.0)) / 3600


def _events(ws: Workspace, specimen: Specimen) -> tuple[EventFeasibility, ...]:
    plan, entries = ws.plan, load_table(ws.of("shorten") / "shorten.json")["events"]
    found = []
    for number, (event, entry) in enumerate(entries.items()):
        ws.progress(0.9 * number / max(len(entries), 1), f"demand of {event}")
        target = read_recording(ws.of("shorten") / entry["file"])
        band, model = band_of(plan, target), model_of(plan, specimen, target)
        found.append(
            feasibility(
                target,
                model,
                plan.rig,
                plan.control,
                band_hz=band,
                event=event,
                weights=plan.weights,
                hold=_hold(plan, band, target),
                around=models_around(specimen, plan.rig, model),
            )
        )
    return tuple(found)


def _hold(plan: Plan, band: tuple[float, float], target: Recording) -> Callable[[Floats, float], Floats]:
    """Drives brought inside the set limits just as replication brings them."""
    from washboard.identify import hold_to_limits, limits_of, rest_taper

    drives = tuple(Channel(name=actuator.name, unit=actuator.unit) for actuator in plan.rig.actuators)
    limits = limits_of(plan.rig.actuators, drives).scaled(1 - plan.replicate.reserve)
    taper = rest_taper(target.n_samples, target.rate_hz, 0.5 / band[0])
    return lambda asked, rate_hz: hold_to_limits(asked, rate_hz, limits, band_hz=band, taper=taper).samples


def _hardest(events: tuple[EventFeasibility, ...]) -> Movement | None:
    """The event that moves the frame's corners most."""
    return max((event.movement for event in events), key=lambda moved: moved.corner_m, default=None)


def _sensors(found: InstrumentationPlan) -> dict[str, Any]:
    return {
        "sensors": [
            {
                "name": one.sensor.name, "quantity": one.sensor.quantity, "unit": one.sensor.unit, "on": one.sensor.on,
                "position_m": one.sensor.position_m, "direction": one.sensor.direction, "section": one.sensor.section,
                "why": one.why, "range_si": one.range_si, "minutes": one.minutes,
            }
            for one in found.sensors
        ],
        "unseen": found.unseen,
        "hours": found.hours,
    }  # fmt: skip


def _dummies(specimen: Specimen, rule: Linearisation) -> Any:
    """What each elastically mounted part is worth to the vehicle's modes: the price of a mass in its place."""
    names = [part.name for part in specimen.part if part.mount]
    return {name: dummy_effect(specimen, [name], linearisation=rule) for name in names}


def _schedule(ws: Workspace) -> dict[str, Any]:
    """What is to be played and how long it takes, as shortening left it."""
    table = load_table(ws.of("shorten") / "shorten.json")
    return {
        "total_s": table.get("total_s"),
        "service_s": table.get("service_s"),
        "events": {
            event: {"plays": entry.get("plays"), "duration_s": entry.get("duration_s")}
            for event, entry in table["events"].items()
        },
    }


def _event_table(event: EventFeasibility) -> dict[str, Any]:
    supply = event.demand.supply
    return {
        "fits": event.fits,
        "actuators": [
            {**{field.name: getattr(one, field.name) for field in dataclasses.fields(one)}, "margin": one.margin}
            for one in event.demand.actuators
        ],
        "supply": {
            field.name: getattr(supply, field.name)
            for field in dataclasses.fields(supply)
            if not isinstance(getattr(supply, field.name), np.ndarray)
        },
        "movement": event.movement,
        "beyond": event.forecast.beyond,
        "cost": event.cost,
        "expected": event.expected,
        "spread": event.spread,
    }


def _write_arrays(
    out: Path, model: LinearModel, events: tuple[EventFeasibility, ...], held: tuple[Controllable, ...]
) -> None:
    """For the figures: the outside of each event's cloud of force and speed, flow and pressure thinned."""
    modes = model.modes()
    arrays: dict[str, Any] = {
        "mode_hz": (("mode",), modes.freq_hz),
        "mode_damping": (("mode",), modes.damping),
        "mode_shape": (("mode", "dof"), modes.shapes),
        "mode_name": (("mode",), np.array(modes.names)),
        "dof": (("dof",), np.array(modes.dofs)),
    }
    for number, event in enumerate(events):
        stem, rate_hz = f"event_{number}", event.forecast.rate_hz
        points = _outside(event.demand.velocity, event.demand.force)
        arrays[f"{stem}_velocity"] = (("drive", "point"), points[0])
        arrays[f"{stem}_force"] = (("drive", "point"), points[1])
        flow, pressure, time_s = _thinned(event.demand.supply.flow_m3_s, event.demand.supply.pressure_pa, rate_hz)
        arrays[f"{stem}_time_s"] = ((f"{stem}_time",), time_s)
        arrays[f"{stem}_flow_m3_s"] = ((f"{stem}_time",), flow)
        arrays[f"{stem}_pressure_pa"] = ((f"{stem}_time",), pressure)
    for one in held:
        arrays["held_hz"] = (("line",), one.freq_hz)
        arrays[f"held_{one.motion}"] = (("set", "line"), np.stack([one.axle_error, one.control_error]))
    save_arrays(out / "plan.nc", arrays)


def _outside(velocity: Any, force: Any, directions: int = 72) -> tuple[Any, Any]:
    """For each drive the point of its cloud that lies farthest in each of many directions."""
    found_v, found_f = [], []
    turn = np.linspace(0, 2 * np.pi, directions, endpoint=False)
    for v, f in zip(velocity, force, strict=True):
        centred = (f - f.mean()) / (np.ptp(f) or 1.0)
        scaled = v / (np.ptp(v) or 1.0)
        at = [int(np.argmax(scaled * np.cos(angle) + centred * np.sin(angle))) for angle in turn]
        found_v.append(v[at])
        found_f.append(f[at])
    return np.array(found_v), np.array(found_f)


def _thinned(flow: Any, pressure: Any, rate_hz: float, points: int = 1500) -> tuple[Any, Any, Any]:
    """Largest flow and lowest pressure of each of many stretches."""
    length = max(1, -(-len(flow) // points))
    starts = np.arange(0, len(flow), length)
    return np.maximum.reduceat(flow, starts), np.minimum.reduceat(pressure, starts), starts / rate_hz


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _plain(value: Any) -> Any:
    """Plain values, numbers that are not finite as none."""
    from washboard.settings import to_plain

    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    plain = to_plain(value)
    return _plain(plain) if isinstance(plain, (dict, list, float)) else plain


def _outcome(events: tuple[EventFeasibility, ...], findings: tuple[Finding, ...], stood: Any) -> Outcome:
    errors = [finding for finding in findings if finding.severity == "error"]
    warnings = [finding for finding in findings if finding.severity == "warning"]
    demands = [(one, event.event) for event in events for one in event.demand.actuators]
    figures: dict[str, Any] = {
        "stability_factor": stood.stability_factor,
        "modes_hz": {mode.name: mode.standing_hz for mode in stood.modes},
        "wheel_load_n": dict(stood.loads.wheel_n),
        "fits": not errors,
    }
    dear = [finding for finding in errors if finding.kind == "envelope"]
    words = [f"{len(errors)} things do not fit: {errors[0].text}." if errors else "Everything fits."]
    if demands:
        one, event = max(
            ((one, event) for event in events for one in event.demand.actuators),
            key=lambda pair: pair[0].sustained[pair[0].worst],
        )
        lost, share = max(max(event.cost.values()) for event in events), one.sustained[one.worst]
        if not errors and lost >= 0.01:
            words = [f"The rig can do it with short peaks cut off, which costs at most {lost:.1%} of RMS on a channel."]
        figures |= {
            "worst_share": share,
            "worst_share_low": event.spread[one.name][0],
            "worst_share_high": event.spread[one.name][1],
            "worst_actuator": one.name,
            "worst_limit": one.worst,
            "worst_event": event.event,
            "limits_cost": lost,
            "scale_to_fit": min(each.scale_to_fit for each, _ in demands),
            "largest_flow_share": max(event.demand.supply.flow_share for event in events),
            "margin": {
                actuator.name: 1
                - max(max(each.sustained.values()) for each, _ in demands if each.name == actuator.name)
                for actuator in events[0].demand.actuators
            },
        }
        if not dear:
            words.append(
                f"Tightest is the {one.worst} of {one.name} in {event.event}: all but a thousandth of the time asks "
                f"for no more than {share_words(share, event.spread[one.name])} of what there is (in brackets: with "
                "half and twice the friction's level)."
            )
    rigid = ", ".join(f"{mode.name} {mode.standing_hz:.1f} Hz" for mode in stood.modes if mode.name in _RIGID)
    words.append(f"Rigid-body modes on the posts: {rigid}.")
    if warnings:
        words.append(f"{len(warnings)} warnings; the first: {warnings[0].text}.")
    verdict = "look" if errors or warnings else "fine"
    return Outcome(verdict=verdict, summary=" ".join(words), figures=_plain(figures), findings=findings)  # type: ignore[arg-type]


_RIGID = ("bounce", "pitch", "roll")


def _without_specimen(ws: Workspace) -> Outcome:
    """Without a description of the vehicle only the actuators can be looked at."""
    found = [envelope(actuator, ws.plan.rig.supply) for actuator in ws.plan.rig.actuators]
    save_table(ws.out / "plan.json", _plain({"envelopes": found, "events": {}}))
    note = Finding(
        kind="plan",
        severity="note",
        text="there is no [specimen] in programme.toml, so demand, stability and clearance were not worked out",
        advice="describe the vehicle; rough values (masses, axle positions, spring and tyre stiffness) are enough",
    )
    return Outcome(verdict="fine", summary=f"The rig is described; {note.text}.", figures={}, findings=(note,))


def _show(folder: Path, plan: Plan) -> tuple[Exhibit, ...]:
    from washboard.programme.stages._plan_exhibits import plan_exhibits

    out = folder / "stages" / "plan"
    arrays = load_arrays(out / "plan.nc") if (out / "plan.nc").exists() else {}
    return (*plan_exhibits(load_table(out / "plan.json"), arrays, plan), *_fitted(folder, plan))


_STATES = {
    "as fitted from": "The description has its own numbers; 'washboard plan DIR --use-fit' writes these.",
    "fitted": "The description has the fitted numbers.",
    "changed": "The description was changed after this fit: fit again.",
}


def _fitted(folder: Path, plan: Plan) -> tuple[Exhibit, ...]:
    """What the identified FRF says about the description, once somebody has asked."""
    from washboard.programme._fitted import fit_state, kept_fit

    fit = kept_fit(folder)
    if fit is None or plan.specimen is None:
        return ()
    mass = "" if fit.weighed else " No wheel was weighed, so masses stay as described."
    rows = tuple(
        (one.name, one.unit, float(f"{one.start:.4g}"), float(f"{one.value:.4g}"),
         100 * (one.value / one.start - 1), 100 * one.spread,
         "yes" if one.identifiable else "no" + (f", like {', '.join(one.confused_with)}" if one.confused_with else ""))
        for one in fit.parameters
    )  # fmt: skip
    return (
        Exhibit(
            title="What the measured FRF says about the description",
            caption=f"The model misses the FRF by {fit.misfit_before:.1f} times its uncertainty with the description, "
            f"by {fit.misfit_after:.1f} times with the fitted numbers; {fit.known} of {len(rows)} numbers are told by "
            f"the measurement, the others hardly moved by it.{mass} {_STATES[fit_state(fit, plan.specimen)]}",
            columns=("Number", "Unit", "Described", "Fitted", "Change [%]", "Spread ± [%]", "Told"),
            rows=rows,
        ),
    )


STAGE = Stage(
    name="plan",
    title="Can the rig do it, does the vehicle stand safely",
    needs={"shorten": ()},
    reads=_reads,
    run=_run,
    revision=5,
    show=_show,
    shows=("fitted/fitted.json",),
)
