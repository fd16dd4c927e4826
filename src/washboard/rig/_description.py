"""What the rig and the specimen are: settings objects read from `[rig]` and `[specimen]`.

Coordinates follow ISO 8855 (x forward, y left, z up) with the origin on the ground under the middle of the first axle,
so positions behind it have negative x. All values inside are SI.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal

from washboard.settings import settings
from washboard.units import Unit

#: Stops harden: pressed in by d, they push with ``stop * d * (1 + STOP_HARDENING * d)``, d in metres. [1/m]
STOP_HARDENING: Final = 20.0

Metre = Annotated[float, Unit("m")]
Point = tuple[Metre, Metre, Metre]


@settings
class Actuator:
    """One servo-hydraulic actuator: a post under a wheel, or one at the kingpin.

    Stroke is end to end. The valve's rated flow holds at its rated pressure drop over both lands. `bandwidth_hz` and
    `delay_s` describe the closed displacement loop; `max_velocity_m_s` and `max_acceleration_m_s2` are limits the
    controller or the user sets below what the hydraulics could do.
    """

    name: str
    position_m: tuple[Metre, Metre]
    axis: Literal["vertical", "roll"] = "vertical"
    stroke_m: Annotated[float, Unit("m", gt=0)] = 0.25
    angle_rad: Annotated[float, Unit("rad", gt=0)] = 0.2
    lever_m: Annotated[float, Unit("m", gt=0)] = 0.5
    rated_force_n: Annotated[float, Unit("N", gt=0)] = 100e3
    piston_area_m2: Annotated[float, Unit("m2", gt=0)] = 40e-4
    rated_flow_m3_s: Annotated[float, Unit("m3/s", gt=0)] = 250e-3 / 60
    rated_drop_pa: Annotated[float, Unit("Pa", gt=0)] = 70e5
    dead_volume_m3: Annotated[float, Unit("m3", ge=0)] = 0.2e-3
    moving_mass_kg: Annotated[float, Unit("kg", gt=0)] = 180.0
    bandwidth_hz: Annotated[float, Unit("Hz", gt=0)] = 30.0
    delay_s: Annotated[float, Unit("s", ge=0)] = 0.004
    max_velocity_m_s: Annotated[float, Unit("m/s", gt=0)] = 1.5
    max_acceleration_m_s2: Annotated[float, Unit("m/s2", gt=0)] = 80.0
    snubbing_m: Annotated[float, Unit("m", ge=0)] = 0.01

    @property
    def unit(self) -> str:
        """SI unit of its command: metres, or radians where it rolls the kingpin."""
        return "rad" if self.axis == "roll" else "m"

    @property
    def reach(self) -> float:
        """Largest command either way from mid stroke, in `unit`, short of the snubbing zone."""
        return self.angle_rad / 2 if self.axis == "roll" else self.stroke_m / 2 - self.snubbing_m


@settings
class WheelPan:
    """The pan a wheel stands in on its post: inside dimensions, height of its rim, friction of its surface."""

    length_m: Annotated[float, Unit("m", gt=0)] = 1.0
    width_m: Annotated[float, Unit("m", gt=0)] = 0.9
    rim_m: Annotated[float, Unit("m", ge=0)] = 0.08
    friction: Annotated[float, Unit("1", gt=0, le=2)] = 0.6


@settings
class Supply:
    """The hydraulic power supply."""

    pressure_pa: Annotated[float, Unit("Pa", gt=0)] = 280e5
    return_pressure_pa: Annotated[float, Unit("Pa", ge=0)] = 5e5
    pump_flow_m3_s: Annotated[float, Unit("m3/s", gt=0)] = 600e-3 / 60
    accumulator_volume_m3: Annotated[float, Unit("m3", ge=0)] = 40e-3
    precharge_pa: Annotated[float, Unit("Pa", gt=0)] = 200e5
    lowest_pressure_pa: Annotated[float, Unit("Pa", gt=0)] = 210e5
    leakage: Annotated[float, Unit("1", ge=0, lt=1)] = 0.07


@settings
class Restraint:
    """How far the vehicle may move before straps or chains hold it, and what tilt stops the rig."""

    slack_m: Annotated[float, Unit("m", ge=0)] = 0.15
    trip_roll_rad: Annotated[float, Unit("rad", gt=0)] = 0.16
    trip_pitch_rad: Annotated[float, Unit("rad", gt=0)] = 0.16


@settings
class RigLinkSettings:
    """How Washboard reaches the rig: `[rig.link]`.

    `virtual` is the rig built from `[rig]` and `[specimen]`; `command` runs a program per play; `folder` hands files
    over in a folder shared with the rig's own controller.
    """

    kind: Literal["virtual", "command", "folder"] = "virtual"
    command: str = ""
    folder: str = ""
    format: Literal["csv", "netcdf", "mdf4", "mat", "uff58", "parquet"] = "csv"
    rate_hz: Annotated[float, Unit("Hz", gt=0)] = 512.0
    timeout_s: Annotated[float, Unit("s", gt=0)] = 600.0
    seed: int = 1


@settings
class Rig:
    """The rig: actuators in the order axle 1 left, axle 1 right, axle 2 left, ..., then kingpin."""

    name: str = ""
    post: tuple[Actuator, ...] = ()
    kingpin: tuple[Actuator, ...] = ()
    pan: WheelPan = WheelPan()
    supply: Supply = Supply()
    restraint: Restraint = Restraint()
    link: RigLinkSettings = RigLinkSettings()

    @property
    def actuators(self) -> tuple[Actuator, ...]:
        """Posts, then kingpin actuators: the order of drives everywhere."""
        return self.post + self.kingpin


@settings
class Tyre:
    """One wheel position's tyre or twin tyres, radially; standing on a post it damps and stiffens unlike rolling.

    Force for a deflection d (positive only): ``stiffness * d + stiffening * d**2`` plus damping. `friction_n` is a
    hysteresis element that acts only while standing.
    """

    radius_m: Annotated[float, Unit("m", gt=0)] = 0.5
    width_m: Annotated[float, Unit("m", gt=0)] = 0.3
    stiffness_n_m: Annotated[float, Unit("N/m", gt=0)] = 800e3
    stiffening: Annotated[float, Unit("N/m2", ge=0)] = 0.0
    rolling_damping_n_s_m: Annotated[float, Unit("N*s/m", ge=0)] = 2000.0
    standing_damping_n_s_m: Annotated[float, Unit("N*s/m", ge=0)] = 700.0
    standing_stiffness_ratio: Annotated[float, Unit("1", gt=0)] = 1.06
    standing_friction_n: Annotated[float, Unit("N", ge=0)] = 0.0
    lateral_stiffness_n_m: Annotated[float, Unit("N/m", gt=0)] = 300e3
    lateral_damping_n_s_m: Annotated[float, Unit("N*s/m", ge=0)] = 1500.0
    pressure_pa: Annotated[float, Unit("Pa", gt=0)] = 8e5


@settings
class Axle:
    """One axle with its suspension; spring and damper values are per side.

    A beam axle heaves and rolls as one body; an independent one has two wheels that heave alone. `rigid` bolts the
    axle to the frame, as on a tractor's rear axle: the tyres are then the suspension. `bump_gap_m` and `rebound_gap_m`
    are the travel left to the stops at rest; a bump gap below 0 says how far the vehicle's weight presses the stops in.
    `weighed_n` are the loads of left and right wheel as weighed; they are held against what the description gives, and
    tell masses when it is fitted to a measurement.
    """

    name: str
    x_m: Metre
    track_m: Annotated[float, Unit("m", gt=0)]
    kind: Literal["beam", "independent", "rigid"] = "beam"
    mass_kg: Annotated[float, Unit("kg", gt=0)] = 600.0
    roll_inertia_kg_m2: Annotated[float, Unit("kg*m2", gt=0)] = 350.0
    spring_spacing_m: Annotated[float, Unit("m", gt=0)] = 0.9
    spring_n_m: Annotated[float, Unit("N/m", gt=0)] = 250e3
    friction_n: Annotated[float, Unit("N", ge=0)] = 0.0
    friction_stiffness_n_m: Annotated[float, Unit("N/m", gt=0)] = 2e6
    bump_damping_n_s_m: Annotated[float, Unit("N*s/m", ge=0)] = 6000.0
    rebound_damping_n_s_m: Annotated[float, Unit("N*s/m", ge=0)] = 12000.0
    bump_gap_m: Metre = 0.08
    rebound_gap_m: Annotated[float, Unit("m", gt=0)] = 0.10
    stop_n_m: Annotated[float, Unit("N/m", ge=0)] = 2e6
    anti_roll_nm_rad: Annotated[float, Unit("N*m/rad", ge=0)] = 0.0
    roll_centre_m: Annotated[float, Unit("m", ge=0)] = 0.6
    weighed_n: tuple[Annotated[float, Unit("N", gt=0)], Annotated[float, Unit("N", gt=0)]] | None = None
    tyre: Tyre = Tyre()


@settings
class Frame:
    """The sprung body: one frame in two parts with torsion between them, load included, mounted parts not.

    `cog_m` is its centre of gravity. Where an inertia is 0 it is estimated from mass and outside `size_m` (length,
    width, height) as a box. `torsion_nm_rad` is the stiffness between the parts, `joint_x_m` where they meet and
    `front_share` how much of the roll inertia belongs to the front part.
    """

    mass_kg: Annotated[float, Unit("kg", gt=0)]
    cog_m: Point
    size_m: tuple[Metre, Metre, Metre] = (6.0, 2.4, 1.5)
    roll_inertia_kg_m2: Annotated[float, Unit("kg*m2", ge=0)] = 0.0
    pitch_inertia_kg_m2: Annotated[float, Unit("kg*m2", ge=0)] = 0.0
    torsion_nm_rad: Annotated[float, Unit("N*m/rad", gt=0)] = 400e3
    torsion_damping_nms_rad: Annotated[float, Unit("N*m*s/rad", ge=0)] = 800.0
    joint_x_m: Metre = -2.0
    front_share: Annotated[float, Unit("1", gt=0, lt=1)] = 0.4


@settings
class Mount:
    """One elastic mount between a mounted part and the frame: position and vertical stiffness and damping."""

    position_m: Point
    stiffness_n_m: Annotated[float, Unit("N/m", gt=0)]
    damping_n_s_m: Annotated[float, Unit("N*s/m", ge=0)] = 0.0


@settings
class MountedPart:
    """A part on elastic mounts on one of the two frame parts: cab, engine, tank, boom, seat with driver.

    It heaves, and rolls and pitches where its inertias and mounts allow. `dummy` says that a representative mass
    stands in for the part on the rig.
    """

    name: str
    mass_kg: Annotated[float, Unit("kg", gt=0)]
    cog_m: Point
    on: Literal["front", "rear"] = "front"
    roll_inertia_kg_m2: Annotated[float, Unit("kg*m2", ge=0)] = 0.0
    pitch_inertia_kg_m2: Annotated[float, Unit("kg*m2", ge=0)] = 0.0
    mount: tuple[Mount, ...] = ()
    dummy: bool = False


@settings
class Kingpin:
    """Where a trailer rests on the rig's kingpin actuators (on the road: on its towing vehicle)."""

    x_m: Metre
    height_m: Annotated[float, Unit("m", gt=0)] = 1.25
    stiffness_n_m: Annotated[float, Unit("N/m", gt=0)] = 3e6
    damping_n_s_m: Annotated[float, Unit("N*s/m", ge=0)] = 20e3
    roll_stiffness_nm_rad: Annotated[float, Unit("N*m/rad", ge=0)] = 300e3
    roll_damping_nms_rad: Annotated[float, Unit("N*m*s/rad", ge=0)] = 3e3
    landing_gear_clearance_m: Annotated[float, Unit("m", ge=0)] = 0.3


@settings
class Specimen:
    """The vehicle, or part of one, on the rig."""

    name: str = ""
    frame: Frame
    axle: tuple[Axle, ...]
    part: tuple[MountedPart, ...] = ()
    kingpin: Kingpin | None = None


@settings
class Sensor:
    """Where and how one channel is measured on the vehicle.

    `on` names the body: ``"frame front"``, ``"frame rear"``, an axle's name or a mounted part's name. Accelerometers
    and displacements use `position_m` and `direction` (angles and angular velocities: the axis). A strain comes from a
    section force of the model: `section` says which, and `gauge` how much strain a unit of it makes (per N or N*m).
    """

    name: str
    quantity: str
    unit: str
    on: str = "frame front"
    position_m: Point = (0.0, 0.0, 0.0)
    direction: Literal["+x", "-x", "+y", "-y", "+z", "-z"] = "+z"
    section: Literal[
        "", "spring left", "spring right", "tyre left", "tyre right", "kingpin", "axle bending", "frame bending",
        "frame torsion",
    ] = ""  # fmt: skip
    gauge: float = 1.0
    noise: float = 0.0
    limit: float | None = None
    resolution: float = 0.0
