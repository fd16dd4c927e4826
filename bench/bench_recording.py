"""How well faults are found, and how long big recordings take.

    python bench/bench_recording.py faults [channels per kind]     precision and recall, single channels
    python bench/bench_recording.py laps [repeats]                 the same between channels and laps, virtual field
    python bench/bench_recording.py size [hours]                   64 channels at 512 Hz: import, check, peak memory

Faults are planted with `washboard.recording.plant_faults`. Clean channels are those of a vehicle on rough roads with
potholes, cobbles and washboard (`washboard.testing`), of varied seeds, levels, sample rates, filters and converters.
"""

from __future__ import annotations

import collections
import multiprocessing
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from washboard.recording import Channel, Fault, Recording, lap_faults, plant_faults, read_recording
from washboard.recording._array_faults import array_faults
from washboard.recording._faults import channel_faults

SINGLE = (
    "spike", "nan", "zero", "flat", "clipping", "offset", "drift", "step", "resolution", "hum", "aliasing", "noise",
)  # fmt: skip


def single_fault(kind: str, length_s: float, rng: np.random.Generator) -> Fault:
    place, sign = float(rng.uniform(0.1, 0.8) * length_s), float(rng.choice((-1.0, 1.0)))
    made = {
        "spike": lambda: Fault(kind="spike", channel="x", level=rng.uniform(0.5, 4), count=int(rng.integers(1, 20))),
        "nan": lambda: Fault(kind="nan", channel="x", start_s=place, duration_s=rng.uniform(0.005, 2)),
        "zero": lambda: Fault(kind="zero", channel="x", start_s=place, duration_s=rng.uniform(0.05, 2)),
        "flat": lambda: Fault(kind="flat", channel="x", start_s=place, duration_s=rng.uniform(0.05, 2)),
        "clipping": lambda: Fault(kind="clipping", channel="x", level=rng.uniform(0.3, 0.7)),
        "offset": lambda: Fault(kind="offset", channel="x", level=sign * rng.uniform(4, 10)),
        "drift": lambda: Fault(kind="drift", channel="x", level=sign * rng.uniform(3, 10)),
        "step": lambda: Fault(
            kind="step", channel="x", start_s=rng.uniform(0.2, 0.8) * length_s, level=sign * rng.uniform(3, 10)
        ),
        "resolution": lambda: Fault(kind="resolution", channel="x", level=rng.uniform(0.2, 1)),
        "hum": lambda: Fault(kind="hum", channel="x", level=rng.uniform(0.1, 0.5)),
        "aliasing": lambda: Fault(kind="aliasing", channel="x", level=rng.uniform(0.05, 0.4)),
        "noise": lambda: Fault(kind="noise", channel="x", level=rng.uniform(0.1, 0.5)),
    }[kind]
    return made()


def as_recording(seed: int) -> Recording:
    from washboard.testing._rough_channel import rough_channel

    made = rough_channel(seed)
    channel = Channel(name="x", unit=made.unit, quantity=made.quantity)
    return Recording(samples=made.samples[None], rate_hz=made.rate_hz, channels=(channel,), name=made.road)


def kinds_found(recording: Recording) -> set[str]:
    found = channel_faults(recording.samples[0], recording.rate_hz, recording.channels[0])
    return {finding.kind for finding in found}


def faults(count: int) -> None:
    false: collections.Counter[str] = collections.Counter()
    for seed in range(count):
        false.update(kinds_found(as_recording(1_000_000 + seed)))
    print(f"{count} clean channels, {count} planted of each kind")
    print("| kind | recall | precision | false alarms on clean channels | also reported on channels with this fault |")
    print("|---|---|---|---|---|")
    for number, kind in enumerate(SINGLE):
        hits, also = 0, collections.Counter[str]()
        for seed in range(count):
            clean = as_recording(2_000_000 + 10_000 * number + seed)
            rng = np.random.default_rng([seed, number])
            planted = plant_faults(clean, [single_fault(kind, clean.duration_s, rng)], seed=seed)
            found = kinds_found(planted)
            hits += kind in found
            also.update(found - {kind})
        others = ", ".join(f"{name} {times}" for name, times in also.most_common()) or "-"
        precision = hits / max(1, hits + false[kind])
        print(f"| {kind} | {hits / count:.3f} | {precision:.3f} | {false[kind]} of {count} | {others} |", flush=True)


