"""Stage replicate: per event, the drive whose response on the rig matches the shortened target."""

from __future__ import annotations

import dataclasses
import functools
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.errors import RigError
from washboard.identify import DriveLimits, Frf
from washboard.programme._frf_file import FILE_NAME, load_frf
from washboard.programme._outlook import keep_basis
from washboard.programme._plan import Plan
from washboard.programme._plays import Plays, run_to_go_on
from washboard.programme._stage import Outcome, Stage, Workspace
from washboard.programme._store import load_arrays, load_table, save_arrays, save_table
from washboard.recording import Channel, Finding, Recording, read_recording, resample, write_recording
from washboard.replicate import Forecast, PreparedTarget, Replication
from washboard.report import Exhibit
from washboard.settings import Progress
from washboard.units import si_unit

Floats = NDArray[np.float64]

#: Settings that may change while earlier plays stay of use.
_FREE = {f"replicate.{key}" for key in ("keep", "plays", "goal", "confirm", "grms_db", "asd_db")}


def run(ws: Workspace) -> Outcome:
    """Find drives for every event of the shortened sequence."""
    from washboard.identify import limits_of
    from washboard.programme._rig_link import open_link

    plan = ws.plan
    link = open_link(plan, ws.folder)
    channels = link.channels()
    limits = limits_of(plan.rig.actuators, channels.drives).scaled(1 - plan.replicate.reserve)
    frf = load_frf(ws.of("identify") / FILE_NAME)
    earlier = run_to_go_on(ws.folder, "replicate", _reads(plan), _FREE)
    plays = Plays(ws, link, "replicate", frf.responses, go_on=earlier)
    shorten = load_table(ws.of("shorten") / "shorten.json")["events"]
    table: dict[str, Any] = {}
    findings: list[Finding] = []
    for number, (event, entry) in enumerate(shorten.items()):
        target = read_recording(ws.of("shorten") / entry["file"]).in_si()
        job = _Event(plan=plan, event=event, stem=Path(entry["file"]).stem, frf=frf, limits=limits, plays=plays)
        job.replicate(target, _part(ws.progress, number / len(shorten), 1 / len(shorten), event))
        table[event] = job.table()
        findings.extend(job.findings())
        job.write(ws.out)
    keep_basis(ws, frf)
    save_table(ws.out / "replicate.json", {"run": plays.run, "events": table})
    return _outcome(table, tuple(findings), plays)


def _part(progress: Progress, start: float, share: float, event: str) -> Progress:
    return lambda done, words: progress(start + share * done, f"{event}: {words}")


