"""Counting a record that comes in pieces: exactly the result of the whole, whatever the pieces."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import DataError
from washboard.loads._damage import as_slopes, residue_damage
from washboard.loads._rainflow import ClosedCycles, Cycles, CycleStack, Residue, check_residue, finish
from washboard.loads._samples import Samples, as_read_only, check_finite, each_row, not_finite
from washboard.loads._turning import check_gate

_PIECE = "Counting a piece"


class DamageStream:
    """Pseudo-damage of a recording that comes piece by piece; bit for bit that of `pseudo_damage` of the whole.

    Turning points are gathered into batches of a fixed number, so memory stays that of a batch and a piece, and sums
    come in the same order however the record is cut.

    Parameters
    ----------
    channels : int
        How many.
    slopes : array_like, shape (slope,)
        Basquin slopes. [-]
    gate : float or array_like, shape (channel,)
        Hysteresis. [unit of the samples]
    """

    def __init__(self, channels: int, slopes: ArrayLike, *, gate: float | ArrayLike = 0.0) -> None:
        from washboard.loads import _kernels

        self._slopes = np.atleast_1d(as_slopes(slopes))
        self._gates = np.broadcast_to(np.asarray(gate, np.float64), (channels,)).copy()
        for value in self._gates:
            check_gate(float(value))
        self._stacks = [np.empty(1024) for _ in range(channels)]
        self._states = np.zeros((channels, 2 + _kernels.GATE))
        self._counts = np.zeros((channels, 3), np.int64)
        self._turns = np.empty((channels, _kernels.ENOUGH))
        self._sums = np.zeros((channels, self._slopes.size, 8))

    @property
    def n_samples(self) -> int:
        """Samples per channel so far."""
        return int(self._counts[0, 0])

    def add(self, samples: ArrayLike) -> None:
        """Count the next piece, shape (channel, time). Raises DataError when it is not finite or of another shape."""
        piece = np.atleast_2d(np.asarray(samples))
        if piece.dtype not in (np.float32, np.float64):
            piece = piece.astype(np.float64)
        if piece.ndim != 2 or piece.shape[0] != len(self._stacks):
            raise DataError(f"a piece has shape ({len(self._stacks)}, time), not {np.shape(samples)}")
        check_finite(piece, _PIECE)
        if piece.shape[1]:
            self._count(piece, last=False)

    def damage(self, *, residue: Residue = "half") -> NDArray[np.float64]:
        """Damage so far, as if the record ended here, shape (channel, slope); more pieces may follow."""
        check_residue(residue)
        end = _Copy(self)
        end.finish()
        return np.stack(
            [
                end.sums[number].sum(axis=1) + residue_damage(stack[: end.counts[number, 1]], self._slopes, residue)
                for number, stack in enumerate(end.stacks)
            ]
        )

    def _count(self, rows: Samples, *, last: bool) -> None:
        _count(rows, last, self._gates, self._stacks, self._states, self._counts, self._turns, self._slopes, self._sums)


class _Copy:
    """A copy of a stream's state, to end it without ending the stream."""

    def __init__(self, stream: DamageStream) -> None:
        self._stream = stream
        self.stacks = [stack.copy() for stack in stream._stacks]
        self.states, self.counts = stream._states.copy(), stream._counts.copy()
        self.turns, self.sums = stream._turns.copy(), stream._sums.copy()

    def finish(self) -> None:
        stream = self._stream
        nothing = np.empty((len(self.stacks), 0))
        _count(
            nothing, True, stream._gates, self.stacks, self.states, self.counts, self.turns, stream._slopes,
            self.sums,
        )  # fmt: skip


def _count(
    rows: Samples,
    last: bool,
    gates: NDArray[np.float64],
    stacks: list[NDArray[np.float64]],
    states: NDArray[np.float64],
    counts: NDArray[np.int64],
    turns: NDArray[np.float64],
    slopes: NDArray[np.float64],
    sums: NDArray[np.float64],
) -> None:
    from washboard.loads import _kernels

    def one(number: int) -> None:
        row = as_read_only(np.ascontiguousarray(rows[number]))
        stacks[number], bad = _kernels.count_damage(
            row, last, gates[number], stacks[number], states[number], counts[number], turns[number], slopes,
            sums[number],
        )  # fmt: skip
        if bad >= 0:
            raise not_finite(row, number, rows.shape[0], _PIECE)

    each_row(one, rows.shape[0], rows.size)


class RainflowStream:
    """Exact rainflow cycles of one channel that comes piece by piece.

    Each `add` returns the cycles that closed by its piece, with sample numbers counted from the start of the record;
    `end` returns the residue and what it adds. All of them together are the cycles of `rainflow` of the whole, in the
    same order. Memory is that of a piece and of the residue.
    """

    def __init__(self, *, gate: float = 0.0) -> None:
        from washboard.loads import _kernels

        check_gate(gate)
        self._gate, self._gate_state = gate, np.zeros(_kernels.GATE)
        self._stack = CycleStack()
        self._last = np.empty(0)
        self._slope, self._at, self._seen = 0, 0, 0

    def add(self, samples: ArrayLike) -> ClosedCycles:
        """Cycles closed by the next piece, shape (time,). Raises DataError when it is not finite."""
        from washboard.loads import _kernels

        piece: Samples = as_read_only(np.ascontiguousarray(np.asarray(samples, np.float64).ravel()))
        check_finite(piece[None, :], _PIECE)
        values, indices = np.empty(piece.size + 1), np.empty(piece.size + 1, np.int64)
        if not self._last.size and piece.size:
            self._last = np.array(piece[:1], np.float64)
        count, self._slope, self._at = _kernels.more_turns(
            piece, self._last, self._slope, self._at, self._seen, values, indices
        )
        self._seen += piece.size
        if self._gate > 0:
            count = _kernels.gate_turns(values, indices, count, self._gate, self._gate_state)
        return self._stack.close(values[:count], indices[:count])

    def end(self, *, residue: Residue = "half") -> Cycles:
        """End the record: cycles that its last sample closes, the residue, and what the residue adds."""
        from washboard.loads import _kernels

        check_residue(residue)
        values, indices = np.empty(3), np.empty(3, np.int64)
        count = self._last.size
        values[:count], indices[:count] = self._last, self._at
        if self._gate > 0:
            count = _kernels.gate_turns(values, indices, count, self._gate, self._gate_state)
            count = _kernels.gate_end(values, indices, count, self._gate_state)
        closed = self._stack.close(values[:count], indices[:count])
        return finish(closed, self._stack.residue(), residue)
