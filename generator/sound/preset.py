"""What a preset of a SoundFont does with its keys: layers of touch, envelopes, chokes.

A key at a velocity sounds through pairs of a preset zone and an instrument zone, whose generators
add up. Generator numbers and defaults: SoundFont Technical Specification 2.04, section 8.1.2.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

__all__ = ["OF_ENVELOPE", "Envelope", "Preset", "Zone"]

KEY_RANGE, VELOCITY_RANGE = 43, 44
EXCLUSIVE_CLASS = 57
OF_ENVELOPE = range(33, 41)
"""The generators of the envelope of the level."""

_DELAY, _ATTACK, _HOLD, _DECAY, _SUSTAIN, _RELEASE, _KEY_TO_HOLD, _KEY_TO_DECAY = OF_ENVELOPE
_SAMPLE_MODES, _LOOPS_UNTIL_RELEASE = 54, 3
_MIDDLE_KEY = 60
# Of times in timecents: what stands for none, and the range that FluidSynth 2.3.1 allows.
_INSTANT, _SHORTEST_RELEASE, _LONGEST_HOLD, _LONGEST = -12_000, -7200, 5000, 8000
_SILENT_CB = 1000

_NOT_BEFORE_RELEASE = frozenset({KEY_RANGE, VELOCITY_RANGE, _RELEASE})


class Envelope(NamedTuple):
    """How the level of a note moves, times in timecents (2 ** (t / 1200) seconds).

    It rises until `attack` has passed, keeps its height for `hold`, and then falls evenly in
    decibels, so fast that `decay` would bring it to silence, until `sustain_cb` below its height;
    let go, it falls so fast that `release` would. `hold` and `decay` are 0 where the level stays.
    """

    delay: int
    attack: int
    hold: int
    decay: int
    sustain_cb: int
    release: int


@dataclass(frozen=True, slots=True)
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

    def envelope(self, pitch: int, velocity: int) -> Envelope | None:
        """Return how the level of a note moves; None if its samples do not agree on it.

        Nor can it be told of a key that goes on with other sound once it is let go.
        """
        return self._key(pitch).envelope(velocity)

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
        self._envelopes: dict[int, Envelope | None] = {}  # by velocity
        self._of_pairs: dict[int, Envelope | None] = {}

    @cached_property
    def touch_edges(self) -> tuple[int, ...] | None:
        if any(pair.outer.velocity_shapes or pair.inner.velocity_shapes for pair in self._pairs):
            return None
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

    def envelope(self, velocity: int) -> Envelope | None:
        if velocity not in self._envelopes:
            several = {self._envelope(pair) for pair in self._sounding(velocity)}
            self._envelopes[velocity] = several.pop() if len(several) == 1 else None
        return self._envelopes[velocity]

    def _envelope(self, pair: _Pair) -> Envelope | None:
        if id(pair) not in self._of_pairs:
            self._of_pairs[id(pair)] = _envelope(pair, self._pitch)
        return self._of_pairs[id(pair)]

    def _sounding(self, velocity: int) -> list[_Pair]:
        return [pair for pair in self._pairs if pair.softest <= velocity <= pair.loudest]

    def _held_sound(self, velocity: int) -> list[tuple[int, dict[int, int]]]:
        return [
            (
                id(pair.inner),
                {n: v for n, v in pair.outer.generators.items() if n not in _NOT_BEFORE_RELEASE},
            )
            for pair in self._sounding(velocity)
        ]


def _pair(outer: Zone, inner: Zone) -> _Pair:
    low, high = _common(outer, inner, KEY_RANGE)
    soft, loud = _common(outer, inner, VELOCITY_RANGE)
    return _Pair(outer, inner, low, high, max(1, soft), loud)


def _common(outer: Zone, inner: Zone, generator: int) -> tuple[int, int]:
    (low, high), (inner_low, inner_high) = outer.span(generator), inner.span(generator)
    return max(low, inner_low), min(high, inner_high)


def _envelope(pair: _Pair, pitch: int) -> Envelope | None:
    def time(generator: int, longest: int, scaling: int | None = None) -> int:
        moved = 0 if scaling is None else pair.amount(scaling) * (_MIDDLE_KEY - pitch)
        return max(_INSTANT, min(longest, pair.amount(generator, _INSTANT) + moved))

    goes_on = pair.amount(_SAMPLE_MODES) == _LOOPS_UNTIL_RELEASE
    if goes_on or pair.outer.envelope_moves or pair.inner.envelope_moves:
        return None
    sustain_cb = max(0, min(_SILENT_CB, pair.amount(_SUSTAIN)))
    return Envelope(
        time(_DELAY, _LONGEST_HOLD),
        time(_ATTACK, _LONGEST),
        time(_HOLD, _LONGEST_HOLD, _KEY_TO_HOLD) if sustain_cb else 0,
        time(_DECAY, _LONGEST, _KEY_TO_DECAY) if sustain_cb else 0,
        sustain_cb,
        max(_SHORTEST_RELEASE, time(_RELEASE, _LONGEST)),
    )
