"""What becomes of the sum of the parts: cuts, left and right, the room."""

from generator.sound.filters import highpass
from generator.sound.native import Console
from generator.sound.room import build_room, room_cuts

__all__ = ["build_desk"]

_RUMBLE_BELOW_HZ = 25.0
_MONO_BELOW_HZ = 150.0


def build_desk(rate_hz: int) -> Console:
    """Return a desk that no signal has passed yet.

    The middle passes a high-pass below the lowest string of a bass (samples of fonts carry offsets
    of a few hundredths of full scale), the side one above the kick, so that what is low stands in
    the middle.
    """
    import numpy as np

    middle, side = highpass(_RUMBLE_BELOW_HZ, rate_hz), highpass(_MONO_BELOW_HZ, rate_hz)
    biquads = np.array([middle, side, *room_cuts(rate_hz)])
    return Console(biquads, np.zeros((4, 2)), build_room(rate_hz))
