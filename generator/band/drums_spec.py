"""What a style file says about its drums: the table `[drums]`.

Conventions
-----------
* A *lane* is one instrument of the kit, named in the trade's words (`LANES`) or by its General
  MIDI percussion key in quotes ("54"). Its line is written as drum tablature: `X` accent, `x`
  stroke, `o` ghost note or soft stroke, `-` nothing; one character a step, `|` between bars,
  spaces for the eye. A lane of several bars goes round; lanes may have different lengths.
* A *layer* is how the kit is played from one dynamic mark upwards, until the next layer takes
  over. Below the first layer the drums are silent.
* An *alternate* replaces lanes of its layer in some bars; a *fill* replaces everything at the end
  of a bar.
"""

from dataclasses import field
from typing import Annotated, Literal

from generator.band.pitched_spec import Level, Mark, Pan, Share, SomeShare, StepName
from generator.band.style_table import other_keys, within
from generator.record import record

__all__ = ["LANES", "DrumAlternate", "DrumFill", "DrumLayer", "DrumSpec", "lane_bars", "lane_key"]

LANES = {
    "kick": 36,
    "side-stick": 37,
    "snare": 38,
    "clap": 39,
    "sweep": 40,
    "floor-tom": 41,
    "hat": 42,
    "pedal-hat": 44,
    "low-tom": 45,
    "open-hat": 46,
    "mid-tom": 47,
    "crash": 49,
    "high-tom": 50,
    "ride": 51,
    "china": 52,
    "bell": 53,
    "tambourine": 54,
    "splash": 55,
    "cowbell": 56,
    "crash-2": 57,
    "high-bongo": 60,
    "low-bongo": 61,
    "high-conga": 63,
    "low-conga": 64,
    "cabasa": 69,
    "shaker": 70,
    "claves": 75,
    "woodblock": 76,
    "triangle": 81,
}
"""Lane names and their keys (General MIDI 1 percussion map, MIDI Association 1991).

"sweep" is the electric snare of the plain kits and the brush swirl of the brush kit (program 40
in the GS and General MIDI 2 drum sets).
"""


def lane_key(lane: str) -> int:
    """Return the General MIDI percussion key of a lane."""
    return LANES[lane] if lane in LANES else int(lane)


def lane_bars(line: str) -> tuple[str, ...]:
    """Split a lane into its bars, without the spaces.

    >>> lane_bars("X--- x--- | X-x- x---")
    ('X---x---', 'X-x-x---')
    """
    return tuple(bar.replace(" ", "") for bar in line.split("|"))


def _is_lane(name: str) -> bool:
    return name in LANES or (name.isdigit() and 27 <= int(name) <= 87)


def _check_line(line: str) -> None:
    for place, character in enumerate(line, start=1):
        if character not in "xXo-| ":
            raise ValueError(f"{character!r} at {place} is no stroke; use x X o - and | for bars")
    if not all(lane_bars(line)):
        raise ValueError("there is a bar without steps")


def _check_lane_name(name: str) -> None:
    if not _is_lane(name):
        raise ValueError(f"no such drum {name!r}; use {', '.join(LANES)}, or a key 27 to 87")


Line = Annotated[str, _check_line]
LaneName = Annotated[str, _check_lane_name]


@record(kw_only=True)
class _Lanes:
    """A table whose keys are lanes beside its own fields."""

    lanes: dict[LaneName, Line] = field(default_factory=dict, metadata=other_keys(LANES, _is_lane))


@record(kw_only=True)
class DrumAlternate(_Lanes):
    """Other lines for some bars.

    `chance` is how often (0 to 1); with `every` n only the last of every n bars of a section is
    asked. At most one alternate is taken a bar, the first that comes up.
    """

    chance: SomeShare = 0.25
    every: Annotated[int, within(1, 16)] = 1

    def __post_init__(self) -> None:
        if not self.lanes:
            raise ValueError('an alternate needs a lane, such as kick = "X---"')


@record(kw_only=True)
class DrumLayer(_Lanes):
    """How the kit is played from the mark `from` upwards.

    `ghosts` is how often (0 to 1) each soft stroke `o` is played at all; the steady lanes (hats,
    shaker, tambourine, brush sweep) always play theirs.
    """

    from_: Mark
    step: StepName = "sixteenth"
    ghosts: Share = 0.85
    alternates: tuple[DrumAlternate, ...] = ()


@record(kw_only=True)
class DrumFill(_Lanes):
    """A fill, written for the end of a bar: as long as its lines, at the marks `from` to `to`.

    Lanes named in `keep` go on with their groove under the fill.
    """

    from_: Mark = "pp"
    to: Mark = "ff"
    step: StepName = "sixteenth"
    keep: tuple[LaneName, ...] = ()

    def __post_init__(self) -> None:
        if any("|" in line for line in self.lanes.values()):
            raise ValueError("a fill lies within one bar; take the | out of its lines")
        lengths = {name: len(lane_bars(line)[0]) for name, line in self.lanes.items()}
        if not lengths:
            raise ValueError('a fill needs a lane, such as snare = "xxxX"')
        if len(set(lengths.values())) > 1:
            told = ", ".join(f"{name} {length}" for name, length in lengths.items())
            raise ValueError(f"the lines of a fill must be equally long, got {told} steps")


@record(kw_only=True)
class DrumSpec:
    """`[drums]`.

    `program` is the drum set (0 standard, 40 brushes), counted from 0. `fill_every` is the length
    of a phrase in bars: its last bar may hold a fill, with `fill_chance`; the last bar of a
    section always does. `crash_from` is the mark from which a section opens with a crash.
    `balance` adds to the velocity of a lane. `hit`, `push` and `hold` are what is struck together
    for a hit (then silence), a push and a held chord, `hit_loud`, `push_loud` and `hold_loud`
    the same from `loud_from` on; after a push the beat itself stays empty
    (``after_push = "rest"``) or only the time-keeping cymbal plays on it (``"time"``).
    """

    program: Literal[0, 8, 16, 24, 25, 32, 40, 48] = 0
    level_db: Level = 0.0
    pan: Pan = 0.0
    reverb_send: Share = 0.12
    velocity: tuple[int, int] = (54, 112)
    count_in: LaneName = "side-stick"
    fill_every: Annotated[int, within(1, 32)] = 8
    fill_chance: Share = 0.6
    crash_from: Mark = "mf"
    loud_from: Mark = "f"
    balance: dict[LaneName, int] = field(default_factory=dict)
    hit: tuple[LaneName, ...] = ("kick", "snare", "hat")
    hit_loud: tuple[LaneName, ...] = ("kick", "snare", "hat")
    push: tuple[LaneName, ...] = ("kick", "open-hat")
    push_loud: tuple[LaneName, ...] = ("kick", "snare", "crash")
    hold: tuple[LaneName, ...] = ("kick", "ride")
    hold_loud: tuple[LaneName, ...] = ("kick", "crash")
    after_push: Literal["rest", "time"] = "rest"
    layers: tuple[DrumLayer, ...] = ()
    fills: tuple[DrumFill, ...] = ()

    def __post_init__(self) -> None:
        soft, loud = self.velocity
        if not 1 <= soft <= loud <= 127:
            raise ValueError(f"velocity must rise within 1 to 127, got [{soft}, {loud}]")
