"""Universal file format, data set 58 (function at nodal degree of freedom): ascii and binary, real and complex.

The layout is the one published by the Structural Dynamics Research Laboratory, University of Cincinnati ("Universal
File Formats for Modal Analysis Testing", file type 58). Binary sets (58b) keep every bit; ascii ones hold 6 or 13
digits, as the format says.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from washboard.errors import FormatError
from washboard.recording._marks import known_marks, marked_source, marks_to_text
from washboard.recording._recording import Channel, Recording
from washboard.recording._source import Source, TimeBase, Track

_OURS = "washboard: "
_TIME_RESPONSE = 1
_DIRECTIONS = {1: "+x", -1: "-x", 2: "+y", -2: "-y", 3: "+z", -3: "-z"}
_QUANTITIES = {2: "stress", 3: "strain", 5: "temperature", 8: "displacement", 9: "force", 11: "velocity",
               12: "acceleration", 13: "force", 15: "pressure"}  # fmt: skip
#: Function types of data set 58, record 6, field 1.
_FUNCTION_KINDS = {0: "function", 1: "time response", 2: "auto spectrum", 3: "cross spectrum", 4: "FRF",
                   5: "transmissibility", 6: "coherence", 7: "auto-correlation", 8: "cross-correlation",
                   9: "power spectral density", 10: "energy spectral density", 11: "probability density",
                   12: "spectrum"}  # fmt: skip
_DATA_TYPES = {2: ("f4", 1), 4: ("f8", 1), 5: ("f4", 2), 6: ("f8", 2)}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class UffFunction:
    """One data set 58: a time history, spectrum or FRF.

    Parameters
    ----------
    values : ndarray, shape (abscissa,)
        float32, float64, complex64 or complex128.
    abscissa : ndarray, shape (abscissa,), optional
        Where the spacing is uneven; else `start` and `step` tell.
    function_type : int
        1 time response, 4 FRF, 9 power spectral density, ...
    response, reference : tuple of int
        Node and direction (1 +x, -1 -x, ... 6).
    """

    name: str
    values: NDArray[Any]
    function_type: int = _TIME_RESPONSE
    start: float = 0.0
    step: float = 0.0
    abscissa: NDArray[np.float64] | None = None
    abscissa_unit: str = "s"
    unit: str = ""
    quantity_code: int = 0
    response: tuple[int, int] = (0, 0)
    reference: tuple[int, int] = (0, 0)
    id_lines: tuple[str, ...] = ()

    @property
    def is_time_history(self) -> bool:
        """Whether it goes over time: by its type, and by what its abscissa is measured in."""
        return self.function_type in (0, _TIME_RESPONSE) and self.abscissa_unit.lower() not in {"hz", "rpm"}

    @property
    def kind(self) -> str:
        """Its type in words."""
        return _FUNCTION_KINDS.get(self.function_type, f"function of type {self.function_type}")


def write_uff58(recording: Recording, path: Path, *, binary: bool = True) -> None:
    """Write one data set 58 per channel; the first one's fifth line carries what the format has no place for."""
    code = {quantity: number for number, quantity in _QUANTITIES.items()}
    toward = {direction: number for number, direction in _DIRECTIONS.items()}
    stamp = recording.start.strftime("%d-%b-%y %H:%M:%S").upper() if recording.start else "NONE"
    functions = []
    for number, (channel, row) in enumerate(zip(recording.channels, recording.samples, strict=True)):
        marks = f"{_OURS}{marks_to_text(recording)}" if number == 0 else "NONE"
        functions.append(
            UffFunction(
                name=channel.name,
                values=np.asarray(row),
                step=1.0 / recording.rate_hz,
                unit=channel.unit,
                quantity_code=code.get(channel.quantity, 0),
                response=(number + 1, toward.get(channel.direction, 0)),
                id_lines=(channel.description or "NONE", stamp, recording.name or "NONE", marks),
            )
        )
    write_uff58_functions(functions, path, binary=binary)


def write_uff58_functions(functions: Sequence[UffFunction], path: Path, *, binary: bool = True) -> None:
    """Write functions (time histories, spectra, FRF) as data sets 58 or 58b."""
    with path.open("wb") as stream:
        for function in functions:
            _write_function(stream, function, binary)


