"""What a style file says about its bass, pad and comp: the tables `[bass]`, `[pad]`, `[comp]`.

Conventions
-----------
* A *layer* is how a part plays from one dynamic mark upwards, until the next layer takes over. A
  part without a layer for a mark is silent at that mark.
* A *pattern* is a string with one character a step, over one bar or several; spaces and `|` are
  for the eye. `=` holds the note before it, `-` is silence. A pattern plays in the bars whose
  length it fills; bars that no pattern fills get a plain one made of the meter's beats.

Characters of a bass pattern, all relative to the chord that sounds:

=====  ===============================================================================
`1`    root, or the slash bass
`3`    third (the fourth or second of a suspension)
`5`    fifth, on the side of the root where the hand lies
`f`    the fifth below the root
`6`    sixth (the seventh on minor seventh chords)
`7`    seventh (the sixth when there is none)
`8`    octave of the root
`p`    pedal: the tonic of the key
`c`    approach by a semitone to the note that follows
`s`    approach by a scale step to the note that follows
`d`    approach from the fifth above the note that follows (its dominant)
`x`    dead note: a short, quiet tap on the pitch before it
=====  ===============================================================================

An upper-case letter or a `!` before the character accents it.

Characters of a pad pattern: `x` strike, `X` strike with an accent. Of a comp pattern: `d` down
stroke, `u` up stroke, `D` and `U` the same with an accent, `x` muted stroke, and the digits `1`
to `4` for one voice from the bottom, left ringing (broken chords).
"""

from collections.abc import Callable
from fractions import Fraction
from typing import Annotated, Literal

from generator.band.style_table import more_than, not_empty, within
from generator.record import record

__all__ = [
    "BASS_CHARACTERS",
    "COMP_CHARACTERS",
    "PAD_CHARACTERS",
    "STEP_QUARTERS",
    "BassLayer",
    "BassSpec",
    "CompLayer",
    "CompSpec",
    "PadLayer",
    "PadSpec",
    "PitchedSpec",
    "pattern_length",
    "wrong_lengths",
]

Mark = Literal["pp", "p", "mp", "mf", "f", "ff"]
StepName = Literal["quarter", "eighth", "triplet", "sixteenth"]
Share = Annotated[float, within(0, 1)]
SomeShare = Annotated[float, within(0, 1), more_than(0)]
Level = Annotated[float, within(-40, 12)]
Pan = Annotated[float, within(-1, 1)]

STEP_QUARTERS = {
    "quarter": Fraction(1),
    "eighth": Fraction(1, 2),
    "triplet": Fraction(1, 3),
    "sixteenth": Fraction(1, 4),
}
"""Length of a step in quarters; "triplet" is an eighth-note triplet."""

BASS_CHARACTERS = "135f678pcsdxFPCSD!=-"
PAD_CHARACTERS = "xX=-"
COMP_CHARACTERS = "duDUx1234=-"


def pattern_length(pattern: str) -> int:
    """Return the number of steps of a pattern: spaces, `|` and `!` take no time.

    >>> pattern_length("1= 5- | !1= 8-")
    8
    """
    return sum(character not in " |!" for character in pattern)


def _characters(allowed: str) -> Callable[[str], None]:
    def check(pattern: str) -> None:
        for place, character in enumerate(pattern, start=1):
            if character not in allowed + " |":
                raise ValueError(
                    f"{character!r} at {place} of {pattern!r} is no step; use {' '.join(allowed)}"
                )
        if not pattern_length(pattern):
            raise ValueError("a pattern needs at least one step")

    return check


BassPattern = Annotated[str, _characters(BASS_CHARACTERS)]
PadPattern = Annotated[str, _characters(PAD_CHARACTERS)]
CompPattern = Annotated[str, _characters(COMP_CHARACTERS)]


@record(kw_only=True)
class _Layer:
    """How a part plays from the mark `from` upwards.

    `step` is the length of a pattern character; `length` the share of its written length that a
    note sounds (1 legato, 0.5 short).
    """

    from_: Mark
    step: StepName = "eighth"
    length: SomeShare = 0.95


@record(kw_only=True)
class BassLayer(_Layer):
    """One layer of the bass.

    `mode` "pattern" plays `patterns` (the first is the groove, the others vary it) and `fills` in
    the last bar of a phrase; "walking" a line of one note a beat that reaches the next root;
    "two" the same in half notes; "pedal" the tonic under everything, in the rhythm of `patterns`.
    `skips` is how often (0 to 1) a walking line adds a skipped note before a beat.
    """

    mode: Literal["pattern", "walking", "two", "pedal"] = "pattern"
    patterns: tuple[BassPattern, ...] = ()
    fills: tuple[BassPattern, ...] = ()
    variation: Share = 0.25
    skips: Share = 0.0


