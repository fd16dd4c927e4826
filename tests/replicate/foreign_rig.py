"""A vehicle on four posts in another physics engine (MuJoCo), as a program: drive file in, response file out.

Run by tests as a rig behind a command. Wheels on sliders with dry friction and stops, tyres that only push on plates
they can leave, plates pushed by stiff position servos; the body is free in all six directions. `--rolling` gives the
tyres the damping of rolling ones: the road instead of the rig.
"""

import argparse
import csv
from pathlib import Path

import mujoco
import numpy as np

FRONT_M, HALF_TRACK_M, HEIGHT_M = 2.5, 0.85, 1.1
WHEELS = {"1_left": (0.0, 1), "1_right": (0.0, -1), "2_left": (-FRONT_M, 1), "2_right": (-FRONT_M, -1)}
BODY_KG, WHEEL_KG, TYRE_KG, SPRING_N_M, TYRE_N_M = 3200.0, 200.0, 10.0, 1.6e5, 4.5e5
STEP_S = 1 / 1024


def model(tyre_damping):
    wheels, posts, servos, sensors = "", "", "", ""
    for name, (x, side) in WHEELS.items():
        place = f"{x + FRONT_M / 2} {side * HALF_TRACK_M}"
        load = BODY_KG * 9.81 / 4
        wheels += f"""
        <body pos="{place} {0.5 - HEIGHT_M}"><inertial pos="0 0 0" mass="{WHEEL_KG}" diaginertia="9 9 9"/>
          <joint name="spring_{name}" type="slide" axis="0 0 1" stiffness="{SPRING_N_M}" damping="7e3" frictionloss="500"
            springref="{-load / SPRING_N_M}" range="-0.09 0.09" limited="true"/>
          <site name="axle_{name}"/>
          <body pos="0 0 -0.45"><inertial pos="0 0 0" mass="{TYRE_KG}" diaginertia="1 1 1"/>
            <joint type="slide" axis="0 1 0" stiffness="2e5" damping="1500"/>
            <joint type="slide" axis="0 0 1" stiffness="{TYRE_N_M}" damping="{tyre_damping}"
              springref="{-(load + WHEEL_KG * 9.81) / TYRE_N_M}"/>
            <geom type="sphere" size="0.05" contype="1" conaffinity="2" friction="0.8" solref="0.004 1"/></body></body>"""
        posts += f"""
      <body pos="{place} 0"><joint name="post_{name}" type="slide" axis="0 0 1" damping="200"/>
        <geom type="box" size="0.4 0.4 0.05" pos="0 0 -0.05" mass="200" contype="2" conaffinity="1" friction="0.8"
          solref="0.004 1"/></body>"""
        servos += f'<position joint="post_{name}" kp="1e7" kv="8e4"/>'
        sensors += f'<accelerometer name="axle_{name}" site="axle_{name}"/>'
        sensors += f'<jointpos name="travel_{name}" joint="spring_{name}"/>'
    sites = ""
    for name, (x, side) in WHEELS.items():
        sites += f'<site name="body_{name}" pos="{x + FRONT_M / 2} {side * 0.5} 0.2"/>'
        sensors += f'<accelerometer name="body_{name}" site="body_{name}"/>'
    return mujoco.MjModel.from_xml_string(
        f"""<mujoco><option timestep="{STEP_S}" integrator="implicitfast" gravity="0 0 -9.81" cone="elliptic"/>
    <worldbody>{posts}
      <body pos="0 0 {HEIGHT_M}"><freejoint/>
        <inertial pos="0 0 0" mass="{BODY_KG}" diaginertia="1500 4200 4500"/>
        {sites}<site name="roof" pos="0 0 1.2"/>{wheels}
      </body></worldbody>
    <actuator>{servos}</actuator><sensor>{sensors}<accelerometer name="roof" site="roof"/></sensor></mujoco>"""
    )


def responses(drive, rate_hz, *, rolling=False, noise=0.01, seed=1):
    """Responses by name to plates moved as `drive` (post, time) [m]."""
    built = model(2200.0 if rolling else 500.0)
    state = mujoco.MjData(built)
    each = round(1 / rate_hz / STEP_S)
    for _ in range(round(4.0 / STEP_S)):
        mujoco.mj_step(built, state)
    place = {built.sensor(k).name: built.sensor(k).adr[0] for k in range(built.nsensor)}
    n = drive.shape[1]
    fine = np.stack([np.interp(np.arange(n * each) / each, np.arange(n), row) for row in drive], axis=1)
    seen = np.empty((n * each, built.nsensordata))
    for k, command in enumerate(fine):
        state.ctrl[:] = command
        mujoco.mj_step(built, state)
        seen[k] = state.sensordata
    mean = seen.reshape(n, each, -1).mean(axis=1).T
    found = {}
    for name in WHEELS:
        found[f"axle_{name}_az"] = mean[place[f"axle_{name}"] + 2] - 9.81
        found[f"body_{name}_az"] = mean[place[f"body_{name}"] + 2] - 9.81
    found |= {"roof_ay": mean[place["roof"] + 1], "roof_ax": mean[place["roof"]]}
    for name in ("1_left", "2_right"):
        travel = mean[place[f"travel_{name}"]]
        found[f"spring_{name}"] = travel - travel[0]
    random = np.random.default_rng(seed)
    return {name: row + noise * row.std() * random.standard_normal(n) for name, row in found.items()}


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--drive")
    parser.add_argument("--response")
    given = parser.parse_args()
    with Path(given.drive).open(newline="") as stream:
        rows = list(csv.reader(stream))
    first = next(k for k, row in enumerate(rows) if row and row[0].replace(".", "", 1).replace("-", "", 1).isdigit())
    table = np.array([[float(value) for value in row] for row in rows[first:] if row]).T
    rate_hz = 1 / np.median(np.diff(table[0]))
    found = responses(table[1:5], rate_hz, seed=int(np.abs(table[1:]).sum() * 1e9) % 2**31)
    # As a recorder of another house would: its own order, one channel more.
    names = sorted(found, reverse=True)
    with Path(given.response).open("w", newline="") as stream:
        out = csv.writer(stream)
        out.writerow(["time", "supply pressure", *names])
        out.writerow(["s", "bar", *("m" if name.startswith("spring") else "m/s2" for name in names)])
        for k in range(table.shape[1]):
            out.writerow([f"{k / rate_hz:.9f}", "207", *(f"{found[name][k]:.8g}" for name in names)])


if __name__ == "__main__":
    main()
