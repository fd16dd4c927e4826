"""Stage identify: the FRF of rig and specimen, measured on the rig."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from washboard.identify import ExcitationStep, Frf
from washboard.programme._frf_file import FILE_NAME, load_frf, save_frf
from washboard.programme._laps import load_laps
from washboard.programme._outlook import outlook_of_drives
from washboard.programme._plan import Plan
from washboard.programme._plays import Plays
from washboard.programme._stage import Outcome, Stage, Workspace
from washboard.programme._store import load_arrays, load_table, save_arrays, save_table
from washboard.recording import Finding
from washboard.replicate import ControlChoice, DriveOutlook
from washboard.report import Exhibit

#: The field's cross-spectra on the lines of the FRF, by which control channels are judged whenever they change.
FIELD_FILE = "field.nc"


def run(ws: Workspace) -> Outcome:
    """Identify the rig with excitation shaped after the field's recordings."""
    from washboard.identify import field_goal, identification_findings, identify_rig, limits_of, quality
    from washboard.programme._rig_link import open_link
    from washboard.replicate import field_cross_spectra

    plan = ws.plan
    link = open_link(plan, ws.folder)
    channels = link.channels()
    names = _measured(plan, tuple(channel.name for channel in channels.responses))
    limits = limits_of(plan.rig.actuators, channels.drives)
    laps = [lap.select(names).in_si() for event in load_laps(ws).values() for lap in event]
    goal = field_goal([(np.asarray(lap.samples), lap.rate_hz) for lap in laps], band_hz=_band(plan))
    plays = Plays(ws, link, "identify", names)
    found = identify_rig(
        lambda drive, label: plays.play(drive, label),
        responses=names,
        drives=limits.names,
        rate_hz=channels.rate_hz,
        limits=limits,
        band_hz=_band(plan),
        goal=goal,
        settings=plan.identify,
        seed=plan.programme.seed,
        progress=ws.progress,
    )
    save_frf(ws.out / FILE_NAME, found.frf)
    by_name = {channel.name: channel for channel in plan.channel}
    findings = identification_findings(
        found,
        goal=goal,
        band_hz=_band(plan),
        sensors=tuple(by_name[name] for name in names),
        actuators=plan.rig.actuators,
    )
    figures = quality(found.frf, _band(plan))
    field = field_cross_spectra([(np.asarray(lap.samples), lap.rate_hz) for lap in laps], found.frf.freq_hz)
    save_arrays(ws.out / FIELD_FILE, {"field": (("freq", "response", "response_2"), field)})
    choice = _choice(plan, found.frf, field)
    outlook = outlook_of_drives(ws.folder, plan, found.frf)
    findings = (*findings, *_advised(choice, _right_above_posts(plan)), *_drives_there_are(outlook))
    table = {
        "run": plays.run, "steps": _steps(found.steps), "quality": figures, "level": _number(found.level),
        "rig_time_s": found.rig_time_s, "findings": findings,
        "control": _choice_table(choice, _right_above_posts(plan)),
        "partial_coherence": _partial(found.frf, _band(plan)),
    }  # fmt: skip
    save_table(ws.out / "identify.json", table)
    bad = [finding for finding in findings if finding.severity != "note"]
    worst = min(figures.coherence_median)
    summary = (
        f"{len(names)} responses by {len(limits.names)} drives identified in {found.rig_time_s / 60:.1f} min of rig "
        f"time, responses at {found.level:.0%} of the field's; FRF error {figures.error:.1%} in band, lowest median "
        f"coherence {worst:.2f}"
    )
    summary += f"; {_reached(choice)}"
    summary += "." if not bad else f". {len(bad)} things to look at: {bad[0].text}"
    return Outcome(
        verdict="look" if bad else "fine",
        summary=summary,
        figures={
            "rig_time_s": round(found.rig_time_s, 1), "level": _number(found.level), "frf_error": figures.error,
            "coherence_median": dict(zip(names, figures.coherence_median, strict=True)),
            "plays": plays.played + plays.read,
        },
        findings=findings,
    )  # fmt: skip


def _choice(plan: Plan, frf: Frf, field: Any) -> ControlChoice:
    from washboard.replicate import control_choice

    control = tuple(channel.name for channel in plan.control)
    return control_choice(frf, field, control=control, band_hz=_band(plan))


