"""Timing of several callables in one run: in turn, A B C A B C ..., so that a busy machine slows all of them alike."""

from __future__ import annotations

import gc
import os
import platform
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from statistics import median


@dataclass(frozen=True, kw_only=True, slots=True)
class Timing:
    """Seconds of one callable: every run, wall clock and processor time."""

    name: str
    wall_s: tuple[float, ...]
    cpu_s: tuple[float, ...]

    @property
    def least_s(self) -> float:
        return min(self.wall_s)

    @property
    def median_s(self) -> float:
        return median(self.wall_s)

    @property
    def processor_s(self) -> float:
        """Median processor time of this process; other processes it starts are not in it."""
        return median(self.cpu_s)


def measure(
    cases: Mapping[str, Callable[[], object]], *, runs: int = 9, few: Mapping[str, int] | None = None
) -> dict[str, Timing]:
    """Run each case once to warm it, then `runs` rounds of all in turn; `few` says which run fewer times."""
    limits = dict(few or {})
    wall: dict[str, list[float]] = {name: [] for name in cases}
    cpu: dict[str, list[float]] = {name: [] for name in cases}
    for name, case in cases.items():
        if limits.get(name, runs) > 1:
            case()
    for number in range(runs):
        for name, case in cases.items():
            if number >= limits.get(name, runs):
                continue
            gc.collect()
            start, used = time.perf_counter(), time.process_time()
            case()
            wall[name].append(time.perf_counter() - start)
            cpu[name].append(time.process_time() - used)
    return {name: Timing(name=name, wall_s=tuple(wall[name]), cpu_s=tuple(cpu[name])) for name in cases}


def table(timings: Mapping[str, Timing], *, reference: str, title: str = "") -> str:
    """Markdown table: median, least, processor time, and ratios of all to the reference of the same run."""
    base = timings[reference]
    lines = [f"### {title}"] if title else []
    lines.append(
        "| case | median ms | least ms | processor ms | runs | median / reference | least / reference | "
        "processor / reference |"
    )
    lines.append("|---|---|---|---|---|---|---|---|")
    lines.extend(
        f"| {timing.name}{' (reference)' if timing.name == reference else ''} | {timing.median_s * 1e3:.4g} | "
        f"{timing.least_s * 1e3:.4g} | {timing.processor_s * 1e3:.4g} | {len(timing.wall_s)} | "
        f"{timing.median_s / base.median_s:.3g} | {timing.least_s / base.least_s:.3g} | "
        f"{timing.processor_s / max(base.processor_s, 1e-9):.3g} |"
        for timing in timings.values()
    )
    return "\n".join(lines)


def machine() -> str:
    """Processor, processors usable, load and versions, as one line for the head of a result."""
    import numba
    import numpy as np
    import scipy

    name = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        name = next(
            (line.split(":")[1].strip() for line in info.read_text().splitlines() if "model name" in line), name
        )
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    load = " ".join(f"{value:.1f}" for value in os.getloadavg()) if hasattr(os, "getloadavg") else "?"
    return (
        f"{name}, {usable} processors, load {load}, Python {platform.python_version()}, numpy {np.__version__}, "
        f"scipy {scipy.__version__}, numba {numba.__version__}"
    )
