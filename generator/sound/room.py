"""One room for the whole band: a network of delay lines that feed one another.

The room is linear and never changes, so a repeated bar sounds the same each time and stems add
up. It is a small, dark studio room: low cut so that the bass stays dry and in the middle, quick
decay so that a stop is silent.

A feedback delay network (Jot and Chaigne 1991): eight lines, mixed by a Householder matrix, which
neither adds nor takes energy; each line takes off what its length asks for, and all decay alike.
Each feeds the next one (Smith, Physical Audio Signal Processing, "Householder Feedback Matrix").
What comes in passes three all-passes (Schroeder 1962), which make of each reflection a cluster.
"""

from generator.sound import native
from generator.sound.filters import PASS, Section, highpass, lowpass
from generator.sound.native import SPAN, Network

__all__ = ["DECAY_S", "STILL_S", "build_room", "room_cuts"]

DECAY_S = 0.42
"""Reverberation time: 60 dB of decay."""

STILL_S = 1.0
"""How long it rings at most behind the last sound: by more than 140 dB."""

_LINES_DECAY_S = 0.44  # with this the whole room decays in DECAY_S, as it is measured

_LINES_MS = (34.23, 33.01, 18.42, 46.81, 19.92, 41.90, 36.90, 28.41)
"""The lengths of the lines, and so the first reflections: at no even distance."""

_DIFFUSERS_MS = (3.18, 3.81, 5.59)  # 65 samples or more at the lowest rate
_DIFFUSION = 0.65

_DULLING = 0.136  # how much of the sample after it goes with each that leaves a line
_LOW_CUT_HZ, _HIGH_CUT_HZ = 220.0, 7000.0
_CACHE_LINE_BYTES = 64  # no vector lies across two


def room_cuts(rate_hz: int) -> tuple[Section, Section]:
    """Return what a send must pass before it comes into the room: low and high cut."""
    return highpass(_LOW_CUT_HZ, rate_hz), lowpass(_HIGH_CUT_HZ, rate_hz)


def build_room(rate_hz: int) -> Network:
    """Return a silent room.

    The answer of each side to an impulse has unit energy, cuts included, so that a send of 0 dB
    returns about as much as went in.
    """
    import numpy as np

    lines_s = np.array(_LINES_MS) / 1000
    # What comes in waits for a span: so the lines need not wait for it.
    all_s = np.array([*lines_s, SPAN / rate_hz, *np.array(_DIFFUSERS_MS) / 1000])
    delays = np.rint(all_s * rate_hz).astype(np.int32)
    gains = (10 ** (-3 * lines_s / _LINES_DECAY_S) / (1 + _DULLING)).astype(np.float32)
    # The shortest rings, of a power of two, that hold the longest line: they stay in the cache.
    ring_frames = 1 << int(delays.max() - 1).bit_length()
    lines = native.aligned((len(delays), ring_frames + 2 * SPAN), np.float32, _CACHE_LINE_BYTES)
    lines[:] = 0
    still = _whole_spans(STILL_S * rate_hz)
    clock = np.array([0, still])
    room = Network(lines, delays, gains, np.ones(2, np.float32), clock, still, _DULLING, _DIFFUSION)

    impulse = np.zeros((3, _whole_spans(DECAY_S * rate_hz)), np.float32)
    impulse[2, 0] = 1.0
    answer = np.empty((2, impulse.shape[1]), np.float32)
    biquads = np.array([PASS, PASS, *room_cuts(rate_hz)])
    tried = room._replace(lines=lines.copy(), clock=room.clock.copy())
    native.desk(native.Console(biquads, np.zeros((4, 2)), tried), impulse, answer)
    return room._replace(levels=1 / np.sqrt((answer**2).sum(axis=1)))


def _whole_spans(frames: float) -> int:
    return round(frames) // SPAN * SPAN
