"""What becomes of the sum of the parts: cuts, left and right, the room."""

from typing import TYPE_CHECKING

from generator.sound import native
from generator.sound.filters import highpass
from generator.sound.room import build_room, room_cuts

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Desk"]

_RUMBLE_BELOW_HZ = 25.0
_MONO_BELOW_HZ = 150.0


class Desk:
    """Takes block after block.

    The middle passes a high-pass below the lowest string of a bass (samples of fonts carry offsets
    of a few hundredths of full scale), the side one above the kick, so that what is low stands in
    the middle.
    """

    def __init__(self, rate_hz: int) -> None:
        import numpy as np

        middle, side = highpass(_RUMBLE_BELOW_HZ, rate_hz), highpass(_MONO_BELOW_HZ, rate_hz)
        self._biquads = np.array([middle, side, *room_cuts(rate_hz)])
        self._states = np.zeros((4, 2))
        self._room = build_room(rate_hz)

    def __call__(self, signal: "NDArray[np.float32]", to: "NDArray[np.float32]") -> None:
        """Make left and right, (2, frames), of middle, side and send to the room, (3, frames)."""
        native.desk(signal, self._biquads, self._states, self._room, to)
