"""Recursive filters in numpy alone, streamed, at the speed of matrix products.

A cascade of biquads is one linear state-space system x' = A x + B u, y = C x + D u. Over a step
of P samples the output is a fixed matrix times the step's input plus a fixed matrix times the
state before it, so a long signal becomes two matrix products; the states between steps follow by
doubling (Hillis and Steele 1986: log2 passes over all steps at once).
"""

from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    _Real = TypeVar("_Real", np.float32, np.float64)

__all__ = ["STEP", "Cascade", "Section", "highpass", "product"]

STEP = 64
"""Samples a matrix step; blocks given to a `Cascade` are whole multiples of it."""

# Multiplications in one product: so few that the linear algebra library does not share one among
# threads, and the result does not depend on how many cores there are.
_PRODUCT_SIZE = 1 << 18

_NEGLIGIBLE = 1e-12

Section = tuple[float, float, float, float, float]
"""A biquad (b0, b1, b2, a1, a2) with a0 = 1."""


def highpass(cutoff_hz: float, rate_hz: int, q: float = 0.5**0.5) -> Section:
    """Return a second-order high-pass (bilinear transform; R. Bristow-Johnson's cookbook)."""
    import math

    w = 2 * math.pi * cutoff_hz / rate_hz
    alpha = math.sin(w) / (2 * q)
    cos = math.cos(w)
    a0 = 1 + alpha
    return (
        (1 + cos) / 2 / a0,
        -(1 + cos) / a0,
        (1 + cos) / 2 / a0,
        -2 * cos / a0,
        (1 - alpha) / a0,
    )


class Cascade:
    """Biquads in series over a few channels, state kept from block to block.

    Parameters
    ----------
    sections : tuple of Section
    channels : int
    """

    def __init__(self, sections: tuple[Section, ...], channels: int) -> None:
        import numpy as np

        a, b, c, d = _state_space(sections)
        order = a.shape[0]
        powers = [np.eye(order)]
        for _ in range(STEP):
            powers.append(powers[-1] @ a)
        response = np.array([d, *(float(c @ powers[i] @ b) for i in range(STEP - 1))])
        toeplitz = np.zeros((STEP, STEP))
        for row in range(STEP):
            toeplitz[row, : row + 1] = response[row::-1]
        into_state = np.stack([powers[STEP - 1 - j] @ b for j in range(STEP)])
        # Samples stay single; a state sums up hundreds of them, which takes double.
        self._forward = np.ascontiguousarray(toeplitz.T, dtype=np.float32)
        self._into_state = into_state
        self._from_state = np.stack([c @ powers[i] for i in range(STEP)]).T
        self._step = powers[STEP].T
        self._state = np.zeros((channels, order))

    def __call__(self, block: "NDArray[np.float32]") -> "NDArray[np.float32]":
        """Filter (channels, frames), frames a multiple of `STEP`; returns the same shape."""
        import numpy as np

        channels, frames = block.shape
        steps = frames // STEP
        out = np.empty_like(block)
        for channel in range(channels):
            rows = block[channel].reshape(steps, STEP)
            states = np.empty((steps + 1, self._state.shape[1]))
            states[0] = self._state[channel]
            states[1:] = product(rows.astype(np.float64), self._into_state)
            power, reach = self._step, 1
            while reach <= steps and abs(power).max() > _NEGLIGIBLE:
                states[reach:] += states[:-reach] @ power
                power, reach = power @ power, 2 * reach
            self._state[channel] = states[-1]
            result = out[channel].reshape(steps, STEP)
            np.matmul(states[:-1], self._from_state, out=result, casting="same_kind")
            result += product(rows, self._forward)
        return out


def product(rows: "NDArray[_Real]", matrix: "NDArray[_Real]") -> "NDArray[_Real]":
    """Return the matrix product, worked out a few rows at a time, the same on every machine."""
    import numpy as np

    few = max(1, _PRODUCT_SIZE // matrix.size)
    out = np.empty((len(rows), matrix.shape[1]), rows.dtype)
    whole = len(rows) // few * few
    if whole:
        batch = rows[:whole].reshape(-1, few, rows.shape[1])
        np.matmul(batch, matrix, out=out[:whole].reshape(-1, few, matrix.shape[1]))
    np.matmul(rows[whole:], matrix, out=out[whole:])
    return out


def _state_space(
    sections: tuple[Section, ...],
) -> tuple["NDArray[np.float64]", "NDArray[np.float64]", "NDArray[np.float64]", float]:
    import numpy as np

    a, b, c, d = np.zeros((0, 0)), np.zeros(0), np.zeros(0), 1.0
    for b0, b1, b2, a1, a2 in sections:
        # Transposed direct form II of one biquad: two states.
        a_2 = np.array([[-a1, 1.0], [-a2, 0.0]])
        b_2 = np.array([b1 - a1 * b0, b2 - a2 * b0])
        c_2 = np.array([1.0, 0.0])
        order = a.shape[0]
        joined = np.zeros((order + 2, order + 2))
        joined[:order, :order] = a
        joined[order:, :order] = np.outer(b_2, c)
        joined[order:, order:] = a_2
        a, b = joined, np.concatenate([b, b_2 * d])
        c, d = np.concatenate([b0 * c, c_2]), b0 * d
    return a, b, c, d
