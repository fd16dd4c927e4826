"""The compiled time integration: fourth-order Runge-Kutta steps of a whole vehicle on posts or on a road.

One specialisation serves every vehicle: tables say what is there. A state row holds, in this order, positions `q` and
velocities of the degrees of freedom, forces of supports, springs and patches (worked out anew at each evaluation),
friction states of tyres, springs and patches, and per actuator the displacement and velocity of its servo and of its
piston. The tables are laid out by `_tables.py`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Elements move at most this many degrees of freedom.
WIDTH = 6

# Columns of the tables, as plain numbers the compiler sees.
T_K, T_K2, T_C, T_REST, T_FRIC_K, T_FRIC_RATE, T_FULL = range(7)
S_K, S_BUMP, S_REBOUND, S_FRIC_K, S_FRIC_RATE, S_GAP_BUMP, S_GAP_REBOUND, S_STOP, S_STOP2 = range(9)
L_K, L_C, L_MU, L_FLOOR, L_RELAX, L_LOAD = range(6)
P_GAIN, P_LAG, P_AMAX, P_VMAX, P_V0, P_STALL, P_OIL, P_OIL_C, P_MASS, P_STATIC = range(10)

_FAST = {"contract", "reassoc", "nsz", "arcp"}


@njit(inline="always", fastmath=_FAST)
def _rate(
    w: Array,
    d: Array,
    command: Array,
    speed: Array,
    on_posts: bool,
    n: int,
    n_wheels: int,
    n_support: int,
    n_spring: int,
    where: Ints,
    row: Array,
    matrix: Array,
    tyre: Array,
    spring: Array,
    side: Array,
    post: Array,
) -> None:
    """Time derivative `d` of the state `w`; the forces in `w` are brought up to date on the way."""
    f_support, f_spring = 2 * n, 2 * n + n_support
    f_side = f_spring + n_spring
    n_lin = f_side + n_wheels
    z_tyre, z_spring = n_lin, n_lin + n_wheels
    z_side = z_spring + n_spring
    servo = z_side + n_wheels
    servo_v, piston, piston_v = servo + n_support, servo + 2 * n_support, servo + 3 * n_support
    for m in range(n_support):
        base = w[piston + m] if on_posts else command[m]
        base_v = w[piston_v + m] if on_posts else speed[m]
        e = base
        ve = base_v
        for k in range(WIDTH):
            j = where[m, k]
            e -= row[m, k] * w[j]
            ve -= row[m, k] * w[n + j]
        e += tyre[m, T_REST]
        if m < n_wheels:
            grip = min(1.0, max(0.0, e * tyre[m, T_FULL]))
            z = w[z_tyre + m]
            d[z_tyre + m] = tyre[m, T_FRIC_K] * ve - tyre[m, T_FRIC_RATE] * abs(ve) * z
            e = max(0.0, e)
            w[f_support + m] = max(0.0, e * (tyre[m, T_K] + tyre[m, T_K2] * e) + grip * (tyre[m, T_C] * ve + z))
        else:
            w[f_support + m] = tyre[m, T_K] * e + tyre[m, T_C] * ve
    for i in range(n_spring):
        m = n_support + i
        e = 0.0
        ve = 0.0
        for k in range(WIDTH):
            j = where[m, k]
            e += row[m, k] * w[j]
            ve += row[m, k] * w[n + j]
        z = w[z_spring + i]
        d[z_spring + i] = spring[i, S_FRIC_K] * ve - spring[i, S_FRIC_RATE] * abs(ve) * z
        damper = spring[i, S_BUMP] * max(0.0, ve) + spring[i, S_REBOUND] * min(0.0, ve)
        over = max(0.0, e - spring[i, S_GAP_BUMP])
        under = max(0.0, -e - spring[i, S_GAP_REBOUND])
        stop = spring[i, S_STOP] * (over - under) + spring[i, S_STOP2] * (over * over - under * under)
        w[f_spring + i] = spring[i, S_K] * e + damper + z + stop
    for i in range(n_wheels):
        m = n_support + n_spring + i
        ve = 0.0
        for k in range(WIDTH):
            ve += row[m, k] * w[n + where[m, k]]
        load = w[f_support + i]
        z = w[z_side + i]
        k_side = side[i, L_K]
        slip = k_side * abs(ve) / (side[i, L_MU] * load + side[i, L_FLOOR])
        d[z_side + i] = k_side * ve - (slip + side[i, L_RELAX]) * z
        w[f_side + i] = z + side[i, L_C] * ve * min(1.0, load * side[i, L_LOAD])
    for i in range(n):
        d[i] = w[n + i]
        a = matrix[i, n_lin]
        for j in range(n_lin):
            a += matrix[i, j] * w[j]
        d[n + i] = a
    if on_posts:
        for p in range(n_support):
            xs, vs, xp, vp = w[servo + p], w[servo_v + p], w[piston + p], w[piston_v + p]
            load = w[f_support + p] - post[p, P_STATIC]
            oil = post[p, P_OIL] * (xs - xp) + post[p, P_OIL_C] * (vs - vp)
            room = 1.0 / post[p, P_STALL]
            oil = min(post[p, P_STALL] - post[p, P_STATIC], max(-post[p, P_STALL] - post[p, P_STATIC], oil))
            wanted = post[p, P_GAIN] * (command[p] - xs)
            # Orifice law: less pressure is left across the valve the more load opposes the motion.
            used = (oil + post[p, P_STATIC]) * room
            used = used if wanted > 0.0 else -used
            reach = min(post[p, P_VMAX], post[p, P_V0] * np.sqrt(max(0.0, 1.0 - used)))
            wanted = min(reach, max(-reach, wanted))
            d[servo + p] = vs
            d[servo_v + p] = min(post[p, P_AMAX], max(-post[p, P_AMAX], post[p, P_LAG] * (wanted - vs)))
            d[piston + p] = vp
            d[piston_v + p] = (oil - load) / post[p, P_MASS]


@njit(cache=True, fastmath=_FAST, nogil=True)
def integrate(
    state: Array,
    step_s: float,
    n_steps: int,
    every: int,
    command: Array,
    speed: Array,
    on_posts: bool,
    sizes: Ints,
    where: Ints,
    row: Array,
    matrix: Array,
    tyre: Array,
    spring: Array,
    side: Array,
    post: Array,
    trace: Array,
) -> None:
    """March `state` on by `n_steps` steps; before every `every`-th step write a row of `trace`.

    `command` and `speed` hold displacement (and, on a road, velocity) of the supports at half steps, shape
    (2 * n_steps + 1, support). A row of `trace` is the state followed by the accelerations, and for supports that move
    without actuators by their displacement and velocity.
    """
    n, n_wheels, n_support, n_spring = sizes[0], sizes[1], sizes[2], sizes[3]
    size = state.shape[0]
    k1, k2, k3, k4, w = np.zeros(size), np.zeros(size), np.zeros(size), np.zeros(size), np.zeros(size)
    half, sixth = step_s / 2, step_s / 6
    out = 0
    for step in range(n_steps):
        s = 2 * step
        _rate(state, k1, command[s], speed[s], on_posts, n, n_wheels, n_support, n_spring, where, row, matrix, tyre,
              spring, side, post)  # fmt: skip
        if step % every == 0:
            for j in range(size):
                trace[out, j] = state[j]
            for j in range(n):
                trace[out, size + j] = k1[n + j]
            if not on_posts:
                piston = size - 2 * n_support
                for j in range(n_support):
                    trace[out, piston + j] = command[s, j]
                    trace[out, piston + n_support + j] = speed[s, j]
            out += 1
        for j in range(size):
            w[j] = state[j] + half * k1[j]
        _rate(w, k2, command[s + 1], speed[s + 1], on_posts, n, n_wheels, n_support, n_spring, where, row, matrix,
              tyre, spring, side, post)  # fmt: skip
        for j in range(size):
            w[j] = state[j] + half * k2[j]
        _rate(w, k3, command[s + 1], speed[s + 1], on_posts, n, n_wheels, n_support, n_spring, where, row, matrix,
              tyre, spring, side, post)  # fmt: skip
        for j in range(size):
            w[j] = state[j] + step_s * k3[j]
        _rate(w, k4, command[s + 2], speed[s + 2], on_posts, n, n_wheels, n_support, n_spring, where, row, matrix,
              tyre, spring, side, post)  # fmt: skip
        for j in range(size):
            state[j] += sixth * (k1[j] + 2.0 * (k2[j] + k3[j]) + k4[j])


def compiled() -> Any:
    """The compiled function, for tests that look at it."""
    return integrate