def _reached(choice: ControlChoice) -> str:
    """In words: what of the field lies outside these drives, and what of that distortion explains."""
    whole, linear = (
        float(np.sqrt(np.mean(values[choice.control] ** 2))) for values in (choice.now.error, choice.now.linear)
    )
    words = f"{linear:.0%} of the control channels' motion in the field lies outside what these drives make"
    if whole - linear > 0.02:
        words += f" ({whole:.0%} with what friction, stops and lift-off explain, which iteration may bring back)"
    return words


def _right_above_posts(plan: Plan) -> tuple[str, ...]:
    """Channels on axles, as described or as their place is called: what posts are there for."""
    axles = {axle.name for axle in plan.specimen.axle} if plan.specimen else set()
    return tuple(
        channel.name
        for channel in plan.channel
        if not channel.on or channel.on in axles or "axle" in channel.on.casefold()
    )


def _advised(choice: ControlChoice, keep: tuple[str, ...]) -> list[Finding]:
    return [
        Finding(
            kind="control channels", severity="note", text=f"one might {words}",
            advice="change its role in [[channel]] and look at this page again; the rig need not play again for it",
        )
        for words in choice.advice(keep)[:3]
    ]  # fmt: skip


def _choice_table(choice: ControlChoice, keep: tuple[str, ...]) -> dict[str, Any]:
    """Per channel: what it comes to now, and what leaving it out or adding it would change."""
    middle = float(np.median(choice.now.condition))
    channels = {}
    for i, (name, changed) in enumerate(zip(choice.names, choice.changed, strict=True)):
        channels[name] = {
            "control": bool(choice.control[i]),
            "error": float(choice.now.error[i]),
            "linear": float(choice.now.linear[i]),
            "others": choice.others(choice.now, i),
            "changed_error": None if changed is None else float(changed.error[i]),
            "changed_others": None if changed is None else choice.others(changed, i),
            "changed_condition": None if changed is None else float(np.median(changed.condition)),
            "worth": float(choice.worth[choice.order.index(name)]),
        }
    return {"channels": channels, "order": choice.order, "condition": middle, "advice": choice.advice(keep)}


def _drives_there_are(outlook: Mapping[str, DriveOutlook]) -> list[Finding]:
    """What the drives of the replication before would do on the specimen as it is now."""
    worst = sorted(outlook, key=lambda event: -outlook[event].overall)
    return [
        Finding(
            kind="drives there are", severity="warning" if outlook[event].decision == "again" else "note",
            text=f"{event}: {outlook[event].words}", measured=outlook[event].overall,
            limit=outlook[event].overall_before,
            advice="see 'What the drives there are would do' on the page of this stage before 'washboard replicate'",
        )
        for event in worst
    ]  # fmt: skip


def _outlook_exhibit(outlook: Mapping[str, DriveOutlook], plan: Plan) -> tuple[Exhibit, ...]:
    if not outlook:
        return ()
    middle = len(plan.loads.slopes) // 2
    says = {"keep": "keep it", "try": "play it once and look", "again": "iterate again"}
    rows = tuple(
        (event, one.overall_before, one.overall, float(one.damage_change[:, middle].min()),
         float(one.damage_change[:, middle].max()), says[one.decision])
        for event, one in outlook.items()
    )  # fmt: skip
    return (
        Exhibit(
            title="What the drives there are would do",
            caption="The specimen was identified anew or described otherwise since these drives were found. Foretold "
            "from what they brought then and what has changed in the frequency response; damage relative to then, "
            f"slope {plan.loads.slopes[middle]:g}.",
            columns=(
                "Event", "Error as found", "Error expected now", "Least damage, times then", "Most damage, times then",
                "Advice",
            ),
            rows=rows,
        ),
    )  # fmt: skip


def _partial(frf: Frf, band_hz: tuple[float, float]) -> dict[str, list[float]]:
    """Median partial coherence in band, per response the drives in their order."""
    from washboard.identify import coherences

    inside = (frf.freq_hz >= band_hz[0]) & (frf.freq_hz <= band_hz[1])
    middle = np.median(coherences(frf).partial[inside], axis=0)
    return {name: [float(value) for value in row] for name, row in zip(frf.responses, middle, strict=True)}


def _measured(plan: Plan, available: tuple[str, ...]) -> tuple[str, ...]:
    """Control channels, which must be there, and those monitor channels the rig returns."""
    return tuple(channel.name for channel in plan.channel if channel.role == "control" or channel.name in available)


def _band(plan: Plan) -> tuple[float, float]:
    return plan.band.low_hz, plan.band.high_hz


