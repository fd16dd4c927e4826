"""The description of the specimen held against what the identify stage measured, and brought to it if the user wants.

`fit_identified` computes, `keep_fit` writes `fitted/fitted.json`, `use_fit` writes the fitted numbers into
programme.toml; nothing else reads them, so a description never changes by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from washboard.errors import InputError
from washboard.programme._digest import content_digest
from washboard.programme._file import FILE_NAME as PROGRAMME
from washboard.programme._file import parse_plan, replace_value
from washboard.programme._frf_file import FILE_NAME, load_frf
from washboard.programme._level import model_of
from washboard.programme._plan import Plan
from washboard.programme._store import load_table, save_table
from washboard.recording import Finding, read_recording, write_whole
from washboard.rig import (
    NEAR,
    Linearisation,
    ModelFit,
    Parameter,
    Specimen,
    fit_model,
    usual_parameters,
    value_at,
    wheel_names,
)

#: Lines of the FRF that are fitted, evenly spread over the band.
LINES: Final = 80
#: Digits of a number written into programme.toml.
DIGITS: Final = 4

Place = tuple[str | int, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptParameter:
    """A parameter of a kept fit; `places` are the keys of programme.toml it moves, all by the same factor.

    `unit` is that of `start` and `value` (SI); the rest is as in `rig.FittedParameter`.
    """

    name: str
    unit: str
    start: float
    value: float
    spread: float
    identifiable: bool
    confused_with: tuple[str, ...]
    places: tuple[Place, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptFit:
    """What `keep_fit` wrote: parameters, how well the model met the measurement before and after, findings.

    `frf` is the content digest of the FRF it was made from; `weighed` says whether wheels had been weighed.
    """

    parameters: tuple[KeptParameter, ...]
    misfit_before: float
    misfit_after: float
    bandwidth_hz: float
    delay_s: float
    weighed: bool
    frf: str
    findings: tuple[Finding, ...]

    @property
    def known(self) -> int:
        """How many parameters the measurement tells."""
        return sum(one.identifiable for one in self.parameters)

    @property
    def near(self) -> bool:
        """Whether the description met the measurement well enough before."""
        return self.misfit_before < NEAR


def fit_identified(folder: Path, plan: Plan) -> ModelFit:
    """Fit the plan's specimen to the FRF of the finished identify stage.

    Friction is made linear at the level of the first shortened target, since the rig is identified near it. Where no
    wheel was weighed, masses stay as described: motions tell only ratios to them.

    Raises
    ------
    InputError
        The plan has no specimen, or the identify stage has not been run.
    """
    if plan.specimen is None:
        raise InputError(f"{folder / PROGRAMME}: there is no [specimen] to fit; describe the vehicle first")
    file = _frf_file(folder)
    frf = load_frf(file)
    sensors = [channel for channel in plan.channel if channel.name in frf.responses]
    frf = frf.pick(tuple(sensor.name for sensor in sensors))
    weighed = weighed_loads(plan.specimen)
    free = tuple(one for one in usual_parameters(plan.specimen) if weighed or not _is_mass(one))
    inside = np.flatnonzero((frf.freq_hz >= plan.band.low_hz) & (frf.freq_hz <= plan.band.high_hz))
    lines = inside[np.unique(np.linspace(0, len(inside) - 1, min(LINES, len(inside))).astype(np.intp))]
    return fit_model(
        plan.specimen,
        sensors,
        frf.freq_hz[lines],
        frf.values[lines],
        rig=plan.rig,
        variance=frf.variance[lines],
        wheel_loads_n=weighed,
        parameters=free,
        posts=True,
        linearisation=_level(folder, plan),
    )


def _is_mass(parameter: Parameter) -> bool:
    return all(path[-1] == "mass_kg" for path in parameter.paths)


def weighed_loads(specimen: Specimen) -> dict[str, float]:
    """Weighed wheel loads of the description, per wheel; empty where none were weighed. [N]"""
    pairs = [axle.weighed_n or (None, None) for axle in specimen.axle]
    flat = [load for pair in pairs for load in pair]
    return {wheel: load for wheel, load in zip(wheel_names(specimen), flat, strict=True) if load is not None}


def _frf_file(folder: Path) -> Path:
    file = folder / "stages" / "identify" / FILE_NAME
    if not file.exists():
        raise InputError(f"{folder}: nothing was identified yet; run 'washboard identify {folder}' first")
    return file


def _level(folder: Path, plan: Plan) -> Linearisation:
    assert plan.specimen is not None
    table = folder / "stages" / "shorten" / "shorten.json"
    if not table.exists():
        return Linearisation()
    entries = load_table(table)["events"]
    first = next(iter(entries.values()))
    target = read_recording(folder / "stages" / "shorten" / first["file"])
    return model_of(plan, plan.specimen, target).linearisation


def _kept_file(folder: Path) -> Path:
    return folder / "fitted" / "fitted.json"


def keep_fit(folder: Path, plan: Plan, fit: ModelFit) -> KeptFit:
    """Write a fit of the present FRF into the programme folder, and return it as it is read back."""
    assert plan.specimen is not None
    kept = KeptFit(
        parameters=tuple(
            KeptParameter(
                name=one.name, unit=_unit_of(plan.specimen, one.paths[0]), start=one.start, value=one.value,
                spread=one.spread, identifiable=one.identifiable, confused_with=one.confused_with,
                places=tuple(("specimen", *path) for path in one.paths),
            )
            for one in fit.parameters
        ),
        misfit_before=fit.misfit_before,
        misfit_after=fit.misfit_after,
        bandwidth_hz=fit.bandwidth_hz,
        delay_s=fit.delay_s,
        weighed=bool(weighed_loads(plan.specimen)),
        frf=content_digest(_frf_file(folder)),
        findings=fit.findings,
    )  # fmt: skip
    file = _kept_file(folder)
    file.parent.mkdir(exist_ok=True)
    save_table(file, kept)
    return kept


def kept_fit(folder: Path) -> KeptFit | None:
    """The fit kept in a programme folder, None where there is none or the rig has been identified anew since."""
    file = _kept_file(folder)
    measured = folder / "stages" / "identify" / FILE_NAME
    if not file.exists() or not measured.exists():
        return None
    table = load_table(file)
    if table["frf"] != content_digest(measured):
        return None
    table["findings"] = tuple(Finding(**entry) for entry in table["findings"])
    table["parameters"] = tuple(
        KeptParameter(
            **{**entry, "confused_with": tuple(entry["confused_with"]),
               "places": tuple(tuple(place) for place in entry["places"])}
        )
        for entry in table["parameters"]
    )  # fmt: skip
    return KeptFit(**table)


def fit_state(fit: KeptFit, specimen: Specimen) -> str:
    """Whether the description is ``"as fitted from"``, ``"fitted"`` (the numbers are in use) or ``"changed"``."""
    found = set()
    for one in fit.parameters:
        try:
            present = _present(specimen, one.places[0])
        except (AttributeError, IndexError):
            return "changed"
        if abs(one.value / one.start - 1) < 10 ** (1 - DIGITS):
            continue
        near = [name for name, value in (("as fitted from", one.start), ("fitted", one.value))
                if abs(present / value - 1) < 10 ** (1 - DIGITS)]  # fmt: skip
        found.add(near[0] if near else "changed")
    return found.pop() if len(found) == 1 else "changed" if found else "fitted"


def use_fit(folder: Path, plan: Plan) -> Path:
    """Write the numbers of the kept fit into programme.toml, each in the unit it had there; comments stay.

    All of them are written, also those the measurement does not tell: they belong together, and only together they meet
    the measured FRF.

    Returns
    -------
    Path
        The copy of programme.toml as it was.

    Raises
    ------
    InputError
        Nothing was fitted, the description was changed since, or the rig is the virtual one, which is this description.
    """
    import tomlkit

    if plan.rig.link.kind == "virtual":
        raise InputError(
            f"{folder / PROGRAMME}: the rig is the virtual one, built from this very description; writing fitted "
            "numbers would change the vehicle instead of bringing the description nearer to it"
        )
    fit = kept_fit(folder)
    if fit is None or plan.specimen is None:
        raise InputError(f"{folder}: there is no fit to the present FRF; run 'washboard plan {folder} --fit' first")
    state = fit_state(fit, plan.specimen)
    if state == "fitted":
        raise InputError(f"{folder / PROGRAMME} has the fitted numbers already")
    if state == "changed":
        raise InputError(
            f"{folder / PROGRAMME}: the description was changed after the fit; run 'washboard plan {folder} --fit' "
            "again"
        )
    file = folder / PROGRAMME
    text = file.read_text(encoding="utf-8")
    document = tomlkit.parse(text)
    for one in fit.parameters:
        for place in one.places:
            _write(document, place, _present(plan.specimen, place) * one.value / one.start, _unit_of_place(plan, place))
    made = tomlkit.dumps(document)
    parse_plan(made, file)
    number, copy = 1, file.with_name(f"{PROGRAMME}.before-fit-1")
    while copy.exists():
        number += 1
        copy = file.with_name(f"{PROGRAMME}.before-fit-{number}")
    write_whole(copy, text)
    write_whole(file, made)
    return copy


def _present(specimen: Specimen, place: Place) -> float:
    return value_at(specimen, place[1:])


def _unit_of_place(plan: Plan, place: Place) -> str:
    assert plan.specimen is not None
    return _unit_of(plan.specimen, place[1:])


def _unit_of(specimen: Specimen, path: Place) -> str:
    """SI unit of a quantity of the specimen, from the mark on its field."""
    import typing

    from washboard.units import Unit

    node: Any = specimen
    for step in path[:-1]:
        node = node[step] if isinstance(step, int) else getattr(node, step)
    hint = typing.get_type_hints(type(node), include_extras=True)[str(path[-1])]
    return next((mark.unit for mark in getattr(hint, "__metadata__", ()) if isinstance(mark, Unit)), "1")


def _write(document: Any, place: Place, value: float, unit: str) -> None:
    """Change one key of a TOML document in place, keeping its unit and the comment behind it."""
    from washboard.settings import toml_key
    from washboard.units import convert, split_quantity

    node = document
    for step in place[:-1]:
        if not isinstance(step, int) and step not in node:
            import tomlkit

            node[step] = tomlkit.table()
        node = node[step]
    key = toml_key(str(place[-1]))
    own = split_quantity(str(node[key]))[1] if key in node else unit
    if own == "1":
        own = unit
    shown = float(convert(value, unit, own))
    number = f"{float(f'{shown:.{DIGITS}g}'):.10g}"
    replace_value(node, key, f"{number} {own}")
