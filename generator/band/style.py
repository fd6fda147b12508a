"""The style model: one TOML file a style, data and never code, validated strictly.

`styles/README.md` teaches how to write one. A fault is told as ``file:line: key: what``.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from operator import itemgetter
from typing import Annotated, Literal

from generator.band.arrangement import PART_NAMES
from generator.band.drums_spec import DrumSpec, lane_bars
from generator.band.ending import slowed_ending
from generator.band.feel import MAX_RATIO, Groove, Swing, VoiceTiming
from generator.band.pitched_spec import (
    STEP_QUARTERS,
    BassSpec,
    CompSpec,
    Mark,
    PadSpec,
    wrong_lengths,
)
from generator.band.style_catalogue import find_style, style_catalogue, style_names
from generator.band.style_lines import line_of
from generator.band.style_table import Place, TableError, not_empty, read_table, within
from generator.chart.meter import Meter
from generator.chart.model import DYNAMICS
from generator.errors import StyleError
from generator.record import record
from generator.timeline.model import Timeline

__all__ = [
    "Style",
    "SwingSpec",
    "TimingSpec",
    "load_style",
    "parse_style",
    "style_catalogue",
    "style_names",
]

TEMPO_UNITS = {
    "e": Fraction(1, 2),
    "q": Fraction(1),
    "q.": Fraction(3, 2),
    "h": Fraction(2),
    "h.": Fraction(3),
}
"""The notes that a tempo may count, in quarters."""

VOICES = ("kick", "snare", "hat", "ride", "crash", "tom", "percussion", "bass", "pad", "comp")


@record(kw_only=True)
class SwingSpec:
    """`[swing]`: which notes swing, and by how much: a `share`, a `ratio`, or `by_tempo`.

    `share` is the part of the pair that the first note takes (0.5 straight, 0.667 triplets),
    `ratio` the same as long to short (2 for triplets); by tempo the ratio falls as the tempo
    rises, and `cap` bounds it.
    """

    unit: Literal["eighth", "sixteenth"] = "eighth"
    share: Annotated[float, within(0.5, 0.8)] | None = None
    ratio: Annotated[float, within(1, 4)] | None = None
    by_tempo: bool = False
    cap: Annotated[float, within(1, 4)] = 2.5

    def __post_init__(self) -> None:
        said = [self.share is not None, self.ratio is not None, self.by_tempo]
        if sum(said) != 1:
            raise ValueError("give one of share, ratio or by_tempo = true")

    @property
    def swing(self) -> Swing:
        """The same as the feel reads it."""
        cap = min(MAX_RATIO, Fraction(self.cap).limit_denominator(1000))
        if self.by_tempo:
            return Swing(STEP_QUARTERS[self.unit], None, cap)
        if self.share is not None:
            share = Fraction(self.share).limit_denominator(1000)
        else:
            ratio = Fraction(self.ratio or 1).limit_denominator(1000)
            share = ratio / (ratio + 1)
        return Swing(STEP_QUARTERS[self.unit], share, cap)


@record(kw_only=True)
class TimingSpec:
    """One voice of `[timing]`: ahead (-) or behind (+) the beat, and the spread, in ms."""

    offset_ms: Annotated[float, within(-8, 8)] = 0.0
    spread_ms: Annotated[float, within(0, 8)] = 5.0


def _check_meter(text: str) -> None:
    parse_meter(text)


def _check_voice(name: str) -> None:
    if name not in VOICES:
        raise ValueError(f"no such voice {name!r}; use {', '.join(VOICES)}")


MeterName = Annotated[str, _check_meter]
Voice = Annotated[str, _check_voice]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Style:
    """A style file; `load_style` gives the same one each time.

    Attributes
    ----------
    name : str
        The name of the file without `.toml`.
    description, feel : str
        A line for the catalogue; the feel in the words of a musician.
    meters : tuple of str
        The first is what the drum lanes are written for; others are played too. ``"any"`` alone
        stands for every meter.
    tempo : tuple of int
        Lowest and highest tempo, counted in `tempo_unit` ("q", "e", "q.", "h", "h.").
    ending : {"ring", "cut", "rit"}
        How a track ends when its chart does not say: the last chord rings, is cut after a beat,
        or rings after the band has slowed down.
    bass, pad, comp : table or None
        See `generator.band.pitched_spec`; None leaves the player out.
    """

    name: str
    description: Annotated[str, not_empty]
    feel: Annotated[str, not_empty]
    meters: Annotated[tuple[MeterName, ...], not_empty]
    tempo: tuple[int, int]
    tempo_unit: Literal["e", "q", "q.", "h", "h."] = "q"
    ending: Literal["ring", "cut", "rit"] = "ring"
    swing: SwingSpec | None = None
    timing: dict[Voice, TimingSpec] = field(default_factory=dict)
    drums: DrumSpec = field(default_factory=DrumSpec)
    bass: BassSpec | None = None
    pad: PadSpec | None = None
    comp: CompSpec | None = None

    def __post_init__(self) -> None:
        low, high = self.tempo
        if (
            not 20
            <= low * TEMPO_UNITS[self.tempo_unit]
            <= high * TEMPO_UNITS[self.tempo_unit]
            <= 400
        ):
            raise ValueError(f"tempo must rise within 20 to 400 quarters, got [{low}, {high}]")

    @property
    def tempo_quarters(self) -> tuple[Fraction, Fraction]:
        """The tempo range in quarters a minute."""
        unit = TEMPO_UNITS[self.tempo_unit]
        return self.tempo[0] * unit, self.tempo[1] * unit

    @property
    def main_meter(self) -> Meter:
        """The meter that the drum lanes are written for; 4/4 for a style of any meter."""
        return parse_meter(self.meters[0]) or Meter(4, 4)

    @property
    def plays_any_meter(self) -> bool:
        """Whether the style makes its pattern from the beats of the meter at hand."""
        return self.meters[0] == "any"

    @property
    def parts(self) -> tuple[str, ...]:
        """The names of its parts, in the order of `PART_NAMES`: drums always, and its players."""
        return tuple(name for name in PART_NAMES if getattr(self, name) is not None)

    def plays(self, meter: Meter) -> bool:
        """Return whether a bar of `meter` can be played without falling back to a plain pattern.

        So it is when its beats are those of one of the style's meters, its first beats (2/4 in
        4/4), or the same bar several times (12/8 in 6/8).
        """
        return _plays(self.meters, meter)

    def ended(self, timeline: Timeline) -> Timeline:
        """Return the timeline with the ending of this style: to be asked before `arrange`."""
        return slowed_ending(timeline) if self.ending == "rit" else timeline

    def groove(self, timeline: Timeline, seed: int) -> Groove:
        """Return the feel of this style over a timeline; the chart's `Feel:` goes before."""
        timing: Mapping[str, VoiceTiming] = {
            voice: VoiceTiming(spec.offset_ms, spec.spread_ms)
            for voice, spec in self.timing.items()
        }
        return Groove(timeline, self.swing.swing if self.swing else Swing(), timing, seed)


