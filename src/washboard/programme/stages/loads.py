"""loads: what each event does to each channel, at which frequencies, and in which band a test must reproduce it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.loads import (
    DamageByBand,
    character,
    damage_by_band,
    damage_in_band,
    damage_spectrum,
    from_to_matrix,
    level_crossings,
    log_spaced,
    psd,
    pseudo_damage,
    rainflow,
    recommended_band,
)
from washboard.programme._laps import load_laps
from washboard.programme._plan import Plan
from washboard.programme._stage import Outcome, Stage, Workspace
from washboard.programme._store import load_arrays, load_table, save_arrays, save_table
from washboard.recording import Finding, Recording
from washboard.report import Exhibit
from washboard.units import format_quantity

TABLE, ARRAYS = "loads.json", "loads.nc"

F64 = NDArray[np.float64]


def _reads(plan: Plan) -> Any:
    channels = tuple((channel.name, channel.role, channel.slope, channel.quantity) for channel in plan.channel)
    return (channels, tuple(event.name for event in plan.event), plan.loads, plan.band)


def _all_slopes(plan: Plan) -> tuple[float, ...]:
    return tuple(sorted({*plan.loads.slopes, *(channel.slope for channel in plan.channel)}))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Grids:
    """Axes that all events share: levels and classes per channel, band edges and natural frequencies."""

    classes: F64
    largest: F64
    edges_hz: F64
    natural_hz: F64


def _grids(laps: dict[str, tuple[Recording, ...]], plan: Plan) -> _Grids:
    every = [lap for recordings in laps.values() for lap in recordings]
    rate_hz = every[0].rate_hz
    low = np.min([lap.samples.min(axis=1) for lap in every], axis=0).astype(np.float64)
    high = np.max([lap.samples.max(axis=1) for lap in every], axis=0).astype(np.float64)
    spread = np.where(high > low, high - low, 1.0)
    classes = low[:, None] + spread[:, None] * np.linspace(0, 1, plan.loads.classes + 1)
    # The last edge takes its own sample in, whatever rounding does.
    classes[:, -1] = np.maximum(classes[:, -1], high)
    shortest_s = min(lap.duration_s for lap in every)
    lowest = max(plan.band.low_hz / 4, 2 / shortest_s)
    highest = min(0.2 * rate_hz, max(4 * plan.band.high_hz, 2 * lowest))
    edges = log_spaced(lowest, min(0.45 * rate_hz, 3 * plan.band.high_hz), plan.loads.edges)
    edges = np.unique(np.concatenate([edges, [plan.band.low_hz, min(plan.band.high_hz, 0.45 * rate_hz)]]))
    natural = log_spaced(max(lowest, 0.25), highest, plan.loads.frequencies)
    return _Grids(classes=classes, largest=spread, edges_hz=edges, natural_hz=natural)


@dataclass(frozen=True, kw_only=True, slots=True)
class _EventResult:
    """What was found in one event; arrays as in loads.nc without their first axis."""

    damage: F64
    typical: int
    duration_s: F64
    frequency_hz: F64
    psd: F64
    averages: float
    up: NDArray[np.int64]
    down: NDArray[np.int64]
    matrix: F64
    by_band: DamageByBand
    in_band: F64
    spectrum: F64
    statements: list[dict[str, Any]]


def _event(laps: Sequence[Recording], plan: Plan, grids: _Grids, name: str) -> _EventResult:
    slopes = _all_slopes(plan)
    damage = np.stack([pseudo_damage(lap.samples, slopes) for lap in laps])
    typical = _typical_lap(damage)
    lap = laps[typical]
    rate_hz = lap.rate_hz
    spectra = []
    for number, other in enumerate(laps):
        try:
            spectra.append(psd(other.samples, rate_hz, block_s=plan.loads.block_s))
        except DataError as error:
            raise DataError(f"event '{name}', lap {number + 1}: {error} ([loads] block)") from None
    weights = np.array([spectrum.averages for spectrum in spectra])
    mean = np.tensordot(weights / weights.sum(), np.stack([spectrum.values for spectrum in spectra]), axes=1)
    up, down, matrix = _counts(laps, grids, plan.loads.gate)
    accelerations = [row for row, channel in enumerate(plan.channel) if channel.quantity == "acceleration"]
    spectrum = np.full((len(plan.channel), len(plan.loads.quality), grids.natural_hz.size, len(slopes)), np.nan)
    if accelerations:
        rows = np.ascontiguousarray(lap.samples[accelerations])
        found = damage_spectrum(rows, rate_hz, grids.natural_hz, slopes, q=plan.loads.quality)
        spectrum[accelerations] = found.damage
    statements = []
    for channel, row in zip(plan.channel, lap.samples, strict=True):
        said = character(row, rate_hz, slope=channel.slope, block_s=plan.loads.block_s, low_hz=plan.band.low_hz / 2)[0]
        statements.append(
            {
                "kurtosis": said.kurtosis,
                "rms_spread": said.rms_spread,
                "gaussian_share": said.gaussian_share if np.isfinite(said.gaussian_share) else None,
                "stationary": said.stationary,
                "gaussian": said.gaussian,
                "text": said.text,
            }
        )
    return _EventResult(
        damage=damage,
        typical=typical,
        duration_s=np.array([lap.duration_s for lap in laps]),
        frequency_hz=spectra[0].frequency_hz,
        psd=mean,
        averages=float(weights.sum()),
        up=up,
        down=down,
        matrix=matrix,
        by_band=damage_by_band(lap.samples, rate_hz, grids.edges_hz, slopes),
        in_band=damage_in_band(lap.samples, rate_hz, plan.band.low_hz, plan.band.high_hz, slopes),
        spectrum=spectrum,
        statements=statements,
    )


def _typical_lap(damage: F64) -> int:
    """The lap whose damage is nearest to the median, over all channels and slopes alike."""
    logs = np.log(np.maximum(damage, 1e-300))
    return int(np.argmin(np.abs(logs - np.median(logs, axis=0)).sum(axis=(1, 2))))


def _counts(laps: Sequence[Recording], grids: _Grids, gate: float) -> tuple[NDArray[np.int64], NDArray[np.int64], F64]:
    n_channels, n_classes = grids.classes.shape[0], grids.classes.shape[1] - 1
    up = np.zeros((n_channels, n_classes - 1), np.int64)
    down = np.zeros_like(up)
    matrix = np.zeros((n_channels, n_classes, n_classes))
    for lap in laps:
        for row, samples in enumerate(lap.samples):
            crossed = level_crossings(samples, grids.classes[row, 1:-1])
            up[row] += crossed.up[0]
            down[row] += crossed.down[0]
            cycles = rainflow(samples, gate=gate * grids.largest[row])
            if cycles.count.size:
                matrix[row] += from_to_matrix(cycles, grids.classes[row]).counts
    return up, down, matrix


def _run(ws: Workspace) -> Outcome:
    plan = ws.plan
    laps = load_laps(ws)
    grids = _grids(laps, plan)
    results = {}
    for number, event in enumerate(plan.event):
        ws.progress(number / len(plan.event), f"loads of {event.name}")
        results[event.name] = _event(laps[event.name], plan, grids, event.name)
    first = next(iter(laps.values()))[0]
    units = [channel.unit for channel in first.channels]
    _save(ws, grids, results, plan)
    table = _table(plan, results, units)
    save_table(ws.out / TABLE, table)
    return _outcome(plan, table)


def _save(ws: Workspace, grids: _Grids, results: dict[str, _EventResult], plan: Plan) -> None:
    found = list(results.values())

    def every(name: str) -> NDArray[Any]:
        return np.stack([np.asarray(getattr(one, name)) for one in found])

    save_arrays(
        ws.out / ARRAYS,
        {
            "event": (("event",), np.array(list(results))),
            "channel": (("channel",), np.array([channel.name for channel in plan.channel])),
            "slope": (("slope",), np.array(_all_slopes(plan))),
            "frequency": (("frequency",), found[0].frequency_hz),
            "psd": (("event", "channel", "frequency"), every("psd")),
            "class_edge": (("channel", "class_edge"), grids.classes),
            "up": (("event", "channel", "level"), every("up")),
            "down": (("event", "channel", "level"), every("down")),
            "from_to": (("event", "channel", "from", "to"), every("matrix")),
            "edge": (("edge",), grids.edges_hz),
            "without_above": (
                ("event", "channel", "edge", "slope"),
                np.stack([one.by_band.without_above for one in found]),
            ),
            "without_below": (
                ("event", "channel", "edge", "slope"),
                np.stack([one.by_band.without_below for one in found]),
            ),
            "quality": (("quality",), np.array(plan.loads.quality)),
            "natural": (("natural",), grids.natural_hz),
            "damage_spectrum": (("event", "channel", "quality", "natural", "slope"), every("spectrum")),
        },
        units={"frequency": "Hz", "edge": "Hz", "natural": "Hz"},
    )


def _table(plan: Plan, results: dict[str, _EventResult], units: list[str]) -> dict[str, Any]:
    slopes = _all_slopes(plan)
    names = [channel.name for channel in plan.channel]
    own = [slopes.index(channel.slope) for channel in plan.channel]
    total = np.sum([one.damage.mean(axis=0) for one in results.values()], axis=0)
    band = _overall_band(plan, results)
    kept = np.sum([one.damage.mean(axis=0) * one.in_band for one in results.values()], axis=0)
    kept /= np.where(total > 0, total, 1.0)
    events = {}
    for name, one in results.items():
        damage = one.damage.mean(axis=0)
        per_hour = damage / one.duration_s.mean() * 3600
        events[name] = {
            "laps": int(one.damage.shape[0]),
            "typical_lap": one.typical,
            "duration_s": float(one.duration_s.mean()),
            "averages": one.averages,
            "damage_per_lap": {channel: damage[row].tolist() for row, channel in enumerate(names)},
            "damage_per_hour": {channel: per_hour[row].tolist() for row, channel in enumerate(names)},
            "dominant_hz": {channel: _dominant_hz(one.by_band, row, own[row]) for row, channel in enumerate(names)},
            "in_band": {channel: one.in_band[row].tolist() for row, channel in enumerate(names)},
            "statements": dict(zip(names, one.statements, strict=True)),
        }
    hourly = np.stack([one.damage.mean(axis=0) / one.duration_s.mean() for one in results.values()])
    worst = {channel: list(results)[int(hourly[:, row, own[row]].argmax())] for row, channel in enumerate(names)}
    return {
        "channels": names,
        "units": units,
        "slopes": list(slopes),
        "channel_slope": [channel.slope for channel in plan.channel],
        "residue": "half",
        "events": events,
        "worst_event": worst,
        "in_band": {channel: kept[row].tolist() for row, channel in enumerate(names)},
        "band": {
            "low_hz": band.low_hz,
            "high_hz": band.high_hz,
            "wanted_low_hz": band.wanted_low_hz,
            "low_channel": band.low_channel,
            "high_channel": band.high_channel,
            "cost": dict(zip([channel.name for channel in plan.control], band.cost.tolist(), strict=True)),
            "text": band.text,
        },
    }


def _overall_band(plan: Plan, results: dict[str, _EventResult]) -> Any:
    """Band for one lap of every event, on the control channels."""
    control = [row for row, channel in enumerate(plan.channel) if channel.role == "control"]
    found = list(results.values())
    damage = np.stack([one.damage.mean(axis=0) for one in found])[:, control]
    total = damage.sum(axis=0)
    scale = np.where(total > 0, total, 1.0)[:, None, :]

    def joined(name: str) -> F64:
        curves = np.stack([getattr(one.by_band, name)[control] for one in found])
        return np.asarray((curves * damage[:, :, None, :]).sum(axis=0) / scale)

    first = found[0].by_band
    whole = DamageByBand(
        edge_hz=first.edge_hz,
        slopes=first.slopes,
        without_above=joined("without_above"),
        without_below=joined("without_below"),
        damage=total,
    )
    names = tuple(channel.name for channel in plan.control)
    slopes = [channel.slope for channel in plan.control]
    return recommended_band(whole, names, slopes, keep=plan.loads.keep, rig_low_hz=plan.band.low_hz)


def _dominant_hz(by_band: DamageByBand, row: int, slope: int) -> list[float]:
    """From where to where the damage rises from 10 to 90 % as content is added from below. [Hz]"""
    curve = np.maximum.accumulate(by_band.without_above[row, :, slope])
    last = curve[-1] if curve[-1] > 0 else 1.0
    logs = np.log(by_band.edge_hz)
    grow = curve / last + np.arange(curve.size) * 1e-12
    return [float(np.exp(np.interp(share, grow, logs))) for share in (0.1, 0.9)]


def _outcome(plan: Plan, table: dict[str, Any]) -> Outcome:
    slopes = table["slopes"]
    findings = []
    lost = {}
    for channel in plan.control:
        kept = table["in_band"][channel.name][slopes.index(channel.slope)]
        lost[channel.name] = 1 - kept
        if kept < plan.loads.keep - 0.15:
            findings.append(
                Finding(
                    kind="band",
                    severity="warning",
                    text=(
                        f"the test band of {plan.band.low_hz:g} to {plan.band.high_hz:g} Hz holds only {kept:.0%} of "
                        f"the damage of '{channel.name}' (slope {channel.slope:g})"
                    ),
                    channel=channel.name,
                    measured=kept,
                    limit=plan.loads.keep,
                    advice=f"widen [band] if the rig can follow, or accept the loss: {table['band']['text']}",
                )
            )
    worst = max(lost, key=lambda name: lost[name])
    events = list(table["worst_event"].values())
    leading = max(set(events), key=events.count)
    summary = (
        f"Per hour '{leading}' does most damage on {events.count(leading)} of {len(events)} channels; the test band "
        f"holds at least {1 - lost[worst]:.0%} of the damage of every control channel. {table['band']['text']}"
    )
    return Outcome(
        verdict="look" if findings else "fine",
        summary=summary,
        figures={
            "worst_event": table["worst_event"],
            "in_band_least": 1 - lost[worst],
            "band_low_hz": table["band"]["low_hz"],
            "band_high_hz": table["band"]["high_hz"],
            "slopes": slopes,
        },
        findings=tuple(findings),
    )


def _show(folder: Path, plan: Plan) -> tuple[Exhibit, ...]:
    from washboard.plot import to_svg
    from washboard.plot._loads import (
        band_figure,
        crossings_figure,
        damage_share_figure,
        damage_spectrum_figure,
        psd_figure,
        range_spectrum_figure,
    )

    table = load_table(folder / "stages" / "loads" / TABLE)
    arrays = load_arrays(folder / "stages" / "loads" / ARRAYS)
    names, events, slopes = tuple(table["channels"]), tuple(table["events"]), table["slopes"]
    own = [slopes.index(channel.slope) for channel in plan.channel]
    control = [row for row, channel in enumerate(plan.channel) if channel.role == "control"]
    shown = tuple(names[row] for row in control)
    units = tuple(table["units"][row] for row in control)
    hourly = np.array(
        [
            [table["events"][event]["damage_per_hour"][name][own[row]] for row, name in enumerate(names)]
            for event in events
        ]
    )
    picked = np.array(own)[control]

    def at_own_slope(values: NDArray[Any]) -> NDArray[Any]:
        """(event, channel, ..., slope) at each control channel's own slope: (event, channel, ...)."""
        return np.stack([values[:, row, ..., slope] for row, slope in zip(control, picked, strict=True)], axis=1)

    exhibits = [
        Exhibit(
            title="Where damage comes from",
            caption="Pseudo-damage per hour of running, each channel at its own slope, as a share of its worst event.",
            svg=to_svg(damage_share_figure(hourly, events=events, channels=names)),
        ),
        Exhibit(
            title="Band of the test",
            caption=f"Damage that remains when content below, or above, a frequency is lost, one lap of each event; "
            f"the band of the programme is marked. {table['band']['text']}",
            svg=to_svg(
                band_figure(
                    arrays["edge"],
                    _joined(arrays["without_above"], table, names, slopes)[control, :][
                        np.arange(len(control)), :, picked
                    ],
                    _joined(arrays["without_below"], table, names, slopes)[control, :][
                        np.arange(len(control)), :, picked
                    ],
                    channels=shown,
                    band_hz=(plan.band.low_hz, plan.band.high_hz),
                )
            ),
        ),
        Exhibit(
            title="Spectra",
            caption="Power spectral density of each control channel, one line per event, mean of its laps.",
            svg=to_svg(
                psd_figure(
                    arrays["frequency"], arrays["psd"][:, control], events=events, channels=shown, units=units
                )
            ),
        ),
        Exhibit(
            title="Load spectra",
            caption="Cycles of at least a range in all laps recorded (rainflow, residue as half cycles).",
            svg=to_svg(
                range_spectrum_figure(
                    arrays["from_to"][:, control], arrays["class_edge"][control], events=events, channels=shown,
                    units=units,
                )
            ),
        ),
        Exhibit(
            title="Level crossings",
            caption="Upward crossings of levels in all laps recorded.",
            svg=to_svg(
                crossings_figure(
                    arrays["up"][:, control], arrays["class_edge"][control, 1:-1], events=events, channels=shown,
                    units=units,
                )
            ),
        ),
    ]  # fmt: skip
    spectrum = at_own_slope(arrays["damage_spectrum"])[:, :, 0]
    powers = np.array([plan.channel[row].slope for row in control])[None, :, None]
    spectrum = spectrum ** (1 / powers) * (2 * np.pi * arrays["natural"]) ** 2
    if np.isfinite(spectrum).any():
        exhibits.append(
            Exhibit(
                title="Damage spectra",
                caption="Damage of oscillators driven by each acceleration, by natural frequency, as the range of the "
                f"one cycle per lap that would do it (Q {plan.loads.quality[0]:g}, relative displacement times angular "
                "frequency squared, each channel's own slope).",
                svg=to_svg(damage_spectrum_figure(arrays["natural"], spectrum, events=events, channels=shown)),
            )
        )
    exhibits.append(_words(table, plan))
    return tuple(exhibits)


