"""CSV: separator, decimal sign, header, unit row and time column found from the content, or told."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.errors import ChannelError, FormatError
from washboard.recording._marks import known_marks, marked_source, marks_to_text
from washboard.recording._recording import Channel, Recording
from washboard.recording._source import Source, TimeBase, Track

_OURS = "# washboard: "
_SAMPLE_BYTES = 1 << 17
_SEPARATORS = ("\t", ";", ",", "|", " ")
_TIME_NAMES = {"time", "t", "zeit", "temps", "timestamp", "time_s", "time stamp", "date", "datetime", "date-time", "x"}
_SECONDS = {"": 1.0, "s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "min": 60.0, "h": 3600.0}
_WITH_UNIT = re.compile(r"^(.*?)\s*(?:\[([^\]]*)\]|\(([^)]*)\))\s*$")
_POINT = re.compile(r"^\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\s*$")
_COMMA = re.compile(r"^\s*[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?\s*$")
_NOTHING = {"", "nan", "na", "n/a", "null", "none", "inf", "-inf", "+inf", "-", "---"}
_STAMP = re.compile(r"^\s*\"?(\d{4}-\d{1,2}-\d{1,2}|\d{1,2}[./]\d{1,2}[./]\d{4})[T ]\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?")


@dataclass(frozen=True, kw_only=True, slots=True)
class CsvOptions:
    """What to believe about a CSV file instead of what its content suggests; None means: find out.

    Parameters
    ----------
    separator, decimal : str, optional
        One character each; a blank stands for any run of blanks.
    header_lines : int, optional
        Lines before the first line of numbers.
    time_column : str, optional
        Its name, or ``""`` when there is none.
    rate_hz : float, optional
        Sample rate where there is no time column. [Hz]
    """

    separator: str | None = None
    decimal: str | None = None
    header_lines: int | None = None
    time_column: str | None = None
    rate_hz: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class _Layout:
    encoding: str
    separator: str
    decimal: str
    first_line: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    marks: dict[str, Any] | None
    dtype: str
    stamps: tuple[bool, ...]


def write_csv(recording: Recording, path: Path) -> None:
    """Write a line of JSON after ``#``, a row of names, a row of units, and the samples so that every bit returns."""
    import pyarrow as pa
    import pyarrow.csv as pacsv

    for channel in recording.channels:
        if any(mark in channel.name + channel.unit for mark in ',"\n\r'):
            raise ChannelError(
                f"channel '{channel.name}': a comma, quote or line break in its name or unit does not fit into CSV"
            )
    columns = [pa.array(recording.time_s), *(pa.array(np.ascontiguousarray(row)) for row in recording.samples)]
    table = pa.table(columns, names=[str(number) for number in range(len(columns))])
    with path.open("wb") as stream:
        dtype = recording.samples.dtype.name
        stream.write(f"{_OURS}{dtype} {marks_to_text(recording)}\n".encode())
        stream.write((",".join(["time", *recording.names]) + "\n").encode())
        stream.write((",".join(["s", *(channel.unit for channel in recording.channels)]) + "\n").encode())
        options = pacsv.WriteOptions(include_header=False, quoting_style="none")
        pacsv.write_csv(table, stream, options)


def read_csv(path: Path, options: CsvOptions | None = None) -> Source:
    """Read a CSV file.

    Raises
    ------
    FormatError
        Not text, no table of numbers, lines of different length, or no way to tell the sample rate.
    """
    options = options or CsvOptions()
    layout = _sniff(path, options)
    table = _body(path, layout)
    time_at = _time_column(layout, options, path)
    start = None
    if time_at is None:
        rate = options.rate_hz or (layout.marks or {}).get("rate_hz")
        if rate is None:
            raise FormatError(
                f"{path}: has no time column and states no sample rate; name the column 'time' or give the rate"
            )
        base = TimeBase(n_samples=len(table[0]), rate_hz=rate)
    else:
        stamps, start = _stamps(table[time_at], layout.units[time_at], path)
        base = TimeBase(n_samples=stamps.size, stamps_s=stamps)
        if layout.marks is not None and layout.marks["rate_hz"] > 0:
            base = TimeBase(n_samples=stamps.size, rate_hz=layout.marks["rate_hz"])
    tracks = []
    own = {channel.name: channel for channel in layout.marks["channels"]} if layout.marks else {}
    for number, (name, unit) in enumerate(zip(layout.names, layout.units, strict=True)):
        if number == time_at or (layout.stamps[number] and number != time_at):
            continue
        values = table[number]
        if values.dtype.kind != "f":
            continue
        channel = own.get(name, Channel(name=name, unit=unit))
        tracks.append(Track(channel=channel, samples=values.astype(layout.dtype, copy=False), base=base))
    marks = layout.marks or {}
    return marked_source("csv", tracks, marks, path, start=start)


