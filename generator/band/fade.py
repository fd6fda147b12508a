"""The last chord dies away: a fade by expression (controller 11) while it is held.

A band that lets go of its last chord all at once sounds cut off. Strings and keys that are held
lose their sound over the hold, as a hand and a bow do; common practice, no source for the curve.
"""

from dataclasses import replace

from generator.band.arrangement import Control, Part
from generator.band.cues import Cues

__all__ = ["EXPRESSION", "faded"]

EXPRESSION = 11
_STEPS = 24
_BEGINS = 0.3  # share of the hold at full level
_LEFT = 0.28  # of the controller at the end: about 22 dB down, its gain being the square


def faded(part: Part, cues: Cues) -> Part:
    """Return a pitched part whose final held chord fades; other endings stay as they are."""
    final = cues.cues[-1] if cues.cues else None
    if final is None or final.kind != "hold" or not final.final:
        return part
    length = final.release_tick - final.start_tick
    before = [c for c in part.controls if c.tick <= final.start_tick]
    level = before[-1].value if before else 127
    curve = [
        Control(
            final.start_tick + round(length * (_BEGINS + (1 - _BEGINS) * step / _STEPS)),
            EXPRESSION,
            round(level * (1 - (1 - _LEFT) * step / _STEPS)),
        )
        for step in range(1, _STEPS + 1)
    ]
    return replace(part, controls=(*before, *curve))
