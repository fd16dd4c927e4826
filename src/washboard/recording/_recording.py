"""Recording and Channel: uniformly sampled multi-channel time histories that never change in place."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from washboard import __version__, units
from washboard.errors import ChannelError, DataError
from washboard.settings import to_plain

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

Samples = NDArray[np.floating[Any]]

SpanKind = Literal["bad", "repaired", "gap", "join", "event"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Channel:
    """One measured quantity.

    Parameters
    ----------
    name : str
        Unique within a recording.
    unit : str
        Unit of the samples, as its user writes it, for example ``"mm"``.
    quantity : str
        A key of `washboard.units.QUANTITIES`, or empty when unknown.
    position_m : tuple of three floats, optional
        Where on the vehicle: x forward, y left, z up (ISO 8855). [m]
    direction : str
        ``"+x"`` to ``"-z"``, or empty.
    limits : tuple of two floats, optional
        Range of sensor and converter, in `unit`.
    description : str
        Anything a person should know.
    """

    name: str
    unit: str = "1"
    quantity: str = ""
    position_m: tuple[float, float, float] | None = None
    direction: str = ""
    limits: tuple[float, float] | None = None
    description: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Span:
    """A stretch of time that is marked: bad, repaired, a gap, a join or an event; of one channel, or of all.

    Parameters
    ----------
    start_s, end_s : float
        From the start of the recording; the end is not included. [s]
    channel : str
        Name of the channel, empty for all of them.
    """

    kind: SpanKind
    start_s: float
    end_s: float
    channel: str = ""
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One thing done to make a recording or result: by which function, from what, with which settings."""

    function: str
    inputs: tuple[str, ...] = ()
    settings: Mapping[str, Any] = field(default_factory=dict)
    version: str = __version__