def field_laps() -> list[list[Recording]]:
    """Four laps of each event of the three invented scenarios."""
    from importlib.resources import files

    from washboard.programme import parse_plan
    from washboard.simulate import courses, drive_lap

    sets = []
    for scenario in ("quarry-tipper", "vineyard-sprayer", "timber-trailer"):
        text = (files("washboard.programme") / "examples" / f"{scenario}.toml").read_text(encoding="utf-8")
        plan = parse_plan(text)
        assert plan.specimen is not None
        for course in courses(scenario):
            for seed in (120, 220, 320, 420, 520):
                laps = [drive_lap(course, plan.specimen, plan.channel, lap=lap, seed=seed) for lap in range(1, 5)]
                sets.append([lap.in_si() for lap in laps])
    return sets


def laps(repeats: int) -> None:
    sets = field_laps()
    false: collections.Counter[str] = collections.Counter()
    n_clean = 0
    for entries in sets:
        between = lap_faults(entries)
        for lap, found in zip(entries, between, strict=True):
            n_clean += 1
            false.update({finding.kind for finding in (*found, *array_faults(lap))})
    rng = np.random.default_rng(5)
    print(f"{n_clean} clean laps with 12 to 18 channels each", flush=True)
    print("| kind | recall | right channel named | precision | planted | false alarms on clean laps |")
    print("|---|---|---|---|---|---|")
    for kind in ("polarity", "swap", "unit", "lag", "lap"):
        hits = planted = named = 0
        for entries in sets * repeats:
            at = int(rng.integers(len(entries)))
            lap = entries[at]
            upright = [c.name for c in lap.channels if c.quantity == "acceleration" and c.direction in {"+z", "-z"}]
            name = str(rng.choice(upright))
            other = str(rng.choice([entry for entry in upright if entry != name]))
            size = float(rng.choice([9.80665, 1 / 9.80665]))
            level = float(rng.choice([rng.uniform(1.5, 2.5), rng.uniform(0.4, 0.67)]))
            fault = {
                "polarity": Fault(kind="polarity", channel=name),
                "swap": Fault(kind="swap", channel=name, other=other),
                "unit": Fault(kind="unit", channel=name, level=size),
                "lag": Fault(kind="lag", channel=name, duration_s=float(rng.uniform(0.012, 0.1))),
                "lap": Fault(kind="lap", level=level),
            }[kind]
            bad = plant_faults(lap, [fault], seed=1)
            between = lap_faults([bad if number == at else entry for number, entry in enumerate(entries)])[at]
            found = [finding for finding in (*between, *array_faults(bad)) if finding.kind == kind]
            hits += bool(found)
            named += bool({fault.channel, fault.other} & {finding.channel for finding in found})
            planted += 1
        # As many clean laps as planted ones, so that precision does not hang on how many of each there are.
        alarms = false[kind] / n_clean * planted
        precision = hits / max(1e-9, hits + alarms)
        print(
            f"| {kind} | {hits / planted:.3f} | {named / planted:.3f} | {precision:.3f} | {planted} | {false[kind]} of "
            f"{n_clean} |",
            flush=True,
        )


