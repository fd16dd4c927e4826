"""`washboard show` and `washboard convert`: recordings of any open format, looked at and turned into another."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from washboard.cli._console import Json, answer, say, say_findings
from washboard.errors import InputError


def register(app: typer.Typer) -> None:
    """Add `convert` and `show` to `app`."""
    app.command("convert", help="A recording from one open format to another.")(_convert)
    app.command("show", help="Channels, units, length, faults of a recording.")(_show)


def _convert(
    source: Annotated[Path, typer.Argument(metavar="IN", help="The recording; it is only read.")],
    target: Annotated[Path, typer.Argument(metavar="OUT", help="The file to write; must not exist yet.")],
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace OUT if it exists.")] = False,
    as_json: Json = False,
) -> None:
    from washboard.recording import read_recording, write_recording

    if target.exists() and not overwrite:
        raise InputError(f"{target} exists already; give another name, or --overwrite to replace it")
    if target.exists() and target.samefile(source):
        raise InputError(f"{target} is the recording itself; originals are never written to, give another name")
    recording = read_recording(source)
    write_recording(recording, target)
    if as_json:
        answer({"from": str(source), "to": str(target), "channels": recording.names, "n_samples": recording.n_samples})
    else:
        say(f"{target}: {recording.n_channels} channels, {recording.duration_s:.2f} s at {recording.rate_hz:g} Hz")


def _show(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The recording; it is only read.")],
    as_json: Json = False,
) -> None:
    from washboard.recording import find_faults, read_recording

    recording = read_recording(file)
    findings = tuple(find_faults(recording))
    rows = [_row(recording, index) for index in range(recording.n_channels)]
    if as_json:
        answer(
            {
                "file": str(file),
                "rate_hz": recording.rate_hz,
                "duration_s": recording.duration_s,
                "n_samples": recording.n_samples,
                "start": recording.start.isoformat() if recording.start else None,
                "channels": rows,
                "findings": findings,
            }
        )
    else:
        say(f"{file}: {recording.n_channels} channels, {recording.duration_s:.2f} s at {recording.rate_hz:g} Hz")
        width = max(len(row["name"]) for row in rows) if rows else 0
        for row in rows:
            low, high, rms = (_number(row[key]) for key in ("lowest", "highest", "rms"))
            say(f"  {row['name']:<{width}}  [{row['unit']}]  {low} to {high}, RMS {rms}  {row['quantity']}".rstrip())
        say_findings(findings, most=40)
        say(f"{len(findings)} finding(s)" if findings else "no faults found")
    if any(finding.severity != "note" for finding in findings):
        raise typer.Exit(1)


def _number(value: float | None) -> str:
    return "nothing" if value is None else f"{value:.4g}"


def _row(recording: Any, index: int) -> dict[str, Any]:
    import numpy as np

    channel = recording.channels[index]
    values = np.asarray(recording.samples[index], dtype=np.float64)
    values = values[np.isfinite(values)]
    return {
        "name": channel.name,
        "unit": channel.unit,
        "quantity": channel.quantity,
        "direction": channel.direction,
        "description": channel.description,
        "lowest": float(values.min()) if values.size else None,
        "highest": float(values.max()) if values.size else None,
        "rms": float(np.sqrt(np.mean(np.square(values)))) if values.size else None,
    }
