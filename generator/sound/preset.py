"""What a preset of a SoundFont does with its keys: layers of touch, envelopes, chokes.

A key at a velocity sounds through pairs of a preset zone and an instrument zone, whose generators
add up. Generator numbers and defaults: SoundFont Technical Specification 2.04, section 8.1.2.
"""

import math
from bisect import bisect_right
from functools import cached_property
from typing import NamedTuple

from generator.record import record

__all__ = ["OF_ENVELOPE", "TOLD_BY", "Envelope", "Generators", "Preset", "Zone"]

KEY_RANGE, VELOCITY_RANGE = 43, 44
EXCLUSIVE_CLASS = 57
OF_ENVELOPE = range(33, 41)
"""The generators of the envelope of the level."""

TOLD_BY = (8, 9, *OF_ENVELOPE)
"""The generators by which the samples that sound in one key are told from one another."""

_CUTOFF, _RESONANCE = TOLD_BY[:2]
_DELAY, _ATTACK, _HOLD, _DECAY, _SUSTAIN, _RELEASE, _KEY_TO_HOLD, _KEY_TO_DECAY = OF_ENVELOPE
_SAMPLE_MODES, _LOOPS_UNTIL_RELEASE = 54, 3
_MIDDLE_KEY = 60
# Of times in timecents: what stands for none, and the range that FluidSynth 2.3.1 allows.
_INSTANT, _SHORTEST_RELEASE, _LONGEST_HOLD, _LONGEST = -12_000, -7200, 5000, 8000
_SILENT_CB = 1000
_OPEN_CENTS = 13_500  # of a filter that lets all pass
_LAG_STEP_US = 25  # a sample at 40 kHz
_DEPTH_DB = 96  # how far a note falls in the time of its release
_MOST_LAG_DB = 0.2  # it may fall so far while its filter lags: beyond, sound is no longer just late
_DEFAULTS = {
    _CUTOFF: _OPEN_CENTS,
    **dict.fromkeys((_RESONANCE, _SUSTAIN, _KEY_TO_HOLD, _KEY_TO_DECAY), 0),
}
_MOST_LAYERS = 3  # each is one more recording to place

_NOT_BEFORE_RELEASE = frozenset({KEY_RANGE, VELOCITY_RANGE, _RELEASE})


Generators = tuple[int, ...]
"""The amounts of `TOLD_BY`."""


class Envelope(NamedTuple):
    """How the level of a note moves, times in timecents (2 ** (t / 1200) seconds).

    It rises until `attack` has passed, keeps its height for `hold`, and then falls evenly in
    decibels, so fast that `decay` would bring it to silence, until `sustain_cb` below its height;
    let go, it falls so fast that `release` would. `hold` and `decay` are 0 where the level stays.

    What is heard follows `lag_us` later: the filter comes behind the level, and low-passed sound is
    late.
    """

    delay: int
    attack: int
    hold: int
    decay: int
    sustain_cb: int
    release: int
    lag_us: int = 0


@record
class Zone:
    """Generators by number, and whether modulators touch what they are asked about.

    `velocity_shapes`: velocity changes more than the level. `envelope_moves`: something changes
    the envelope of the level.
    """

    generators: dict[int, int]
    velocity_shapes: bool
    envelope_moves: bool

    def span(self, generator: int) -> tuple[int, int]:
        """Return the lowest and the highest value of a range."""
        value = self.generators.get(generator)
        return (0, 127) if value is None else (value & 0xFF, value >> 8)


class _Pair(NamedTuple):
    outer: Zone
    inner: Zone
    lowest: int
    highest: int
    softest: int
    loudest: int

    def amount(self, generator: int, default: int = 0) -> int:
        own = self.inner.generators.get(generator, default)
        more = self.outer.generators.get(generator, 0)
        # They are kept as unsigned words.
        return (own - 0x10000 if own >= 0x8000 else own) + (
            more - 0x10000 if more >= 0x8000 else more
        )