def _write_function(stream: BinaryIO, function: UffFunction, binary: bool) -> None:
    values = function.values
    wide = values.dtype in (np.float64, np.complex128)
    kind = (6 if wide else 5) if np.iscomplexobj(values) else (4 if wide else 2)
    parts = np.ascontiguousarray(values).view(np.float64 if wide else np.float32)
    even = function.abscissa is None
    if function.abscissa is not None:
        columns = [function.abscissa, *parts.reshape(values.size, -1).T]
        # Uneven binary data: the abscissa is stored in single precision for single, else in double.
        parts = np.stack([np.asarray(column, dtype=parts.dtype) for column in columns], axis=1).ravel()
    ids = [function.name, *function.id_lines]
    ids = [(line.replace("\r", " ").replace("\n", " ").strip() or "NONE") for line in (ids + ["NONE"] * 5)[:5]]
    head = f"{-1:6d}\n{58:6d}"
    head += f"b{1:6d}{2:6d}{11:12d}{parts.nbytes:12d}{0:6d}{0:6d}{0:12d}{0:12d}\n" if binary else " " * 74 + "\n"
    head += "".join(f"{line:<80}\n" for line in ids)
    head += (
        f"{function.function_type:5d}{0:10d}{0:5d}{0:10d} {'NONE':>10}{function.response[0]:10d}"
        f"{function.response[1]:4d} {'NONE':>10}{function.reference[0]:10d}{function.reference[1]:4d}\n"
    )
    head += f"{kind:10d}{values.size:10d}{int(even):10d}{function.start:13.5e}{function.step:13.5e}{0.0:13.5e}\n"
    x_code = 17 if function.abscissa_unit == "s" else 18 if function.abscissa_unit == "Hz" else 0
    head += f"{x_code:10d}{0:5d}{0:5d}{0:5d} {'NONE':<20} {function.abscissa_unit or 'NONE':<20}\n"
    head += f"{function.quantity_code:10d}{0:5d}{0:5d}{0:5d} {'NONE':<20} {function.unit[:20] or 'NONE':<20}\n"
    head += f"{0:10d}{0:5d}{0:5d}{0:5d} {'NONE':<20} {'NONE':<20}\n" * 2
    stream.write(head.encode())
    if binary:
        stream.write(parts.astype(parts.dtype.newbyteorder("<")).tobytes())
        stream.write(b"\n")
    else:
        stream.write(_ascii(parts, wide, even, np.iscomplexobj(values)))
    stream.write(f"{-1:6d}\n".encode())


def _ascii(parts: NDArray[Any], wide: bool, even: bool, is_complex: bool) -> bytes:
    if not wide:
        return _lines(parts, ["%13.5e"] * 6)
    if even:
        return _lines(parts, ["%20.11e"] * 4)
    return _lines(parts, ["%13.5e", "%20.11e", "%20.11e"] if is_complex else ["%13.5e", "%20.11e"] * 2)


def _lines(parts: NDArray[Any], formats: list[str]) -> bytes:
    per_line = len(formats)
    whole = parts.size // per_line
    text = "".join(("".join(formats) + "\n") % tuple(row) for row in parts[: whole * per_line].reshape(-1, per_line))
    rest = parts[whole * per_line :]
    if rest.size:
        text += "".join(form % value for form, value in zip(formats, rest, strict=False)) + "\n"
    return text.encode()


def read_uff58_functions(path: Path) -> tuple[UffFunction, ...]:
    """Every data set 58 of a universal file; other data sets are passed over.

    Raises
    ------
    FormatError
        Cut off, damaged, or none in it.
    """
    try:
        data = path.read_bytes()
        found = tuple(_functions(data))
    except (ValueError, IndexError, UnicodeDecodeError, OverflowError, MemoryError) as error:
        raise FormatError(
            f"{path}: is not a universal file that can be read ({str(error)[:160]}); it may be cut off or damaged: "
            "copy it again"
        ) from None
    if not found:
        raise FormatError(f"{path}: holds no function (data set 58)")
    return found