def level_mark(level: float) -> int:
    """Return the index into `DYNAMICS` of the mark that a level is nearest to.

    >>> DYNAMICS[level_mark(3.4)]
    'mf'
    """
    return max(0, min(len(DYNAMICS) - 1, int(level + 0.5)))


def mark_index(mark: Mark) -> int:
    """Return the place of a mark in `DYNAMICS`, 0 for pp to 5 for ff."""
    return DYNAMICS.index(mark)


@lru_cache(maxsize=256)
def parse_meter(text: str) -> Meter | None:
    """Read a meter as a style writes it; None for "any".

    >>> parse_meter("7/8 (2+2+3)")
    Meter(numerator=7, denominator=8, groups=(2, 2, 3))

    Raises
    ------
    ValueError
        If it is no meter.
    """
    if text == "any":
        return None
    fault = f'{text!r} is no meter; write "4/4", "7/8 (2+2+3)" or "any"'
    head, _, tail = text.partition(" ")
    numerator, _, denominator = head.partition("/")
    if not (numerator.isdigit() and denominator in ("2", "4", "8", "16")):
        raise ValueError(fault)
    groups: tuple[int, ...] = ()
    if tail:
        parts = tail.removeprefix("(").removesuffix(")").split("+")
        if not all(part.isdigit() for part in parts):
            raise ValueError(fault)
        groups = tuple(int(part) for part in parts)
        if sum(groups) != int(numerator):
            raise ValueError(f"{text!r}: the groups sum to {sum(groups)}, not to {numerator}")
    return Meter(int(numerator), int(denominator), groups)


