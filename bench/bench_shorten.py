"""How long shortening takes, how near to the shortest it comes, and how much memory it needs.

Run: python bench/bench_shorten.py [--hours 1] [--channels 32] [--rate 512] [--window 2] [--keep 0.8]

Two kinds of data, each in a process of its own reading a file as a memory map: `road` has severities that change along
the way and differ between channels; `even` is stationary noise, where there is least to win and choices are nearly
equal, which is hardest to prove. The goals: under 60 s, a proven gap of at most 1 %, less than 2 GB at the peak. The
last column is what the same shares need when windows are chosen by one channel's damage alone, the most damaging first,
until every channel holds its share.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np


def write_road(file: Path, kind: str, channels: int, seconds: float, rate_hz: float) -> None:
    """Band-limited channels as one contiguous float32 array."""
    from scipy import signal

    n = int(seconds * rate_hz)
    rng = np.random.default_rng(1)
    out = np.lib.format.open_memmap(file, mode="w+", dtype=np.float32, shape=(channels, n))
    length = int(8 * rate_hz)
    shared = rng.normal(0, 0.5, n // length + 1)
    for row in range(channels):
        low, high = (0.5, 4.0) if row % 3 == 0 else (0.7, 25.0)
        sos = signal.butter(4, [low, high], "band", fs=rate_hz, output="sos")
        x = rng.standard_normal(n)
        if kind == "road":
            own = rng.normal(0, 0.3, shared.size)
            x *= np.repeat(np.exp(shared + own), length)[:n]
        out[row] = signal.sosfilt(sos, x)
    out.flush()


def measure(file: str, rate_hz: float, window_s: float, keep: float, results: multiprocessing.Queue) -> None:  # type: ignore[type-arg]
    """Shorten what is in `file`; put figures on the queue."""
    from washboard.shorten import ShortenSettings, shorten, trade_off

    samples = np.load(file, mmap_mode="r")
    settings = ShortenSettings(keep=keep, window_s=window_s, shortest_s=window_s / 2, fade_s=0.5)
    started, cpu = time.perf_counter(), time.process_time()
    result = shorten(samples, rate_hz, share=np.full(samples.shape[0], keep), slopes=(3.0, 5.0, 8.0), settings=settings)
    took, cpu = time.perf_counter() - started, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    started = time.perf_counter()
    curve = trade_off(result)
    curve_took = time.perf_counter() - started
    results.put(
        {
            "took_s": took,
            "cpu_s": cpu,
            "peak_gb": peak,
            "curve_s": curve_took,
            "original_s": result.original_s,
            "kept_s": result.kept_s,
            "greedy_s": result.greedy_s,
            "bound_s": result.bound_s,
            "gap": result.gap,
            "above_bound": result.above_bound,
            "held": float(result.held.min()),
            "join_damage": float(result.join_damage.max()),
            "joins": len(result.joined.joins),
            "rounds": len(result.rounds),
            "filled": result.filled,
            "half": float(curve.time_s[0]),
            "one_channel_s": by_one_channel(result.damage, result.windows.duration_s, keep),
        }
    )


def by_one_channel(damage: np.ndarray, duration_s: np.ndarray, keep: float) -> float:
    """Length when windows are taken by the first channel's damage per second until every channel holds its share."""
    share = damage / damage.sum(axis=1, keepdims=True)
    order = np.argsort(-share[0, :, 1] / duration_s)
    held = share[:, order].cumsum(axis=1).min(axis=(0, 2))
    return float(duration_s[order][: int(np.searchsorted(held, keep)) + 1].sum())


def main() -> None:
    """Both kinds of data, one after the other."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--channels", type=int, default=32)
    parser.add_argument("--rate", type=float, default=512.0)
    parser.add_argument("--window", type=float, default=2.0)
    parser.add_argument("--keep", type=float, default=0.8)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    context = multiprocessing.get_context("spawn")
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for kind in ("road", "even"):
            file = Path(folder) / f"{kind}.npy"
            write_road(file, kind, options.channels, options.hours * 3600, options.rate)
            results = context.Queue()
            process = context.Process(
                target=measure, args=(str(file), options.rate, options.window, options.keep, results)
            )
            process.start()
            found[kind] = results.get()
            process.join()
            file.unlink()
    if options.json:
        json.dump(found, sys.stdout, indent=1)
        return
    print(
        f"{options.channels} channels x {options.hours:g} h x {options.rate:g} Hz, windows of {options.window:g} s, "
        f"{options.keep:.0%} of damage on every channel at slopes 3, 5 and 8"
    )
    for kind, one in found.items():
        print(
            f"{kind}: {one['took_s']:.1f} s ({one['cpu_s']:.1f} s of processor), peak {one['peak_gb']:.2f} GB; "
            f"{one['original_s']:.0f} s become "
            f"{one['kept_s']:.0f} s ({one['joins']} joins, {one['rounds']} rounds, {one['filled']} filled in), "
            f"proven gap {one['gap']:.2%}, {one['above_bound']:.2%} above the bound that knows nothing of joins; "
            f"before joining greedy {one['greedy_s']:.0f} s, by one channel {one['one_channel_s']:.0f} s; "
            f"least held {one['held']:.4f}, "
            f"joins add {one['join_damage']:.2%} at most; trade-off curve in {one['curve_s']:.1f} s"
        )


if __name__ == "__main__":
    main()