class Preset:
    """A preset, by the zones that hold its samples; what a key does is worked out when asked for.

    Parameters
    ----------
    layers : list of (Zone, Zone)
        Pairs of a preset zone and an instrument zone.
    """

    def __init__(self, layers: list[tuple[Zone, Zone]]) -> None:
        self._layers = layers
        self._keys: dict[int, _Key] = {}

    @cached_property
    def chokes(self) -> dict[int, int]:
        """The exclusive class of each key that has one."""
        classes: dict[int, int] = {}
        for pair in self._pairs:
            choke = pair.inner.generators.get(EXCLUSIVE_CLASS, 0)
            if choke:
                classes.update(dict.fromkeys(range(pair.lowest, pair.highest + 1), choke))
        return classes

    @cached_property
    def _pairs(self) -> list[_Pair]:
        return [_pair(outer, inner) for outer, inner in self._layers]

    def touch_edges(self, pitch: int) -> tuple[int, ...] | None:
        """Return from which velocities on a key sounds otherwise: (1,) for the same always.

        None for a key whose sound velocity shapes otherwise, such as by a filter.
        """
        return self._key(pitch).touch_edges

    def held_edges(self, pitch: int) -> tuple[int, ...] | None:
        """Return the same for a key that is held: how it is let go does not matter."""
        return self._key(pitch).held_edges

    def envelopes(self, pitch: int, velocity: int) -> tuple[Envelope, ...]:
        """Return how the levels of a note's samples move: each way once, always in one order.

        Empty where that cannot be told, such as of a key that goes on with other sound once it is
        let go, or falls silent faster than its filter follows.
        """
        return self._key(pitch).envelopes(velocity)

    def generators(self, pitch: int, velocity: int, layer: int) -> tuple[Generators, ...]:
        """Return by what to know the samples of a note that follow an envelope, counted from 1.

        Empty where all do.
        """
        return self._key(pitch).generators(velocity, layer)

    def _key(self, pitch: int) -> "_Key":
        key = self._keys.get(pitch)
        if key is None:
            key = self._keys[pitch] = _Key(self._pairs, pitch)
        return key


class _Key:
    """What a preset does with one key; asked for thousands of times."""

    def __init__(self, pairs: list[_Pair], pitch: int) -> None:
        self._pitch = pitch
        self._pairs = [
            pair
            for pair in pairs
            if pair.lowest <= pitch <= pair.highest and pair.softest <= pair.loudest
        ]
        self._envelopes: dict[int, tuple[Envelope, ...]] = {}  # by what sounds
        self._of_pairs: dict[int, Envelope] = {}

    @cached_property
    def touch_edges(self) -> tuple[int, ...] | None:
        if any(pair.outer.velocity_shapes or pair.inner.velocity_shapes for pair in self._pairs):
            return None
        return self._edges

    @cached_property
    def _edges(self) -> tuple[int, ...]:
        """From which velocities on other samples sound."""
        edges = {1}
        for pair in self._pairs:
            edges |= {pair.softest, pair.loudest + 1}
        return tuple(sorted(edge for edge in edges if edge <= 127))

    @cached_property
    def held_edges(self) -> tuple[int, ...] | None:
        edges = self.touch_edges
        if edges is None:
            return None
        sounds = [self._held_sound(edge) for edge in edges]
        changes = [n for n in range(len(edges)) if n == 0 or sounds[n] != sounds[n - 1]]
        return tuple(edges[n] for n in changes)

    def envelopes(self, velocity: int) -> tuple[Envelope, ...]:
        what = bisect_right(self._edges, velocity)
        known = self._envelopes.get(what)
        if known is None:
            pairs = self._sounding(velocity)
            layers = self._layers(pairs)
            fade = all(_can_fade(pair, self._envelope(pair)) for pair in pairs)
            known = layers if fade and len(layers) <= _MOST_LAYERS else ()
            self._envelopes[what] = known
        return known

    def generators(self, velocity: int, layer: int) -> tuple[Generators, ...]:
        pairs = self._sounding(velocity)
        layers = self._layers(pairs)
        if len(layers) == 1:
            return ()
        own = [pair for pair in pairs if self._envelope(pair) == layers[layer - 1]]
        return tuple(sorted({_generators(pair) for pair in own}))

    def _layers(self, pairs: list[_Pair]) -> tuple[Envelope, ...]:
        return tuple(dict.fromkeys(map(self._envelope, pairs)))

    def _envelope(self, pair: _Pair) -> Envelope:
        if id(pair) not in self._of_pairs:
            self._of_pairs[id(pair)] = _envelope(pair, self._pitch)
        return self._of_pairs[id(pair)]

    def _sounding(self, velocity: int) -> list[_Pair]:
        return [pair for pair in self._pairs if pair.softest <= velocity <= pair.loudest]

    def _held_sound(self, velocity: int) -> list[tuple[int, dict[int, int], bool, int]]:
        """Return what sounds while it is held, and which of it has the same release."""
        pairs = self._sounding(velocity)
        releases = [_release(pair) for pair in pairs]
        return [
            (
                id(pair.inner),
                {n: v for n, v in pair.outer.generators.items() if n not in _NOT_BEFORE_RELEASE},
                pair.outer.envelope_moves,
                releases.index(release),
            )
            for pair, release in zip(pairs, releases, strict=True)
        ]


