"""`washboard show` and `washboard convert`: recordings of any open format, looked at and turned into another."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from washboard.cli._console import Json, answer, say, say_findings
from washboard.errors import ChannelError, DataError, FormatError, InputError

if TYPE_CHECKING:
    from washboard.recording import Channel, CsvOptions, Recording, Rows, Samples, UffFunction

Channels = Annotated[
    list[str] | None,
    typer.Option("--channel", help="Only this channel; give it again for more. NAME@GROUP where groups share a name."),
]
Rate = Annotated[float | None, typer.Option("--rate", help="CSV without a time column: its sample rate. [Hz]")]
Separator = Annotated[
    str | None, typer.Option("--separator", help="CSV: ',' ';' '|' 'tab' or 'blank'; else found out.", metavar="SIGN")
]
Decimal = Annotated[str | None, typer.Option("--decimal", help="CSV: '.' or ','; else found out.", metavar="SIGN")]
HeaderLines = Annotated[
    int | None, typer.Option("--header-lines", help="CSV: lines before the first line of numbers; else found out.")
]
TimeColumn = Annotated[
    str | None,
    typer.Option(
        "--time-column", help="CSV: the name of the time column, '' for none; else found out.", metavar="NAME"
    ),
]


def register(app: typer.Typer) -> None:
    """Add `convert` and `show` to `app`."""
    app.command("convert", help="A recording from one open format to another.")(_convert)
    app.command("show", help="Channels, units, length, faults of a recording.")(_show)


def _convert(
    source: Annotated[Path, typer.Argument(metavar="IN", help="The recording; it is only read.")],
    target: Annotated[Path, typer.Argument(metavar="OUT", help="The file to write; must not exist yet.")],
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace OUT if it exists.")] = False,
    channel: Channels = None,
    rate: Rate = None,
    separator: Separator = None,
    decimal: Decimal = None,
    header_lines: HeaderLines = None,
    time_column: TimeColumn = None,
    as_json: Json = False,
) -> None:
    from washboard.recording import import_recording, read_recording, recording_format, write_recording

    if target.exists() and not overwrite:
        raise InputError(f"{target} exists already; give another name, or --overwrite to replace it")
    if target.exists() and source.exists() and target.samefile(source):
        raise InputError(f"{target} is the recording itself; originals are never written to, give another name")
    options = _csv_options(rate, separator, decimal, header_lines, time_column)
    if options is None and not channel and recording_format(target, by_ending=True) == "netcdf":
        # Piece by piece where that is possible, so that it may be larger than memory.
        import_recording(source, target)
        recording = read_recording(target)
    else:
        recording = _read(source, options, channel or None)
        write_recording(recording, target)
    if as_json:
        answer({"from": str(source), "to": str(target), "channels": recording.names, "n_samples": recording.n_samples})
    else:
        say(f"{target}: {recording.n_channels} channels, {recording.duration_s:.2f} s at {recording.rate_hz:g} Hz")


def _show(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The recording; it is only read.")],
    rate: Rate = None,
    separator: Separator = None,
    decimal: Decimal = None,
    header_lines: HeaderLines = None,
    time_column: TimeColumn = None,
    as_json: Json = False,
) -> None:
    from washboard.recording import rows_faults

    options = _csv_options(rate, separator, decimal, header_lines, time_column)
    functions = _spectra(file)
    if functions:
        _show_functions(file, functions, as_json)
        return
    with ExitStack() as stack:
        try:
            held = stack.enter_context(_rows(file, options))
        except (ChannelError, DataError) as error:
            # What cannot be brought to one time base can still be listed.
            _show_tracks(file, str(error), as_json)
            raise typer.Exit(1) from None
        header = held.header
        findings = rows_faults(held)
        rows = [_row(channel, held.get(index)) for index, channel in enumerate(header.channels)]
    if as_json:
        answer(
            {
                "file": str(file),
                "rate_hz": header.rate_hz,
                "duration_s": held.duration_s,
                "n_samples": held.n_samples,
                "start": header.start.isoformat() if header.start else None,
                "metadata": dict(header.metadata),
                "channels": rows,
                "findings": findings,
            }
        )
    else:
        say(f"{file}: {header.n_channels} channels, {held.duration_s:.2f} s at {header.rate_hz:g} Hz")
        if header.start is not None:
            say(f"  started {header.start.isoformat(sep=' ')}")
        for name, text in header.metadata.items():
            say(f"  {name}: {text}")
        width = max(len(row["name"]) for row in rows) if rows else 0
        for row in rows:
            low, high, rms = (_number(row[key]) for key in ("lowest", "highest", "rms"))
            say(f"  {row['name']:<{width}}  [{row['unit']}]  {low} to {high}, RMS {rms}  {row['quantity']}".rstrip())
        say_findings(findings, most=40)
        say(f"{len(findings)} finding(s)" if findings else "no faults found")
    if any(finding.severity != "note" for finding in findings):
        raise typer.Exit(1)


def _csv_options(
    rate: float | None, separator: str | None, decimal: str | None, header_lines: int | None, time_column: str | None
) -> CsvOptions | None:
    """What the user says about a CSV file; None when nothing is said. Raises InputError."""
    if (rate, separator, decimal, header_lines, time_column) == (None,) * 5:
        return None
    from washboard.recording import CsvOptions

    if rate is not None and not 0 < rate < float("inf"):
        raise InputError(f"--rate {rate:g}: a sample rate must be more than 0 Hz")
    if header_lines is not None and header_lines < 0:
        raise InputError(f"--header-lines {header_lines}: cannot be less than 0")
    sign = {None: None, "tab": "\t", "blank": " ", "space": " "}.get(separator, separator)
    if sign is not None and len(sign) != 1:
        raise InputError(f"--separator {separator!r}: must be one sign, 'tab' or 'blank'")
    if decimal not in {None, ".", ","}:
        raise InputError(f"--decimal {decimal!r}: must be '.' or ','")
    if decimal is not None and decimal == sign:
        raise InputError(f"--separator and --decimal cannot both be {decimal!r}")
    return CsvOptions(separator=sign, decimal=decimal, header_lines=header_lines, time_column=time_column, rate_hz=rate)


def _read(file: Path, options: CsvOptions | None, channels: list[str] | None = None) -> Recording:
    from washboard.recording import read_recording, recording_format

    if options is not None and recording_format(file) != "csv":
        raise InputError(f"{file}: is no CSV file, which --rate, --separator, --decimal, --header-lines and "
                         "--time-column are for")  # fmt: skip
    return read_recording(file, channels=channels, csv=options)


@contextmanager
def _rows(file: Path, options: CsvOptions | None) -> Iterator[Rows]:
    """The recording row by row, so that it may be larger than memory where its format allows it."""
    import tempfile

    from washboard.recording import open_rows, rows_of

    if options is not None:
        yield rows_of(_read(file, options))
        return
    with (
        tempfile.TemporaryDirectory(prefix="washboard-") as scratch,
        open_rows(file, Path(scratch) / "rows.nc") as rows,
    ):
        yield rows


def _spectra(file: Path) -> tuple[UffFunction, ...]:
    """The functions of a universal file that holds no time history; empty for any other."""
    from washboard.recording import read_uff58_functions, recording_format

    if recording_format(file) != "uff58":
        return ()
    try:
        functions = read_uff58_functions(file)
    except FormatError:
        return ()
    return () if any(entry.is_time_history for entry in functions) else functions


def _show_functions(file: Path, functions: tuple[UffFunction, ...], as_json: bool) -> None:
    import numpy as np

    rows: list[dict[str, Any]] = []
    for entry in functions:
        end = (
            entry.start + entry.step * (entry.values.size - 1) if entry.abscissa is None else float(entry.abscissa[-1])
        )
        start = entry.start if entry.abscissa is None else float(entry.abscissa[0])
        size = np.abs(entry.values)
        size = size[np.isfinite(size)]
        rows.append(
            {
                "name": entry.name,
                "kind": entry.kind,
                "unit": entry.unit,
                "n_values": int(entry.values.size),
                "from": start,
                "to": end,
                "abscissa_unit": entry.abscissa_unit,
                "largest": float(size.max()) if size.size else None,
            }
        )
    if as_json:
        answer({"file": str(file), "functions": rows})
        return
    say(f"{file}: {len(rows)} functions, no time history")
    for row in rows:
        say(
            f"  {row['name'] or '-'}  [{row['unit']}]  {row['kind']}, {row['n_values']} values from {row['from']:g} to "
            f"{row['to']:g} {row['abscissa_unit']}, largest {_number(row['largest'])}"
        )


def _show_tracks(file: Path, trouble: str, as_json: bool) -> None:
    """The channels of a file on time bases of their own, and why they do not make one recording."""
    from washboard.recording import describe

    found = describe(file)
    if as_json:
        answer({"file": str(file), "trouble": trouble, "channels": found.tracks})
        return
    say(f"{file}: {len(found.tracks)} channels that do not make one recording: {trouble}")
    for track in found.tracks:
        channel = track.channel
        remarks = f"  ({'; '.join(track.remarks)})" if track.remarks else ""
        group = f"  group {track.group}" if track.group else ""
        say(f"  {channel.name}  [{channel.unit}]  {track.n_samples} samples at {track.rate_hz:g} Hz{group}{remarks}")
    say("'washboard convert --channel NAME' takes those that belong together")


def _number(value: float | None) -> str:
    return "nothing" if value is None else f"{value:.4g}"


def _row(channel: Channel, samples: Samples) -> dict[str, Any]:
    import numpy as np

    values = np.asarray(samples, dtype=np.float64)
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
