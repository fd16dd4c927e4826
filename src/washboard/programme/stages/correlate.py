"""correlate: laboratory against field per event, and how much service the running equals."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.correlate import (
    Comparison,
    Equivalence,
    FieldEvent,
    LaboratoryEvent,
    Service,
    compare,
    equivalence,
    extremes,
    statement,
)
from washboard.duty import service_length
from washboard.loads import pseudo_damage
from washboard.programme._laps import load_laps
from washboard.programme._plan import Plan
from washboard.programme._stage import Outcome, Stage, Workspace
from washboard.programme._store import load_arrays, load_table, save_arrays, save_table
from washboard.recording import Finding, Recording, band_pass, read_recording, resample
from washboard.report import Exhibit

TABLE = "correlate.json"

#: How many times further off a channel may be that is only monitored; 4 in damage is a third in load at slope 5.
MONITOR_FACTOR = 4.0

#: Fields of a comparison that are arrays, and their axes in the file.
_ARRAYS = {
    "error": ("channel",),
    "rms_field": ("channel",),
    "rms_laboratory": ("channel",),
    "peak_ratio": ("channel",),
    "damage_ratio": ("channel", "slope"),
    "frequency_hz": ("frequency",),
    "psd_field": ("channel", "frequency"),
    "psd_laboratory": ("channel", "frequency"),
    "levels": ("channel", "level"),
    "crossings_field": ("channel", "level"),
    "crossings_laboratory": ("channel", "level"),
    "ranges": ("channel", "level"),
    "exceedance_field": ("channel", "level"),
    "exceedance_laboratory": ("channel", "level"),
}


def _reads(plan: Plan) -> Any:
    channels = tuple((c.name, c.role, c.slope) for c in plan.channel)
    return (channels, plan.band, plan.loads, plan.duty)


def _run(ws: Workspace) -> Outcome:
    plan = ws.plan
    target = load_table(ws.of("target") / "target.json")
    slopes = tuple(float(slope) for slope in target["slopes"])
    endured = load_table(ws.of("endure") / "endure.json")
    comparisons = _compare_events(ws, endured, slopes)
    ws.progress(0.6, "damage of the laps in the band")
    measured = comparisons[0].channels
    field = _field(ws, target, measured, slopes)
    laboratory = _laboratory(ws, endured, comparisons, measured, slopes)
    wanted, outside = _wanted(ws, target, field, measured)
    length, is_distance = service_length(plan.duty)
    found = equivalence(
        field,
        laboratory,
        channels=measured,
        slopes=slopes,
        target=wanted,
        service=length,
        unit="m" if is_distance else "s",
        service_s=float(target["schedule"]["service_s"]),
        confidence=plan.duty.confidence,
    )
    own = tuple(plan_slope(plan, name) for name in measured)
    control = tuple(channel.name for channel in plan.control if channel.name in measured)
    column = [int(np.argmin(np.abs(np.asarray(found.slopes) - slope))) for slope in own]
    beyond = {name: outside[name][at] for name, at in zip(measured, column, strict=True) if name in outside}
    words = statement(found, own, control, beyond)
    for comparison in comparisons:
        _save_comparison(ws.out / f"{_stem(endured, comparison.event)}.correlation.nc", comparison)
    _save_equivalence(ws.out / "equivalence.nc", found)
    save_table(ws.out / TABLE, _table(comparisons, found, own, control, words, outside, endured))
    return _outcome(plan, comparisons, found, own, control, words)


def plan_slope(plan: Plan, name: str) -> float:
    """The plan's slope of the channel `name`."""
    return next(channel.slope for channel in plan.channel if channel.name == name)


def _stem(endured: dict[str, Any], event: str) -> str:
    return str(endured["events"][event]["stem"])


def _in_band(plan: Plan, recording: Recording) -> Recording:
    return band_pass(recording, low_hz=plan.band.low_hz, high_hz=plan.band.high_hz)


