"""The compiled time integration: fourth-order Runge-Kutta steps of a whole vehicle on posts or on a road.

One specialisation serves every vehicle: tables say what is there. A state row holds, in this order, positions and
velocities of the degrees of freedom, forces of supports, springs and patches (worked out anew at each evaluation),
friction states of tyres, springs and patches, and per actuator the displacement and velocity of its servo and of its
piston. The tables are laid out by `_tables.py`.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Elements are worked on this many at a time, as many numbers as one vector register holds.
LANES = 4

# Columns of the tables, as plain numbers the compiler sees.
T_K, T_K2, T_C, T_REST, T_FRIC_K, T_FRIC_RATE, T_FULL = range(7)
S_K, S_BUMP, S_REBOUND, S_FRIC_K, S_FRIC_RATE, S_GAP_BUMP, S_GAP_REBOUND, S_STOP, S_STOP2, S_REST = range(10)
L_K, L_C, L_MU, L_FLOOR, L_RELAX, L_LOAD = range(6)
P_GAIN, P_LAG, P_AMAX, P_VMAX, P_V0, P_STALL, P_OIL, P_OIL_C, P_LIGHT, P_STATIC, P_ROOM = range(11)

_FAST = {"contract", "reassoc", "nsz", "arcp"}


@njit(inline="always", fastmath=_FAST, error_model="numpy")
def _deflections(q: Array, v: Array, row: Array, e: Array, ve: Array) -> None:
    """Motion of every element's vehicle end, and its rate."""
    for b in range(0, e.shape[0], LANES):
        e0, e1, e2, e3, v0, v1, v2, v3 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for j in range(q.shape[0]):
            x, y = q[j], v[j]
            e0 += row[j, b] * x
            e1 += row[j, b + 1] * x
            e2 += row[j, b + 2] * x
            e3 += row[j, b + 3] * x
            v0 += row[j, b] * y
            v1 += row[j, b + 1] * y
            v2 += row[j, b + 2] * y
            v3 += row[j, b + 3] * y
        e[b], e[b + 1], e[b + 2], e[b + 3] = e0, e1, e2, e3
        ve[b], ve[b + 1], ve[b + 2], ve[b + 3] = v0, v1, v2, v3


@njit(inline="always", fastmath=_FAST, error_model="numpy")
def _supports(
    base: Array, base_v: Array, e_all: Array, ve_all: Array, n_wheels: int, z_all: Array, dz: Array, tyre: Array,
    force: Array,
) -> None:  # fmt: skip
    """Forces of tyres, which only push and whose damping fades as the patch does, then of the kingpin."""
    for m in range(n_wheels):
        e = base[m] - e_all[m] + tyre[m, T_REST]
        ve = base_v[m] - ve_all[m]
        grip = min(1.0, max(0.0, e * tyre[m, T_FULL]))
        z = z_all[m]
        dz[m] = tyre[m, T_FRIC_K] * ve - tyre[m, T_FRIC_RATE] * abs(ve) * z
        e = max(0.0, e)
        force[m] = max(0.0, e * (tyre[m, T_K] + tyre[m, T_K2] * e) + grip * (tyre[m, T_C] * ve + z))
    for m in range(n_wheels, base.shape[0]):
        e = base[m] - e_all[m] + tyre[m, T_REST]
        force[m] = tyre[m, T_K] * e + tyre[m, T_C] * (base_v[m] - ve_all[m])


@njit(inline="always", fastmath=_FAST, error_model="numpy")
def _springs(e_all: Array, ve_all: Array, z_all: Array, dz: Array, spring: Array, force: Array) -> None:
    """Forces of suspensions: spring, bilinear damper, Dahl friction, stops."""
    for i in range(force.shape[0]):
        e, ve, z = e_all[i], ve_all[i], z_all[i]
        dz[i] = spring[i, S_FRIC_K] * ve - spring[i, S_FRIC_RATE] * abs(ve) * z
        damper = spring[i, S_BUMP] * max(0.0, ve) + spring[i, S_REBOUND] * min(0.0, ve)
        over = max(0.0, e - spring[i, S_GAP_BUMP])
        under = max(0.0, -e - spring[i, S_GAP_REBOUND])
        stop = spring[i, S_STOP] * (over - under) + spring[i, S_STOP2] * (over * over - under * under)
        force[i] = spring[i, S_K] * e + damper + z + stop - spring[i, S_REST]


@njit(inline="always", fastmath=_FAST, error_model="numpy")
def _patches(ve_all: Array, load_all: Array, z_all: Array, dz: Array, side: Array, force: Array) -> None:
    """Side forces of contact patches: an elastic tyre that slides at the friction its load allows, and rolls free."""
    for i in range(force.shape[0]):
        ve, load, z = ve_all[i], load_all[i], z_all[i]
        k = side[i, L_K]
        slip = k * abs(ve) / (side[i, L_MU] * load + side[i, L_FLOOR])
        dz[i] = k * ve - (slip + side[i, L_RELAX]) * z
        force[i] = z + side[i, L_C] * ve * min(1.0, load * side[i, L_LOAD])


