"""Convergence of the iteration against a plain reference iteration and a long cautious one.

    python bench/bench_replicate.py FOLDER [EVENT ...]     on the rig of a programme whose shorten and identify are done
    python bench/bench_replicate.py --random N             on N random vehicles of `washboard.testing`
    python bench/bench_replicate.py --speed                computing time of a 10-minute, 8-drive, 12-response target

The plain reference: uniform weights, gain 0.7 (first play 0.5), one Tikhonov constant of 1e-3 of the largest diagonal
element over all lines and drives. The cautious one: the same with gain 0.2 and 60 plays. Both keep their best play and
are held to the same limits.
"""

import argparse
import dataclasses
import json
import time
from pathlib import Path

import numpy as np

from washboard.errors import RigTripped
from washboard.identify import hold_to_limits
from washboard.replicate import Iteration, forecast, make_problem, prepare_target, weighted_inverse


def plain(problem, play, *, plays, gain, tikhonov=1e-3):
    """Overall errors of the plain iteration, play by play; NaN where the rig trips, which ends it."""
    target, frf = problem.target, problem.model.frf
    weight = np.broadcast_to(1 / target.rms, problem.weight.shape)
    scale = np.sqrt((np.abs(frf * weight[:, :, None]) ** 2).sum(axis=1).max(axis=0))
    scaled = frf / scale
    inverse = weighted_inverse(scaled, weight, np.full((frf.shape[0], frf.shape[2]), tikhonov))
    drive, response, errors = 0.0, 0.0, []
    for number in range(plays):
        error = target.spectrum - response * target.edge[:, None]
        step = np.einsum("fji,fi->fj", inverse, error) / scale * target.edge[:, None]
        drive = drive + (0.5 if number == 0 else gain) * step
        held = hold_to_limits(
            target.to_time(drive), target.rate_hz, problem.limits, band_hz=target.band_hz, taper=target.taper
        )
        try:
            lines = target.to_lines(play(held.samples))
        except RigTripped:
            errors.append(np.nan)
            break
        drive, response = target.to_lines(held.samples), lines
        off = target.to_time(target.spectrum - lines * target.edge[:, None])[:, target.span]
        errors.append(float(np.sqrt(np.mean(np.mean(off**2, axis=1) / target.rms**2))))
    return errors


def ours(problem, play, *, plays):
    iteration = Iteration(problem=problem)
    for _number in range(plays):
        proposal = iteration.propose()
        try:
            iteration.answered(proposal, play(proposal.drive))
        except RigTripped:
            iteration.tripped(proposal)
    return iteration


def report(name, problem, play, *, cautious_plays=60, plays=10):
    iteration = ours(problem, play, plays=plays)
    own = [entry.overall for entry in iteration.plays]
    reference = plain(problem, play, plays=plays, gain=0.7)
    cautious = plain(problem, play, plays=cautious_plays, gain=0.2) if cautious_plays else [np.nan]
    row = {
        "case": name,
        "ours": [round(value, 4) for value in own],
        "plain": [round(value, 4) for value in reference],
        "best_ours": float(np.nanmin(own)),
        "best_plain": float(np.nanmin(reference)),
        "best_cautious": float(np.nanmin(cautious)) if np.isfinite(cautious).any() else None,
        "plain_tripped": bool(np.isnan(reference).any()),
        "cautious_tripped": bool(np.isnan(cautious).any()),
        "forecast": forecast(problem).overall,
        "trips": int(np.isnan(own).sum()),
    }
    print(json.dumps(row), flush=True)
    return row


def on_programme(folder, events, control, cautious_plays):
    from washboard.identify import limits_of
    from washboard.programme import load_table, read_plan
    from washboard.programme._frf_file import load_frf
    from washboard.programme._rig_link import open_link
    from washboard.recording import Recording, read_recording

    plan = read_plan(folder)
    link = open_link(plan, folder)
    channels = link.channels()
    frf = load_frf(folder / "stages" / "identify" / "frf.nc")
    names = control or tuple(channel.name for channel in plan.control)
    limits = limits_of(plan.rig.actuators, channels.drives).scaled(1 - plan.replicate.reserve)
    rows = []
    for event, entry in load_table(folder / "stages" / "shorten" / "shorten.json")["events"].items():
        if events and event not in events:
            continue
        recorded = read_recording(folder / "stages" / "shorten" / entry["file"]).in_si().select(names)
        target = prepare_target(
            np.asarray(recorded.samples, float), recorded.rate_hz, names=names,
            band_hz=(plan.band.low_hz, plan.band.high_hz), taper_s=plan.replicate.taper_s,
        )  # fmt: skip
        problem = make_problem(target, frf, limits=limits)
        count = [0]

        def play(samples, count=count, event=event):
            count[0] += 1
            drive = Recording(samples=samples, rate_hz=channels.rate_hz, channels=channels.drives)
            response = link.play(drive, label=f"bench-{event}-{count[0]}-{time.time_ns()}")
            return np.asarray(response.select(names).in_si().samples, float)

        rows.append(report(f"{plan.programme.name} / {event}", problem, play, cautious_plays=cautious_plays))
    return rows


