"""What a rolling tyre feels of a road: the wheel bridges what is shorter than itself, the patch averages the rest."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washboard.simulate._assemble import Array


def rolling_height(height_m: Array, spacing_m: float, *, radius_m: float, patch_m: float) -> NDArray[np.float64]:
    """Height at which a wheel rolls over a profile.

    The envelope of a rigid disc (grey dilation by its lower arc), then the mean over the contact patch; a common
    two-step approximation of a tyre's enveloping.

    Parameters
    ----------
    height_m : ndarray, shape (..., distance)
        Profile of the ground. [m]
    spacing_m : float
        Of the profile. [m]
    radius_m, patch_m : float
        Radius of the tyre and length of its contact patch. [m]
    """
    from scipy import ndimage

    reach = int(0.9 * radius_m / spacing_m)
    offset = np.arange(-reach, reach + 1) * spacing_m
    arc = np.sqrt(radius_m**2 - offset**2) - radius_m
    flat = height_m.reshape(-1, height_m.shape[-1])
    rolled = np.stack([ndimage.grey_dilation(row, structure=arc, footprint=np.ones(len(arc), bool)) for row in flat])
    width = max(1, round(patch_m / spacing_m))
    # Twice a box of half the length: a patch presses less at its ends.
    for _pass in range(2):
        rolled = ndimage.uniform_filter1d(rolled, max(1, (width + 1) // 2), axis=-1, mode="nearest")
    return np.asarray(rolled.reshape(height_m.shape))