class _Event:
    """One event on its way from target to drive, with its files."""

    def __init__(self, *, plan: Plan, event: str, stem: str, frf: Frf, limits: DriveLimits, plays: Plays) -> None:
        self.plan, self.event, self.stem = plan, event, stem
        self.frf, self.limits, self.plays = frf, limits, plays
        self.control = tuple(channel.name for channel in plan.control)
        self.band = (plan.band.low_hz, plan.band.high_hz)
        self.responses: dict[bytes, Floats] = {}
        self.prepared: PreparedTarget
        self.found: Replication
        self.forecast: Forecast
        self.target: Recording

    def replicate(self, target: Recording, progress: Progress) -> None:
        from washboard.replicate import forecast, make_problem, prepare_target, replicate_event

        settings = self.plan.replicate
        rate_hz = self.plays.channels.rate_hz
        self.target = target
        at_rate = resample(target, rate_hz)
        self.prepared = prepare_target(
            np.asarray(at_rate.select(self.control).samples, dtype=float), rate_hz, names=self.control,
            band_hz=self.band, taper_s=settings.taper_s,
        )  # fmt: skip
        problem = make_problem(
            self.prepared, self.frf, limits=self.limits, plays=settings.plays, first_level=settings.first_level,
            goal=settings.goal, importance=np.array(self.plan.weights),
        )  # fmt: skip
        self.forecast = forecast(problem)
        rows = [self.frf.responses.index(name) for name in self.control]
        begun = 0.0

        def plays_begun(done: float, words: str) -> None:
            nonlocal begun
            begun = done
            progress(done, words)

        def play(drive: Floats, name: str) -> Floats:
            # A play tells how far it is itself; of the event it is one of many.
            response = self.plays.play(
                drive, f"{self.stem}-{name}", lambda done, words: progress(begun + done * 0.95 / settings.plays, words)
            )
            self.responses[drive.tobytes()] = response
            still = [self.control[k] for k, row in enumerate(response[rows]) if not np.ptp(row) > 0]
            if still and np.ptp(drive) > 0:
                raise RigError(
                    f"{self.event}: control channel '{still[0]}' did not move at all during play '{name}'; look at its "
                    "sensor and cable, delete that play in plays/ and start again"
                )
            return response[rows]

        self.found = replicate_event(
            play, problem, slopes=tuple(self.plan.loads.slopes), confirm=settings.confirm,
            keep=settings.keep.get(self.event, 0), progress=plays_begun,
        )  # fmt: skip

    def measured(self) -> Recording:
        """Response of all measured channels to the best drive, on the target's own time."""
        rate_hz = self.plays.channels.rate_hz
        response = self.responses.get(self.found.drive.tobytes())
        if response is None:
            response = np.zeros((len(self.frf.responses), self.prepared.n_samples))
        by_name = {channel.name: channel for channel in self.target.channels}
        channels = tuple(by_name.get(name, Channel(name=name)) for name in self.frf.responses)
        cut = Recording(
            samples=response[:, self.prepared.span].astype(np.float32), rate_hz=rate_hz, channels=channels,
            name=self.event, owned=True,
        )  # fmt: skip
        if abs(self.target.rate_hz - rate_hz) < 1e-9 * rate_hz:
            return cut
        back = resample(cut, self.target.rate_hz)
        n = self.target.n_samples
        samples = np.zeros((cut.n_channels, n), np.float32)
        samples[:, : min(n, back.n_samples)] = back.samples[:, :n]
        return back.replace(samples=samples, owned=True)

    def table(self) -> dict[str, Any]:
        found, measures = self.found, self.found.measures
        rate_hz = self.plays.channels.rate_hz
        monitors = self.monitor_errors()
        return {
            "drive": f"{self.stem}.drive.nc",
            "response": f"{self.stem}.response.nc",
            "details": f"{self.stem}.replication.nc",
            "plays": sum(not note.words.endswith("once more") for note in found.plays),
            "best": found.best,
            "lead_s": self.prepared.lead / rate_hz,
            "target_s": self.prepared.length / rate_hz,
            "drive_s": self.prepared.n_samples / rate_hz,
            "overall": None if measures is None else measures.overall,
            "error": {} if measures is None else _by(self.control, measures.relative),
            "monitor_error": monitors,
            "damage_ratio": {} if measures is None else _by(self.control, measures.damage_ratio),
            "rms_ratio": {} if measures is None else _by(self.control, measures.rms_ratio),
            "peak_ratio": {} if measures is None else _by(self.control, measures.peak_ratio),
            "crossing_ratio": {} if measures is None else _by(self.control, measures.crossing_ratio),
            "grms_db": {} if measures is None else _by(self.control, measures.grms_db),
            "asd_db": {} if measures is None else _by(self.control, measures.asd_db),
            "worst_moment": {}
            if measures is None
            else {name: dataclasses.asdict(worst) for name, worst in zip(self.control, measures.worst, strict=True)},
            "repeatability": _finite(found.repeatability),
            "confirmed": _by(self.control, found.confirmed) if found.confirmed.size else {},
            "limits": None
            if found.use is None
            else {
                "stroke": _by(self.limits.names, found.use.stroke),
                "velocity": _by(self.limits.names, found.use.velocity),
                "acceleration": _by(self.limits.names, found.use.acceleration),
            },
            "forecast": {
                "outside": _by(self.control, self.forecast.outside),
                "linear": _by(self.control, self.forecast.linear),
                "held": _by(self.control, self.forecast.held),
                "reachable": self.forecast.reachable,
                "distortion": _by(self.control, self.forecast.distortion),
                "noise": _by(self.control, self.forecast.noise),
                "overall": self.forecast.overall,
                "largest_use": self.forecast.use.largest,
                "drive_rms": _by(self.limits.names, self.forecast.drive_rms),
                "without": {
                    name: _by(self.control, row)
                    for name, row in zip(self.control, self.forecast.without, strict=True)
                },
            },
            "history": [
                {
                    "play": note.number, "level": note.level, "overall": _finite(note.overall),
                    "error": [_finite(value) for value in note.error], "tripped": note.tripped, "use": note.use,
                    "removed": note.removed, "words": note.words,
                }
                for note in found.plays
            ],
            "stop": found.stop,
            "verdict": found.verdict,
            "good": found.good,
        }  # fmt: skip

    def monitor_errors(self) -> dict[str, float | None]:
        """Relative RMS error in band of channels that are measured but not controlled."""
        from washboard.replicate import prepare_target

        names = [name for name in self.frf.responses if name not in self.control and name in self.target.names]
        out: dict[str, float | None] = {}
        response = self.responses.get(self.found.drive.tobytes())
        if not names or response is None:
            return out
        rate_hz = self.plays.channels.rate_hz
        at_rate = resample(self.target, rate_hz)
        for name in names:
            samples = np.asarray(at_rate.select([name]).samples, dtype=float)
            if not np.ptp(samples) > 0:
                out[name] = None
                continue
            wanted = prepare_target(
                samples, rate_hz, names=(name,), band_hz=self.band, taper_s=self.plan.replicate.taper_s
            )
            made = wanted.in_band(response[[self.frf.responses.index(name)]])
            off = (made - wanted.samples)[:, wanted.span]
            out[name] = float(np.sqrt(np.mean(off**2)) / wanted.rms[0])
        return out

    def findings(self) -> list[Finding]:
        found, goal = self.found, self.plan.replicate.goal
        out: list[Finding] = []
        if found.measures is None:
            return [
                Finding(
                    kind="replication", severity="error", text=f"{self.event}: {found.verdict}",
                    advice="look at the trip limits, the restraint and the target",
                )
            ]  # fmt: skip
        for name, error, floor in zip(self.control, found.measures.relative, self.forecast.linear, strict=True):
            if error > max(0.3, 2 * goal):
                cause = f"; {floor:.0%} of it lies outside what these drives can make" if floor > 0.5 * error else ""
                out.append(
                    Finding(
                        kind="replication", severity="warning", channel=name, measured=float(error), limit=goal,
                        text=f"{self.event}: {name} is off by {error:.0%} of its RMS{cause}",
                        advice="see the forecast: a sensor fault, a motion posts cannot make, or a level above limits",
                    )
                )  # fmt: skip
        if (kept := self.plan.replicate.keep.get(self.event, found.best)) != found.best:
            out.append(
                Finding(
                    kind="replication", severity="warning", measured=float(found.best), limit=float(kept),
                    text=f"{self.event}: play {kept} was to be kept but was not made, or the rig tripped on it; play "
                    f"{found.best} is used",
                    advice="correct [replicate.keep] in programme.toml",
                )
            )  # fmt: skip
        held = found.plays[found.best - 1].removed
        if held > 0.02 and found.use is not None:
            out.append(
                Finding(
                    kind="limits", severity="warning", measured=held, limit=0.02,
                    text=f"{self.event}: {held:.0%} of a drive had to be taken away to stay inside the limits "
                    f"({found.use.words()})",
                    advice="see 'washboard plan'; more stroke or velocity, or a gentler target, would bring it nearer",
                )
            )  # fmt: skip
        tripped = sum(note.tripped for note in found.plays)
        if tripped:
            out.append(
                Finding(
                    kind="trip", severity="warning", measured=float(tripped),
                    text=f"{self.event}: the rig tripped {tripped} times; the drives after it were made smaller",
                    advice="look at what tripped and at the largest moments of the target before the endurance run",
                )
            )  # fmt: skip
        settings = self.plan.replicate
        for name, limit, values in (
            ("global RMS error", settings.grms_db, found.measures.grms_db),
            ("global spectral error", settings.asd_db, found.measures.asd_db),
        ):
            if limit and np.abs(values).max() > limit:
                worst = int(np.argmax(np.abs(values)))
                out.append(
                    Finding(
                        kind="tolerance", severity="warning", channel=self.control[worst],
                        measured=float(values[worst]), limit=limit,
                        text=f"{self.event}: {name} of {self.control[worst]} is {values[worst]:+.1f} dB, "
                        f"{limit:g} dB allowed",
                        advice="more plays, other weights, or another tolerance",
                    )
                )  # fmt: skip
        return out

    def write(self, out: Path) -> None:
        channels = self.plays.channels
        lead_s = self.prepared.lead / channels.rate_hz
        metadata = {"lead_s": repr(lead_s), "target_s": repr(self.prepared.length / channels.rate_hz)}
        drive = Recording(
            samples=self.found.drive, rate_hz=channels.rate_hz, channels=channels.drives, name=self.event,
            metadata=metadata,
        )  # fmt: skip
        write_recording(drive, out / f"{self.stem}.drive.nc")
        write_recording(self.measured(), out / f"{self.stem}.response.nc")
        save_arrays(out / f"{self.stem}.replication.nc", self.details())

    def details(self) -> dict[str, tuple[tuple[str, ...], NDArray[Any]]]:
        """What the figures need."""
        from washboard.loads import psd

        prepared, found, forecast = self.prepared, self.found, self.forecast
        span, rate_hz = prepared.span, prepared.rate_hz
        wanted, made = prepared.samples[:, span], prepared.in_band(found.response)[:, span]
        block_s = min(8.0, wanted.shape[1] / rate_hz / 2)
        target_psd, made_psd = psd(wanted, rate_hz, block_s=block_s), psd(made, rate_hz, block_s=block_s)
        inside = (target_psd.frequency_hz >= 0.8 * self.band[0]) & (target_psd.frequency_hz <= 1.1 * self.band[1])
        size = np.sqrt(np.mean(wanted**2, axis=1, keepdims=True))
        loud = np.sum(((wanted / size) ** 2), axis=0)
        length = min(wanted.shape[1], round(6 * rate_hz))
        running = np.convolve(loud, np.ones(length), mode="valid")
        start = int(np.argmax(running))
        return {
            "names": (("response",), np.array(self.control)),
            "psd_freq_hz": (("line",), target_psd.frequency_hz[inside]),
            "psd_target": (("response", "line"), target_psd.values[:, inside]),
            "psd_response": (("response", "line"), made_psd.values[:, inside]),
            "excerpt_start_s": (("one",), np.array([start / rate_hz])),
            "rate_hz": (("one",), np.array([rate_hz])),
            "excerpt_target": (("response", "time"), wanted[:, start : start + length].astype(np.float32)),
            "excerpt_response": (("response", "time"), made[:, start : start + length].astype(np.float32)),
            "band_freq_hz": (("band",), forecast.freq_hz),
            "outside_band": (("band", "response"), forecast.outside_band),
            "condition": (("band",), forecast.condition),
        }


