"""CSV: separator, decimal sign, header, unit row and time column found from the content, or told."""

from __future__ import annotations

import codecs
import csv
import io
import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from washboard.errors import ChannelError, FormatError, InputError
from washboard.recording._marks import known_marks, marked_source, marks_to_text
from washboard.recording._recording import Channel, Recording
from washboard.recording._source import Source, TimeBase, Track
from washboard.recording._whole_file import whole_file

_OURS = "# washboard: "
_SAMPLE_BYTES = 1 << 17
_SEPARATORS = ("\t", ";", ",", "|", " ")
_TIME_NAMES = {"time", "t", "zeit", "temps", "timestamp", "time_s", "time stamp", "date", "datetime", "date-time"}
_SECONDS = {"": 1.0, "s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "min": 60.0, "h": 3600.0}
#: A time column by name, with its unit behind it: ``Time_ms``, ``t [s]``, ``time.s``.
_TIME_WITH_UNIT = re.compile(r"^(time|t|zeit|temps|timestamp|time ?stamp)[ _.\-/]+(s|sec|seconds|ms|us|µs|min|h)$")
#: How far a step may be from the usual one in a column that is taken for time without being called so.
_ABOUT_EVEN = 0.2
_WITH_UNIT = re.compile(r"^(.*?)\s*(?:\[([^\]]*)\]|\(([^)]*)\))\s*$")
_POINT = re.compile(r"^\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\s*$")
_COMMA = re.compile(r"^\s*[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?\s*$")
_NOTHING = {"", "nan", "na", "n/a", "null", "none", "inf", "-inf", "+inf", "-", "---"}
_CLOCK = r"\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?"
#: A date with a time of day, or the time of day alone.
_STAMP = re.compile(rf"^\s*\"?((\d{{4}}-\d{{1,2}}-\d{{1,2}}|\d{{1,2}}[./]\d{{1,2}}[./]\d{{4}})[T ])?{_CLOCK}")


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
    words: frozenset[int]
    nameless: frozenset[int]


def write_csv(recording: Recording, path: Path) -> None:
    """Write a line of JSON after ``#``, a row of names, a row of units, and the samples so that every bit returns."""
    for channel in recording.channels:
        if any(mark in channel.name + channel.unit for mark in ',"\n\r'):
            raise ChannelError(
                f"channel '{channel.name}': a comma, quote or line break in its name or unit does not fit into CSV"
            )
    with path.open("wb") as stream:
        dtype = recording.samples.dtype.name
        stream.write(f"{_OURS}{dtype} {marks_to_text(recording)}\n".encode())
        stream.write((",".join(["time", *recording.names]) + "\n").encode())
        stream.write((",".join(["s", *(channel.unit for channel in recording.channels)]) + "\n").encode())
        _write_numbers(recording, stream)


def write_plain_csv(recording: Recording, path: Path) -> None:
    """Write a row of names that begins with ``time``, and numbers [s, the channels' units]: for any table reader.

    Raises
    ------
    StorageError
        The file cannot be written.
    """
    with whole_file(path) as part, part.open("wb") as stream:
        names = io.StringIO()
        csv.writer(names, lineterminator="\n").writerow(["time", *recording.names])
        stream.write(names.getvalue().encode())
        _write_numbers(recording, stream)


def _write_numbers(recording: Recording, stream: BinaryIO) -> None:
    """Time and samples, so that every bit returns."""
    import pyarrow as pa
    import pyarrow.csv as pacsv

    columns = [pa.array(recording.time_s), *(pa.array(np.ascontiguousarray(row)) for row in recording.samples)]
    table = pa.table(columns, names=[str(number) for number in range(len(columns))])
    pacsv.write_csv(table, stream, pacsv.WriteOptions(include_header=False, quoting_style="none"))


def read_csv(path: Path, options: CsvOptions | None = None) -> Source:
    """Read a CSV file.

    Raises
    ------
    FormatError
        Not text, no table of numbers, lines of different length, or no way to tell the sample rate.
    """
    options = options or CsvOptions()
    layout = _sniff(path, options)
    _refuse_cut_off(path, layout)
    table = _body(path, layout)
    time_at, unit, said = _time_column(layout, table, options, path)
    start = None
    if time_at is None:
        rate = options.rate_hz or (layout.marks or {}).get("rate_hz")
        if rate is None:
            raise FormatError(
                f"{path}: has no time column and states no sample rate; give the rate (--rate 500), or say which "
                f"column is the time (--time-column); it has: {', '.join(layout.names[:12])}"
            )
        base = TimeBase(n_samples=len(table[0]), rate_hz=rate)
    else:
        if options.rate_hz is not None and options.time_column is None and layout.marks is None:
            raise InputError(
                f"{path}: has a time column, '{layout.names[time_at]}': give no rate, or say that there is none "
                "(--time-column '')"
            )
        stamps, start = _stamps(table[time_at], unit, path)
        base = TimeBase(n_samples=stamps.size, stamps_s=stamps)
        if layout.marks is not None and layout.marks["rate_hz"] > 0:
            base = TimeBase(n_samples=stamps.size, rate_hz=layout.marks["rate_hz"])
    tracks = []
    own = {channel.name: channel for channel in layout.marks["channels"]} if layout.marks else {}
    for number, (name, text) in enumerate(zip(layout.names, layout.units, strict=True)):
        if number == time_at or layout.stamps[number] or number in layout.words:
            continue
        values = table[number]
        # A separator at the end of each line makes a column without name or number; another such may count the lines.
        if values.dtype.kind != "f" or (number in layout.nameless and (np.isnan(values).all() or _counts(values))):
            continue
        channel = own.get(name, Channel(name=name, unit=text))
        tracks.append(Track(channel=channel, samples=values.astype(layout.dtype, copy=False), base=base))
    marks = layout.marks or {}
    return marked_source("csv", tracks, marks, path, start=start, metadata=said)


def _refuse_cut_off(path: Path, layout: _Layout) -> None:
    """A last line that just stops: ours all end with a line break, those of others at least not with nothing."""
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - 4096))
        tail = stream.read()
    if layout.encoding == "utf-16" or tail.endswith((b"\n", b"\r")):
        return
    last = tail.decode(layout.encoding, errors="replace").splitlines()[-1] if tail else ""
    fields = _split(last, layout.separator)
    if layout.marks is not None or (fields and not fields[-1].strip() and len(layout.names) - 1 not in layout.nameless):
        raise FormatError(f"{path}: ends in the middle of a line ({last[-40:]!r}): it is cut off; copy it again")


