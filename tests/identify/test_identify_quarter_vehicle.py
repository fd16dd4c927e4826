"""A quarter vehicle identified on the virtual rig, held against its FRF in closed form.

The closed form is the textbook's: a body of mass m on a spring k and damper c follows its wheel as
(c s + k) / (m s^2 + c s + k), whatever the post, its delay and the tyre do below.
"""

import numpy as np
import pytest

from washboard import rig, simulate
from washboard.identify import IdentifySettings, field_goal, identify_rig, limits_of
from washboard.recording import Recording

BODY_KG, SPRING, DAMPER, TYRE, WHEEL_KG = 1500.0, 90e3, 6e3, 600e3, 180.0
BAND_HZ = (0.8, 20.0)


def four_corners() -> rig.Specimen:
    axles = tuple(
        rig.Axle(
            name=name,
            x_m=x,
            track_m=1.8,
            kind="independent",
            mass_kg=2 * WHEEL_KG,
            spring_n_m=SPRING,
            spring_spacing_m=1.8,
            bump_damping_n_s_m=DAMPER,
            rebound_damping_n_s_m=DAMPER,
            tyre=rig.Tyre(stiffness_n_m=TYRE),
        )
        for name, x in (("front", 0.0), ("rear", -3.0))
    )
    frame = rig.Frame(mass_kg=4 * BODY_KG, cog_m=(-1.5, 0.0, 0.6), size_m=(4.0, 1.8, 1.2), joint_x_m=-1.5)
    return rig.Specimen(frame=frame, axle=axles)


def test_body_over_wheel_is_the_closed_form():
    posts = tuple(
        rig.Actuator(name=f"post {x} {side}", position_m=(x, y))
        for x in (0.0, -3.0)
        for side, y in (("left", 0.9), ("right", -0.9))
    )
    sensor = {"quantity": "acceleration", "unit": "m/s2", "direction": "+z"}
    sensors = (
        rig.Sensor(name="body", on="frame front", position_m=(-1.5, 0.0, 0.6), **sensor),
        rig.Sensor(name="wheel", on="front", position_m=(0.0, 0.9, 0.5), **sensor),
    )
    bench = rig.Rig(post=posts)
    link = simulate.VirtualRig(specimen=four_corners(), rig=bench, sensors=sensors, seed=3)
    channels = link.channels()
    limits = limits_of(posts, channels.drives)

    def play(drive, label):
        asked = Recording(samples=drive, rate_hz=channels.rate_hz, channels=channels.drives, name=label)
        return np.asarray(link.play(asked, label=label).samples, dtype=float)

    noise = np.random.default_rng(1).standard_normal((2, 30 * 512))
    found = identify_rig(
        play,
        responses=("body", "wheel"),
        drives=limits.names,
        rate_hz=channels.rate_hz,
        limits=limits,
        band_hz=BAND_HZ,
        goal=field_goal([(0.3 * noise, 512.0)], band_hz=BAND_HZ),
        settings=IdentifySettings(budget_s=240.0),
        seed=1,
    )
    frf = found.frf
    inside = (frf.freq_hz >= BAND_HZ[0]) & (frf.freq_hz <= BAND_HZ[1])
    s = 2j * np.pi * frf.freq_hz[inside]
    # All posts together move the body in heave alone.
    together = frf.values[inside].sum(axis=2)
    found_ratio = together[:, 0] / together[:, 1]
    closed = (DAMPER * s + SPRING) / (BODY_KG * s**2 + DAMPER * s + SPRING)
    size = np.abs(found_ratio) / np.abs(closed)
    angle = np.degrees(np.angle(found_ratio / closed))
    assert np.median(np.abs(size - 1)) < 0.01
    assert np.quantile(np.abs(size - 1), 0.95) < 0.03
    assert np.median(np.abs(angle)) < 1.0
    assert np.abs(size[frf.freq_hz[inside] < 1.5] - 1).max() == pytest.approx(0, abs=0.05)
