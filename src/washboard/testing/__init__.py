"""Shared by the tests: a small vehicle on posts with everything that goes wrong, written apart from `simulate`."""

from washboard.testing._bench_programme import bench_folder, bench_plan, bench_workspace
from washboard.testing._bench_vehicle import (
    RESPONSES,
    BenchRig,
    BenchVehicle,
    any_vehicle,
    field_target,
    vehicle_response,
)

__all__ = [
    "RESPONSES",
    "BenchRig",
    "BenchVehicle",
    "any_vehicle",
    "bench_folder",
    "bench_plan",
    "bench_workspace",
    "field_target",
    "vehicle_response",
]
