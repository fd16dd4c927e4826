"""How quick the app is on a large recording: 64 channels, 2 hours, 512 Hz (944 MB), in a real Chromium.

Run: python bench/bench_web.py [--channels 64] [--hours 2] [--zooms 60]

Measured: page weight and start-up of the server; first plot after the address was given, with nothing kept from before
(cold) and again (warm); zooms by real mouse drags, from the button's release to the new data drawn; scrolling; all of
it again. The goals: first plot within 2 s, zoom within 100 ms for 95 of 100.
"""

from __future__ import annotations

import argparse
import json
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

import numpy as np

BROWSER = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


def write_programme(folder: Path, channels: int, hours: float, rate_hz: float = 512.0) -> int:
    """A programme with one long recording; returns its size in bytes."""
    from washboard.recording import Channel, Recording, write_recording

    (folder / "recordings").mkdir(parents=True)
    n = int(hours * 3600 * rate_hz)
    rng = np.random.default_rng(1)
    samples = np.empty((channels, n), dtype=np.float32)
    one = rng.standard_normal(n, dtype=np.float32)
    for row in range(channels):
        samples[row] = np.roll(one, 7919 * row) * (1 + row / 10)
    names = [f"place {row + 1}" for row in range(channels)]
    entries = tuple(Channel(name=name, unit="m/s2", quantity="acceleration") for name in names)
    write_recording(
        Recording(samples=samples, rate_hz=rate_hz, channels=entries, name="long", owned=True),
        folder / "recordings" / "long.nc",
    )
    text = [
        '[programme]\nname = "Long"\n[duty]\ndistance = "1000 km"\n[rig]\n[rig.link]\nkind = "folder"\nfolder = "h"\n'
    ]
    text += ['[[rig.post]]\nname = "one"\nposition = ["0 m", "0 m"]\n']
    text += ['[[event]]\nname = "all day"\nrecordings = ["recordings/long.nc"]\nrepeats = 1\n']
    text += [f'[[channel]]\nname = "{name}"\nquantity = "acceleration"\nunit = "m/s2"\n' for name in names]
    (folder / "programme.toml").write_text("\n".join(text), encoding="utf-8")
    return (folder / "recordings" / "long.nc").stat().st_size


def start_server(folder: Path) -> tuple[subprocess.Popen[bytes], str, float]:
    """The app's process, its address, and how long it took to answer. [s]"""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    code = f"from pathlib import Path; from washboard.web import serve; serve(Path({str(folder)!r}), port={port})"
    began = time.perf_counter()
    with (folder / "server.log").open("wb") as log:
        process = subprocess.Popen([sys.executable, "-c", code], stdout=log, stderr=log)
    address = f"http://127.0.0.1:{port}"
    while True:
        try:
            urllib.request.urlopen(f"{address}/assets/washboard.css", timeout=1).read()
            return process, address, time.perf_counter() - began
        except OSError:
            if process.poll() is not None:
                raise SystemExit((folder / "server.log").read_text()) from None
            time.sleep(0.02)


def shown(page, count: int) -> float:
    """Wait until the stack was drawn for the `count`-th time; how long that took from what asked for it. [ms]"""
    page.wait_for_function(f"performance.getEntriesByName('stack-shown').length >= {count}", timeout=60000)
    return page.evaluate(f"performance.getEntriesByName('stack-shown')[{count - 1}].duration")


def drag(page, box, a: float, b: float) -> None:
    """Drag over the stack from one share of its width to another."""
    left, width, y = box["x"] + 186, box["width"] - 200, box["y"] + 150
    page.mouse.move(left + a * width, y)
    page.mouse.down()
    page.mouse.move(left + (a + b) / 2 * width, y)
    page.mouse.move(left + b * width, y)
    page.mouse.up()


def measure(address: str, zooms: int) -> dict[str, object]:
    """Everything seen from the browser."""
    from playwright.sync_api import sync_playwright

    figures: dict[str, object] = {}
    rng = np.random.default_rng(2)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=BROWSER)
        for label in ("cold", "warm"):
            context = browser.new_context(viewport={"width": 1280, "height": 900}) if label == "cold" else context  # noqa: F821
            page = context.new_page()
            weight = {"bytes": 0, "requests": 0, "elsewhere": 0}

            def count(response, weight=weight):
                weight["requests"] += 1
                weight["elsewhere"] += not response.url.startswith((address, "data:", "blob:"))
                weight["bytes"] += int(response.headers.get("content-length") or 0)

            page.on("response", count)
            began = time.perf_counter()
            page.goto(f"{address}/recordings")
            shown(page, 1)
            figures[f"first_plot_{label}_s"] = round(time.perf_counter() - began, 3)
            if label == "cold":
                page.wait_for_timeout(500)
                figures["page_weight_kb"] = round(weight["bytes"] / 1024)
                figures["requests"] = weight["requests"]
                figures["requests_elsewhere"] = weight["elsewhere"]
        box = page.locator(".wb-stack").bounding_box()
        took, whole, drawn = [], [], 1
        for number in range(zooms):
            a = rng.uniform(0.05, 0.6)
            drag(page, box, a, a + rng.uniform(0.08, 0.35))
            drawn += 1
            took.append(shown(page, drawn))
            if number % 4 == 3:
                page.locator(".wb-stack").press("Home")
                drawn += 1
                whole.append(shown(page, drawn))
        scrolls = []
        for number in range(12):
            began = time.perf_counter()
            page.evaluate(f"document.querySelector('.wb-stack .scroll').scrollTop = {(number + 1) * 400}")
            page.evaluate("document.querySelector('.wb-stack').dataset.settled = ''")
            page.wait_for_function("document.querySelector('.wb-stack').dataset.settled !== ''", timeout=20000)
            scrolls.append(1e3 * (time.perf_counter() - began))
        figures |= {
            "zoom_ms_min": round(min(took), 1),
            "zoom_ms_p50": round(float(np.percentile(took, 50)), 1),
            "zoom_ms_p95": round(float(np.percentile(took, 95)), 1),
            "whole_ms_p50": round(float(np.percentile(whole, 50)), 1),
            "whole_ms_p95": round(float(np.percentile(whole, 95)), 1),
            "scroll_ms_p50": round(float(np.percentile(scrolls, 50)), 1),
            "browser_heap_mb": round(page.evaluate("performance.memory.usedJSHeapSize") / 1e6, 1),
        }
        browser.close()
    return figures


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--channels", type=int, default=64)
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--zooms", type=int, default=60)
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="bench-web-"))
    try:
        size = write_programme(folder / "long", options.channels, options.hours)
        process, address, start_s = start_server(folder / "long")
        try:
            figures = {"recording_mb": round(size / 1e6), "server_start_s": round(start_s, 2)} | measure(
                address, options.zooms
            )
            status = Path(f"/proc/{process.pid}/status")
            if status.exists():
                line = next(line for line in status.read_text().splitlines() if line.startswith("RssAnon"))
                figures["server_own_memory_mb"] = round(int(line.split()[1]) / 1024)
        finally:
            process.send_signal(signal.SIGINT)
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
        print(json.dumps(figures, indent=1))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