def _sniff(path: Path, options: CsvOptions) -> _Layout:
    with path.open("rb") as stream:
        head = stream.read(_SAMPLE_BYTES)
        marked = head.startswith(_OURS.encode())
        while marked and b"\n" not in head and (more := stream.read(_SAMPLE_BYTES)):
            head += more
        if marked:
            head += stream.read(_SAMPLE_BYTES)
        whole = not stream.read(1)
    if b"\0" in head:
        raise FormatError(f"{path}: is not a text file")
    encoding, text = _decoded(head, whole)
    lines = text.splitlines()
    if not whole and len(lines) > 1:
        lines = lines[:-1]
    marks, dtype = None, "float64"
    if marked:
        kind, _, rest = lines[0].removeprefix(_OURS).partition(" ")
        marks = known_marks(rest) or None
        if marks and kind in {"float32", "float64"}:
            dtype = kind
    separator, decimal, first = _table_start(lines, options, path)
    if options.header_lines is not None:
        first = options.header_lines
    names, units = _header(lines[:first], lines[first], separator)
    fields = _split(lines[first], separator)
    stamps = tuple(bool(_STAMP.match(field)) for field in fields)
    return _Layout(
        encoding=encoding, separator=separator, decimal=decimal, first_line=first, names=names, units=units,
        marks=marks, dtype=dtype, stamps=stamps,
    )  # fmt: skip


def _decoded(head: bytes, whole: bool) -> tuple[str, str]:
    try:
        return "utf-8", head.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if not whole and error.start > len(head) - 4:
            return "utf-8", head[: error.start].decode("utf-8-sig")
        return "cp1252", head.decode("cp1252", errors="replace")


def _split(line: str, separator: str) -> list[str]:
    if separator == " ":
        return line.split()
    if '"' in line:
        import csv

        return next(csv.reader([line], delimiter=separator), [])
    return line.split(separator)


def _numeric(field: str, decimal: str) -> bool:
    pattern = _POINT if decimal == "." else _COMMA
    return bool(pattern.match(field)) or field.strip().lower() in _NOTHING or bool(_STAMP.match(field))


def _table_start(lines: list[str], options: CsvOptions, path: Path) -> tuple[str, str, int]:
    """Separator, decimal sign and number of the first line of numbers: the reading that explains most lines."""
    best: tuple[float, str, str, int] | None = None
    tail = list(range(len(lines)))[-200:]
    for separator in _SEPARATORS if options.separator is None else (options.separator,):
        for decimal in (".", ",") if options.decimal is None else (options.decimal,):
            if decimal == separator:
                continue
            rows = [_split(lines[number], separator) for number in tail if lines[number].strip()]
            width = len(rows[-1]) if rows else 0
            if len(rows) > 2 and len(rows[-2]) != width:
                width = len(rows[-2])
            good = [row for row in rows if len(row) == width and all(_numeric(field, decimal) for field in row)]
            real = sum(bool((_POINT if decimal == "." else _COMMA).match(field)) for row in good for field in row)
            if not good or not real:
                continue
            first = len(lines)
            while first > 0:
                row = _split(lines[first - 1], separator)
                blank = not lines[first - 1].strip()
                right = len(row) == width and all(_numeric(field, decimal) for field in row) and any(row)
                if not (right or (blank and first == len(lines)) or first - 1 == len(lines) - 1):
                    break
                if all(field.strip().lower() in _NOTHING for field in row) and not blank:
                    break
                first -= 1
            score = (
                len(good) / max(len(rows), 1) * 100 + (width > 1) * 10 + min(width, 9) * 0.5 + (decimal == ".") * 0.2
            )
            if first < len(lines) and (best is None or score > best[0]):
                best = (score, separator, decimal, first)
    if best is None:
        raise FormatError(f"{path}: holds no table of numbers; if it is CSV, say its separator and decimal sign")
    return best[1], best[2], best[3]