def _sniff(path: Path, options: CsvOptions) -> _Layout:
    with path.open("rb") as stream:
        head = stream.read(_SAMPLE_BYTES)
        marked = head.startswith(_OURS.encode())
        while marked and b"\n" not in head and (more := stream.read(_SAMPLE_BYTES)):
            head += more
        if marked:
            head += stream.read(_SAMPLE_BYTES)
        whole = not stream.read(1)
    wide = head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    if b"\0" in head and not wide:
        raise FormatError(f"{path}: is not a text file")
    encoding, text = ("utf-16", head.decode("utf-16", errors="ignore")) if wide else _decoded(head, whole)
    lines = text.splitlines()
    if not whole and len(lines) > 1:
        lines = lines[:-1]
    while lines and not lines[-1].strip():
        lines.pop()
    marks, dtype = None, "float64"
    if marked:
        kind, _, rest = lines[0].removeprefix(_OURS).partition(" ")
        marks = known_marks(rest) or None
        if marks and kind in {"float32", "float64"}:
            dtype = kind
    found = _table_start(lines, options, path)
    first = found.first_line if options.header_lines is None else options.header_lines
    if not 0 <= first < len(lines):
        raise FormatError(f"{path}: has no line of numbers behind {first} lines of header")
    if found.odd_line and options.header_lines is None:
        raise FormatError(
            f"{path}: line {found.odd_line} is cut off or not like the others: {lines[found.odd_line - 1][:60]!r}; "
            "mend it, or say how many lines of header there are (--header-lines)"
        )
    fields = _split(lines[first], found.separator)
    names, units, nameless = _header(lines[:first], len(fields), found.separator)
    return _Layout(
        encoding=encoding,
        separator=found.separator,
        decimal=found.decimal,
        first_line=first,
        names=names,
        units=units,
        marks=marks,
        dtype=dtype,
        stamps=tuple(bool(_STAMP.match(field)) for field in fields),
        words=found.words,
        nameless=nameless,
    )


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


