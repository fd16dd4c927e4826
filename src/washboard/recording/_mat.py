"""MAT files, version 5 (by scipy.io) and 7.3 (HDF5, by h5py)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from washboard.errors import FormatError
from washboard.recording._guarded import read_guarded
from washboard.recording._marks import known_marks, marked_source, marks_to_text
from washboard.recording._recording import Channel, Recording
from washboard.recording._source import Source, TimeBase, Track, as_float

_TIME_NAMES = {"time", "t", "time_s", "zeit", "tvec", "time_vector"}
_RATE_NAMES = {"fs", "rate_hz", "rate", "sample_rate", "samplerate", "sampling_rate", "samplingfrequency", "fsamp"}
_STEP_NAMES = {"dt", "ts", "step", "delta_t"}
_LIST_NAMES = {"channel_names", "channels", "names", "labels", "channelnames", "signals"}
_UNIT_NAMES = {"units", "unit", "channel_units", "channelunits"}
_V5_LIMIT = 2**31 - 2**20
_DEEPEST = 6


def write_mat(recording: Recording, path: Path, *, version: str = "") -> None:
    """Write ``samples`` (time by channel), ``rate_hz``, ``channel_names``, ``units``; version 5, or 7.3 above 2 GB.

    Parameters
    ----------
    version : str
        ``"5"`` or ``"7.3"``; by size when empty.
    """
    if version == "7.3" or (not version and recording.samples.nbytes > _V5_LIMIT):
        _write_v73(recording, path)
        return
    from scipy.io import savemat

    savemat(
        path,
        {
            "samples": recording.samples.T,
            "rate_hz": float(recording.rate_hz),
            "channel_names": np.array(recording.names, dtype=object),
            "units": np.array([channel.unit for channel in recording.channels], dtype=object),
            "washboard": marks_to_text(recording),
        },
    )


def _write_v73(recording: Recording, path: Path) -> None:
    import h5py

    with h5py.File(path, "w", userblock_size=512) as store:
        kind = "single" if recording.samples.dtype == np.float32 else "double"
        # MATLAB stores by column, so HDF5 shows its arrays transposed: time by channel there is channel by time here.
        samples = store.create_dataset("samples", data=np.ascontiguousarray(recording.samples))
        samples.attrs["MATLAB_class"] = np.bytes_(kind)
        rate = store.create_dataset("rate_hz", data=np.array([[float(recording.rate_hz)]]))
        rate.attrs["MATLAB_class"] = np.bytes_("double")
        _write_text(store, "washboard", marks_to_text(recording))
        for name, texts in (("channel_names", recording.names), ("units", [c.unit for c in recording.channels])):
            references = []
            for number, text in enumerate(texts):
                references.append(_write_text(store, f"#refs#/{name}_{number}", text).ref)
            cell = store.create_dataset(name, data=np.array([references], dtype=h5py.ref_dtype).T)
            cell.attrs["MATLAB_class"] = np.bytes_("cell")
    header = b"MATLAB 7.3 MAT-file, Platform: any, Created by: Washboard HDF5 schema 1.00 ."
    with path.open("r+b") as stream:
        stream.write(header.ljust(116) + b" " * 8 + b"\x00\x02IM")


def _write_text(store: Any, name: str, text: str) -> Any:
    codes = np.frombuffer(text.encode("utf-16-le"), dtype=np.uint16)
    if codes.size == 0:
        data = store.create_dataset(name, data=np.zeros(2, dtype=np.uint64))
        data.attrs["MATLAB_empty"] = np.uint8(1)
    else:
        data = store.create_dataset(name, data=codes[:, None])
    data.attrs["MATLAB_class"] = np.bytes_("char")
    data.attrs["MATLAB_int_decode"] = np.int32(2)
    return data


def read_mat(path: Path) -> Source:
    """Read vectors of one length beside a time vector or a sample rate, or a matrix with a list of names.

    Raises
    ------
    FormatError
        Damaged, cut off, or without time histories that can be told as such.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(520)
        newer = head.startswith((b"MATLAB 7.3", b"\x89HDF")) or head[512:].startswith(b"\x89HDF")
        tree = read_guarded("mat73", path) if newer else read_guarded("mat5", path)
        return _source(tree, path)
    except FormatError:
        raise
    except Exception as error:  # noqa: BLE001 - scipy raises nearly anything on a damaged file
        words = (str(error).splitlines() or [type(error).__name__])[0][:160]
        raise FormatError(
            f"{path}: is not a MAT file that can be read ({words}); it may be cut off or damaged: copy it again"
        ) from None


def tree_v5(path: Path) -> dict[str, Any]:
    """All variables of a version 5 file, by scipy, whose compiled part may crash on a damaged file."""
    from scipy.io import loadmat, whosmat

    allowed = 1000 * path.stat().st_size
    if sum(8 * int(np.prod(shape, dtype=object)) for _name, shape, _kind in whosmat(path)) > allowed:
        raise ValueError("it claims more values than a file of this size can hold")
    tree = loadmat(path, simplify_cells=True)
    return {name: value for name, value in tree.items() if not name.startswith("__")}


