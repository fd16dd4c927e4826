"""Names for modes: the rigid-body motions first, each other mode after what moves most in it."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from washboard.rig._bodies import Bodies

Floats = NDArray[np.float64]

#: The frame's rigid-body motions.
RIGID: Final = ("bounce", "pitch", "roll", "sway", "yaw")
_FRAME: Final = ("heave", "pitch", "roll front", "roll rear", "sway", "yaw")


def mode_names(bodies: Bodies, mass: Floats, shapes: NDArray[np.complex128], cog_height_m: float) -> tuple[str, ...]:
    """A name for each mode.

    Each rigid-body motion names the mode most like it (all of them assigned at once); every other mode is named after
    the axle or part, or the twist of the frame, that holds most of its kinetic energy.
    """
    from scipy.optimize import linear_sum_assignment

    names = [_by_energy(bodies, mass, shape) for shape in shapes]
    fit = np.array(
        [[likeness(mass, shape, rigid) for shape in shapes] for rigid in rigid_shapes(bodies, cog_height_m).values()]
    )
    for name, index in zip(RIGID, linear_sum_assignment(-fit)[1], strict=False):
        names[index] = name
    return tuple(names)


def _by_energy(bodies: Bodies, mass: Floats, shape: NDArray[np.complex128]) -> str:
    energy = np.abs(np.conj(shape) * (mass @ shape))
    share = dict(zip(bodies.names, energy.tolist(), strict=True))
    twist = share["roll front"] + share["roll rear"]
    for name in _FRAME:
        share.pop(name)
    share["frame torsion"] = twist
    return max(share, key=lambda name: share[name])


def likeness(mass: Floats, one: NDArray[Any], other: NDArray[Any]) -> float:
    """Modal assurance criterion weighted by mass: 1 for shapes alike, 0 for orthogonal ones."""
    cross = abs(np.conj(one) @ mass @ other) ** 2
    return float(cross / (abs(np.conj(one) @ mass @ one) * abs(np.conj(other) @ mass @ other)))


def rigid_shapes(bodies: Bodies, cog_height_m: float) -> dict[str, Floats]:
    """Frame and mounted parts moving together as one stiff body, axles at rest."""
    specimen = bodies.specimen
    xc, yc, zc = specimen.frame.cog_m
    shapes = {name: np.zeros(bodies.count) for name in ("bounce", "pitch", "roll", "sway", "yaw")}
    for name, own in (
        ("bounce", ("heave",)), ("pitch", ("pitch",)), ("roll", ("roll front", "roll rear")), ("sway", ("sway",)),
        ("yaw", ("yaw",)),
    ):  # fmt: skip
        for dof in own:
            shapes[name][bodies.names.index(dof)] = 1.0
    for part in specimen.part:
        x, y, _ = part.cog_m
        heave = {"bounce": 1.0, "pitch": xc - x, "roll": y - yc}
        for dof, values in (("heave", heave), ("roll", {"roll": 1.0}), ("pitch", {"pitch": 1.0})):
            if f"{part.name} {dof}" in bodies.names:
                for name, value in values.items():
                    shapes[name][bodies.names.index(f"{part.name} {dof}")] = value
    # About the whole vehicle's centre of gravity, sideways at its height: rolling there costs no sway.
    shapes["roll"][bodies.names.index("sway")] = cog_height_m - zc
    return shapes
