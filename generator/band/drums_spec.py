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

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from generator.band.pitched_spec import Mark, StepName

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


def _check_line(line: str) -> str:
    for place, character in enumerate(line, start=1):
        if character not in "xXo-| ":
            raise ValueError(f"{character!r} at {place} is no stroke; use x X o - and | for bars")
    if not all(lane_bars(line)):
        raise ValueError("there is a bar without steps")
    return line


def _check_lane_name(name: str) -> str:
    if not _is_lane(name):
        raise ValueError(f"no such drum {name!r}; use {', '.join(LANES)}, or a key 27 to 87")
    return name


Line = Annotated[str, AfterValidator(_check_line)]
LaneName = Annotated[str, AfterValidator(_check_lane_name)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, populate_by_name=True)


class _Lanes(_Table):
    """A table whose keys are lanes beside its own fields."""

    lanes: dict[LaneName, Line] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _gather_lanes(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        own = {field.alias or name for name, field in cls.model_fields.items()}
        lanes = {key: value for key, value in data.items() if key not in own and _is_lane(key)}
        rest = {key: value for key, value in data.items() if key not in lanes}
        return {**rest, "lanes": lanes} if lanes else rest


class DrumAlternate(_Lanes):
    """Other lines for some bars.

    `chance` is how often (0 to 1); with `every` n only the last of every n bars of a section is
    asked. At most one alternate is taken a bar, the first that comes up.
    """

    chance: float = Field(default=0.25, gt=0, le=1)
    every: int = Field(default=1, ge=1, le=16)

    @model_validator(mode="after")
    def _has_lanes(self) -> "DrumAlternate":
        if not self.lanes:
            raise ValueError('an alternate needs a lane, such as kick = "X---"')
        return self


class DrumLayer(_Lanes):
    """How the kit is played from the mark `from` upwards.

    `ghosts` is how often (0 to 1) each soft stroke `o` is played at all; the steady lanes (hats,
    shaker, tambourine, brush sweep) always play theirs.
    """

    from_: Mark = Field(alias="from")
    step: StepName = "sixteenth"
    ghosts: float = Field(default=0.85, ge=0, le=1)
    alternates: tuple[DrumAlternate, ...] = Field(default=(), strict=False)


class DrumFill(_Lanes):
    """A fill, written for the end of a bar: as long as its lines, at the marks `from` to `to`.

    Lanes named in `keep` go on with their groove under the fill.
    """

    from_: Mark = Field(alias="from", default="pp")
    to: Mark = "ff"
    step: StepName = "sixteenth"
    keep: tuple[LaneName, ...] = Field(default=(), strict=False)

    @model_validator(mode="after")
    def _has_equal_lines(self) -> "DrumFill":
        if any("|" in line for line in self.lanes.values()):
            raise ValueError("a fill lies within one bar; take the | out of its lines")
        lengths = {name: len(lane_bars(line)[0]) for name, line in self.lanes.items()}
        if not lengths:
            raise ValueError('a fill needs a lane, such as snare = "xxxX"')
        if len(set(lengths.values())) > 1:
            told = ", ".join(f"{name} {length}" for name, length in lengths.items())
            raise ValueError(f"the lines of a fill must be equally long, got {told} steps")
        return self


class DrumSpec(_Table):
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
    level_db: float = Field(default=0.0, ge=-40, le=12)
    pan: float = Field(default=0.0, ge=-1, le=1)
    reverb_send: float = Field(default=0.12, ge=0, le=1)
    velocity: tuple[int, int] = Field(default=(54, 112), strict=False)
    count_in: LaneName = "side-stick"
    fill_every: int = Field(default=8, ge=1, le=32)
    fill_chance: float = Field(default=0.6, ge=0, le=1)
    crash_from: Mark = "mf"
    loud_from: Mark = "f"
    balance: dict[LaneName, int] = Field(default_factory=dict)
    hit: tuple[LaneName, ...] = Field(default=("kick", "snare", "hat"), strict=False)
    hit_loud: tuple[LaneName, ...] = Field(default=("kick", "snare", "hat"), strict=False)
    push: tuple[LaneName, ...] = Field(default=("kick", "open-hat"), strict=False)
    push_loud: tuple[LaneName, ...] = Field(default=("kick", "snare", "crash"), strict=False)
    hold: tuple[LaneName, ...] = Field(default=("kick", "ride"), strict=False)
    hold_loud: tuple[LaneName, ...] = Field(default=("kick", "crash"), strict=False)
    after_push: Literal["rest", "time"] = "rest"
    layers: tuple[DrumLayer, ...] = Field(default=(), strict=False)
    fills: tuple[DrumFill, ...] = Field(default=(), strict=False)

    @model_validator(mode="after")
    def _velocity_rises(self) -> "DrumSpec":
        soft, loud = self.velocity
        if not 1 <= soft <= loud <= 127:
            raise ValueError(f"velocity must rise within 1 to 127, got [{soft}, {loud}]")
        return self
