"""A specimen without some of its parts: what representative masses in their place change."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from washboard.errors import InputError
from washboard.rig._description import Specimen
from washboard.rig._elements import Linearisation
from washboard.rig._linear_model import linear_model
from washboard.rig._naming import RIGID
from washboard.rig._statics import static_loads


@dataclass(frozen=True, kw_only=True, slots=True)
class DummyEffect:
    """What changes when parts are replaced by masses bolted to the frame.

    Parameters
    ----------
    modes : tuple of (str, float, float)
        Each rigid-body mode with the parts and with the masses. [Hz]
    lost : tuple of str
        Modes of the parts themselves, which the test then does not have.
    wheel_n : tuple of (str, float, float)
        Static wheel loads, with the parts and with the masses. [N]
    """

    modes: tuple[tuple[str, float, float], ...]
    lost: tuple[str, ...]
    wheel_n: tuple[tuple[str, float, float], ...]


def with_dummies(specimen: Specimen, names: Sequence[str], *, mass_share: float = 1.0) -> Specimen:
    """The specimen with each named part as a mass bolted on at the part's centre of gravity.

    Parameters
    ----------
    mass_share : float
        Mass of the dummy over that of the part.

    Raises
    ------
    InputError
        There is no part of that name.
    """
    known = [part.name for part in specimen.part]
    for name in names:
        if name not in known:
            raise InputError(f"the specimen has no part '{name}'; it has {', '.join(known) or 'none'}")
    parts = tuple(
        dataclasses.replace(part, mount=(), dummy=True, mass_kg=part.mass_kg * mass_share)
        if part.name in names
        else part
        for part in specimen.part
    )
    return dataclasses.replace(specimen, part=parts)


def dummy_effect(
    specimen: Specimen, names: Sequence[str], *, mass_share: float = 1.0, linearisation: Linearisation | None = None
) -> DummyEffect:
    """Modes and wheel loads with the named parts, and with masses in their place. Raises InputError."""
    other = with_dummies(specimen, names, mass_share=mass_share)
    before, after = (linear_model(each, linearisation=linearisation).modes() for each in (specimen, other))
    pairs = [
        (name, float(before.freq_hz[before.names.index(name)]), float(after.freq_hz[after.names.index(name)]))
        for name in RIGID
        if name in before.names and name in after.names
    ]
    lost = tuple(
        f"{mode} at {freq:.1f} Hz"
        for mode, freq in zip(before.names, np.round(before.freq_hz, 2), strict=True)
        if any(mode.startswith(f"{name} ") for name in names)
    )
    loads, changed = static_loads(specimen).wheel_n, static_loads(other).wheel_n
    return DummyEffect(
        modes=tuple(pairs), lost=lost, wheel_n=tuple((wheel, loads[wheel], changed[wheel]) for wheel in loads)
    )