def _compare_events(ws: Workspace, endured: dict[str, Any], slopes: tuple[float, ...]) -> list[Comparison]:
    shortened = load_table(ws.of("shorten") / "shorten.json")["events"]
    replicated = load_table(ws.of("replicate") / "replicate.json")["events"]
    comparisons = []
    for number, (event, entry) in enumerate(endured["events"].items()):
        ws.progress(0.6 * number / len(endured["events"]), f"comparing {event}")
        wanted = read_recording(ws.of("shorten") / shortened[event]["file"]).in_si()
        if entry["response"]:
            played = read_recording(ws.of("endure") / entry["response"]).in_si()
            lead_s, target_s = replicated[event]["lead_s"], replicated[event]["target_s"]
            response = _in_band(ws.plan, played).cut(lead_s, lead_s + target_s)
        else:
            response = _in_band(ws.plan, read_recording(ws.of("replicate") / replicated[event]["response"]).in_si())
        field, laboratory = _aligned(_in_band(ws.plan, wanted), response)
        comparisons.append(compare(field, laboratory, event=event, slopes=slopes, block_s=ws.plan.loads.block_s))
    return comparisons


def _aligned(field: Recording, response: Recording) -> tuple[Recording, Recording]:
    """Both at the field's rate, of the same length, with the channels that both have."""
    names = [name for name in field.names if name in response.names]
    response = response.select(names)
    if response.rate_hz != field.rate_hz:
        response = resample(response, field.rate_hz)
    n = min(field.n_samples, response.n_samples)
    return (
        field.select(names).replace(samples=field.select(names).samples[:, :n]),
        response.replace(samples=response.samples[:, :n]),
    )


def _field(
    ws: Workspace, target: dict[str, Any], channels: tuple[str, ...], slopes: tuple[float, ...]
) -> list[FieldEvent]:
    """Damage of every lap in the reproduced band: field and laboratory are measured alike."""
    return [
        FieldEvent(
            name=event,
            damage=np.stack([pseudo_damage(_in_band(ws.plan, lap.select(channels)).samples, slopes) for lap in laps]),
            laps=float(target["events"][event]["service_laps"]),
        )
        for event, laps in load_laps(ws).items()
    ]


def _wanted(
    ws: Workspace, target: dict[str, Any], field: list[FieldEvent], channels: tuple[str, ...]
) -> tuple[NDArray[np.float64], dict[str, list[float]]]:
    """Damage of the service in the band, (channel, slope), and the share of it that lies outside the band.

    The target stage worked on the whole bandwidth and may hold a percentile; that factor is carried over.
    """
    whole = np.zeros_like(field[0].damage[0])
    for event, laps in zip(field, load_laps(ws).values(), strict=True):
        slopes = target["slopes"]
        whole += event.laps * np.mean([pseudo_damage(lap.select(channels).samples, slopes) for lap in laps], axis=0)
    stated = np.array([target["damage"][name] for name in channels])
    mean = np.sum([event.laps * event.damage.mean(axis=0) for event in field], axis=0)
    factor = np.divide(stated, whole, out=np.ones_like(stated), where=whole > 0)
    inside = np.divide(mean, whole, out=np.ones_like(stated), where=whole > 0)
    return mean * factor, {name: np.maximum(1 - inside[row], 0).tolist() for row, name in enumerate(channels)}


def _laboratory(
    ws: Workspace,
    endured: dict[str, Any],
    comparisons: list[Comparison],
    channels: tuple[str, ...],
    slopes: tuple[float, ...],
) -> list[LaboratoryEvent]:
    file = ws.of("endure") / "passes.nc"
    arrays = load_arrays(file) if file.exists() else {}
    found = []
    for comparison in comparisons:
        entry = endured["events"][comparison.event]
        measured = _measured(arrays, comparison.event, entry["drive"], channels, slopes)
        if not len(measured):
            measured = _from_replication(ws, comparison.event, channels, slopes)
        found.append(
            LaboratoryEvent(
                name=comparison.event,
                damage=measured,
                done=int(entry["done"]),
                planned=int(entry["planned"]),
                pass_s=float(entry["pass_s"]),
            )
        )
        before = _measured(arrays, comparison.event, entry["drive"], channels, slopes, others=True)
        if len(before):
            # Passes of an earlier drive on the same specimen have done their damage too.
            found.append(
                LaboratoryEvent(
                    name=comparison.event,
                    damage=before,
                    done=len(before),
                    planned=len(before),
                    pass_s=float(entry["pass_s"]),
                )
            )
    return found