def _header(lines: list[str], first: str, separator: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    width = len(_split(first, separator))
    rows: list[list[str]] = []
    for line in reversed(lines):
        bare = line.lstrip("#%/ ").rstrip()
        if line.startswith(_OURS.strip()) or not bare:
            break
        row = [field.strip() for field in _split(bare, separator)]
        if len(row) != width and not (len(row) == width + 1 and not row[-1]):
            break
        rows.insert(0, row[:width])
        if len(rows) == 2:
            break
    if not rows:
        return tuple(f"column_{number + 1}" for number in range(width)), ("",) * width
    names, units = rows[0] if len(rows) == 2 and _are_units(rows[1]) else rows[-1], [""] * width
    if len(rows) == 2 and _are_units(rows[1]):
        units = [field.strip("[]() ") for field in rows[1]]
    found = []
    for number, name in enumerate(names):
        plain, unit = split_unit(name)
        if unit and not units[number]:
            found.append(plain)
            units[number] = unit
        else:
            found.append(name or f"column_{number + 1}")
    return tuple(found), tuple(units)


def split_unit(heading: str) -> tuple[str, str]:
    """Name and unit of a heading such as ``az [m/s2]`` or ``az (g)``; an empty unit when it has none."""
    match = _WITH_UNIT.match(heading)
    if match and match.group(1):
        return match.group(1), (match.group(2) or match.group(3) or "").strip()
    return heading, ""


def _are_units(row: list[str]) -> bool:
    from washboard import units
    from washboard.errors import UnitError

    known = 0
    for field in row:
        text = field.strip("[]() ")
        if not text:
            continue
        if field.startswith(("[", "(")) or text in _SECONDS or text in {"-", "1"}:
            known += 1
            continue
        try:
            units.si_unit(text)
            known += 1
        except UnitError:
            if not _STAMP.match(text):
                continue
    return known > 0 and known >= 0.5 * sum(bool(field) for field in row)


def _time_column(layout: _Layout, options: CsvOptions, path: Path) -> int | None:
    if options.time_column is not None:
        if not options.time_column:
            return None
        if options.time_column not in layout.names:
            raise ChannelError(f"{path}: has no column '{options.time_column}'; it has: {', '.join(layout.names[:12])}")
        return layout.names.index(options.time_column)
    if any(layout.stamps):
        return layout.stamps.index(True)
    for number, name in enumerate(layout.names):
        if name.strip().lower() in _TIME_NAMES and (layout.units[number] in _SECONDS):
            return number
    return None


def _stamps(values: NDArray[Any], unit: str, path: Path) -> tuple[NDArray[np.float64], datetime | None]:
    if values.dtype.kind == "f":
        return np.asarray(values * _SECONDS.get(unit, 1.0), dtype=np.float64), None
    import pandas as pd

    texts = pd.Series(values.astype(str)).str.strip().str.strip('"').str.replace(",", ".", regex=False)
    day_first = bool(re.match(r"\d{1,2}[./]", str(texts.iloc[0])))
    try:
        if day_first:
            moments = pd.to_datetime(texts, dayfirst=True, format="mixed")
        else:
            moments = pd.to_datetime(texts, format="ISO8601")
    except (ValueError, TypeError) as error:
        raise FormatError(f"{path}: a date and time cannot be read ({str(error)[:120]})") from None
    first = moments.iloc[0]
    stamps = np.asarray((moments - first).dt.total_seconds(), dtype=np.float64)
    return stamps, first.to_pydatetime()


def _body(path: Path, layout: _Layout) -> list[NDArray[Any]]:
    import pyarrow as pa
    import pyarrow.csv as pacsv

    numbers = [str(number) for number in range(len(layout.names))]
    try:
        if layout.separator == " ":
            return _body_of_blanks(path, layout)
        table = pacsv.read_csv(
            path,
            read_options=pacsv.ReadOptions(
                skip_rows=layout.first_line, column_names=numbers, encoding=layout.encoding, block_size=1 << 24
            ),
            parse_options=pacsv.ParseOptions(delimiter=layout.separator),
            convert_options=pacsv.ConvertOptions(
                column_types={
                    number: pa.string() if stamp else pa.float64()
                    for number, stamp in zip(numbers, layout.stamps, strict=True)
                },
                decimal_point=layout.decimal,
                null_values=["", "nan", "NaN", "NAN", "NA", "N/A", "n/a", "null", "None", "-", "---"],
                strings_can_be_null=False,
            ),
        )
    except (pa.ArrowInvalid, pa.ArrowException, ValueError, KeyError, UnicodeError) as error:
        words = re.sub(r"CSV parse error: ", "", str(error).splitlines()[0])[:200]
        raise FormatError(
            f"{path}: {words}; a line is cut off or not like the others (the table starts at line "
            f"{layout.first_line + 1})"
        ) from None
    return [column.to_numpy() if column.num_chunks == 1 else column.combine_chunks().to_numpy(zero_copy_only=False)
            for column in table.columns]  # fmt: skip


def _body_of_blanks(path: Path, layout: _Layout) -> list[NDArray[Any]]:
    import pandas as pd

    frame = pd.read_csv(
        path, sep=r"\s+", header=None, skiprows=layout.first_line, encoding=layout.encoding, decimal=layout.decimal,
        names=list(range(len(layout.names))), dtype=np.float64, index_col=False,
    )  # fmt: skip
    return [frame[number].to_numpy() for number in frame.columns]
