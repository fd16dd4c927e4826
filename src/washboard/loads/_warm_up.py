"""Compiling ahead: so that the first count of a new installation is as quick as the later ones."""

from __future__ import annotations

import numpy as np


def warm_up() -> None:
    """Compile every counting loop for both sample types and keep them in the compiler's cache.

    Takes some seconds once per installation and processor; nothing is done for loops that are already kept.
    """
    from washboard.loads._damage import pseudo_damage
    from washboard.loads._damage_spectrum import damage_spectrum
    from washboard.loads._rainflow import rainflow
    from washboard.loads._stream import DamageStream, RainflowStream
    from washboard.loads._windows import damage_by_window

    wave = np.sin(np.arange(64.0))
    for kind in (np.float64, np.float32):
        row = wave.astype(kind)
        pseudo_damage(row, 3.0)
        damage_by_window(row, 16, 3.0)
        rainflow(row)
    rainflow(wave, gate=0.1)
    stream = DamageStream(1, [3.0])
    stream.add(wave)
    stream.damage()
    pieces = RainflowStream()
    pieces.add(wave)
    pieces.end()
    damage_spectrum(wave, 100.0, [10.0], 3.0)
