"""How a note falls silent once it is let go or choked: a curve on the same note held on.

A key is struck for many lengths. Where all that sounds of it follows one envelope
(`Preset.envelopes`), every length is one recording of the held key times a curve: what the
level does after the release, over what it would have done. Both fall evenly in decibels: by 96 dB
in the release time of the font (SoundFont 2.04, section 8.1.2, generator 38), or in 0.89 s when it
is choked, and while it is held, in the decay time.

FluidSynth steps once a block, looks levels up in a table of whole tenths of a decibel, and draws
straight lines between. These figures were found by measuring 2.3.1; a `Player` checks them on the
library that it runs.
"""

from collections.abc import Sequence
from functools import cache, lru_cache
from typing import TYPE_CHECKING

from generator.sound import native
from generator.sound.preset import Envelope
from generator.sound.recording import Fade, Recording
from generator.sound.synth import BLOCK

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["follows", "release", "risen_blocks"]

_DEPTH_CB = 960
_SUSTAIN_STEP = 0.001  # FluidSynth: a sustain of 1000 cB is silence, and 96 dB deep
_INAUDIBLE_CB = 750
_CHOKE_TIMECENTS = -200
_CLOSE = 10 ** (-66 / 10)  # energy of what may be left beside a curve


@lru_cache(maxsize=1024)
def _blocks(timecents: int, rate_hz: int, *, rounding: float = 0.0) -> int:
    return int(2 ** (timecents / 1200) * rate_hz / BLOCK + rounding)


def risen_blocks(envelope: Envelope, rate_hz: int) -> int:
    """Return after how many blocks a note has reached its height."""
    return _blocks(envelope.delay, rate_hz) + 1 + _blocks(envelope.attack, rate_hz)


def release(envelope: Envelope, off_blocks: int, choke_blocks: int, rate_hz: int) -> Fade:
    """Return how a note falls silent from where it is let go or choked, or as late as it lags.

    It ends where the note is 75 dB below what it would have been.

    Parameters
    ----------
    envelope : Envelope
    off_blocks, choke_blocks : int
        When the note is let go and when it is choked, the latter 0 for never; not before it has
        risen to its height.
    rate_hz : int
    """
    first = min(off_blocks, choke_blocks) if choke_blocks else off_blocks
    choked_after = choke_blocks - first if choke_blocks else None
    # How many blocks the fall of a held note has lasted by then.
    fallen = first - _falls_from_blocks(envelope, rate_hz) if envelope.sustain_cb else 0
    curve, address = _curve(envelope, fallen, choked_after, rate_hz)
    return Fade(curve, BLOCK * first + round(envelope.lag_us * rate_hz / 1e6), address)


@lru_cache(maxsize=1024)
def _falls_from_blocks(envelope: Envelope, rate_hz: int) -> int:
    return risen_blocks(envelope, rate_hz) + _blocks(envelope.hold, rate_hz, rounding=0.5)


@lru_cache(maxsize=1024)
def _curve(
    envelope: Envelope, fallen: int, choked_after: int | None, rate_hz: int
) -> "tuple[NDArray[np.float32], int]":
    """Return a curve and its address."""
    fall = _fall(envelope, rate_hz)
    slowest = fall.let_go if choked_after is None else min(fall.let_go, fall.choked)
    curve = native.release_gains(
        fall,
        choked_after=-1 if choked_after is None else choked_after,
        fallen=fallen,
        longest=1 + int(1 / slowest),
        inaudible=_INAUDIBLE_CB,
        gains=_gains(_DEPTH_CB),
    )
    return curve, native.address(curve)


@lru_cache(maxsize=1024)
def _fall(envelope: Envelope, rate_hz: int) -> native.Fall:
    import numpy as np

    def step(blocks: int) -> float:
        return float(np.float32(1) / np.float32(blocks))  # in single precision, as there

    return native.Fall(
        let_go=step(1 + _blocks(envelope.release, rate_hz)),
        choked=step(1 + _blocks(_CHOKE_TIMECENTS, rate_hz)),
        decay=step(max(1, _blocks(envelope.decay, rate_hz, rounding=0.5))),
        sustained=1 - _SUSTAIN_STEP * envelope.sustain_cb,
    )


@cache
def _gains(depth_cb: int) -> "NDArray[np.float32]":
    """Return the gains of all differences between two levels, the greatest rise first."""
    import numpy as np

    differences_cb = np.arange(-depth_cb, depth_cb + 1)
    gains: NDArray[np.float32] = (10 ** (-differences_cb / 200)).astype(np.float32)
    return gains


def follows(heard: Recording, layers: Sequence[tuple[Recording, Fade]]) -> bool:
    """Return whether a recording is as good as held ones that fade, added up."""
    import numpy as np

    frames = min(heard.frames, *(held.frames for held, _ in layers))
    sound = heard.decoded()[:, :frames].astype(np.float64)
    expected = np.zeros((1, frames))
    for held, fade in layers:
        corners = fade.start + BLOCK * np.arange(len(fade.curve))
        gains = np.interp(np.arange(frames), corners, fade.curve)
        expected = expected + held.decoded()[:, :frames] * gains
    return float(((sound - expected) ** 2).sum()) < _CLOSE * float((sound**2).sum())
