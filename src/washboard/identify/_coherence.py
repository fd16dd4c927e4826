"""Ordinary, multiple and partial coherence of an identified FRF, whatever excitation it comes from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.identify._frf import Frf

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Coherences:
    """How much of each response its drives explain, on every line. [-]

    Parameters
    ----------
    ordinary : ndarray, shape (freq, response, drive)
        One drive alone, with what other drives it moved along with contributed.
    partial : ndarray, shape (freq, response, drive)
        One drive after all others are taken out: near 1 where it is known well, low where the response hardly depends
        on it or noise and distortion drown it.
    multiple : ndarray, shape (freq, response)
        All drives together.
    """

    ordinary: Floats
    partial: Floats
    multiple: Floats


def coherences(frf: Frf) -> Coherences:
    """The coherences that follow from an FRF, the drives' power and what was left unexplained.

    With S_ru = H S_uu and S_rr = H S_uu H^H + residual, as Bendat and Piersol, Random Data, ch. 7 (from memory) define
    them; for spectra measured with random drives they are those of `ordinary_coherence` and `partial_coherence`.
    """
    power = frf.information / frf.n_experiments
    cross = frf.values @ power
    explained = np.einsum("fij,fij->fi", cross, np.conj(frf.values)).real
    total = np.maximum(explained + frf.residual, 1e-300)
    own = np.maximum(np.einsum("fjj->fj", power).real, 1e-300)
    load = 1e-9 * own.mean(axis=1)
    inverse = np.linalg.inv(power + load[:, None, None] * np.eye(own.shape[1]))
    conditioned = np.abs(frf.values) ** 2 / np.maximum(np.einsum("fjj->fj", inverse).real, 1e-300)[:, None, :]
    return Coherences(
        ordinary=np.abs(cross) ** 2 / (total[:, :, None] * own[:, None, :]),
        partial=conditioned / np.maximum(conditioned + frf.residual[:, :, None], 1e-300),
        multiple=frf.coherence,
    )