def on_random(count, first=1):
    from washboard.identify import DriveLimits, IdentifySettings, field_goal, identify_rig
    from washboard.recording import Recording
    from washboard.testing import RESPONSES, BenchRig, any_vehicle, field_target

    limits = DriveLimits(
        names=tuple("1234"), reach=np.full(4, 0.115), velocity=np.full(4, 1.5), acceleration=np.full(4, 80.0)
    )
    rows = []
    for seed in range(first, first + count):
        vehicle = any_vehicle(seed)
        rig = BenchRig(vehicle, seed=seed)
        kind = ("random", "furrows", "twist")[seed % 3]
        road = field_target(vehicle, kind=kind, roughness=256e-6, lateral=800.0, seed=seed, duration_s=40.0)

        def play(samples, _label="", rig=rig):
            drive = Recording(samples=samples, rate_hz=rig.rate_hz, channels=rig.channels().drives)
            return np.asarray(rig.play(drive).samples)

        found = identify_rig(
            play, responses=RESPONSES, drives=limits.names, rate_hz=256.0, limits=limits, band_hz=(0.6, 20.0),
            goal=field_goal([(np.asarray(road.samples), 256.0)], band_hz=(0.6, 20.0)), settings=IdentifySettings(),
            seed=seed,
        )  # fmt: skip
        names = RESPONSES if seed % 2 else RESPONSES[:4]
        target = prepare_target(
            np.asarray(road.select(names).samples), 256.0, names=tuple(names), band_hz=(0.6, 20.0), taper_s=3.0
        )
        rows_of = [RESPONSES.index(name) for name in names]
        problem = make_problem(target, found.frf, limits=limits)
        rows.append(
            report(f"seed {seed} {kind} {len(names)}", problem, lambda s, r=rows_of, p=play: p(s)[r], cautious_plays=0)
        )
    worse = [row["case"] for row in rows if row["best_ours"] > 1.02 * row["best_plain"]]
    ratio = np.array([row["best_ours"] / row["best_plain"] for row in rows])
    line = f"worse than plain: {len(worse)} of {count} {worse}"
    print(f"{line}; ratio median {np.median(ratio):.2f}, worst {ratio.max():.2f}")
    print(f"rig trips: {sum(row['trips'] for row in rows)}")
    return rows


def speed():
    import resource

    from washboard.identify import DriveLimits, Frf

    rng = np.random.default_rng(1)
    rate_hz, p, q = 512.0, 12, 8
    f = np.arange(0.3, 27.0, 1 / 16)
    poles = 1 / (1 - (f[:, None, None] / rng.uniform(1, 15, (1, p, q))) ** 2 + 0.1j * f[:, None, None] / 5)
    values = -((2 * np.pi * f[:, None, None]) ** 2) * poles * rng.normal(size=(1, p, q))
    ones = np.ones((f.size, p))
    frf = Frf(
        values=values, freq_hz=f, responses=tuple(f"r{k}" for k in range(p)), drives=tuple(f"d{k}" for k in range(q)),
        residual=ones * 1e-3, noise=ones * 1e-5, information=np.broadcast_to(np.eye(q) * 1e-4, (f.size, q, q)) + 0j,
        coherence=ones, n_experiments=16.0, averaged=np.ones(f.size),
    )  # fmt: skip
    samples = rng.standard_normal((p, round(600 * rate_hz)))
    limits = DriveLimits(
        names=frf.drives, reach=np.full(q, 0.1), velocity=np.full(q, 1.5), acceleration=np.full(q, 80.0)
    )
    start, start_cpu = time.perf_counter(), time.process_time()
    target = prepare_target(samples, rate_hz, names=frf.responses, band_hz=(0.6, 20.0), taper_s=3.0)
    problem = make_problem(target, frf, limits=limits)
    forecast(dataclasses.replace(problem))
    iteration = Iteration(problem=problem)
    for _number in range(10):
        proposal = iteration.propose()
        made = np.einsum("fij,fj->fi", problem.model.frf, target.to_lines(proposal.drive)) * 1.1
        iteration.answered(proposal, target.to_time(made))
    spent = time.perf_counter() - start
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    cpu = time.process_time() - start_cpu
    print(json.dumps({"ten_plays_s": round(spent, 2), "processor_s": round(cpu, 2), "memory_gb": round(memory, 2)}))


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("events", nargs="*")
    parser.add_argument("--random", type=int, default=0)
    parser.add_argument("--speed", action="store_true")
    parser.add_argument("--cautious", type=int, default=60)
    parser.add_argument("--control", default="")
    given = parser.parse_args()
    if given.speed:
        speed()
    if given.random:
        on_random(given.random)
    if given.folder:
        on_programme(given.folder, given.events, tuple(filter(None, given.control.split(","))), given.cautious)