def _table_start(lines: list[str], options: CsvOptions, path: Path) -> _Table:
    """Separator, decimal sign and first line of numbers: the reading that explains most lines."""
    best: tuple[float, _Table] | None = None
    for separator in _SEPARATORS if options.separator is None else (options.separator,):
        for decimal in (".", ",") if options.decimal is None else (options.decimal,):
            found = None if decimal == separator else _read_as(lines, separator, decimal)
            if found is not None and (best is None or found[0] > best[0]):
                best = found
    if best is None:
        raise FormatError(
            f"{path}: holds no table of numbers; if it is CSV, say its separator and decimal sign (--separator ';', "
            "--decimal ',')"
        )
    return best[1]


def _read_as(lines: list[str], separator: str, decimal: str) -> tuple[float, _Table] | None:
    """The table as it is with this separator and decimal sign, and how well that explains the lines."""
    rows = [_split(line, separator) for line in lines[-200:] if line.strip()]
    width = len(rows[-1]) if rows else 0
    if len(rows) > 2 and len(rows[-2]) != width:
        width = len(rows[-2])
    rows_of_width = [row for row in rows if len(row) == width]
    shares = [
        sum(_numeric(row[column], decimal) for row in rows_of_width) / max(1, len(rows_of_width))
        for column in range(width)
    ]
    # A column of words, such as the state of a receiver, is passed over.
    words = frozenset(column for column, share in enumerate(shares) if share < 0.5)

    def right(row: list[str]) -> bool:
        return len(row) == width and all(
            _numeric(field, decimal) for column, field in enumerate(row) if column not in words
        )

    good = [row for row in rows_of_width if right(row)]
    pattern = _POINT if decimal == "." else _COMMA
    real = sum(bool(pattern.match(field)) for row in good for field in row)
    if not good or not real or len(words) == width:
        return None
    first = len(lines)
    while first > 0:
        row = _split(lines[first - 1], separator)
        blank = not lines[first - 1].strip()
        whole = right(row) and any(row)
        if not (whole or (blank and first == len(lines)) or first - 1 == len(lines) - 1):
            break
        bare = [field for column, field in enumerate(row) if column not in words]
        if all(field.strip().lower() in _NOTHING for field in bare) and not blank:
            break
        first -= 1
    if first >= len(lines):
        return None
    above = sum(right(_split(line, separator)) for line in lines[max(0, first - 50) : first])
    odd = first if above > 3 else 0
    score = len(good) / max(len(rows), 1) * 100 + (width > 1) * 10 + min(width, 9) * 0.5 + (decimal == ".") * 0.2
    score -= 40 * len(words) / width
    return score, _Table(separator=separator, decimal=decimal, first_line=first, words=words, odd_line=odd)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Table:
    separator: str
    decimal: str
    first_line: int
    words: frozenset[int]
    #: The last line before the table that is not like it though more of the table is above; 0 for none.
    odd_line: int


def _header(lines: list[str], width: int, separator: str) -> tuple[tuple[str, ...], tuple[str, ...], frozenset[int]]:
    """Names and units of the columns, and which have no name of their own."""
    rows: list[list[str]] = []
    for line in reversed(lines):
        bare = line.lstrip("#%/ ").rstrip()
        if line.startswith(_OURS.strip()) or not bare:
            break
        row = [field.strip() for field in _split(bare, separator)]
        # One more than there are numbers: a remark, or a separator at the end of the line.
        if len(row) not in (width, width + 1):
            break
        rows.insert(0, row[:width])
        if len(rows) == 2:
            break
    if not rows:
        return tuple(f"column_{number + 1}" for number in range(width)), ("",) * width, frozenset(range(width))
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
    return tuple(found), tuple(units), frozenset(number for number, name in enumerate(names) if not name)


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