@record(kw_only=True)
class PadLayer(_Layer):
    """One layer of the pad.

    `restrike` says when the chord is struck again: only at a change of "chord", at every "bar",
    at every "beat", or by `patterns`. With `common_tones` "tie" a tone that the next chord shares
    sounds on, with "restrike" it is struck again. `centre` is the MIDI key around which the
    voicings lie; `breathe` the depth of the swell in a held chord (steps of controller 11).
    """

    voices: Literal[2, 3, 4] = 4
    centre: Annotated[int, within(52, 72)] = 62
    restrike: Literal["chord", "bar", "beat", "pattern"] = "chord"
    patterns: tuple[PadPattern, ...] = ()
    common_tones: Literal["tie", "restrike"] = "restrike"
    breathe: Annotated[int, within(0, 60)] = 16

    def __post_init__(self) -> None:
        if self.restrike == "pattern" and not self.patterns:
            raise ValueError('restrike = "pattern" needs patterns')


@record(kw_only=True)
class CompLayer(_Layer):
    """One layer of the comp: `voices` sounding strings or fingers, and its `patterns`."""

    voices: Literal[2, 3, 4] = 3
    patterns: Annotated[tuple[CompPattern, ...], not_empty]
    fills: tuple[CompPattern, ...] = ()
    variation: Share = 0.25


@record(kw_only=True)
class PitchedSpec:
    """What bass, pad and comp have in common.

    `program` counts from 0 (General MIDI); `velocity` is the touch at pp and at ff, between them
    it follows the dynamics; `accent` is added on accented steps.
    """

    program: Annotated[int, within(0, 127)]
    level_db: Level = 0.0
    pan: Pan = 0.0
    reverb_send: Share = 0.15
    velocity: tuple[int, int] = (46, 106)
    accent: Annotated[int, within(0, 40)] = 12

    def __post_init__(self) -> None:
        soft, loud = self.velocity
        if not 1 <= soft <= loud <= 127:
            raise ValueError(f"velocity must rise within 1 to 127, got [{soft}, {loud}]")


@record(kw_only=True)
class BassSpec(PitchedSpec):
    """`[bass]`. `low` and `high` bound the line, `centre` is where the hand lies (MIDI keys)."""

    low: Annotated[int, within(23, 48)] = 28
    high: Annotated[int, within(40, 63)] = 55
    centre: Annotated[int, within(28, 48)] = 36
    leap: Annotated[int, within(7, 24)] = 12
    layers: Annotated[tuple[BassLayer, ...], not_empty]


@record(kw_only=True)
class PadSpec(PitchedSpec):
    """`[pad]`. `low` and `high` bound the voicings (MIDI keys)."""

    low: Annotated[int, within(48, 60)] = 52
    high: Annotated[int, within(67, 76)] = 72
    layers: Annotated[tuple[PadLayer, ...], not_empty]


@record(kw_only=True)
class CompSpec(PitchedSpec):
    """`[comp]`. A "guitar" is voiced on its fretboard, "keys" under two hands.

    `strum_ms` is the time that a stroke takes over the strings (0 for keys); `low` and `high`
    bound the voicings (MIDI keys); `open_strings` lets a guitar use them; with `power_chords` it
    plays root and fifth and leaves third and seventh to the pad.
    """

    instrument: Literal["guitar", "keys"] = "guitar"
    strum_ms: Annotated[float, within(0, 60)] = 14.0
    low: Annotated[int, within(40, 60)] = 48
    high: Annotated[int, within(52, 79)] = 74
    centre: Annotated[int, within(44, 70)] = 60
    open_strings: bool = False
    power_chords: bool = False
    layers: Annotated[tuple[CompLayer, ...], not_empty]


def wrong_lengths(
    spec: BassSpec | PadSpec | CompSpec, bar_quarters: Fraction
) -> list[tuple[int, str, str]]:
    """Return the patterns that do not fill whole bars: index of the layer, its key, what is wrong.

    >>> layer = BassLayer(from_="pp", patterns=("1===5===",), fills=("1===",))
    >>> wrong_lengths(BassSpec(program=33, layers=(layer,)), Fraction(4))
    [(0, 'fills', "'1===' has 4 eighth steps, a bar has 8")]
    """
    problems = []
    for i, layer in enumerate(spec.layers):
        steps = bar_quarters / STEP_QUARTERS[layer.step]
        for key in ("patterns", "fills"):
            for pattern in getattr(layer, key, ()):
                length = pattern_length(pattern)
                if length % steps:
                    told = f"{pattern!r} has {length} {layer.step} steps, a bar has {steps}"
                    problems.append((i, key, told))
    return problems