def _joined(curves: NDArray[Any], table: dict[str, Any], names: tuple[str, ...], slopes: list[float]) -> F64:
    """Curves of all events as one, each by its damage per lap: (channel, edge, slope)."""
    damage = np.array(
        [[event["damage_per_lap"][name] for name in names] for event in table["events"].values()]
    ).reshape(len(table["events"]), len(names), len(slopes))
    total = damage.sum(axis=0)
    return np.asarray((curves * damage[:, :, None, :]).sum(axis=0) / np.where(total > 0, total, 1.0)[:, None, :])


def _words(table: dict[str, Any], plan: Plan) -> Exhibit:
    rows = []
    for channel in plan.channel:
        event = table["worst_event"][channel.name]
        found = table["events"][event]
        low, high = found["dominant_hz"][channel.name]
        rows.append(
            (
                channel.name,
                event,
                _once_a_second(
                    found["damage_per_hour"][channel.name][table["slopes"].index(channel.slope)],
                    channel.slope,
                    table["units"][table["channels"].index(channel.name)],
                ),
                f"{low:.2g} to {high:.2g}",
                found["statements"][channel.name]["text"],
            )
        )
    return Exhibit(
        title="What does the damage, in words",
        caption="For each channel its worst event per hour, the range of one cycle a second that would do as much, the "
        "frequencies over which its damage builds up from a tenth to nine tenths, and what kind of signal it is.",
        columns=("channel", "worst event", "range at 1 Hz", "band [Hz]", "character"),
        rows=tuple(rows),
    )


def _once_a_second(per_hour: float, slope: float, unit: str) -> str:
    """Range of the cycle that does the damage when it comes once a second."""
    return format_quantity((per_hour / 3600) ** (1 / slope), unit)


STAGE = Stage(
    name="loads",
    title="Spectra, cycles, damage of each event and the band it lies in",
    needs={"check": ()},
    reads=_reads,
    run=_run,
    show=_show,
    revision=2,
)