@dataclass(frozen=True, kw_only=True, slots=True)
class Recording:
    """Time histories of several channels at one sample rate. Frozen; a change is a new object.

    Parameters
    ----------
    samples : ndarray or memmap, shape (channel, time)
        In each channel's own unit, float32 or float64. A writable array is copied, unless it is a fresh one handed over
        with `owned`; a read-only memory map is kept as it is, so that a recording can be larger than memory.
    rate_hz : float
        Sample rate. [Hz]
    channels : tuple of Channel
        As many as `samples` has rows, with names all different.
    name : str
        What it is a recording of, for messages and titles.
    start : datetime, optional
        When the first sample was taken.
    spans : tuple of Span
        Marked stretches.
    metadata : mapping of str to str
        What the file said besides.
    history : tuple of Step
        What was done to make it, first step first.

    Raises
    ------
    DataError
        Shape, sample rate or type of the samples is wrong.
    ChannelError
        As many names as rows are needed, and all different.
    """

    samples: Samples
    rate_hz: float
    channels: tuple[Channel, ...]
    name: str = ""
    start: datetime | None = None
    spans: tuple[Span, ...] = ()
    metadata: Mapping[str, str] = field(default_factory=dict)
    history: tuple[Step, ...] = ()
    owned: dataclasses.InitVar[bool] = False

    def __post_init__(self, owned: bool) -> None:
        samples = np.asanyarray(self.samples)
        label = self.name or "this recording"
        if samples.ndim != 2:
            raise DataError(f"{label}: samples must have two axes (channel, time), not {samples.ndim}")
        if samples.dtype not in (np.float32, np.float64):
            samples, owned = samples.astype(np.float64), True
        if not (np.isfinite(self.rate_hz) and self.rate_hz > 0):
            raise DataError(f"{label}: the sample rate must be more than 0 Hz, not {self.rate_hz!r}")
        if len(self.channels) != samples.shape[0]:
            raise ChannelError(f"{label}: {len(self.channels)} channel names for {samples.shape[0]} rows of samples")
        names = [channel.name for channel in self.channels]
        doubled = sorted({name for name in names if names.count(name) > 1})
        if doubled:
            raise ChannelError(f"{label}: more than one channel is named '{doubled[0]}'; rename one of them")
        if samples.flags.writeable:
            # A read-only view would still let the caller write through his own array: take it over or copy it.
            samples = samples.view() if owned else samples.copy()
            samples.flags.writeable = False
        object.__setattr__(self, "samples", samples)
        object.__setattr__(self, "channels", tuple(self.channels))
        object.__setattr__(self, "spans", tuple(self.spans))
        object.__setattr__(self, "history", tuple(self.history))
        object.__setattr__(self, "metadata", MappingProxyType(dict(self.metadata)))

    @property
    def n_channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[0])

    @property
    def n_samples(self) -> int:
        """Samples per channel."""
        return int(self.samples.shape[1])

    @property
    def duration_s(self) -> float:
        """Length. [s]"""
        return self.n_samples / self.rate_hz

    @property
    def names(self) -> tuple[str, ...]:
        """Channel names, in order."""
        return tuple(channel.name for channel in self.channels)

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Time of each sample from the start, shape (time,). [s]"""
        return np.arange(self.n_samples) / self.rate_hz

    def index(self, name: str) -> int:
        """Row of the channel `name`; raises ChannelError naming the nearest when there is none."""
        try:
            return self.names.index(name)
        except ValueError:
            import difflib

            near = difflib.get_close_matches(name, self.names, n=1)
            hint = f"; did you mean '{near[0]}'?" if near else f"; there are: {', '.join(self.names[:12])}"
            raise ChannelError(f"{self.name or 'this recording'}: has no channel '{name}'{hint}") from None

    def channel(self, name: str) -> Channel:
        """The channel `name`; raises ChannelError."""
        return self.channels[self.index(name)]

    def values(self, name: str) -> Samples:
        """Samples of the channel `name`, shape (time,), in its unit; raises ChannelError."""
        row: Samples = self.samples[self.index(name)]
        return row

    def select(self, names: Iterable[str]) -> Recording:
        """Only the channels `names`, in that order; raises ChannelError."""
        rows = [self.index(name) for name in names]
        kept = {self.channels[row].name for row in rows}
        spans = tuple(span for span in self.spans if not span.channel or span.channel in kept)
        channels = tuple(self.channels[row] for row in rows)
        return self.replace(samples=self.samples[rows], channels=channels, spans=spans, owned=True)

    def cut(self, start_s: float, end_s: float) -> Recording:
        """Only the samples from `start_s` up to, not including, `end_s`, with the spans that reach into them."""
        first = max(0, round(start_s * self.rate_hz))
        last = min(self.n_samples, round(end_s * self.rate_hz))
        if last <= first:
            raise DataError(f"{self.name or 'this recording'}: nothing between {start_s:g} s and {end_s:g} s")
        offset, length = first / self.rate_hz, (last - first) / self.rate_hz
        spans = tuple(
            dataclasses.replace(span, start_s=max(0.0, span.start_s - offset), end_s=min(length, span.end_s - offset))
            for span in self.spans
            if span.end_s > offset and span.start_s < offset + length
        )
        return self.replace(samples=self.samples[:, first:last], spans=spans, owned=False)

    def replace(self, *, step: Step | None = None, owned: bool = False, **changes: Any) -> Recording:
        """A copy with some fields changed and, if given, one more step of history."""
        if step is not None:
            changes["history"] = (*changes.get("history", self.history), step)
        values = {entry.name: getattr(self, entry.name) for entry in dataclasses.fields(self)}
        return Recording(**{**values, **changes}, owned=owned)

    def in_si(self, *, dtype: type[np.floating[Any]] | None = None) -> Recording:
        """Samples, units and limits in SI; the same object when they are already."""
        factors = [units.factor_to_si(channel.unit, channel.quantity) for channel in self.channels]
        wanted = [units.si_unit(channel.unit, channel.quantity) for channel in self.channels]
        unchanged = all(factor == (1.0, 0.0) for factor in factors)
        if unchanged and all(c.unit == w for c, w in zip(self.channels, wanted, strict=True)):
            return (
                self
                if dtype is None or self.samples.dtype == dtype
                else self.replace(samples=self.samples.astype(dtype), owned=True)
            )
        scale = np.array([factor[0] for factor in factors])[:, None]
        offset = np.array([factor[1] for factor in factors])[:, None]
        samples = (self.samples * scale + offset).astype(dtype or self.samples.dtype)
        channels = tuple(
            dataclasses.replace(
                channel,
                unit=unit,
                limits=None
                if channel.limits is None
                else (channel.limits[0] * factor[0] + factor[1], channel.limits[1] * factor[0] + factor[1]),
            )
            for channel, unit, factor in zip(self.channels, wanted, factors, strict=True)
        )
        return self.replace(samples=samples, channels=channels, owned=True)

    def digest(self) -> str:
        """Hash of content (samples, rate, channels, spans), not of name or history: equal content, equal digest."""
        state = hashlib.sha256()
        header = [repr(float(self.rate_hz)), to_plain(self.channels), to_plain(self.spans), str(self.samples.dtype)]
        state.update(json.dumps(header, sort_keys=True).encode())
        for row in self.samples:
            state.update(np.ascontiguousarray(row).data)
        return state.hexdigest()

    def to_xarray(self) -> xr.DataArray:
        """As an xarray DataArray with dimensions channel and time [s], for notebooks."""
        import xarray as xr

        return xr.DataArray(
            self.samples,
            dims=("channel", "time"),
            coords={
                "channel": list(self.names),
                "time": ("time", self.time_s, {"units": "s"}),
                "unit": ("channel", [channel.unit for channel in self.channels]),
            },
            name=self.name or None,
            attrs={"rate_hz": self.rate_hz},
        )

    def to_pandas(self) -> pd.DataFrame:
        """As a pandas DataFrame, one column per channel, indexed by time [s], for notebooks."""
        import pandas as pd

        return pd.DataFrame(self.samples.T, index=pd.Index(self.time_s, name="time_s"), columns=list(self.names))


Severity = Literal["note", "warning", "error"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """One thing noticed about data, rig or result: what, where, how strongly, and what to do.

    Parameters
    ----------
    kind : str
        What was looked for, for example ``"spike"``.
    severity : str
        ``"note"``, ``"warning"`` (look at it) or ``"error"`` (must be mended before going on).
    text : str
        A plain sentence with the evidence as a number.
    channel : str
        Empty when it concerns all or none.
    start_s, end_s : float, optional
        When. [s]
    measured, limit : float, optional
        The evidence and what it was held against.
    advice : str
        What to do next.
    """

    kind: str
    severity: Severity
    text: str
    channel: str = ""
    start_s: float | None = None
    end_s: float | None = None
    measured: float | None = None
    limit: float | None = None
    advice: str = ""


def spanning(findings: Iterable[Finding], duration_s: float) -> list[Finding]:
    """The findings, those without a time of their own from the beginning to the end."""
    return [
        finding if finding.start_s is not None else dataclasses.replace(finding, start_s=0.0, end_s=duration_s)
        for finding in findings
    ]