def _functions(data: bytes) -> Iterator[UffFunction]:
    at = 0
    while True:
        start = _delimiter(data, at)
        if start is None:
            if data[at:].strip():
                raise ValueError("it ends with something that is no data set")
            return
        line, after = _line(data, start)
        kind = line[:6].strip()
        if kind == b"58" or re.match(rb"^\s*58b", line):
            function, at = _function(data, line, after)
            yield function
        else:
            end = re.compile(rb"^ {4}-1[ \t]*\r?$", re.MULTILINE).search(data, after)
            if end is None:
                raise ValueError("a data set has no end")
            at = end.end()


def _delimiter(data: bytes, at: int) -> int | None:
    """Where the line after the next ``-1`` starts, blanks before it allowed; None at the end of the file."""
    match = re.compile(rb"[\s]*-1[ \t]*\r?\n").match(data, at)
    return None if match is None else match.end()


def _line(data: bytes, at: int) -> tuple[bytes, int]:
    end = data.find(b"\n", at)
    if end < 0:
        raise ValueError("it ends in the middle of a heading")
    return data[at:end].rstrip(b"\r"), end + 1


def _function(data: bytes, first: bytes, at: int) -> tuple[UffFunction, int]:
    lines = []
    for _number in range(11):
        line, at = _line(data, at)
        lines.append(_decoded(line))
    kinds, form, x_axis, y_axis = lines[5], lines[6], lines[7], lines[8]
    data_type, n_points, even = int(form[:10]), int(form[10:20]), int(form[20:30]) == 1
    start, step = float(form[30:43] or 0), float(form[43:56] or 0)
    if data_type not in _DATA_TYPES or n_points < 0:
        raise ValueError(f"a data set of type {data_type} with {n_points} points")
    scalar, per_point = _DATA_TYPES[data_type]
    width = per_point + (not even)
    if re.match(rb"^\s*58b", first):
        parts, at = _binary(data, first.decode("ascii", "replace"), at, scalar, n_points * width)
    else:
        parts, at = _text_values(data, at, scalar, width, n_points)
    table = parts.reshape(n_points, width)
    abscissa = None if even else table[:, 0].astype(np.float64)
    ordinate = np.ascontiguousarray(table[:, 0 if even else 1 :])
    values = ordinate.view(np.dtype(f"c{2 * ordinate.dtype.itemsize}")).ravel() if per_point == 2 else ordinate.ravel()
    unit, code = y_axis[46:67].strip(), int(y_axis[:10] or 0)
    return (
        UffFunction(
            name=_said(lines[0]),
            values=values,
            function_type=int(kinds[:5]),
            start=start,
            step=step,
            abscissa=abscissa,
            abscissa_unit=_said(x_axis[46:67].strip()) or ("s" if int(x_axis[:10] or 0) == 17 else ""),
            unit=_said(unit),
            quantity_code=code,
            response=(int(kinds[41:51] or 0), int(kinds[51:55] or 0)),
            reference=(int(kinds[66:76] or 0), int(kinds[76:80] or 0)),
            id_lines=tuple(line.rstrip() for line in lines[1:5]),
        ),
        at,
    )


def _decoded(line: bytes) -> str:
    """The format is ASCII; what is more than that is UTF-8 as we write it, or else of the Windows of western Europe."""
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")


def _said(text: str) -> str:
    text = text.strip()
    return "" if text.upper() == "NONE" else text


def _binary(data: bytes, first: str, at: int, scalar: str, count: int) -> tuple[NDArray[Any], int]:
    order, floats = int(first[7:13]), int(first[13:19])
    if floats != 2:
        raise ValueError("its numbers are not IEEE 754")
    size = count * np.dtype(scalar).itemsize
    if at + size > len(data):
        raise ValueError(f"it ends {at + size - len(data)} bytes before its data do")
    parts = np.frombuffer(data, dtype=("<" if order == 1 else ">") + scalar, count=count, offset=at)
    return parts.astype(scalar), _end(data, at + size)


def _end(data: bytes, at: int) -> int:
    match = re.compile(rb"\s*-1[ \t]*(\r?\n|$)").match(data, at)
    if match is None:
        raise ValueError("a data set is not followed by its end mark, so its length is not what it says")
    return match.end()