def _pair(outer: Zone, inner: Zone) -> _Pair:
    low, high = _common(outer, inner, KEY_RANGE)
    soft, loud = _common(outer, inner, VELOCITY_RANGE)
    return _Pair(outer, inner, low, high, max(1, soft), loud)


def _common(outer: Zone, inner: Zone, generator: int) -> tuple[int, int]:
    (low, high), (inner_low, inner_high) = outer.span(generator), inner.span(generator)
    return max(low, inner_low), min(high, inner_high)


def _generators(pair: _Pair) -> Generators:
    return tuple(pair.amount(n, _DEFAULTS.get(n, _INSTANT)) for n in TOLD_BY)


def _lag_us(pair: _Pair, pitch: int) -> int:
    """Return by how much the filter of a sample delays the swell and fade of a note.

    That is the group delay of a low-pass with two poles, 1 / (1 + s / q + s ** 2), at the pitch.
    """
    cutoff_cents = pair.amount(_CUTOFF, _OPEN_CENTS)
    if cutoff_cents >= _OPEN_CENTS:
        return 0
    cutoff_hz = 8.176 * 2 ** (cutoff_cents / 1200)
    q = 10 ** ((pair.amount(_RESONANCE) / 10 - 3.01) / 20)
    x = 2 ** ((100 * pitch - cutoff_cents) / 1200)
    delay_s = (1 + x**2) / ((1 - x**2) ** 2 + (x / q) ** 2) / (q * 2 * math.pi * cutoff_hz)
    return _LAG_STEP_US * round(1e6 * delay_s / _LAG_STEP_US)


def _release(pair: _Pair) -> int:
    return max(_SHORTEST_RELEASE, min(_LONGEST, pair.amount(_RELEASE, _INSTANT)))


def _can_fade(pair: _Pair, envelope: Envelope) -> bool:
    """Return whether a sample that is let go is as it was, but for its level and a delay."""
    goes_on = pair.amount(_SAMPLE_MODES) == _LOOPS_UNTIL_RELEASE
    moves = pair.outer.envelope_moves or pair.inner.envelope_moves
    lag_db = _DEPTH_DB * envelope.lag_us / 1e6 / 2 ** (envelope.release / 1200)
    return not goes_on and not moves and lag_db <= _MOST_LAG_DB


def _envelope(pair: _Pair, pitch: int) -> Envelope:
    def time(generator: int, longest: int, scaling: int | None = None) -> int:
        moved = 0 if scaling is None else pair.amount(scaling) * (_MIDDLE_KEY - pitch)
        return max(_INSTANT, min(longest, pair.amount(generator, _INSTANT) + moved))

    sustain_cb = max(0, min(_SILENT_CB, pair.amount(_SUSTAIN)))
    return Envelope(
        time(_DELAY, _LONGEST_HOLD),
        time(_ATTACK, _LONGEST),
        time(_HOLD, _LONGEST_HOLD, _KEY_TO_HOLD) if sustain_cb else 0,
        time(_DECAY, _LONGEST, _KEY_TO_DECAY) if sustain_cb else 0,
        sustain_cb,
        _release(pair),
        _lag_us(pair, pitch),
    )
