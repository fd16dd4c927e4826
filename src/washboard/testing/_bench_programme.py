"""A programme folder around the test vehicle, with its check and shorten stages written by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from washboard.programme import Plan, parse_plan, save_table
from washboard.programme._stage import Workspace
from washboard.recording import Recording, write_recording
from washboard.testing._bench_vehicle import RESPONSES, BenchVehicle, field_target


def bench_plan(*, control: tuple[str, ...] = RESPONSES, events: tuple[str, ...] = ("random",), extra: str = "") -> Plan:
    """The plan of the test vehicle on four posts, with a command link that is never run."""
    vehicle = BenchVehicle()
    text = '[programme]\nname = "bench"\n[duty]\ndistance = "1000 km"\n[rig.link]\nkind = "command"\ncommand = "none"\n'
    text += 'rate = "256 Hz"\n' + extra
    places = {
        "1_left": (0.0, vehicle.half_track_m), "1_right": (0.0, -vehicle.half_track_m),
        "2_left": (-vehicle.front_m - vehicle.rear_m, vehicle.half_track_m),
        "2_right": (-vehicle.front_m - vehicle.rear_m, -vehicle.half_track_m),
    }  # fmt: skip
    for k, (x, y) in enumerate(places.values()):
        text += f'[[rig.post]]\nname = "post_{k + 1}"\nposition = ["{x} m", "{y} m"]\n'
    for name in RESPONSES:
        spot = next((spot for spot in places if spot in name), "")
        x, y = places.get(spot, (0.0, 0.0))
        on = "frame front" if name.startswith(("body", "roof")) else f"axle {spot[:1] or 1}"
        unit, quantity = ("m", "displacement") if name.startswith("spring") else ("m/s2", "acceleration")
        direction = {"ay": "+y", "ax": "+x"}.get(name[-2:], "+z")
        section = "spring left" if name.startswith("spring") else ""
        role = "control" if name in control else "monitor"
        text += (
            f'[[channel]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "{unit}"\non = "{on}"\nrole = "{role}"\n'
            f'position = ["{x} m", "{y} m", "1 m"]\ndirection = "{direction}"\nsection = "{section}"\n'
        )
    for event in events:
        text += f'[[event]]\nname = "{event}"\nrecordings = ["recordings/{event}.nc"]\nrepeats = 10\n'
    return parse_plan(text)


def bench_folder(
    folder: Path, targets: dict[str, Recording] | None = None, *, vehicle: BenchVehicle | None = None
) -> dict[str, Recording]:
    """Write what check and shorten would have left in `folder`; returns the targets by event."""
    vehicle = vehicle or BenchVehicle()
    targets = targets or {"random": field_target(vehicle, roughness=128e-6, duration_s=40.0)}
    check, shorten = folder / "stages" / "check", folder / "stages" / "shorten"
    check.mkdir(parents=True)
    shorten.mkdir(parents=True)
    laps, events = {}, {}
    for event, target in targets.items():
        kept = target.replace(samples=np.asarray(target.samples, np.float32), owned=True)
        write_recording(kept, check / f"{event}-lap1.nc")
        write_recording(kept, shorten / f"{event}.nc")
        entry = {"file": f"{event}-lap1.nc", "original": f"recordings/{event}.nc", "duration_s": target.duration_s}
        laps[event] = [{**entry, "excluded": False, "reason": ""}]
        events[event] = {"file": f"{event}.nc", "lap": 1, "duration_s": target.duration_s, "plays": 10}
    save_table(check / "check.json", {"rate_hz": 256.0, "events": laps})
    save_table(shorten / "shorten.json", {"events": events})
    return targets


def bench_workspace(folder: Path, plan: Plan, stage: str) -> Workspace:
    """A stage's workspace in `folder`, its output under the stage's own name."""
    out = folder / "stages" / stage
    out.mkdir(parents=True, exist_ok=True)
    return Workspace(plan=plan, folder=folder, out=out)
