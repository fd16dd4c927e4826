"""The description fitted to a measured FRF: bounded least squares on logarithms of parameters, with uncertainty.

Every parameter starts from the description and is believed to within a stated spread; the FRF (and static wheel loads,
where weighed) then say how far to move it. A parameter about which the measurement says less than the belief did is
named as not identifiable, with the parameters it cannot be told from: motions alone, for example, fix ratios of
stiffness to mass but no mass. Source: D. W. Marquardt, J. SIAM 11 (1963) 431, with bounds kept by clipping, and the
linear theory of the estimate's covariance, as in any textbook on parameter estimation.

What the model leaves out (a friction that is not linear, bending) pulls parameters without showing in that covariance.
So every spread is held against how differently bands of frequency, and responses, pull at the value: the cluster-robust
covariance (K.-Y. Liang and S. L. Zeger, Biometrika 73 (1986) 13), and the larger of both is given.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.recording import Finding
from washboard.rig._description import Axle, Rig, Sensor, Specimen
from washboard.rig._elements import Linearisation
from washboard.rig._linear_model import linear_model
from washboard.rig._statics import static_loads

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Place = tuple[str | int, ...]

#: Furthest a parameter may move from the description, as a factor.
FURTHEST: Final = 3.0
#: Standard deviation believed of a parameter's logarithm before anything is measured.
BELIEF: Final = 0.3
#: A parameter is identifiable when the measurement leaves less than this share of the believed spread.
LEFT: Final = 0.25
#: The same of friction, which changes with every mile and every drop of grease.
RUBBING: Final = 0.5
#: Where the description misses the measurement by less than this many times its uncertainty, it needs no fit.
NEAR: Final = 2.0
#: Bands of frequency whose pull on a parameter is compared.
BANDS: Final = 8
#: Relative error of a weighed wheel load.
WEIGHED: Final = 0.01


@dataclass(frozen=True, kw_only=True, slots=True)
class Parameter:
    """A number, or several that belong together, of a description, moved by one factor.

    Parameters
    ----------
    name : str
        For people, for example ``"spring stiffness front"``.
    paths : tuple of paths
        Where in the specimen: field names and places in tuples.
    belief : float
        Standard deviation of its logarithm before measuring.
    """

    name: str
    paths: tuple[Place, ...]
    belief: float = BELIEF


@dataclass(frozen=True, kw_only=True, slots=True)
class FittedParameter:
    """A parameter after fitting.

    Parameters
    ----------
    start, value : float
        Before and after, of the first number it stands for. [SI]
    spread : float
        Standard deviation over the value. [-]
    identifiable : bool
        Whether the measurement says more about it than was believed before.
    confused_with : tuple of str
        Parameters it cannot be told from.
    paths : tuple of paths
        Where in the specimen the numbers stand that it moves, all by the factor ``value / start``.
    """

    name: str
    start: float
    value: float
    spread: float
    identifiable: bool
    confused_with: tuple[str, ...] = ()
    paths: tuple[Place, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class ModelFit:
    """A specimen fitted to a measurement.

    Parameters
    ----------
    specimen : Specimen
        With the fitted numbers; numbers that are not identifiable stay near the description's.
    bandwidth_hz, delay_s : float
        Of the posts' displacement loop, where it was fitted too; 0 otherwise.
    misfit_before, misfit_after : float
        RMS of model less measurement over its standard deviation (1 is perfect). [-]
    """

    specimen: Specimen
    parameters: tuple[FittedParameter, ...]
    bandwidth_hz: float
    delay_s: float
    misfit_before: float
    misfit_after: float
    findings: tuple[Finding, ...]


def usual_parameters(specimen: Specimen) -> tuple[Parameter, ...]:
    """Masses, inertias, stiffnesses and dampings of a specimen, as far as they can differ from a description."""
    frame = specimen.frame
    found = [Parameter(name="frame mass", paths=(("frame", "mass_kg"),), belief=0.15)]
    if frame.roll_inertia_kg_m2 > 0:
        found.append(Parameter(name="frame roll inertia", paths=(("frame", "roll_inertia_kg_m2"),)))
    if frame.pitch_inertia_kg_m2 > 0:
        found.append(Parameter(name="frame pitch inertia", paths=(("frame", "pitch_inertia_kg_m2"),)))
    found.append(Parameter(name="frame torsion stiffness", paths=(("frame", "torsion_nm_rad"),)))
    if frame.torsion_damping_nms_rad > 0:
        found.append(Parameter(name="frame torsion damping", paths=(("frame", "torsion_damping_nms_rad"),)))
    for number, axle in enumerate(specimen.axle):
        at: Place = ("axle", number)
        found.append(Parameter(name=f"mass of {axle.name}", paths=((*at, "mass_kg"),), belief=0.15))
        if axle.kind == "beam":
            found.append(Parameter(name=f"roll inertia of {axle.name}", paths=((*at, "roll_inertia_kg_m2"),)))
        if axle.kind != "rigid":
            dampers = ((*at, "bump_damping_n_s_m"), (*at, "rebound_damping_n_s_m"))
            found.append(Parameter(name=f"springs of {axle.name}", paths=((*at, "spring_n_m"),)))
            found.append(Parameter(name=f"dampers of {axle.name}", paths=dampers))
            found += _rubbing(axle, at)
        found.append(Parameter(name=f"tyre stiffness of {axle.name}", paths=((*at, "tyre", "stiffness_n_m"),)))
        found.append(
            Parameter(name=f"tyre side stiffness of {axle.name}", paths=((*at, "tyre", "lateral_stiffness_n_m"),))
        )
        if axle.tyre.lateral_damping_n_s_m > 0:
            sideways = ((*at, "tyre", "lateral_damping_n_s_m"),)
            found.append(Parameter(name=f"tyre side damping of {axle.name}", paths=sideways))
        if axle.anti_roll_nm_rad > 0:
            found.append(Parameter(name=f"anti-roll bar of {axle.name}", paths=((*at, "anti_roll_nm_rad"),)))
        damping = (*at, "tyre", "standing_damping_n_s_m")
        if axle.tyre.standing_damping_n_s_m > 0:
            found.append(Parameter(name=f"tyre damping of {axle.name}", paths=(damping,)))
        if axle.tyre.standing_friction_n > 0:
            rub = (*at, "tyre", "standing_friction_n")
            found.append(Parameter(name=f"tyre friction of {axle.name}", paths=(rub,), belief=RUBBING))
    for number, part in enumerate(specimen.part):
        mounts = tuple(range(len(part.mount)))
        if mounts:
            stiff: tuple[Place, ...] = tuple(("part", number, "mount", mount, "stiffness_n_m") for mount in mounts)
            damp: tuple[Place, ...] = tuple(("part", number, "mount", mount, "damping_n_s_m") for mount in mounts)
            found.append(Parameter(name=f"mounts of {part.name}", paths=stiff))
            found.append(Parameter(name=f"mount damping of {part.name}", paths=damp))
    return tuple(found)


def _rubbing(axle: Axle, at: Place) -> list[Parameter]:
    """Friction is fitted with the springs beside it: what cannot be told from it must not look known."""
    if axle.friction_n == 0:
        return []
    return [
        Parameter(name=f"friction of {axle.name}", paths=((*at, "friction_n"),), belief=RUBBING),
        Parameter(
            name=f"stiffness of stuck friction of {axle.name}",
            paths=((*at, "friction_stiffness_n_m"),),
            belief=RUBBING,
        ),
    ]


def value_at(value: Any, path: Place) -> float:
    """The number at `path` in nested settings and tuples."""
    for step in path:
        value = value[step] if isinstance(step, int) else getattr(value, step)
    return float(value)


def scaled(value: Any, path: Place, factor: float) -> Any:
    """A copy of nested settings with the number at `path` multiplied."""
    if not path:
        return value * factor
    step, rest = path[0], path[1:]
    if isinstance(step, int):
        return tuple(scaled(item, rest, factor) if place == step else item for place, item in enumerate(value))
    return dataclasses.replace(value, **{step: scaled(getattr(value, step), rest, factor)})


def post_response(freq_hz: Floats, bandwidth_hz: float, delay_s: float) -> Complex:
    """Motion of a post per command: second order, maximally flat (Butterworth), with a delay."""
    s = 2j * np.pi * freq_hz
    omega = 2 * math.pi * bandwidth_hz
    answer: Complex = omega**2 / (s**2 + math.sqrt(2) * omega * s + omega**2) * np.exp(-s * delay_s)
    return answer


@dataclass(frozen=True, kw_only=True, slots=True)
class _Problem:
    specimen: Specimen
    rig: Rig | None
    sensors: Sequence[Sensor]
    freq_hz: Floats
    measured: Complex
    spread: Floats
    parameters: tuple[Parameter, ...]
    wheel_loads_n: Mapping[str, float]
    posts: bool
    linearisation: Linearisation | None

    def at(self, logs: Floats) -> Specimen:
        specimen = self.specimen
        for parameter, log in zip(self.parameters, logs, strict=False):
            for path in parameter.paths:
                specimen = scaled(specimen, path, math.exp(log))
        return specimen

    def loop(self, logs: Floats) -> tuple[float, float]:
        """Bandwidth and delay of the posts. [Hz, s]"""
        post = self.rig.post[0] if self.rig is not None and self.rig.post else None
        start = (30.0, 0.004) if post is None else (post.bandwidth_hz, max(post.delay_s, 1e-3))
        at = len(self.parameters)
        return start[0] * math.exp(logs[at]), start[1] * math.exp(logs[at + 1])

    def rule(self, logs: Floats) -> Linearisation | None:
        """The linearisation at the level of the measurement, which is fitted where the rule knows a level."""
        rule = self.linearisation
        if rule is None or not self.levels:
            return rule
        level = math.exp(logs[-1])
        return dataclasses.replace(
            rule,
            velocities={name: level * value for name, value in rule.velocities.items()},
            stretches={name: level * value for name, value in rule.stretches.items()},
        )

    @property
    def levels(self) -> bool:
        """Whether the level of friction is fitted too."""
        return self.linearisation is not None and bool(self.linearisation.stretches)

    def residual(self, logs: Floats) -> Floats:
        """Everything measured, model less measurement, over its standard deviation; then the beliefs."""
        specimen = self.at(logs)
        model = linear_model(specimen, self.rig, linearisation=self.rule(logs))
        frf = model.frf(self.freq_hz, self.sensors)
        if self.posts:
            frf = frf * post_response(self.freq_hz, *self.loop(logs))[:, None, None]
        apart = ((frf - self.measured) / self.spread).ravel()
        loads = static_loads(specimen).wheel_n if self.wheel_loads_n else {}
        weighed = [(loads[name] / value - 1) / WEIGHED for name, value in self.wheel_loads_n.items()]
        beliefs = logs / np.array([*(parameter.belief for parameter in self.parameters), *self.loop_beliefs])
        return np.concatenate([apart.real, apart.imag, weighed, beliefs])

    @property
    def loop_beliefs(self) -> tuple[float, ...]:
        return (*((0.3, 0.7) if self.posts else ()), *((1.0,) if self.levels else ()))

    @property
    def n_beliefs(self) -> int:
        return len(self.parameters) + len(self.loop_beliefs)


def fit_model(
    specimen: Specimen,
    sensors: Sequence[Sensor],
    freq_hz: Floats,
    measured: Complex,
    *,
    rig: Rig | None = None,
    variance: Floats | None = None,
    wheel_loads_n: Mapping[str, float] | None = None,
    parameters: tuple[Parameter, ...] | None = None,
    posts: bool = False,
    linearisation: Linearisation | None = None,
) -> ModelFit:
    """Fit a specimen's numbers to a measured FRF.

    Parameters
    ----------
    sensors : sequence of Sensor
        The responses measured.
    freq_hz : ndarray, shape (frequency,)
        Lines to fit; some 100 to 300 between half the lowest body mode and 30 Hz are enough. [Hz]
    measured : ndarray of complex, shape (frequency, response, drive)
        In SI.
    variance : ndarray, shape (frequency, response, drive), optional
        Of the complex entries; without it 2 % of each response's RMS gain on each line is taken.
    wheel_loads_n : mapping of wheel name to float, optional
        Weighed static loads; they alone tell masses when only motions are measured. [N]
    posts : bool
        Whether the FRF is from command, so that the posts' bandwidth and delay are fitted too.
    linearisation : Linearisation, optional
        Where it knows velocities and stretches (see `model_at_level`), one factor on all of them is fitted as well: the
        rig is rarely identified at just that level.

    Raises
    ------
    DataError
        Shapes do not match, or values are not finite.
    """
    measured = np.asarray(measured)
    if measured.shape[:2] != (len(freq_hz), len(sensors)):
        raise DataError(
            f"an FRF of shape {measured.shape} does not fit {len(freq_hz)} lines and {len(sensors)} sensors"
        )
    if not np.isfinite(measured).all():
        raise DataError("the FRF to fit holds values that are not finite; leave those lines out")
    usual = 0.02 * np.sqrt((np.abs(measured) ** 2).mean(axis=2, keepdims=True))
    spread = np.broadcast_to(usual, measured.shape) if variance is None else np.sqrt(variance)
    # Each response by itself: a strain is a millionth of an acceleration, and tells as much.
    size = np.sqrt((np.abs(measured) ** 2).mean(axis=(0, 2), keepdims=True))
    spread = np.maximum(spread, 1e-3 * size + 1e-300)
    problem = _Problem(
        specimen=specimen, rig=rig, sensors=sensors, freq_hz=np.asarray(freq_hz, dtype=np.float64), measured=measured,
        spread=spread, parameters=usual_parameters(specimen) if parameters is None else parameters,
        wheel_loads_n=wheel_loads_n or {}, posts=posts, linearisation=linearisation,
    )  # fmt: skip
    start = np.zeros(problem.n_beliefs)
    bound = math.log(FURTHEST)
    first = problem.residual(start)
    logs, jacobian, last = _marquardt(problem.residual, start, first, bound)
    n = problem.n_beliefs
    before, after = (float(np.sqrt(np.mean(each[:-n] ** 2))) for each in (first, last))
    return _result(problem, logs, jacobian, last, before, after)


def _marquardt(
    residual: Callable[[Floats], Floats], start: Floats, first: Floats, bound: float, *, most: int = 40
) -> tuple[Floats, Floats, Floats]:
    """The least-squares solution within +-`bound`, the Jacobian and the residual there; `first` is that at `start`."""
    x, r, damping = start, first, 1e-3
    jacobian = _jacobian(residual, x, r)
    for _ in range(most):
        normal, slope = jacobian.T @ jacobian, jacobian.T @ r
        while True:
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -slope)
            tried = np.clip(x + step, -bound, bound)
            answer = residual(tried)
            if answer @ answer < r @ r or damping > 1e8:
                break
            damping *= 8
        gained, moved = 1 - (answer @ answer) / (r @ r), float(np.abs(tried - x).max())
        if answer @ answer < r @ r:
            x, r, damping = tried, answer, max(damping / 5, 1e-9)
            jacobian = _jacobian(residual, x, r)
        if gained < 1e-7 or moved < 1e-6:
            break
    return x, jacobian, r


def _jacobian(residual: Callable[[Floats], Floats], x: Floats, r: Floats, step: float = 1e-5) -> Floats:
    columns = [(residual(x + step * unit) - r) / step for unit in np.eye(len(x))]
    return np.stack(columns, axis=1)


def _pulled(problem: _Problem, jacobian: Floats, residual: Floats) -> Floats:
    """Standard deviation of each parameter from how differently parts of the measurement pull at it.

    The cluster-robust covariance with bands of frequency as clusters, then with responses; the larger of both.
    """
    shape, size = problem.measured.shape, problem.measured.size
    place = np.arange(size).reshape(shape)
    normal = jacobian.T @ jacobian
    spread = np.zeros(jacobian.shape[1])
    for groups in (np.array_split(place, min(BANDS, shape[0]), axis=0), np.split(place, shape[1], axis=1)):
        if len(groups) < 3:
            continue
        rows = [np.concatenate([group.ravel(), group.ravel() + size]) for group in groups]
        pulls = np.stack([jacobian[each].T @ residual[each] for each in rows], axis=1)
        moves = np.linalg.solve(normal, pulls)
        spread = np.maximum(spread, np.sqrt((moves**2).sum(axis=1) * len(groups) / (len(groups) - 1)))
    return spread


def _result(
    problem: _Problem, logs: Floats, jacobian: Floats, residual: Floats, before: float, after: float
) -> ModelFit:
    n = problem.n_beliefs
    data = jacobian[:-n] / max(after, 1.0)
    beliefs = np.array([*(parameter.belief for parameter in problem.parameters), *problem.loop_beliefs])
    posterior = np.linalg.inv(data.T @ data + np.diag(1 / beliefs**2))
    told = np.sqrt(np.diag(posterior))
    alike = posterior / np.outer(told, told)
    spread = np.maximum(told, _pulled(problem, jacobian, residual))
    names = [
        *(parameter.name for parameter in problem.parameters),
        *(("bandwidth", "delay") if problem.posts else ()),
        *(("level of friction",) if problem.levels else ()),
    ]
    fitted = []
    for place, parameter in enumerate(problem.parameters):
        known = bool(spread[place] < LEFT * min(beliefs[place], BELIEF))
        near = [int(other) for other in np.argsort(-np.abs(alike[place])) if other != place]
        others = tuple(names[other] for other in near[:4] if not known and abs(alike[place, other]) > 0.5)
        start = value_at(problem.specimen, parameter.paths[0])
        fitted.append(
            FittedParameter(
                name=parameter.name,
                start=start,
                value=start * math.exp(logs[place]),
                spread=float(spread[place]),
                identifiable=known,
                confused_with=others,
                paths=parameter.paths,
            )
        )
    bandwidth, delay = problem.loop(logs) if problem.posts else (0.0, 0.0)
    return ModelFit(
        specimen=problem.at(logs),
        parameters=tuple(fitted),
        bandwidth_hz=bandwidth,
        delay_s=delay,
        misfit_before=before,
        misfit_after=after,
        findings=_findings(tuple(fitted), before, after),
    )


def _findings(fitted: tuple[FittedParameter, ...], before: float, after: float) -> tuple[Finding, ...]:
    found = []
    for one in fitted:
        if not one.identifiable:
            words = f"; it cannot be told from {', '.join(one.confused_with)}" if one.confused_with else ""
            text = f"{one.name} is not identifiable from this measurement{words}"
            advice = "weigh the wheels, add a sensor that sees it, or leave the description's value"
            found.append(Finding(kind="fit", severity="note", text=text, measured=one.spread, advice=advice))
        elif abs(one.value / one.start - 1) > 0.3:
            text = f"{one.name} came out {one.value / one.start:.2f} times the description's value"
            advice = "check the description, its units, and the sensors that see it"
            found.append(Finding(kind="fit", severity="warning", text=text, measured=one.value, advice=advice))
    if before < NEAR:
        text = f"the description already meets the measured FRF within {before:.1f} times its uncertainty"
        advice = "leave the description: fitted numbers would take up what the linear model leaves out"
        found.append(Finding(kind="fit", severity="note", text=text, measured=before, limit=NEAR, advice=advice))
    if after > 3:
        text = f"the model still misses the measured FRF by {after:.1f} times its uncertainty"
        advice = "what the model leaves out (bending, slack, friction at this level) is larger than the noise"
        found.append(Finding(kind="fit", severity="warning", text=text, measured=after, limit=3.0, advice=advice))
    return tuple(found)