def _by(names: tuple[str, ...], values: Any) -> dict[str, Any]:
    return {
        name: [_finite(entry) for entry in value] if np.ndim(value) else _finite(value)
        for name, value in zip(names, values, strict=True)
    }


def _finite(value: Any) -> float | None:
    return float(value) if np.isfinite(value) else None


def _outcome(table: dict[str, Any], findings: tuple[Finding, ...], plays: Plays) -> Outcome:
    done = {event: entry for event, entry in table.items() if entry["overall"] is not None}
    plays_used = sum(entry["plays"] for entry in table.values())
    filed = f" ({plays.read} of them from earlier, on file)" if plays.read else ""
    if done:
        worst = max(done, key=lambda event: done[event]["overall"])
        error = float(np.sqrt(np.mean([entry["overall"] ** 2 for entry in done.values()])))
        summary = (
            f"{len(done)} of {len(table)} events have a drive after {plays_used} plays{filed}; relative RMS error "
            f"{error:.1%} over all, {done[worst]['overall']:.1%} in the worst event ({worst})."
        )
    else:
        summary = "No event has a drive: the rig tripped on every one."
    serious = [finding for finding in findings if finding.severity != "note"]
    return Outcome(
        verdict="look" if serious else "fine",
        summary=summary,
        figures={
            "plays": plays_used,
            "overall": {event: entry["overall"] for event, entry in table.items()},
            "error": {event: entry["error"] for event, entry in table.items()},
            "played_now": plays.played,
        },
        findings=findings,
    )


