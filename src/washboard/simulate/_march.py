"""Marching a model through time in stretches, so that progress shows, the user can stop it, and limits are watched."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.simulate._assemble import Array
from washboard.simulate._kernel import integrate
from washboard.simulate._tables import Tables

_STRETCH = 4096


@dataclass(frozen=True, kw_only=True, slots=True)
class Motion:
    """Everything the model did, one row per output step: the kernel's trace, shape (time, place). For tests."""

    trace: Array
    step_s: float
    places: dict[str, slice]

    def part(self, name: str) -> Array:
        """Time history of one part of the trace, shape (time, entry)."""
        return self.trace[:, self.places[name]]


def march(
    tables: Tables,
    command: Array,
    speed: Array,
    step_s: float,
    *,
    look: Callable[[int, Array], None],
    stretch: int = _STRETCH,
) -> NDArray[np.float64]:
    """March from rest through `command`, handing each stretch of the trace to `look` with its first step's number.

    Parameters
    ----------
    command, speed : ndarray, shape (2 * steps + 1, support)
        Displacement and velocity of the supports (on posts: the command, and anything) at half steps. [m, m/s]
    step_s : float
        Step. [s]

    Returns
    -------
    ndarray
        The state at the end.
    """
    state = np.zeros(tables.n_state)
    n_steps = (len(command) - 1) // 2
    trace = np.empty((stretch, tables.places["a"].stop))
    for first in range(0, n_steps, stretch):
        count = min(stretch, n_steps - first)
        part = slice(2 * first, 2 * (first + count) + 1)
        integrate(
            state, step_s, count, 1, command[part], speed[part], tables.on_posts, tables.sizes, tables.row,
            tables.matrix, tables.tyre, tables.spring, tables.side, tables.post, trace,
        )  # fmt: skip
        look(first, trace[:count])
    return state


def record(tables: Tables, command: Array, speed: Array, step_s: float) -> Motion:
    """March through `command` and keep the whole trace."""
    kept: list[Array] = []
    march(tables, command, speed, step_s, look=lambda _first, part: kept.append(part.copy()))
    return Motion(trace=np.vstack(kept), step_s=step_s, places=tables.places)
