"""Equivalence: this much laboratory running equals this much service, and how surely."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import InputError

CONFIDENCE = 0.9


@dataclass(frozen=True, kw_only=True, slots=True)
class FieldEvent:
    """One event in the field.

    Parameters
    ----------
    name : str
        The event.
    damage : ndarray, shape (lap, channel, slope)
        Pseudo-damage of each lap. [unit of the channel to the power of the slope]
    laps : float
        Laps of it in the stated service.
    """

    name: str
    damage: NDArray[np.float64]
    laps: float


@dataclass(frozen=True, kw_only=True, slots=True)
class LaboratoryEvent:
    """One event in the laboratory.

    Parameters
    ----------
    name : str
        The event.
    damage : ndarray, shape (pass, channel, slope)
        Pseudo-damage of each measured pass, those that count first; at least one, which need not be of the test
        itself. [unit of the channel to the power of the slope]
    done, planned : int
        Passes so far, measured or confirmed, and in the whole test.
    pass_s : float
        How long a pass takes. [s]
    """

    name: str
    damage: NDArray[np.float64]
    done: int
    planned: int
    pass_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Service:
    """An amount of service with its interval, per channel and slope. [m or s, as the service is stated]

    Parameters
    ----------
    value, low, high : ndarray, shape (channel, slope)
        Best estimate and limits of its interval.
    """

    value: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Equivalence:
    """What the laboratory running equals.

    Parameters
    ----------
    channels : tuple of str
        Names.
    slopes : tuple of float
        Basquin slopes. [-]
    service : float
        The stated service. [m or s]
    unit : str
        ``"m"`` for a distance, ``"s"`` for a time.
    done, planned : Service
        What the passes so far equal, and what the whole test will.
    passes_done, passes_planned : int
        Passes so far and in all.
    rig_done_s, rig_planned_s : float
        Rig time of those. [s]
    service_s : float
        Time the stated service takes. [s]
    confidence : float
        Of the intervals. [-]
    single : tuple of str
        Events with a single lap: their scatter is unknown and not in the intervals.
    """

    channels: tuple[str, ...]
    slopes: tuple[float, ...]
    service: float
    unit: str
    done: Service
    planned: Service
    passes_done: int
    passes_planned: int
    rig_done_s: float
    rig_planned_s: float
    service_s: float
    confidence: float
    single: tuple[str, ...]

    @property
    def compression(self) -> float:
        """Time of the stated service over rig time of the whole test. [-]"""
        return self.service_s / self.rig_planned_s if self.rig_planned_s else 0.0


def equivalence(
    field: Sequence[FieldEvent],
    laboratory: Sequence[LaboratoryEvent],
    *,
    channels: tuple[str, ...],
    slopes: tuple[float, ...],
    target: NDArray[np.float64],
    service: float,
    unit: str,
    service_s: float,
    confidence: float = CONFIDENCE,
) -> Equivalence:
    """Convert laboratory damage into service, channel by channel (Palmgren 1924, Miner 1945: damage adds up).

    Notes
    -----
    ``S = service D_laboratory / D_target``. The relative standard uncertainty of D_target comes from the scatter of the
    laps about their event's mean, divided among the laps measured; that of D_laboratory, for the passes that were not
    measured or are still to come, from the scatter of the measured passes. They are combined as independent, with
    effective degrees of freedom by Welch and Satterthwaite (JCGM 100:2008, G.4), and the interval is
    ``S exp(+-t u)``, so that it stays above 0. Whether the damage rule and the slope fit the part is *not* in it: that
    is what several slopes are shown for.

    Parameters
    ----------
    field, laboratory : sequences
        Events; those of the laboratory are a part of those of the field.
    target : ndarray, shape (channel, slope)
        Damage of the stated service. [unit of the channel to the power of the slope]
    service : float
        The stated service. [m or s]
    unit : str
        ``"m"`` or ``"s"``.
    service_s : float
        Time the stated service takes. [s]
    confidence : float
        Of the intervals. [-]

    Raises
    ------
    InputError
        No event, an event without passes, or shapes that do not fit.
    """
    shape = (len(channels), len(slopes))
    _refuse_unfit(field, laboratory, target, shape)
    field_terms = [_field_term(event, target) for event in field if len(event.damage) > 1]
    done = _service(laboratory, field_terms, target, service, confidence, planned=False)
    planned = _service(laboratory, field_terms, target, service, confidence, planned=True)
    return Equivalence(
        channels=channels,
        slopes=slopes,
        service=service,
        unit=unit,
        done=done,
        planned=planned,
        passes_done=sum(event.done for event in laboratory),
        passes_planned=sum(event.planned for event in laboratory),
        rig_done_s=sum(event.done * event.pass_s for event in laboratory),
        rig_planned_s=sum(event.planned * event.pass_s for event in laboratory),
        service_s=service_s,
        confidence=confidence,
        single=tuple(event.name for event in field if len(event.damage) == 1 and event.laps > 0),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Term:
    """One independent part of a relative variance, with its degrees of freedom."""

    variance: NDArray[np.float64]
    degrees: int


def _refuse_unfit(
    field: Sequence[FieldEvent],
    laboratory: Sequence[LaboratoryEvent],
    target: NDArray[np.float64],
    shape: tuple[int, int],
) -> None:
    if not field or not laboratory:
        raise InputError("an equivalence needs at least one event in the field and in the laboratory")
    if target.shape != shape:
        raise InputError(f"target damage has the shape {target.shape}, not {shape} (channel, slope)")
    known = {event.name for event in field}
    for event in laboratory:
        if event.name not in known:
            raise InputError(f"event '{event.name}' was played in the laboratory but is not part of the service")
    damages = [(event.name, event.damage) for event in field] + [(event.name, event.damage) for event in laboratory]
    for name, damage in damages:
        if damage.ndim != 3 or len(damage) == 0 or damage.shape[1:] != shape:
            raise InputError(f"event '{name}': damage has the shape {damage.shape}, not (n, {shape[0]}, {shape[1]})")


def _field_term(event: FieldEvent, target: NDArray[np.float64]) -> _Term:
    n = len(event.damage)
    mean = event.laps * event.damage.std(axis=0, ddof=1) / np.sqrt(n)
    return _Term(variance=_divide(mean, target) ** 2, degrees=n - 1)


def _service(
    laboratory: Sequence[LaboratoryEvent],
    field_terms: list[_Term],
    target: NDArray[np.float64],
    service: float,
    confidence: float,
    *,
    planned: bool,
) -> Service:
    damage = np.zeros_like(target)
    absolute: list[_Term] = []
    for event in laboratory:
        n = len(event.damage)
        count = max(event.planned, event.done) if planned else event.done
        known = min(n, event.done)
        mean = event.damage.mean(axis=0)
        # Measured passes that count are summed as they are; the rest are estimated by the mean of those measured.
        damage += event.damage[:known].sum(axis=0) + (count - known) * mean
        if count > known and n > 1:
            scatter = event.damage.std(axis=0, ddof=1)
            rest = count - known
            absolute.append(_Term(variance=scatter**2 * (rest + rest**2 / n), degrees=n - 1))
    terms = [
        *field_terms,
        *(_Term(variance=_divide(t.variance, damage**2), degrees=t.degrees) for t in absolute),
    ]
    value = service * _divide(damage, target)
    factor = np.exp(_half_width(terms, target.shape, confidence))
    return Service(value=value, low=value / factor, high=value * factor)


def _half_width(terms: list[_Term], shape: tuple[int, ...], confidence: float) -> NDArray[np.float64]:
    from scipy.special import stdtrit

    total = sum((term.variance for term in terms), np.zeros(shape))
    degrees = effective_degrees([np.sqrt(term.variance) for term in terms], [term.degrees for term in terms], shape)
    return np.asarray(stdtrit(degrees, 0.5 + confidence / 2) * np.sqrt(total))


def effective_degrees(
    uncertainties: Sequence[NDArray[np.float64]], degrees: Sequence[int], shape: tuple[int, ...]
) -> NDArray[np.float64]:
    """Degrees of freedom of a combined standard uncertainty, by Welch and Satterthwaite (JCGM 100:2008, G.2b).

    Parameters
    ----------
    uncertainties : sequence of ndarray
        Standard uncertainties of the parts, all in the same unit.
    degrees : sequence of int
        Degrees of freedom of each.
    shape : tuple of int
        Of the result; with no uncertainty at all it is 1 everywhere.
    """
    total = sum((part**2 for part in uncertainties), np.zeros(shape))
    fourth = sum((part**4 / n for part, n in zip(uncertainties, degrees, strict=True)), np.zeros(shape))
    return np.maximum(np.divide(total**2, fourth, out=np.ones(shape), where=fourth > 0), 1.0)


def _divide(above: NDArray[np.float64], below: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.divide(above, below, out=np.zeros(np.broadcast(above, below).shape), where=below > 0)