def peak_mb() -> float:
    """Largest resident memory of this process so far; the system's own figure, which a fork does not pass on."""
    status = Path("/proc/self/status")
    if status.exists():
        return float(status.read_text().split("VmHWM:")[1].split()[0]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def size(hours: float) -> None:
    """Write 64 channels at 512 Hz, then import, check and run the check stage on them beside the formats' libraries."""
    from washboard.recording import check_file, import_recording

    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        (root / "recordings").mkdir()
        file = root / "recordings" / "big.mf4"
        _write_big(file, round(hours * 3600 * 512))
        print(f"{file.stat().st_size / 1e6:.0f} MB of MDF4; wall and processor time, least of {REPEATS} runs in turn")
        work = root / "work.nc"
        import_recording(file, work)
        (root / "programme.toml").write_text(_big_plan(), encoding="utf-8")
        tasks: dict[str, tuple[Callable[..., object], tuple[object, ...]]] = {
            "MDF4: asammdf select": (_select, (file,)),
            "MDF4: import to a working copy": (import_recording, (file, root / "copy.nc")),
            "MDF4: check stage, copy and comparison included": (_stage, (root,)),
            "netCDF4: h5py": (_h5py, (work,)),
            "netCDF4: copy of the memory map": (_copied, (work,)),
            "netCDF4: read into memory by channel": (_read, (work,)),
            "netCDF4: faults of every channel": (check_file, (work,)),
        }
        found: dict[str, list[tuple[float, float, float]]] = collections.defaultdict(list)
        for _ in range(REPEATS):
            for words, (function, arguments) in tasks.items():
                found[words].append(_in_child(function, *arguments))
        least = {words: tuple(min(run[k] for run in runs) for k in (0, 1)) for words, runs in found.items()}
        for words, runs in found.items():
            reader = "MDF4: asammdf select" if words.startswith("MDF4") else "netCDF4: h5py"
            wall, processor = (least[words][k] / least[reader][k] for k in (0, 1))
            print(
                f"| {words} | {least[words][0]:.2f} s | {least[words][1]:.2f} s | {wall:.2f} | {processor:.2f} | "
                f"{max(run[2] for run in runs):.0f} MB |"
            )


REPEATS = 3


def _write_big(file: Path, n: int) -> None:
    from asammdf import MDF, Signal
    from scipy import signal

    rng = np.random.default_rng(1)
    piece = np.cumsum(rng.standard_normal((64, 512 * 60)).astype(np.float32), axis=1) * np.float32(0.05)
    with MDF(version="4.10") as store:
        stamps = np.arange(n) / 512
        rows = [np.tile(row - row.mean(), n // row.size + 1)[:n] for row in piece]
        # A ride that goes on changing, behind an anti-alias filter, with a little noise of the converter.
        sos = signal.ellip(8, 0.1, 80, 200, fs=512, output="sos")
        rows = [signal.sosfilt(sos, row + rng.standard_normal(n)) + 1e-4 * rng.standard_normal(n) for row in rows]
        rows = [row.astype(np.float32) for row in rows]
        units = ["m/s2" if k < 32 else "µm/m" for k in range(64)]
        signals = [Signal(r, stamps, name=f"c{k}", unit=units[k]) for k, r in enumerate(rows)]
        store.append(signals, common_timebase=True)
        store.save(file, overwrite=True)


def _big_plan() -> str:
    """32 vertical accelerations on a vehicle, and 32 strains that are brought to SI."""
    text = '[programme]\nname = "big"\n[duty]\ndistance = "1000 km"\n'
    for k in range(64):
        text += f'[[channel]]\nname = "c{k}"\n'
        if k < 32:
            text += 'quantity = "acceleration"\nunit = "m/s2"\ndirection = "+z"\n'
            text += f'position = ["{k // 4} m", "{1 - 2 * (k % 2)} m", "{k % 4 // 2} m"]\n'
        else:
            text += 'quantity = "strain"\nunit = "µm/m"\n'
    text += '[[event]]\nname = "lane"\nrecordings = ["recordings/big.mf4"]\nrepeats = 10\n'
    return text + '[[rig.post]]\nname = "p"\nposition = ["0 m", "0 m"]\n[rig.link]\nkind = "folder"\nfolder = "x"\n'


def _stage(root: Path) -> None:
    from washboard.programme import read_plan
    from washboard.programme._stage import Workspace
    from washboard.programme.stages.check import STAGE

    out = root / "out"
    out.mkdir(exist_ok=True)
    STAGE.run(Workspace(plan=read_plan(root), folder=root, out=out))


def _select(file: Path) -> None:
    from asammdf import MDF

    with MDF(file) as store:
        store.select([(None, 0, k) for k in range(1, 65)], copy_master=False)


def _h5py(file: Path) -> None:
    import h5py

    with h5py.File(file) as store:
        store["samples"][...]


def _copied(file: Path) -> None:
    np.array(read_recording(file).samples)


def _read(file: Path) -> None:
    from washboard.recording import open_rows

    with open_rows(file, file) as rows:
        samples = np.empty((rows.header.n_channels, rows.n_samples), rows.header.samples.dtype)
        for row in range(rows.header.n_channels):
            samples[row] = rows.get(row)


def _in_child(function: Callable[..., object], *arguments: object) -> tuple[float, float, float]:
    """Wall time, processor time, peak memory in MB, in a fresh process; imports and compiling are not timed."""
    context = multiprocessing.get_context("spawn")
    queue = context.Queue()
    child = context.Process(target=_measured, args=(queue, function, arguments))
    child.start()
    found: tuple[float, float, float] = queue.get()
    child.join()
    return found


def _measured(queue: Any, function: Callable[..., object], arguments: tuple[object, ...]) -> None:
    import asammdf  # noqa: F401
    import h5netcdf  # noqa: F401
    import scipy.fft
    import scipy.signal
    import scipy.stats  # noqa: F401

    from washboard.programme.stages import check  # noqa: F401
    from washboard.recording import find_faults

    if function is not _select and function is not _h5py:
        few = np.random.default_rng(1).standard_normal((1, 20_000)).astype(np.float32)
        find_faults(Recording(samples=few, rate_hz=512.0, channels=(Channel(name="a", unit="m/s2"),)))
    started, processor = time.perf_counter(), time.process_time()
    function(*arguments)
    queue.put((time.perf_counter() - started, time.process_time() - processor, peak_mb()))


if __name__ == "__main__":
    what = sys.argv[1] if len(sys.argv) > 1 else "faults"
    number = float(sys.argv[2]) if len(sys.argv) > 2 else None
    if what == "faults":
        faults(int(number or 200))
    elif what == "laps":
        laps(int(number or 3))
    else:
        size(number or 2.0)