def _measured(
    arrays: dict[str, Any],
    event: str,
    drive: str,
    channels: tuple[str, ...],
    slopes: tuple[float, ...],
    *,
    others: bool = False,
) -> NDArray[np.float64]:
    """Damage of the measured passes of an event with one drive, or with all but that one, (pass, channel, slope)."""
    none = np.zeros((0, len(channels), len(slopes)))
    if not arrays:
        return none
    names, columns = [str(name) for name in arrays["channel"]], [float(slope) for slope in arrays["slope"]]
    if not set(channels) <= set(names) or not set(slopes) <= set(columns):
        return none
    same = (arrays["drive"] == drive) != others
    kept = (arrays["event"] == event) & same & ~np.isnan(arrays["damage"]).any(axis=(1, 2))
    damage = arrays["damage"][kept][:, [names.index(name) for name in channels]]
    return np.asarray(damage[:, :, [columns.index(slope) for slope in slopes]])


def _from_replication(
    ws: Workspace, event: str, channels: tuple[str, ...], slopes: tuple[float, ...]
) -> NDArray[np.float64]:
    replicated = load_table(ws.of("replicate") / "replicate.json")["events"]
    response = read_recording(ws.of("replicate") / replicated[event]["response"]).in_si()
    return pseudo_damage(_in_band(ws.plan, response.select(channels)).samples, slopes)[None]


def _save_comparison(file: Path, found: Comparison) -> None:
    arrays: dict[str, Any] = {name: (axes, getattr(found, name)) for name, axes in _ARRAYS.items()}
    arrays["channel"] = (("channel",), np.array(found.channels))
    arrays["unit"] = (("channel",), np.array(found.units))
    arrays["slope"] = (("slope",), np.array(found.slopes))
    save_arrays(file, arrays)


def load_comparison(file: Path, event: str) -> Comparison:
    """What the stage wrote of one event."""
    arrays = load_arrays(file)
    return Comparison(
        event=event,
        channels=tuple(str(name) for name in arrays["channel"]),
        units=tuple(str(unit) for unit in arrays["unit"]),
        slopes=tuple(float(slope) for slope in arrays["slope"]),
        **{name: arrays[name] for name in _ARRAYS},
    )


def _save_equivalence(file: Path, found: Equivalence) -> None:
    axes = ("channel", "slope")
    parts = {
        f"{which}_{part}": (axes, getattr(service, part))
        for which, service in (("done", found.done), ("planned", found.planned))
        for part in ("value", "low", "high")
    }
    save_arrays(
        file,
        {
            **parts,
            "channel": (("channel",), np.array(found.channels)),
            "slope": (("slope",), np.array(found.slopes)),
        },
    )


def load_equivalence(out: Path) -> Equivalence:
    """What the stage wrote of the equivalence."""
    arrays, table = load_arrays(out / "equivalence.nc"), load_table(out / TABLE)
    done, planned = (
        Service(**{part: arrays[f"{which}_{part}"] for part in ("value", "low", "high")})
        for which in ("done", "planned")
    )
    return Equivalence(
        channels=tuple(table["channels"]),
        slopes=tuple(table["slopes"]),
        service=table["service"],
        unit=table["unit"],
        done=done,
        planned=planned,
        passes_done=table["passes_done"],
        passes_planned=table["passes_planned"],
        rig_done_s=table["rig_done_s"],
        rig_planned_s=table["rig_planned_s"],
        service_s=table["service_s"],
        confidence=table["confidence"],
        single=tuple(table["single"]),
    )