def _text_values(data: bytes, at: int, scalar: str, width: int, n_points: int) -> tuple[NDArray[Any], int]:
    match = re.compile(rb"^ *-1[ \t]*\r?$", re.MULTILINE).search(data, at)
    if match is None:
        raise ValueError("a data set has no end mark")
    wanted = n_points * width
    text = data[at : match.start()].decode("ascii")
    # Fixed columns may leave no blank between two numbers: put one before each sign that is not an exponent's.
    apart = re.sub(r"(?<=[\d.])(?=[+-]\d*\.)", " ", text)
    fields = apart.replace("D", "E").split()
    if len(fields) != wanted:
        raise ValueError(f"a data set holds {len(fields)} of {wanted} numbers")
    parts = np.array(fields, dtype=np.float64).astype(scalar)
    return parts, match.end() + (1 if match.end() < len(data) else 0)


def read_uff58(path: Path) -> Source:
    """Read the time responses of a universal file; a complex one becomes two channels. Raises FormatError."""
    every = read_uff58_functions(path)
    functions = [entry for entry in every if entry.is_time_history]
    if not functions:
        raise FormatError(f"{path}: holds no time history, only: {', '.join(sorted({e.kind for e in every}))}")
    marks: dict[str, Any] = {}
    for line in functions[0].id_lines:
        if line.startswith(_OURS):
            marks = known_marks(line.removeprefix(_OURS))
    if marks and len(marks["channels"]) != len(functions):
        marks = {}
    tracks: list[Track] = []
    bases: dict[tuple[float, float, int], TimeBase] = {}
    taken: set[str] = set()
    for number, function in enumerate(functions):
        base = _base(function, marks.get("rate_hz"), bases, path)
        own = marks["channels"][number] if marks else None
        name = function.name or f"node_{function.response[0]}"
        if name in taken:
            name = f"{name} {function.response[0]}{_DIRECTIONS.get(function.response[1], '')}"
        taken.add(name)
        channel = own or Channel(
            name=name,
            unit=function.unit,
            quantity=_QUANTITIES.get(function.quantity_code, ""),
            direction=_DIRECTIONS.get(function.response[1], ""),
        )
        if np.iscomplexobj(function.values):
            for part in ("real", "imag"):
                values = np.ascontiguousarray(getattr(function.values, part))
                twin = Channel(name=f"{channel.name} {part}", unit=channel.unit, quantity=channel.quantity)
                tracks.append(Track(channel=twin, samples=values, base=base))
        else:
            tracks.append(Track(channel=channel, samples=function.values, base=base))
    return marked_source("uff58", tracks, marks, path, start=_date(functions[0].id_lines))


def _base(
    function: UffFunction, rate_hz: float | None, bases: dict[tuple[float, float, int], TimeBase], path: Path
) -> TimeBase:
    size = function.values.size
    if function.abscissa is not None:
        return TimeBase(n_samples=size, stamps_s=function.abscissa)
    if not (np.isfinite(function.step) and function.step > 0):
        raise FormatError(f"{path}: '{function.name}' states no time step")
    key = (function.start, function.step, size)
    if key not in bases:
        bases[key] = TimeBase(n_samples=size, rate_hz=rate_hz or _rate(function.step), start_s=function.start)
    return bases[key]


def _rate(step: float) -> float:
    """The rate a step of six digits stands for: the roundest number within its last digit. [Hz]"""
    rate = 1.0 / step
    slack = rate * 0.6e-5 / float(f"{step:e}".split("e")[0])
    for digits in range(7):
        near = round(rate, digits)
        if abs(near - rate) <= slack:
            return near
    return rate


def _date(lines: tuple[str, ...]) -> datetime | None:
    for line in lines:
        match = re.search(r"\d{1,2}-[A-Za-z]{3}-\d{2,4}(?:\s+\d{1,2}:\d{2}:\d{2})?", line)
        if match:
            for form in ("%d-%b-%y %H:%M:%S", "%d-%b-%Y %H:%M:%S", "%d-%b-%y", "%d-%b-%Y"):
                try:
                    return datetime.strptime(" ".join(match.group().split()).title(), form).replace(tzinfo=UTC)
                except ValueError:
                    continue
    return None