def _reads(plan: Plan) -> Any:
    return {
        "band": plan.band, "replicate": plan.replicate, "rig": plan.rig, "slopes": plan.loads.slopes,
        "control": tuple((channel.name, channel.weight) for channel in plan.control),
    }  # fmt: skip


def _show(folder: Path, plan: Plan, *, in_print: bool = False) -> tuple[Exhibit, ...]:
    """Plots and tables; in print without the spectra of each event, which the correlation shows too."""
    from washboard.plot import _replicate as draw
    from washboard.plot import to_svg

    out = folder / "stages" / "replicate"
    events = load_table(out / "replicate.json")["events"]
    exhibits: list[Exhibit] = [
        Exhibit(
            title="Convergence",
            caption="Overall relative RMS error by play; the last point repeats the best drive.",
            svg=to_svg(draw.convergence_figure({event: entry["history"] for event, entry in events.items()})),
        )
    ]
    rows: list[tuple[Any, ...]] = []
    for event, entry in events.items():
        middle = len(plan.loads.slopes) // 2
        for name, error in entry["error"].items():
            rows.append(
                (event, name, error, entry["forecast"]["outside"][name], entry["damage_ratio"][name][middle],
                 entry["peak_ratio"][name])
            )  # fmt: skip
    slope = plan.loads.slopes[len(plan.loads.slopes) // 2]
    exhibits.append(
        Exhibit(
            title="Errors per channel",
            caption="Best play of each event against its target, in band.",
            columns=(
                "Event", "Channel", "Relative RMS error", "Outside what the drives can make",
                f"Damage ratio, slope {slope:g}", "Peak ratio",
            ),
            rows=tuple(rows),
        )
    )  # fmt: skip
    # The arrays are in SI.
    units = {channel.name: si_unit(channel.unit, channel.quantity) for channel in plan.channel}
    for event, entry in events.items():
        if entry["overall"] is None:
            continue
        details = load_arrays(out / entry["details"])
        if not in_print:
            exhibits.append(
                Exhibit(
                    title=f"{event}: spectra",
                    caption="Power spectral density of target and response, control channels.",
                    svg=to_svg(draw.spectra_figure(event, details, units)),
                )
            )
        exhibits.append(
            Exhibit(
                title=f"{event}: loudest moments",
                caption="Target and response in the six seconds with most going on.",
                svg=to_svg(draw.excerpt_figure(event, details, units)),
            )
        )
    return tuple(exhibits)


STAGE = Stage(
    name="replicate",
    title="Find the drives",
    needs={"shorten": (), "identify": (FILE_NAME,)},
    reads=_reads,
    run=run,
    show=_show,
    printed=functools.partial(_show, in_print=True),
    revision=3,
)