def _steps(steps: tuple[ExcitationStep, ...]) -> list[dict[str, Any]]:
    return [
        {
            "name": step.name, "factor": step.factor, "response_share": _number(step.response_share),
            "words": step.words,
        }
        for step in steps
    ]  # fmt: skip


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _reads(plan: Plan) -> Any:
    return {
        "band": plan.band, "rig": plan.rig, "specimen": plan.specimen, "identify": plan.identify,
        "seed": plan.programme.seed,
        "channel": tuple(
            dataclasses.replace(c, slope=5.0, keep=None, weight=1.0, role="monitor") for c in plan.channel
        ),
    }  # fmt: skip


def _show(folder: Path, plan: Plan) -> tuple[Exhibit, ...]:
    from washboard.plot import to_svg
    from washboard.plot._identify import coherence_figure, condition_figure, frf_figure, reach_figure

    out = folder / "stages" / "identify"
    frf = load_frf(out / FILE_NAME)
    table = load_table(out / "identify.json")
    band = _band(plan)
    control = tuple(channel.name for channel in plan.control)
    choice = _choice(plan, frf, load_arrays(out / FIELD_FILE)["field"])
    control_table = _choice_table(choice, _right_above_posts(plan))
    return (
        *_outlook_exhibit(outlook_of_drives(folder, plan, frf), plan),
        Exhibit(
            title="Coherence",
            caption="Multiple coherence of each response with all drives; 1 means that the drives explain all of it. "
            "What is missing is noise or non-linear distortion.",
            svg=to_svg(coherence_figure(frf, band)),
        ),
        Exhibit(
            title="Frequency response",
            caption="Magnitude of the frequency response to each drive, with its standard deviation shaded.",
            svg=to_svg(frf_figure(frf.pick(control[:6]), band, {c.name: c.unit for c in plan.channel})),
        ),
        Exhibit(
            title="How well the drives are told apart",
            caption="Singular values of the frequency response of the control channels, each divided by its level in "
            "the field, and their ratio, the condition number.",
            svg=to_svg(condition_figure(frf.pick(control), band)),
        ),
        Exhibit(
            title="What the drives can reach",
            caption="Part of the field's motion outside the span of the frequency response when the drives fit the "
            "control channels best, by channel and frequency. Where the specimen is far from linear, or was identified "
            "far below the field's level, iteration goes well below this; it is no floor.",
            svg=to_svg(reach_figure(choice)),
        ),
        Exhibit(
            title="Control channels",
            caption="What of every channel lies outside these drives, how much of that is sure (friction, stops and "
            "lift-off do not explain it), and what leaving it out (where it is controlled) or adding it (where "
            "it is not) would change: on itself, on the other control channels, on the median condition number. Order: "
            "how early a channel is taken when each next one is the one that adds most to telling the drives apart.",
            columns=(
                "Channel",
                "Controlled",
                "Order",
                "Outside",
                "Of that sure",
                "Outside, if changed",
                "Others' outside",
                "Others' outside, if changed",
                "Condition number",
                "Condition number, if changed",
            ),
            rows=tuple(
                (
                    name,
                    "yes" if row["control"] else "no",
                    control_table["order"].index(name) + 1,
                    row["error"],
                    row["linear"],
                    row["changed_error"],
                    row["others"],
                    row["changed_others"],
                    control_table["condition"],
                    row["changed_condition"],
                )
                for name, row in control_table["channels"].items()
            ),
            print_rows=len(control_table["channels"]),
        ),
        Exhibit(
            title="Partial coherence",
            caption="Of each response with each drive after all other drives are taken out, median over the band: low "
            "where a channel hardly depends on that drive, or noise and distortion drown it.",
            columns=("Channel", *frf.drives),
            rows=tuple((name, *values) for name, values in table["partial_coherence"].items()),
        ),
        Exhibit(
            title="Excitation",
            caption="What was played to identify the rig.",
            columns=("Step", "Share of limits or factor", "Responses over field", "What was seen"),
            rows=tuple(
                (step["name"], step["factor"], step["response_share"], step["words"]) for step in table["steps"]
            ),
        ),
    )


STAGE = Stage(
    name="identify",
    title="Identify rig and specimen",
    needs={"check": ()},
    reads=_reads,
    run=run,
    show=_show,
    shows=("programme.toml", "stages/replicate/replicate.json"),
    revision=3,
)
