"""How fast the virtual rig runs, and how far from converged, against MuJoCo's rollout.

Three models there: springs and dampers in joints alone; with friction in the joints; and one of like size, with driven
posts, wheels that stand on them by contact and may lift, friction and stops, which is the fair comparison.

Run: python bench/bench_simulate.py [seconds]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from harness import machine, measure, table

from washboard import simulate
from washboard.programme import example_text, parse_plan
from washboard.recording import Channel, Recording
from washboard.simulate._march import march, record
from washboard.simulate._rates import to_half_steps

RATE_HZ = 500.0


def vehicle(*, parts: bool):
    """The quarry tipper on its posts; without its cab and engine for the case of like size."""
    import dataclasses

    plan = parse_plan(example_text("quarry-tipper"))
    specimen = plan.specimen
    if not parts:
        specimen = dataclasses.replace(specimen, part=())
    sensors = tuple(c for c in plan.channel if parts or c.on != "cab")
    return simulate.VirtualRig(specimen=specimen, rig=plan.rig, sensors=sensors, rate_hz=RATE_HZ)


def rough_drive(rig, seconds: float) -> Recording:
    from scipy import signal

    rng = np.random.default_rng(0)
    n = round(seconds * RATE_HZ)
    sos = signal.butter(2, [0.6, 25.0], "band", fs=RATE_HZ, output="sos")
    u = signal.sosfilt(sos, rng.standard_normal((4, n)), axis=1)
    freq = np.fft.rfftfreq(n, 1 / RATE_HZ)
    u = np.fft.irfft(np.fft.rfft(u) / np.maximum(freq, 0.6), n)
    u *= 0.012 / u.std() * np.clip(np.minimum(np.arange(n), np.arange(n)[::-1]) / RATE_HZ, 0, 1)
    channels = tuple(Channel(name=a.name, unit="m") for a in rig.rig.actuators)
    return Recording(samples=np.clip(u, -0.1, 0.1), rate_hz=RATE_HZ, channels=channels)


def mujoco_rollout(seconds: float, *, friction: float):
    """Heave, pitch, roll of two frame halves, four wheels, two seat-like masses: joint springs and dampers only."""
    import mujoco
    from mujoco import rollout

    loss = f'frictionloss="{friction}"' if friction else ""

    def wheel(name, x, y):
        return f"""<body name="{name}" pos="{x} {y} -0.6">
          <joint type="slide" axis="0 0 1" stiffness="300000" damping="12000" {loss}/>
          <inertial pos="0 0 0" mass="350" diaginertia="20 20 20"/></body>"""

    text = f"""<mujoco><option timestep="{1 / 2000}" integrator="implicitfast" gravity="0 0 0"/>
      <worldbody><body name="front">
        <joint type="slide" axis="0 0 1" stiffness="1500000" damping="20000"/>
        <joint type="hinge" axis="0 1 0" stiffness="3000000" damping="30000"/>
        <joint type="hinge" axis="1 0 0" stiffness="800000" damping="9000"/>
        <inertial pos="0 0 0" mass="4800" diaginertia="2000 15000 15000"/>
        {wheel("fl", 1.9, 1.0)}{wheel("fr", 1.9, -1.0)}
        <body name="rear"><joint type="hinge" axis="1 0 0" stiffness="260000" damping="900"/>
          <inertial pos="0 0 0" mass="4800" diaginertia="5000 15000 15000"/>
          {wheel("rl", -1.9, 1.0)}{wheel("rr", -1.9, -1.0)}
          <body name="seat" pos="0 0 1"><joint type="slide" axis="0 0 1" stiffness="12000" damping="600"/>
            <inertial pos="0 0 0" mass="80" diaginertia="5 5 5"/></body>
        </body></body></worldbody></mujoco>"""
    model = mujoco.MjModel.from_xml_string(text)
    data = mujoco.MjData(model)
    steps = round(seconds * 2000)
    size = mujoco.mj_stateSize(model, mujoco.mjtState.mjSTATE_FULLPHYSICS)
    start = np.zeros(size)
    mujoco.mj_getState(model, data, start, mujoco.mjtState.mjSTATE_FULLPHYSICS)
    start[1] = 0.01

    def run():
        with rollout.Rollout(nthread=0) as pool:
            pool.rollout(model, data, start[None], nstep=steps)

    return run


def mujoco_whole(seconds: float):
    """The same vehicle with what ours has: wheels that stand on four driven posts by contact, may lift and slide on
    their pans, tyres as sprung masses below, suspension friction, stops as joint limits, posts as position servos.
    """
    import mujoco
    from mujoco import rollout

    places = {"fl": (1.9, 1.0), "fr": (1.9, -1.0), "rl": (-1.9, 1.0), "rr": (-1.9, -1.0)}
    grip = 'friction="0.6 0.005 0.0001" solref="0.004 1" solimp="0.95 0.99 0.001"'

    def wheel(name):
        x, y = places[name]
        return f"""<body name="{name}" pos="{x} {y} -0.6">
          <joint name="s{name}" type="slide" axis="0 0 1" stiffness="300000" damping="12000" frictionloss="2000"
                 range="-0.09 0.07" limited="true" solreflimit="0.01 1"/>
          <inertial pos="0 0 0" mass="350" diaginertia="20 20 20"/>
          <body name="t{name}" pos="0 0 -0.45">
            <joint name="z{name}" type="slide" axis="0 0 1" stiffness="900000" damping="2600"/>
            <joint name="y{name}" type="slide" axis="0 1 0" stiffness="320000" damping="3000"/>
            <inertial pos="0 0 0" mass="12" diaginertia="0.3 0.3 0.3"/>
            <geom type="sphere" size="0.05" contype="1" conaffinity="2" {grip}/></body></body>"""

    def post(name):
        x, y = places[name]
        return f"""<body pos="{x} {y} -1.15"><joint name="p{name}" type="slide" axis="0 0 1" damping="200"/>
          <geom type="box" size="0.5 0.45 0.05" mass="180" contype="2" conaffinity="1" {grip}/></body>"""

    servos = "".join(f'<position joint="p{name}" kp="1.2e7" kv="9e4"/>' for name in places)
    text = f"""<mujoco><option timestep="{1 / 2000}" integrator="implicitfast" cone="elliptic"/>
      <worldbody>{"".join(post(name) for name in places)}
        <body name="front"><freejoint/><inertial pos="0 0 0" mass="4800" diaginertia="2000 15000 15000"/>
          {wheel("fl")}{wheel("fr")}
          <body name="rear"><joint type="hinge" axis="1 0 0" stiffness="420000" damping="1800"/>
            <inertial pos="0 0 0" mass="4800" diaginertia="5000 15000 15000"/>{wheel("rl")}{wheel("rr")}</body>
        </body></worldbody><actuator>{servos}</actuator></mujoco>"""
    model = mujoco.MjModel.from_xml_string(text)
    data = mujoco.MjData(model)
    for name in places:
        for joint, load in ((f"s{name}", 2400 * 9.81 / 300000), (f"z{name}", 2762 * 9.81 / 900000)):
            model.qpos_spring[model.joint(joint).qposadr[0]] = -load
    size = mujoco.mj_stateSize(model, mujoco.mjtState.mjSTATE_FULLPHYSICS)
    start = np.zeros(size)
    mujoco.mj_getState(model, data, start, mujoco.mjtState.mjSTATE_FULLPHYSICS)
    steps = round(seconds * 2000)
    time = np.arange(steps) / 2000
    phase = np.arange(4)[:, None]
    drive = 0.02 * np.sin(2 * np.pi * 1.3 * time + phase) + 0.002 * np.sin(2 * np.pi * 9.0 * time + 2 * phase)

    def run():
        with rollout.Rollout(nthread=0) as pool:
            pool.rollout(model, data, start[None], drive.T[None].copy(), nstep=steps)

    return run


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 600.0
    print(machine())
    rig, laden = vehicle(parts=False), vehicle(parts=True)
    drive = rough_drive(rig, seconds)
    fine = to_half_steps(np.asarray(drive.samples), RATE_HZ)
    cases = {
        "steps alone, 10 degrees of freedom, 4 posts": lambda: march(
            rig.tables, fine, fine, 1 / 2000, look=lambda _first, _trace: None
        ),
        "steps alone, with cab and engine, 14 degrees of freedom": lambda: march(
            laden.tables, fine, fine, 1 / 2000, look=lambda _first, _trace: None
        ),
        "VirtualRig.play, 11 sensors with noise": lambda: rig.play(drive),
        "MuJoCo rollout, 9 degrees of freedom, joint springs only": mujoco_rollout(seconds, friction=0.0),
        "MuJoCo rollout, the same with joint friction": mujoco_rollout(seconds, friction=2000.0),
        "MuJoCo rollout, of like size: four posts, wheels in contact, friction, stops": mujoco_whole(seconds),
    }
    found = measure(cases, runs=5, few={name: 2 for name in cases if name.startswith("MuJoCo")})
    first = next(iter(cases))
    print(table(found, reference=first, title=f"{seconds:g} s of rough drive at 2 kHz, fourth-order steps"))
    for name, timing in found.items():
        own = seconds / min(timing.cpu_s)
        print(f"{name}: {seconds / timing.least_s:.0f} x real time by the clock, {own:.0f} x by processor time")
    accuracy(rig)


def accuracy(rig) -> None:
    short = rough_drive(rig, 20.0)
    seen = {}
    for refine in (1, 2, 32):
        fine = np.asarray(short.samples)
        # Finer on the same curve: band-limited first, then straight between half steps.
        base = to_half_steps(fine, RATE_HZ)
        at = np.arange((len(base) - 1) * refine + 1) / refine
        command = np.stack([np.interp(at, np.arange(len(base)), column) for column in base.T], axis=1)
        motion = record(rig.tables, command, command, 1 / 2000 / refine)
        seen[refine] = rig.rows.read(np.ascontiguousarray(motion.trace[::refine]))
        loads = motion.part("support")
    error = np.sqrt(((seen[1] - seen[32]) ** 2).mean(axis=1)) / seen[32].std(axis=1)
    half = np.abs(seen[1].std(axis=1) / seen[2].std(axis=1) - 1)
    print(
        f"relative RMS from steps of 1/64 kHz, 20 s: {error.min():.1e} to {error.max():.1e}; halving the step changes"
    )
    print(f"RMS by at most {half.max():.1e}; wheels off the ground for {(loads <= 0).mean():.2%} of the time")


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    main()