def _time_column(
    layout: _Layout, table: list[NDArray[Any]], options: CsvOptions, path: Path
) -> tuple[int | None, str, dict[str, str]]:
    """Which column is the time, in which unit, and a remark where it is not called so."""
    if options.time_column is not None:
        if not options.time_column:
            return None, "", {}
        if options.time_column not in layout.names:
            raise ChannelError(f"{path}: has no column '{options.time_column}'; it has: {', '.join(layout.names[:12])}")
        at = layout.names.index(options.time_column)
        suffix = _TIME_WITH_UNIT.match(layout.names[at].strip().lower())
        unit = layout.units[at] or (suffix.group(2) if suffix else "")
        if unit not in _SECONDS:
            raise FormatError(f"{path}: its time column is in '{unit}', which is no unit of time known here")
        return at, unit, {}
    if any(layout.stamps):
        return layout.stamps.index(True), "", {}
    for number, name in enumerate(layout.names):
        plain = name.strip().lower()
        suffix = _TIME_WITH_UNIT.match(plain)
        if suffix and layout.units[number] in {"", suffix.group(2)}:
            return number, suffix.group(2), {}
        if plain in _TIME_NAMES and layout.units[number] in _SECONDS:
            return number, layout.units[number], {}
    if options.rate_hz is None and layout.marks is None and len(table) > 1:
        called = layout.names[0].strip().lower()
        if (0 in layout.nameless or called == "x" or layout.units[0] in _SECONDS.keys() - {""}) and _runs(table[0]):
            unit = layout.units[0] if layout.units[0] in _SECONDS else ""
            return 0, unit, {"time column": f"the first one, '{layout.names[0]}', in {unit or 's'}: it rises evenly"}
    return None, "", {}


def _counts(values: NDArray[Any]) -> bool:
    """Whether a column only numbers the lines."""
    return bool(values.size > 3 and values[0] in (0.0, 1.0) and (np.diff(values) == 1.0).all())


def _runs(values: NDArray[Any]) -> bool:
    """Whether a column rises evenly as time in seconds does; one of whole numbers may only count the lines."""
    if values.dtype.kind != "f" or values.size < 16 or not np.isfinite(values).all():
        return False
    steps = np.diff(values)
    usual = float(np.median(steps))
    return bool(usual > 0 and usual % 1.0 and (np.abs(steps - usual) < _ABOUT_EVEN * usual).mean() > 0.99)


def _stamps(values: NDArray[Any], unit: str, path: Path) -> tuple[NDArray[np.float64], datetime | None]:
    if values.dtype.kind == "f":
        return np.asarray(values * _SECONDS.get(unit, 1.0), dtype=np.float64), None
    import pandas as pd

    texts = pd.Series(values.astype(str)).str.strip().str.strip('"').str.replace(",", ".", regex=False)
    if re.fullmatch(_CLOCK, str(texts.iloc[0])):
        return _of_day(texts, path), None
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


def _of_day(texts: Any, path: Path) -> NDArray[np.float64]:
    """Times of day, without a date, as seconds; past midnight they go on."""
    import pandas as pd

    try:
        whole = texts.where(texts.str.count(":") == 2, texts + ":00")
        seconds = np.asarray(pd.to_timedelta(whole).dt.total_seconds(), dtype=np.float64)
    except (ValueError, TypeError) as error:
        raise FormatError(f"{path}: a time of day cannot be read ({str(error)[:120]})") from None
    days = np.concatenate(([0], np.cumsum(np.diff(seconds) < -43_200.0)))
    since: NDArray[np.float64] = seconds - seconds[0] + 86_400.0 * days
    return since


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
                    number: pa.string() if stamp or at in layout.words else pa.float64()
                    for at, (number, stamp) in enumerate(zip(numbers, layout.stamps, strict=True))
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
        names=list(range(len(layout.names))), index_col=False,
        dtype={
            number: str if number in layout.words or stamp else np.float64 for number, stamp in enumerate(layout.stamps)
        },
    )  # fmt: skip
    return [frame[number].to_numpy() for number in frame.columns]