def _table(
    comparisons: list[Comparison],
    found: Equivalence,
    own: tuple[float, ...],
    control: tuple[str, ...],
    words: str,
    outside: dict[str, list[float]],
    endured: dict[str, Any],
) -> dict[str, Any]:
    return {
        "statement": words,
        "channels": list(found.channels),
        "slopes": list(found.slopes),
        "own_slope": list(own),
        "control": list(control),
        "service": found.service,
        "unit": found.unit,
        "passes_done": found.passes_done,
        "passes_planned": found.passes_planned,
        "rig_done_s": found.rig_done_s,
        "rig_planned_s": found.rig_planned_s,
        "service_s": found.service_s,
        "compression": found.compression,
        "confidence": found.confidence,
        "single": list(found.single),
        "outside_band": outside,
        "events": {
            comparison.event: {
                "file": f"{_stem(endured, comparison.event)}.correlation.nc",
                "from": "endurance" if endured["events"][comparison.event]["response"] else "replication",
                "error": dict(zip(comparison.channels, comparison.error.tolist(), strict=True)),
                "damage_ratio": dict(zip(comparison.channels, comparison.damage_ratio.tolist(), strict=True)),
                "peak_ratio": dict(zip(comparison.channels, comparison.peak_ratio.tolist(), strict=True)),
            }
            for comparison in comparisons
        },
    }


def _outcome(
    plan: Plan,
    comparisons: list[Comparison],
    found: Equivalence,
    own: tuple[float, ...],
    control: tuple[str, ...],
    words: str,
) -> Outcome:
    whole = extremes(found.planned, found, own, control)
    low, high = plan.duty.under_test, plan.duty.over_test
    findings = []
    for row, name in enumerate(found.channels):
        ratio = float(found.planned.value[row, _column(found, own[row])] / found.service)
        if name not in control and not low / MONITOR_FACTOR <= ratio <= high * MONITOR_FACTOR:
            findings.append(
                Finding(
                    kind="monitor",
                    severity="warning",
                    channel=name,
                    text=f"a monitor channel gets {ratio:.3g} times the service's damage at slope {own[row]:g}",
                    measured=ratio,
                    limit=low / MONITOR_FACTOR if ratio < low else high * MONITOR_FACTOR,
                    advice="make it a control channel, so that drives suit it too, or take the part it is on off",
                )
            )
        if name in control and not low <= ratio <= high:
            findings.append(
                Finding(
                    kind="equivalence",
                    severity="warning",
                    channel=name,
                    text=f"the whole test gives {ratio:.0%} of the service's damage at slope {own[row]:g}",
                    measured=ratio,
                    limit=low if ratio < low else high,
                    advice="change the plays, weight the channel more in replication, or allow it in [duty]",
                )
            )
    worst = max(comparisons, key=lambda entry: float(np.mean(entry.error)))
    return Outcome(
        verdict="look" if findings else "fine",
        summary=words,
        figures={
            "compression": found.compression,
            "passes_done": found.passes_done,
            "passes_planned": found.passes_planned,
            "least_channel": whole.least,
            "least_share": whole.least_value / found.service,
            "most_channel": whole.most,
            "most_share": whole.most_value / found.service,
            "worst_event": worst.event,
            "worst_event_error": float(np.mean(worst.error)),
        },
        findings=tuple(findings),
    )


def _column(found: Equivalence, slope: float) -> int:
    return int(np.argmin(np.abs(np.asarray(found.slopes) - slope)))