@njit(inline="always", fastmath=_FAST, error_model="numpy")
def _accelerations(linear: Array, v: Array, matrix: Array, dq: Array, dv: Array) -> None:
    """Newton: accelerations from positions, velocities and forces."""
    n = linear.shape[0]
    for i in range(v.shape[0]):
        dq[i] = v[i]
        a = matrix[i, n]
        for j in range(n):
            a += matrix[i, j] * linear[j]
        dv[i] = a


@njit(inline="always", fastmath=_FAST, error_model="numpy")
def _posts(
    command: Array, xs: Array, vs: Array, xp: Array, vp: Array, load_all: Array, post: Array, dxs: Array, dvs: Array,
    dxp: Array, dvp: Array,
) -> None:  # fmt: skip
    """Servo-hydraulic actuators: a position loop around a valve with orifice flow, a piston on its oil column."""
    for p in range(xs.shape[0]):
        oil = post[p, P_OIL] * (xs[p] - xp[p]) + post[p, P_OIL_C] * (vs[p] - vp[p])
        oil = min(post[p, P_STALL] - post[p, P_STATIC], max(-post[p, P_STALL] - post[p, P_STATIC], oil))
        wanted = post[p, P_GAIN] * (command[p] - xs[p])
        # Orifice law: less pressure is left across the valve the more load opposes the motion.
        used = (oil + post[p, P_STATIC]) * post[p, P_ROOM]
        used = used if wanted > 0.0 else -used
        reach = min(post[p, P_VMAX], post[p, P_V0] * np.sqrt(max(0.0, 1.0 - used)))
        wanted = min(reach, max(-reach, wanted))
        dxs[p] = vs[p]
        dvs[p] = min(post[p, P_AMAX], max(-post[p, P_AMAX], post[p, P_LAG] * (wanted - vs[p])))
        dxp[p] = vp[p]
        dvp[p] = (oil - load_all[p] + post[p, P_STATIC]) * post[p, P_LIGHT]


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def integrate(
    state: Array,
    step_s: float,
    n_steps: int,
    every: int,
    command: Array,
    speed: Array,
    on_posts: bool,
    sizes: Ints,
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
    (2 * n_steps + 1, support). A row of `trace` is the state followed by the accelerations, with displacement and
    velocity of the road in the place of pistons where there are none.
    """
    n, n_wheels, n_support, n_spring = sizes[0], sizes[1], sizes[2], sizes[3]
    size = state.shape[0]
    k, w, total = np.zeros(size), np.zeros(size), np.zeros(size)
    e, ve = np.zeros(row.shape[1]), np.zeros(row.shape[1])
    # Where each part stands in a row; views, so that the compiler sees plain loops.
    a0 = 2 * n
    a1 = a0 + n_support
    a2 = a1 + n_spring
    a3 = a2 + n_wheels
    a4 = a3 + n_wheels
    a5 = a4 + n_spring
    a6 = a5 + n_wheels
    a7, a8, a9 = a6 + n_support, a6 + 2 * n_support, a6 + 3 * n_support
    q, v, linear = w[:n], w[n:a0], w[:a3]
    load, pull, aside = w[a0:a1], w[a1:a2], w[a2:a3]
    e_spring, ve_spring, ve_side = e[n_support:], ve[n_support:], ve[n_support + n_spring :]
    out = 0
    for step in range(n_steps):
        for j in range(size):
            w[j] = state[j]
            total[j] = state[j]
        # One place where the rate is worked out, so that it is compiled once, not four times.
        for stage in range(4):
            at = 2 * step + (stage + 1) // 2
            _deflections(q, v, row, e, ve)
            if on_posts:
                _supports(w[a8:a9], w[a9:], e, ve, n_wheels, w[a3:a4], k[a3:a4], tyre, load)
                _posts(command[at], w[a6:a7], w[a7:a8], w[a8:a9], w[a9:], load, post, k[a6:a7], k[a7:a8], k[a8:a9],
                       k[a9:])  # fmt: skip
            else:
                _supports(command[at], speed[at], e, ve, n_wheels, w[a3:a4], k[a3:a4], tyre, load)
            _springs(e_spring, ve_spring, w[a4:a5], k[a4:a5], spring, pull)
            _patches(ve_side, load, w[a5:a6], k[a5:a6], side, aside)
            _accelerations(linear, v, matrix, k[:n], k[n:a0])
            if stage == 0 and step % every == 0:
                for j in range(size):
                    trace[out, j] = w[j]
                for j in range(n):
                    trace[out, size + j] = k[n + j]
                if not on_posts:
                    for j in range(n_support):
                        trace[out, a8 + j] = command[at, j]
                        trace[out, a9 + j] = speed[at, j]
                out += 1
            ahead = step_s if stage == 2 else step_s / 2
            weight = step_s / 3 if stage == 1 or stage == 2 else step_s / 6
            for j in range(size):
                total[j] += weight * k[j]
                w[j] = state[j] + ahead * k[j]
        for j in range(size):
            state[j] = total[j]


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def read_trace(trace: Array, place: Ints, weight: Array, offset: Array, out: Array) -> None:
    """Weighted sums over places of each row of `trace`, shape (time, place), into `out`, shape (sum, time)."""
    for t in range(trace.shape[0]):
        for s in range(place.shape[0]):
            total = offset[s]
            for j in range(place.shape[1]):
                total += weight[s, j] * trace[t, place[s, j]]
            out[s, t] = total
