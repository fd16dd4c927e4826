"""Which channels to control: what the drives can reach of the field's motion, and what each channel is worth.

Works on the field's own cross-spectra, so it is known as soon as the rig is identified, before any target is chosen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.identify import Frf, cross_spectra
from washboard.replicate._model import group_lines, weighted_inverse

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

#: A channel that follows this badly is worth a word; so is a change of the others' error by `_COSTS`, or of the
#: condition number by the share `_HELPS`. Common practice, no source.
_BAD, _COSTS, _HELPS = 0.5, 0.03, 0.25


@dataclass(frozen=True, kw_only=True, slots=True)
class Reach:
    """What one choice of control channels would leave, relative to the field's RMS, for every channel there is.

    Parameters
    ----------
    error : ndarray, shape (response,)
        Outside what the drives make when they fit the control channels best, the FRF's uncertainty taken off. [-]
    bent : ndarray, shape (response,)
        How much of that non-linear distortion explains: it repeats, and a field with the same friction holds it too, so
        that much or all of it may go in the end. [-]
    error_band : ndarray, shape (band, response)
        `error` per band of frequencies. [-]
    condition : ndarray, shape (band,)
        Condition number of the control channels' FRF, each over its RMS, each drive over what it needs; median. [-]
    singular : ndarray, shape (band, drive)
        Its singular values. [-]
    """

    error: Floats
    bent: Floats
    error_band: Floats
    condition: Floats
    singular: Floats

    @property
    def linear(self) -> Floats:
        """What is left of `error` without what distortion explains: no drive makes that. [-]"""
        return np.sqrt(np.maximum(self.error**2 - self.bent**2, 0.0))


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlChoice:
    """The control channels as they are, what changing each would do, and the order a criterion would take them in.

    Parameters
    ----------
    names : tuple of str
        All responses of the FRF.
    control : ndarray, shape (response,)
        True where it is controlled.
    freq_hz : ndarray, shape (band,)
        [Hz]
    now : Reach
        With the control channels as they are.
    changed : tuple of Reach or None
        Per response: with it left out where it is controlled, added where it is not; None where too few would be left.
    order : tuple of str
        Every channel, the one that adds most to telling the drives apart first: the band mean of
        ``log det(H_S^H W^2 H_S + L)`` (D-optimality), taken greedily, which is near the best set because the criterion
        is submodular.
    worth : ndarray, shape (response,)
        What the criterion gains with each, in that order; log 2 is a doubling of one direction's certainty. [-]
    """

    names: tuple[str, ...]
    control: NDArray[np.bool_]
    freq_hz: Floats
    now: Reach
    changed: tuple[Reach | None, ...]
    order: tuple[str, ...]
    worth: Floats

    def others(self, reach: Reach, without: int) -> float:
        """Root mean square error of the controlled channels but one. [-]"""
        rows = self.control.copy()
        rows[without] = False
        return float(np.sqrt(np.mean(reach.error[rows] ** 2))) if rows.any() else 0.0

    def advice(self, keep: tuple[str, ...] = ()) -> tuple[str, ...]:
        """In words: channels worth adding or leaving out, most telling first; empty where the choice is sound.

        Channels named in `keep`, such as axles right above a post, are never given up.
        """
        found: list[tuple[float, str]] = []
        for i, (name, changed) in enumerate(zip(self.names, self.changed, strict=True)):
            if changed is None:
                continue
            before, after = self.others(self.now, i), self.others(changed, i)
            ratio = float(np.median(changed.condition) / max(float(np.median(self.now.condition)), 1e-300))
            alone, together = self.now.error[i], changed.error[i]
            if self.control[i]:
                # A channel is given up only for what no friction, stop or lift-off can explain.
                surely = self.now.linear[i]
                if surely > _BAD and before - after > _COSTS and name not in keep:
                    words = (
                        f"leave out {name}: these drives cannot make {surely:.0%} of it, and without it the others "
                        f"come to {after:.0%} instead of {before:.0%}"
                    )
                    found.append((before - after, words))
            elif alone - together > 0.2 and after - before < _COSTS:
                words = f"control {name} too: it would follow to {together:.0%} instead of {alone:.0%}"
                if ratio < 1 - _HELPS:
                    words += f", and the condition number falls to {ratio:.0%}"
                found.append((alone - together, words))
        return tuple(words for _gain, words in sorted(found, reverse=True))


def field_cross_spectra(laps: list[tuple[Floats, float]], freq_hz: Floats) -> Complexes:
    """Mean cross-spectra of the field's laps, each (samples (response, time), rate), on the lines of an FRF.

    Laps count by their length.

    Returns
    -------
    ndarray, shape (freq, response, response)
        ``mean y_a conj(y_b)``, one-sided. [unit squared per Hz]
    """
    block_s = 1.0 / float(freq_hz[1] - freq_hz[0])
    total: Complexes | float = 0.0
    weight = 0.0
    for samples, rate_hz in laps:
        length_s = samples.shape[1] / rate_hz
        block = min(block_s, 0.5 * length_s)
        spectra = cross_spectra(samples, samples[:1], rate_hz, block_s=block, up_to_hz=float(freq_hz[-1]))
        index = np.clip(np.round(freq_hz / spectra.freq_hz[1]).astype(int), 0, spectra.freq_hz.size - 1)
        total = total + spectra.drive[index] * length_s
        weight += length_s
    if not weight:
        raise DataError("no lap of the field is left to choose control channels by; see 'washboard check'")
    return np.asarray(total, dtype=np.complex128) / weight


def control_choice(
    frf: Frf,
    field: Complexes,
    *,
    control: tuple[str, ...],
    band_hz: tuple[float, float],
    importance: Floats | None = None,
) -> ControlChoice:
    """What the control channels let the drives reach, and what leaving out or adding each channel would change.

    Parameters
    ----------
    frf : Frf
        Of all responses, controlled or not.
    field : ndarray, shape (freq, response, response)
        From `field_cross_spectra`, on the FRF's lines, responses in its order.
    control : tuple of str
        Names of the control channels.
    importance : ndarray, shape (response,), optional
        Weights of the channels beside 1/RMS of the field.

    Raises
    ------
    DataError
        A control channel the FRF does not have, or none.
    """
    missing = [name for name in control if name not in frf.responses]
    if missing or not control:
        raise DataError(f"the FRF has no response '{missing[0]}'" if missing else "no channel is controlled")
    inside = (frf.freq_hz >= band_hz[0]) & (frf.freq_hz <= band_hz[1])
    chosen = np.array([name in control for name in frf.responses])
    seen = _Seen(frf, field, inside, np.ones(chosen.size) if importance is None else importance)
    changed: list[Reach | None] = []
    for i in range(chosen.size):
        other = chosen.copy()
        other[i] = not chosen[i]
        changed.append(seen.reach(other) if other.sum() >= frf.values.shape[2] and seen.known[i] else None)
    order, worth = _greedy(seen.values[:: max(1, seen.values.shape[0] // 400)], seen.weight)
    return ControlChoice(
        names=frf.responses, control=chosen, freq_hz=seen.bands.centre_hz, now=seen.reach(chosen),
        changed=tuple(changed), order=tuple(frf.responses[i] for i in order), worth=worth,
    )  # fmt: skip


class _Seen:
    """FRF and field in band, with what all choices share."""

    def __init__(self, frf: Frf, field: Complexes, inside: NDArray[np.bool_], importance: Floats) -> None:
        self.values, self.field = frf.values[inside], field[inside]
        self.power = np.einsum("fii->fi", self.field).real
        size = np.sqrt(self.power.sum(axis=0))
        self.known = size > 0
        self.weight = np.divide(importance, size, out=np.zeros_like(size), where=self.known)
        self.bands = group_lines(frf.freq_hz[inside], width_hz=0.3, share=0.15, least=4)
        shape = np.einsum("fjj->fj", frf.information[inside]).real / frf.n_experiments
        certainty = frf.n_experiments * frf.averaged[inside]
        self.shape = 1.0 / np.maximum(shape, 1e-300)
        self.blur = frf.residual[inside], 1.0 / (np.maximum(shape, 1e-300) * certainty[:, None])

    def reach(self, chosen: NDArray[np.bool_]) -> Reach:
        """With these channels controlled."""
        p, q = self.values.shape[1:]
        weight = np.broadcast_to(self.weight * chosen, self.values.shape[:2])
        normal = np.einsum("fij,fi->fj", np.abs(self.values) ** 2, weight**2)
        inverse = weighted_inverse(self.values, weight, 1e-4 * normal)
        left = np.eye(p) - self.values @ inverse
        off = np.einsum("fij,fjk,fik->fi", left, self.field, np.conj(left), optimize=True).real
        drives = np.einsum("fij,fjk,fik->fi", inverse, self.field, np.conj(inverse), optimize=True).real
        residual, per_drive = self.blur
        # A fit leaves the share 1 - leverage of what the FRF's own uncertainty adds to the channels it fits.
        free = np.where(chosen, max(0.0, 1 - q / max(chosen.sum(), 1)), 1.0)
        off = off - free * residual * np.einsum("fj,fj->f", drives, per_drive)[:, None]
        per_line = np.einsum("fij,fj->fi", np.abs(left) ** 2, residual)
        bent = np.einsum("fi,f->i", per_line, np.einsum("fj,fj->f", drives, self.shape) / q)
        size = np.maximum(self.power.sum(axis=0), 1e-300)
        band_off, band_size = np.asarray(self.bands.total(off)), np.asarray(self.bands.total(self.power))
        scaled = self.values * weight[:, :, None] * np.sqrt(drives.sum(axis=0))
        singular = np.linalg.svd(scaled[:, chosen], compute_uv=False)
        middle = (self.bands.edges[:-1] + self.bands.edges[1:]) // 2
        error = np.sqrt(np.maximum(off.sum(axis=0), 0.0) / size)
        return Reach(
            error=error,
            bent=np.minimum(np.sqrt(bent / size), error),
            error_band=np.sqrt(np.maximum(band_off, 0.0) / np.maximum(band_size, 1e-300)),
            condition=singular[middle, 0] / np.maximum(singular[middle, -1], 1e-300),
            singular=singular[middle],
        )


def _greedy(values: Complexes, weight: Floats) -> tuple[list[int], Floats]:
    """Rows in the order in which each raises the mean of log det most, and by how much."""
    n_freq, p, q = values.shape
    scaled = values * weight[:, None]
    size = np.sqrt(np.mean(np.abs(scaled) ** 2, axis=1, keepdims=True))
    scaled = scaled / np.maximum(size, 1e-300)
    normal = np.broadcast_to(0.02 * np.eye(q), (n_freq, q, q)).astype(np.complex128)
    left, order, value = list(range(p)), [], [float(np.mean(np.linalg.slogdet(normal)[1]))]
    while left:
        trials = [normal + np.conj(scaled[:, i, :, None]) * scaled[:, i, None, :] for i in left]
        scores = [float(np.mean(np.linalg.slogdet(trial)[1])) for trial in trials]
        pick = int(np.argmax(scores))
        order.append(left.pop(pick))
        normal = trials[pick]
        value.append(scores[pick])
    return order, np.diff(value)
