"""Whole-body motion while drives are played, against the quarter vehicle's closed form and plain kinematics.

The transmissibility of the body follows from the two textbook equations of motion of a quarter vehicle (for example
Gillespie, Fundamentals of Vehicle Dynamics, 1992); damper and masses as in public vehicle-dynamics code.
"""

import numpy as np
import pytest

from washboard.rig import Actuator, Axle, Frame, Rig, Specimen, Tyre, body_motions

RATE_HZ = 256.0
MS, MU, KS, KT, CS = 4000.0, 200.0, 150e3, 800e3, 8000.0


def truck() -> Specimen:
    """Four equal quarter vehicles under a stiff body."""
    tyre = Tyre(
        radius_m=0.5, stiffness_n_m=KT, standing_stiffness_ratio=1.0, standing_damping_n_s_m=0.0,
        rolling_damping_n_s_m=0.0,
    )  # fmt: skip
    common = {
        "kind": "independent", "track_m": 2.0, "spring_spacing_m": 2.0, "mass_kg": 2 * MU, "spring_n_m": KS,
        "bump_damping_n_s_m": CS, "rebound_damping_n_s_m": CS, "tyre": tyre,
    }  # fmt: skip
    return Specimen(
        frame=Frame(mass_kg=4 * MS, cog_m=(-1.5, 0.0, 0.6), torsion_nm_rad=1e9),
        axle=(Axle(name="front", x_m=0.0, **common), Axle(name="rear", x_m=-3.0, **common)),
    )


def four_posts() -> Rig:
    """A post under each wheel."""
    places = [(0.0, 1.0), (0.0, -1.0), (-3.0, 1.0), (-3.0, -1.0)]
    return Rig(post=tuple(Actuator(name=f"post {n}", position_m=place) for n, place in enumerate(places)))


@pytest.mark.parametrize("freq_hz", [0.5, 1.1, 3.0, 10.0])
def test_heave_is_the_quarter_vehicles(freq_hz: float) -> None:
    time_s = np.arange(int(30 * RATE_HZ)) / RATE_HZ
    drives = np.tile(0.01 * np.sin(2 * np.pi * freq_hz * time_s), (4, 1))
    found = body_motions(truck(), four_posts(), drives, RATE_HZ)
    w = 2j * np.pi * freq_hz
    suspension = KS + CS * w
    wheel = KT / (KT + suspension + MU * w**2 - suspension**2 / (suspension + MS * w**2))
    body = wheel * suspension / (suspension + MS * w**2)
    middle = slice(int(15 * RATE_HZ), int(25 * RATE_HZ))
    heave = found.samples[found.names.index("heave"), middle]
    turn = np.exp(-2j * np.pi * freq_hz * time_s[middle])
    amplitude = 2 * np.abs(np.mean(heave * turn))
    assert amplitude == pytest.approx(0.01 * abs(body), rel=0.02)
    left = found.samples[found.names.index("front left"), middle]
    assert 2 * np.abs(np.mean(left * turn)) == pytest.approx(0.01 * abs(wheel), rel=0.02)


def test_slow_pitch_follows_the_posts() -> None:
    time_s = np.arange(int(60 * RATE_HZ)) / RATE_HZ
    slow = 0.02 * np.sin(2 * np.pi * 0.05 * time_s)
    found = body_motions(truck(), four_posts(), np.stack([slow, slow, -slow, -slow]), RATE_HZ)
    # Front up by 2 cm and rear down by as much over 3 m: nose up, which is negative about +y.
    assert found.units[found.names.index("pitch")] == "rad"
    assert found.samples[found.names.index("pitch")].min() == pytest.approx(-0.04 / 3.0, rel=0.03)
    assert np.abs(found.samples[found.names.index("heave")]).max() < 2e-4