def _show(folder: Path, plan: Plan, *, in_print: bool = False) -> tuple[Exhibit, ...]:
    """Plots and tables; in print without the counts of each event, whose damage stands in the tables."""
    from washboard.plot import to_svg
    from washboard.plot._correlate import counts_figure, damage_ratio_figure, equivalence_figure, spectra_figure

    out = folder / "stages" / "correlate"
    table, found = load_table(out / TABLE), load_equivalence(out)
    own = [_column(found, slope) for slope in table["own_slope"]]
    band = (plan.band.low_hz, plan.band.high_hz)
    shown = [
        Exhibit(
            title="Equivalence",
            caption="Service that the whole test equals on each channel, at the channel's own slope, with its "
            "interval; the bar is what has been run of it.",
            svg=to_svg(equivalence_figure(found, own)),
        ),
        Exhibit(
            title="Damage of the whole test over that of the service",
            caption="Per channel and slope, laboratory and field measured alike in the reproduced band. Channels in "
            "grey are monitored only.",
            svg=to_svg(
                damage_ratio_figure(
                    found.channels,
                    found.slopes,
                    found.planned.value / found.service,
                    low=plan.duty.under_test,
                    high=plan.duty.over_test,
                    control=table["control"],
                )
            ),
        ),
        _equivalence_exhibit(table, found),
        _error_exhibit(table),
    ]
    for event, entry in table["events"].items():
        comparison = load_comparison(out / entry["file"], event)
        control = [name for name in comparison.channels if name in table["control"]]
        caption = f"Field and laboratory ({entry['from']}), in the reproduced band"
        svg = to_svg(spectra_figure(comparison, band_hz=band))
        shown.append(Exhibit(title=f"{event}: spectra", caption=f"{caption}.", svg=svg))
        if not in_print:
            svg = to_svg(counts_figure(comparison, channels=control))
            title = f"{event}: cycles and level crossings"
            shown.append(Exhibit(title=title, caption=f"{caption}, control channels.", svg=svg))
    return tuple(shown)


def _equivalence_exhibit(table: dict[str, Any], found: Equivalence) -> Exhibit:
    scale, unit = (1000.0, "km") if found.unit == "m" else (3600.0, "h")
    return Exhibit(
        title="Equivalence by slope",
        caption=f"Service the whole test equals, with its {found.confidence:.0%} interval, for every slope; and the "
        "share of the field's damage that lies outside the reproduced band and is in neither.",
        columns=("channel", "slope", f"run so far [{unit}]", f"whole test [{unit}]", "low", "high", "outside band [-]"),
        rows=tuple(
            (
                name,
                slope,
                float(found.done.value[row, column] / scale),
                float(found.planned.value[row, column] / scale),
                float(found.planned.low[row, column] / scale),
                float(found.planned.high[row, column] / scale),
                round(table["outside_band"][name][column], 4),
            )
            for row, name in enumerate(found.channels)
            for column, slope in enumerate(found.slopes)
        ),
    )


def _error_exhibit(table: dict[str, Any]) -> Exhibit:
    rows = [
        (
            event,
            name,
            "control" if name in table["control"] else "monitor",
            entry["error"][name],
            entry["peak_ratio"][name],
            entry["damage_ratio"][name][_nearest(table["slopes"], slope)],
        )
        for event, entry in table["events"].items()
        for name, slope in zip(table["channels"], table["own_slope"], strict=True)
    ]
    return Exhibit(
        title="Laboratory against field, event by event",
        caption="Relative RMS error, peak and pseudo-damage at the channel's own slope of the latest response against "
        "the shortened target, in the reproduced band.",
        columns=("event", "channel", "role", "RMS error [-]", "peak ratio [-]", "damage ratio [-]"),
        rows=tuple(rows),
    )


def _nearest(slopes: list[float], slope: float) -> int:
    return int(np.argmin(np.abs(np.asarray(slopes) - slope)))


STAGE = Stage(
    name="correlate",
    title="Laboratory against field",
    needs={
        "check": (),
        "target": ("target.json",),
        "shorten": ("shorten.json", "*.nc"),
        "replicate": ("replicate.json", "*.response.nc"),
        "endure": (),
    },
    reads=_reads,
    run=_run,
    show=_show,
    printed=functools.partial(_show, in_print=True),
    revision=2,
)