def tree_v73(path: Path) -> dict[str, Any]:
    """All variables of a version 7.3 file, by the HDF5 library: which may never come back from a damaged file."""
    import h5py

    allowed = 1000 * path.stat().st_size

    def plain(item: Any, depth: int) -> Any:
        if depth > _DEEPEST:
            return None
        if isinstance(item, h5py.Group):
            return {name: plain(item[name], depth + 1) for name in item if not name.startswith("#")}
        kind = item.attrs.get("MATLAB_class", b"")
        kind = kind.decode() if isinstance(kind, bytes) else str(kind)
        if item.size * item.dtype.itemsize > allowed:
            raise ValueError("it claims more values than a file of this size can hold")
        if "MATLAB_empty" in item.attrs:
            return "" if kind == "char" else np.zeros(0)
        if kind == "char":
            return item[...].T.astype(np.uint16).tobytes("F").decode("utf-16-le")
        if kind == "cell" or item.dtype.kind == "O":
            return [plain(item.file[ref], depth + 1) for ref in item[...].T.ravel("F")]
        values = item[...]
        return np.squeeze(values.T) if isinstance(values, np.ndarray) else values

    with h5py.File(path, "r") as store:
        return {name: plain(store[name], 0) for name in store if not name.startswith("#")}


def _flat(tree: dict[str, Any], prefix: str = "", depth: int = 0) -> Iterator[tuple[str, Any]]:
    for name, value in tree.items():
        if isinstance(value, dict) and depth < _DEEPEST:
            yield from _flat(value, f"{prefix}{name}.", depth + 1)
        else:
            yield f"{prefix}{name}", value


def _last(name: str) -> str:
    return name.rsplit(".", 1)[-1].lower()


def _source(tree: dict[str, Any], path: Path) -> Source:
    marks: dict[str, Any] = {}
    if isinstance(tree.get("washboard"), str):
        marks = known_marks(tree["washboard"])
    entries = dict(_flat(tree))
    arrays = {name: np.asarray(value) for name, value in entries.items() if _is_numbers(value)}
    base = _base(arrays, marks, path)
    names, units = _texts(entries, _LIST_NAMES), _texts(entries, _UNIT_NAMES)
    tracks = []
    own = list(marks.get("channels", ()))
    for name, values in arrays.items():
        if (
            _last(name) in _TIME_NAMES | _RATE_NAMES | _STEP_NAMES
            or values.ndim > 2
            or base.n_samples not in values.shape
        ):
            continue
        rows = values[None] if values.ndim == 1 else values.T if values.shape[0] == base.n_samples else values
        for number, row in enumerate(rows):
            samples = as_float(np.ascontiguousarray(row))
            if samples is None:
                continue
            listed = names is not None and len(names) == len(rows)
            label = (
                names[number] if names is not None and listed else name if len(rows) == 1 else f"{name}_{number + 1}"
            )
            unit = units[number] if units is not None and len(units) == len(rows) and listed else ""
            channel = own[number] if len(own) == len(rows) else Channel(name=label, unit=unit)
            tracks.append(Track(channel=channel, samples=samples, base=base))
    return marked_source("mat", tracks, marks, path)


def _is_numbers(value: Any) -> bool:
    return isinstance(value, (int, float, np.number)) or (
        isinstance(value, np.ndarray) and value.dtype.kind in "fiub" and value.size > 0
    )


def _texts(entries: dict[str, Any], known: set[str]) -> list[str] | None:
    for name, value in entries.items():
        if _last(name) in known:
            if isinstance(value, str):
                return [value]
            if isinstance(value, (list, np.ndarray)) and all(isinstance(text, (str, np.str_)) for text in value):
                return [str(text).strip() for text in value]
            # An empty text comes back as an empty array.
            if isinstance(value, (list, np.ndarray)) and all(isinstance(t, (str, np.ndarray)) for t in value):
                return [str(text).strip() if isinstance(text, str) else "" for text in value]
    return None


def _base(arrays: dict[str, Any], marks: dict[str, Any], path: Path) -> TimeBase:
    lengths: dict[int, int] = {}
    for name, values in arrays.items():
        if _last(name) in _TIME_NAMES and values.ndim == 1 and values.size > 1 and not marks:
            return TimeBase(n_samples=values.size, stamps_s=values.astype(np.float64))
        for length in (max(values.shape),) if values.ndim in (1, 2) else ():
            lengths[length] = lengths.get(length, 0) + values.size
    rate = marks.get("rate_hz")
    for name, values in arrays.items():
        if rate is None and values.size == 1:
            value = float(values.ravel()[0])
            if _last(name) in _RATE_NAMES:
                rate = value
            elif _last(name) in _STEP_NAMES and value > 0:
                rate = 1.0 / value
    lengths.pop(1, None)
    if "samples" in arrays and marks and arrays["samples"].ndim == 2:
        lengths = {arrays["samples"].shape[0]: 1}
    if "samples" in arrays and marks and arrays["samples"].ndim == 1:
        lengths = {arrays["samples"].size if len(marks["channels"]) == 1 else 1: 1}
    if rate is None or not lengths:
        raise FormatError(
            f"{path}: holds no time histories that can be told as such: needed are vectors of one length beside a "
            "vector 'time' or a number 'fs'"
        )
    return TimeBase(n_samples=max(lengths, key=lambda length: lengths[length]), rate_hz=rate)
