"""Reasons: in words, why each stretch was kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from washboard.recording import Samples
from washboard.shorten._select import runs_of
from washboard.shorten._shorten import Shortened

_NAMES = 3
_TIGHT = 0.02


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptStretch:
    """One stretch that was kept.

    Parameters
    ----------
    start_s, end_s : float
        In the original, where the cuts finally lie. [s]
    reason : str
        Why it was kept.
    channel : str
        The channel it matters most to.
    share : float
        Share of that channel's damage that lies in it. [-]
    """

    start_s: float
    end_s: float
    reason: str
    channel: str
    share: float


def kept_stretches(
    result: Shortened, samples: Samples, *, names: tuple[str, ...], slopes: tuple[float, ...]
) -> tuple[KeptStretch, ...]:
    """Every kept stretch with its reason: largest cycles it holds, and the channel that needs it most.

    The channel that needs a stretch most is the one with the largest share of its damage in it, among those channels
    and slopes that have nothing to spare (held within 2 % of what is required) if there are any.

    Parameters
    ----------
    samples : ndarray, shape (channel, time)
        The original.
    names, slopes
        Of channels and of the damage in `result`.
    """
    rate_hz = result.windows.rate_hz
    asked = result.required > 0
    tight = asked & (result.held <= result.required + _TIGHT)
    rows = tight if tight.any() else asked
    share = result.damage / np.where(result.damage.sum(axis=1) > 0, result.damage.sum(axis=1), 1.0)[:, None, :]
    extremes = [
        (name, int(place))
        for name, row, wanted in zip(names, samples, asked[:, 0], strict=True)
        if wanted
        for place in (row.argmax(), row.argmin())
    ]
    found = []
    for (first, last), (start, end) in zip(runs_of(result.kept), result.joined.runs, strict=True):
        inside = share[:, first:last].sum(axis=1)
        channel, slope = np.unravel_index(int(np.argmax(np.where(rows, inside, -1.0))), inside.shape)
        part = (end - start) / samples.shape[1]
        largest = list(dict.fromkeys(name for name, place in extremes if start <= place < end))
        words = []
        if largest:
            more = f" and {len(largest) - _NAMES} more" if len(largest) > _NAMES else ""
            words.append(f"an end of the largest cycle of {', '.join(largest[:_NAMES])}{more}")
        scarce = ", of which it has none to spare," if tight.any() else ""
        words.append(
            f"{_percent(inside[channel, slope])} of the damage of {names[channel]} at slope {slopes[slope]:g}{scarce} "
            f"in {_percent(part)} of the time"
        )
        found.append(
            KeptStretch(
                start_s=float(start / rate_hz),
                end_s=float(end / rate_hz),
                reason="; ".join(words),
                channel=names[channel],
                share=float(inside[channel, slope]),
            )
        )
    return tuple(found)


def _percent(share: float) -> str:
    return f"{share:.0%}" if share >= 0.095 else f"{share:.1%}" if share >= 0.0005 else "less than 0.1 %"
