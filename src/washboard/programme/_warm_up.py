"""Compiling ahead: every compiled loop of the rooms, kept for later processes."""

from __future__ import annotations

import numpy as np

from washboard.programme._file import parse_plan
from washboard.programme._new import EXAMPLES, example_text


def warm_up() -> None:
    """Run each compiled loop once on a little data, so that it is compiled now and kept.

    Takes up to a minute of processor time once per installation, a few seconds where loops are kept already.
    """
    from washboard.identify import cross_spectra
    from washboard.loads import warm_up as warm_up_loads
    from washboard.recording import Channel, Recording, Samples, find_faults
    from washboard.simulate import VirtualRig, courses, drive_lap

    warm_up_loads()
    noise = np.random.default_rng(1).standard_normal((2, 4096))
    channels = tuple(Channel(name=name, unit="m/s2", quantity="acceleration") for name in ("a", "b"))
    for kind in (np.float32, np.float64):
        some: Samples = noise.astype(kind)
        cross_spectra(some[:1], some[1:], 512.0, block_s=1.0)
        find_faults(Recording(samples=some, rate_hz=512.0, channels=channels))
    plan = parse_plan(example_text(EXAMPLES[0]))
    assert plan.specimen is not None
    rig = VirtualRig(specimen=plan.specimen, rig=plan.rig, sensors=plan.channel, seed=1)
    rate_hz = plan.rig.link.rate_hz
    drives = rig.channels().drives
    rig.play(Recording(samples=np.zeros((len(drives), int(2 * rate_hz))), rate_hz=rate_hz, channels=drives))
    drive_lap(courses(EXAMPLES[0])[0], plan.specimen, plan.channel, lap=1, seed=1)