@lru_cache(maxsize=1024)
def _plays(meters: tuple[str, ...], meter: Meter) -> bool:
    own = [parse_meter(text) for text in meters]
    return any(one is None or _fits(meter, one) for one in own)


def _fits(meter: Meter, own: Meter) -> bool:
    length, own_length = meter.bar_quarters, own.bar_quarters
    times = max(1, -(-length // own_length))  # rounded up
    if times > 1 and length != times * own_length:
        return False
    own_onsets = {i * own_length + onset for i in range(times) for onset in own.beat_onsets}
    ends = own_onsets | {times * own_length}
    return length in ends and set(meter.beat_onsets) <= own_onsets


def load_style(name_or_path: str) -> Style:
    """Load a style by its name, or from a `.toml` file of the user's own.

    Raises
    ------
    StyleError
        If there is none of that name (with the nearest names), or its file does not hold: every
        fault with file, line and key.

    Examples
    --------
    >>> load_style("jazz-waltz").meters
    ('3/4',)
    """
    path = find_style(name_or_path)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as fault:
        raise StyleError(f"{path}: cannot be read: {fault}") from fault
    shown = path.name if name_or_path == path.stem else str(path)
    return _parsed_style(text, path.stem, shown)


@lru_cache(maxsize=32)
def _parsed_style(text: str, name: str, source_name: str) -> Style:
    return parse_style(text, name, source_name=source_name)


def parse_style(text: str, name: str, *, source_name: str = "style") -> Style:
    """Read a style from the text of a style file; see `load_style`."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise StyleError(f"{source_name}: no TOML: {fault}") from fault
    try:
        style = read_table(Style, {**data, "name": name})
    except TableError as error:
        lines = [(line_of(text, fault.place), fault) for fault in error.faults]
        told = [
            f"{source_name}:{line}: {_key(fault.place)}: {fault.message}"
            for line, fault in sorted(lines, key=itemgetter(0))
        ]
        raise StyleError("\n".join(told)) from error
    if problems := _wrong_lengths(style, text, source_name):
        raise StyleError("\n".join(problems))
    return style


def _key(place: Place) -> str:
    """Return the key at a place as a person counts: the first layer is 1."""
    return ".".join(str(part + 1) if isinstance(part, int) else part for part in place) or "style"


def _wrong_lengths(style: Style, text: str, source_name: str) -> list[str]:
    if style.plays_any_meter:
        return []
    bar_quarters = style.main_meter.bar_quarters
    problems = []
    for i, layer in enumerate(style.drums.layers):
        step = STEP_QUARTERS[layer.step]
        place: Place = ("drums", "layers", i)
        tables = [(place, layer.lanes)]
        tables += [((*place, "alternates", j), a.lanes) for j, a in enumerate(layer.alternates)]
        for where, lanes in tables:
            for lane, line in lanes.items():
                wrong = [len(bar) for bar in lane_bars(line) if len(bar) * step != bar_quarters]
                if wrong:
                    line_number = line_of(text, (*where, lane))
                    problems.append(
                        f"{source_name}:{line_number}: {lane}: a bar of {style.meters[0]} has "
                        f"{bar_quarters / step} {layer.step} steps, got {wrong[0]}"
                    )
    for part in ("bass", "pad", "comp"):
        spec = getattr(style, part)
        for i, key, told in wrong_lengths(spec, bar_quarters) if spec else ():
            line_number = line_of(text, (part, "layers", i, key))
            problems.append(f"{source_name}:{line_number}: {part}: {told}")
    return problems
