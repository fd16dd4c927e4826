"""How fast loads are counted, against other counters and against the memory itself.

Run `python bench/bench_loads.py [part ...]`; parts are rainflow, portable, long, channels, cold, spectrum, windows and
bands, all by default. Data are sums of band-passed Gaussian noise at 512 Hz. Ratios are of one run; a machine that does
other work slows all cases alike, so look at both columns.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
from harness import machine, measure, table
from scipy import signal

from washboard.loads import damage_by_band, damage_by_window, damage_spectrum, log_spaced, pseudo_damage

RATE = 512.0
HERE = str(Path(__file__).parent)


def history(seed: int, n: int, bands: tuple[tuple[float, float, float], ...]) -> np.ndarray:
    rng = np.random.default_rng(seed)
    x = np.zeros(n)
    for low, high, rms in bands:
        part = signal.sosfilt(signal.butter(3, [low, high], "band", fs=RATE, output="sos"), rng.standard_normal(n))
        x += part * (rms / part.std())
    return x


AXLE = ((0.5, 3.0, 0.4), (8.0, 14.0, 1.0), (30.0, 90.0, 0.17))
ROUGH = ((0.5, 3.0, 0.4), (8.0, 14.0, 1.0), (30.0, 90.0, 0.45))
BODY = ((0.5, 3.0, 1.0), (8.0, 14.0, 0.25))
BROAD = ((1.0, 200.0, 1.0),)


def turning_share(x: np.ndarray) -> float:
    return float(np.mean((x[1:-1] > x[:-2]) != (x[2:] > x[1:-1])))


def pylife_damage(x: np.ndarray, slope: float = 5.0) -> float:
    from pylife.stress.rainflow import FourPointDetector
    from pylife.stress.rainflow.recorders import LoopValueRecorder

    recorder = LoopValueRecorder()
    detector = FourPointDetector(recorder=recorder).process(x)
    closed = np.abs(np.asarray(recorder.values_from) - np.asarray(recorder.values_to))
    return float(np.sum(closed**slope) + 0.5 * np.sum(np.abs(np.diff(detector.residuals)) ** slope))


def scan(x: np.ndarray) -> object:
    return x.min(), x.max()


def rainflow() -> None:
    for name, bands in (("axle", AXLE), ("rough", ROUGH), ("body", BODY), ("broad", BROAD)):
        x = history(1, 1_000_000, bands)
        single = x.astype(np.float32)
        assert abs(pseudo_damage(x, 5.0) / pylife_damage(x) - 1) < 1e-12
        found = measure(
            {
                "numpy min+max": lambda x=x: scan(x),
                "copy": x.copy,
                "washboard, slope 5": lambda x=x: pseudo_damage(x, 5.0),
                "washboard, slopes 3, 5, 8": lambda x=x: pseudo_damage(x, [3.0, 5.0, 8.0]),
                "washboard, slope 5.5": lambda x=x: pseudo_damage(x, 5.5),
                "washboard, slope 5.3": lambda x=x: pseudo_damage(x, 5.3),
                "washboard, float32": lambda x=single: pseudo_damage(x, 5.0),
                "pylife four-point": lambda x=x: pylife_damage(x),
            },
            runs=25,
            few={"pylife four-point": 5},
        )
        title = f"{name}, 1 M float64, {turning_share(x):.1%} of samples turn"
        print(table(found, reference="numpy min+max", title=f"{title}, against the scan"))
        print(table(found, reference="pylife four-point", title=f"{title}, against pylife"))


def portable() -> None:
    """The same in processes that are told their processor has no AVX-512, and no AVX2."""
    script = (
        f"import sys; sys.path.insert(0, {HERE!r}); import bench_loads as b; from harness import measure, table\n"
        "x = b.history(1, 1_000_000, b.AXLE)\n"
        "print(table(measure({'washboard': lambda: b.pseudo_damage(x, 5.0), 'pylife': lambda: b.pylife_damage(x)}, "
        "runs=15), reference='pylife', title=sys.argv[1]))"
    )
    import os

    for title, cpu, features in (
        ("AVX2 only", "haswell", "+avx2,+fma,+avx,+popcnt,+bmi,+bmi2"),
        ("SSE2 only", "generic", ""),
    ):
        with tempfile.TemporaryDirectory() as folder:
            environment = {
                **os.environ,
                "NUMBA_CPU_NAME": cpu,
                "NUMBA_CPU_FEATURES": features,
                "NUMBA_CACHE_DIR": folder,
            }
            subprocess.run([sys.executable, "-c", script, title], env=environment, check=True)


def long() -> None:
    x = history(2, 10_000_000, AXLE)
    single = x.astype(np.float32)
    found = measure(
        {
            "copy": x.copy,
            "numpy min+max": lambda: scan(x),
            "washboard": lambda: pseudo_damage(x, 5.0),
            "washboard, float32": lambda: pseudo_damage(single, 5.0),
            "pylife four-point": lambda: pylife_damage(x),
        },
        runs=9,
        few={"pylife four-point": 3},
    )
    print(table(found, reference="copy", title="axle, one channel of 10 M float64"))
    import tracemalloc

    tracemalloc.start()
    pseudo_damage(x, 5.0)
    print(f"memory traced while counting 10 M samples: {tracemalloc.get_traced_memory()[1] / 1e6:.2f} MB")
    tracemalloc.stop()


def channels() -> None:
    rows = np.stack([history(seed, 1_000_000, AXLE) for seed in range(16)])

    def one_core() -> None:
        for row in rows:
            pseudo_damage(row, 5.0)

    found = measure(
        {
            "numpy min+max": lambda: [scan(row) for row in rows],
            "washboard, one thread": one_core,
            "washboard, all processors": lambda: pseudo_damage(rows, 5.0),
            "pylife, one thread": lambda: [pylife_damage(row) for row in rows],
        },
        runs=7,
        few={"pylife, one thread": 3},
    )
    print(table(found, reference="pylife, one thread", title="axle, 16 channels x 1 M"))
    alone = _thread_time(rows[:8], 1)
    beside = _thread_time(rows[:8], 2)
    print(f"processor time per channel alone {alone * 1e3:.3f} ms, beside a second thread {beside * 1e3:.3f} ms: ")
    print(f"two processors can give {2 * alone / beside:.2f} x")


def _thread_time(rows: np.ndarray, threads: int) -> float:
    spent: list[float] = []

    def work() -> None:
        start = time.thread_time()
        for _ in range(5):
            for row in rows:
                pseudo_damage(row, 5.0)
        spent.append((time.thread_time() - start) / (5 * len(rows)))

    crew = [threading.Thread(target=work) for _ in range(threads)]
    for one in crew:
        one.start()
    for one in crew:
        one.join()
    return min(spent)


def cold() -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "x.npy"
        np.save(file, history(3, 10_000_000, AXLE))
        scripts = {
            "numpy min+max": f"import numpy as np; x = np.load({str(file)!r}, mmap_mode='r'); x.min(), x.max()",
            "import numba": "import numba",
            "washboard": f"import numpy as np; from washboard.loads import pseudo_damage; "
            f"pseudo_damage(np.load({str(file)!r}, mmap_mode='r'), 5.0)",
            "pylife": f"import sys; sys.path.insert(0, {HERE!r}); import numpy as np; import bench_loads as b; "
            f"b.pylife_damage(np.load({str(file)!r}))",
        }
        found = measure(
            {
                name: lambda text=text: subprocess.run([sys.executable, "-c", text], check=True)
                for name, text in scripts.items()
            },
            runs=7,
        )
    print(table(found, reference="pylife", title="cold process, 10 M float64 from a file to damage"))


def spectrum() -> None:
    from FatigueDS import Spectrum

    from washboard.loads._damage_spectrum import ramp_invariant

    x = history(4, 1_000_000, ((1.0, 200.0, 1.0),))
    hz = log_spaced(1.0, RATE / 5, 100)

    def by_hand() -> None:
        for f in hz:
            b0, b1, b2, a1, a2 = ramp_invariant(np.array([f]), np.array([10.0]), RATE, "relative")[:, 0]
            pylife_damage(signal.lfilter([b0, b1, b2], [1, -a1, -a2], x))

    def fatigueds(n: int, count: int) -> None:
        other = Spectrum(freq_data=np.asarray(hz[:: 100 // count]), damp=0.05)
        other.set_random_load((x[:n], 1 / RATE), unit="ms2")
        other.get_fds(k=5, C=1, p=1)

    found = measure(
        {
            "washboard, 100 x 1 M": lambda: damage_spectrum(x, RATE, hz, 5.0),
            "washboard, 100 x 0.1 M": lambda: damage_spectrum(x[:100_000], RATE, hz, 5.0),
            "lfilter + pylife by hand, 100 x 1 M": by_hand,
            "fatigueds, 100 x 1 M": lambda: fatigueds(1_000_000, 100),
        },
        runs=5,
        few={"lfilter + pylife by hand, 100 x 1 M": 1, "fatigueds, 100 x 1 M": 1},
    )
    print(
        table(
            found,
            reference="washboard, 100 x 1 M",
            title="damage spectrum, 100 natural frequencies from 1 Hz to a fifth of the rate",
        )
    )


def windows() -> None:
    from pylife.stress.rainflow import FourPointDetector
    from pylife.stress.rainflow.recorders import FullRecorder

    rows = np.stack([history(seed, 1_000_000, AXLE) for seed in range(32)])
    window = 1024

    def other() -> None:
        for row in rows:
            recorder = FullRecorder()
            FourPointDetector(recorder=recorder).process(row)
            found = recorder.collective
            damage = 0.5 * np.abs(found["from"] - found["to"]) ** 5
            count = -(-row.size // window)
            np.bincount(found["index_from"].astype(int) // window, damage, count)
            np.bincount(found["index_to"].astype(int) // window, damage, count)

    found = measure(
        {
            "numpy min+max": lambda: [scan(row) for row in rows],
            "washboard, one thread": lambda: [damage_by_window(row, window, 5.0) for row in rows],
            "washboard, all processors": lambda: damage_by_window(rows, window, 5.0),
            "pylife FullRecorder + bincount": other,
        },
        runs=5,
        few={"pylife FullRecorder + bincount": 2},
    )
    print(table(found, reference="numpy min+max", title="damage per 2 s window, 32 channels x 1 M, against the scan"))
    print(table(found, reference="pylife FullRecorder + bincount", title="the same against pylife"))


def bands() -> None:
    rows = np.stack([history(seed, 1_000_000, AXLE) for seed in range(16)])
    start, used = time.perf_counter(), time.process_time()
    damage_by_band(rows, RATE, log_spaced(0.5, 200.0, 40), 5.0)
    took, used = time.perf_counter() - start, time.process_time() - used
    print(f"damage share by band, 40 edges x 16 channels x 1 M, both curves: {took:.1f} s ({used:.1f} s of processor)")


PARTS = {
    "rainflow": rainflow,
    "portable": portable,
    "long": long,
    "channels": channels,
    "cold": cold,
    "spectrum": spectrum,
    "windows": windows,
    "bands": bands,
}

if __name__ == "__main__":
    print(machine())
    for part in sys.argv[1:] or PARTS:
        print(f"\n## {part}")
        PARTS[part]()
