"""The drummer: lanes, fills, crashes and strikes over a timeline.

The strokes are written on the straight grid first (`drum_strokes`), so that the bass can lock to
the kick; `play_drums` then gives them feel and length. Every bar draws from a generator of its
own, seeded by its place, so that a change in one bar leaves the others alone.
"""

from functools import lru_cache
from random import Random
from typing import NamedTuple

from generator.band.arrangement import Part
from generator.band.cues import Cue, read_cues
from generator.band.drums_perform import perform
from generator.band.drums_plain import plain_bar
from generator.band.drums_spec import DrumFill, DrumLayer, lane_bars
from generator.band.drums_stroke import Stroke
from generator.band.feel import Groove
from generator.band.pitched_spec import STEP_QUARTERS
from generator.band.style import Style, level_mark, mark_index
from generator.clock import bar_ticks, ticks
from generator.timeline.model import Timeline, TimelineBar

__all__ = ["drum_strokes", "play_drums"]

TIMEKEEPERS = ("hat", "open-hat", "ride", "bell", "shaker", "sweep", "tambourine")
BACKBEATS = ("snare", "side-stick", "clap")
STEADY = ("hat", "open-hat", "pedal-hat", "shaker", "cabasa", "tambourine", "sweep")
"""Lanes whose soft strokes are never left out: a pulse with holes sounds like a mistake."""

TOUCH_PERCENT = {"X": 100, "x": 80, "o": 44}
DOWNBEAT_ACCENT = 5
HUMAN_VELOCITY = 6  # the sum of two uniform numbers up to this: a standard deviation of 5
VELOCITY_STEP = 4  # under half a dB: few distinct notes make a fast render

STATING, PLAYING = 0.75, 1.25
FILL_HANDS = ("snare", "side-stick", "floor-tom", "low-tom", "mid-tom", "high-tom")
FILL_SKIPS = 0.15
"""How often a plain stroke inside a fill is left out, so that no fill comes twice alike."""

FILL_SWELL = 0.8  # how far a fill goes towards the level of what follows it, at its last stroke


class Line(NamedTuple):
    """A written stroke before its velocity; `lift` is added to the dynamic level."""

    tick: int
    lane: str
    character: str
    lift: float = 0.0


def play_drums(
    timeline: Timeline, style: Style, *, seed: int, groove: Groove | None = None
) -> Part:
    """Play the drums of a style over a timeline, count-in included.

    Parameters
    ----------
    timeline : Timeline
    style : Style
    seed : int
    groove : Groove, optional
        That of the band, which its players share; the same one is made unless given.

    Returns
    -------
    Part
        Channel 9. The length of a note is how long the instrument rings; where the band stops,
        what rings ends, and a control 120 (all sound off) says so to any synthesiser.
    """
    groove = groove or style.groove(timeline, seed)
    return perform(timeline, style, drum_strokes(timeline, style, seed=seed), groove)


def drum_strokes(timeline: Timeline, style: Style, *, seed: int) -> tuple[Stroke, ...]:
    """Write the strokes of a whole track on the straight grid, sorted by tick and lane."""
    return _Drummer(timeline, style, seed).strokes()


class _Drummer:
    """One drummer with one style, one timeline and one seed."""

    def __init__(self, timeline: Timeline, style: Style, seed: int) -> None:
        self.timeline = timeline
        self.style = style
        self.spec = style.drums
        self.seed = seed
        self.cues = read_cues(timeline, ending=style.ending)
        self.first_fill = Random(f"{seed}/drums/fills").randrange(12)
        self.first_index: dict[int, int] = {}  # by section: index of its first bar
        for bar in timeline.bars:
            self.first_index.setdefault(bar.section, bar.index)

    def strokes(self) -> tuple[Stroke, ...]:
        found: dict[tuple[int, str], int] = {}
        for tick, velocity in self.count_in():
            found[tick, self.spec.count_in] = velocity
        for bar in self.timeline.bars:
            rng = Random(f"{self.seed}/drums/{bar.index}")
            for line in self.bar_lines(bar, rng):
                if self.cues.opens(line.tick):
                    place = line.tick, line.lane
                    found[place] = max(self.velocity(bar, line, rng), found.get(place, 0))
        for cue in self.cues.cues:
            if not cue.struck:
                continue
            bar = self.timeline.bar_at(cue.start_tick)
            rng = Random(f"{self.seed}/drums/strike/{cue.start_tick}")
            for line in self.strike_lines(cue):
                found[line.tick, line.lane] = self.velocity(bar, line, rng)
        return tuple(sorted(Stroke(tick, lane, v) for (tick, lane), v in found.items()))

    def count_in(self) -> list[tuple[int, int]]:
        full = next((bar for bar in self.timeline.bars if bar.number > 0), None)
        n_beats = len(full.meter.beat_onsets) if full else 1
        soft, loud = self.spec.velocity
        loud = (soft + 2 * loud) // 3  # heard over a loud band, bearable before a soft one
        return [
            (tick, loud if i % n_beats == 0 else loud * 3 // 4)
            for i, tick in enumerate(self.timeline.count_in_ticks)
        ]

    def bar_lines(self, bar: TimelineBar, rng: Random) -> list[Line]:
        """Write one bar: groove, fill, crash."""
        level = level_mark(self.timeline.level_at(bar.start_tick))
        lines = self.groove_lines(bar, level, rng)
        lines = self.with_fill(bar, level, lines, rng)
        if self.opens_with_crash(bar, level):
            start = bar.start_tick  # the hand that keeps time strikes the crash
            lines = [s for s in lines if s.tick != start or s.lane not in TIMEKEEPERS]
            lines += [Line(start, "crash", "X"), Line(start, "kick", "X")]
        return [line for line in lines if bar.start_tick <= line.tick < bar.end_tick]

    def groove_lines(self, bar: TimelineBar, level: int, rng: Random) -> list[Line]:
        layer = _layer(self.spec.layers, level)
        if self.spec.layers and layer is None:
            return []
        length = bar_ticks(bar.meter)
        # A pickup is the end of a bar.
        zero = bar.end_tick - length if bar.number == 0 else bar.start_tick
        if layer is None or not self.style.plays(bar.meter):
            us_per_quarter = round(60_000_000 / self.timeline.clock.quarter_bpm(bar.start_tick))
            plain = plain_bar(bar.meter, level, us_per_quarter, rng)
            return [
                Line(zero + ticks(at), _coloured(lane, layer), character)
                for lane, at, character in plain
            ]
        own_length = bar_ticks(self.style.main_meter)
        times = max(1, -(-length // own_length))
        bars_in = (bar.index - self.first_index[bar.section]) * times
        lines: list[Line] = []
        for k in range(times):
            start = zero + k * own_length
            lines += self.pattern_lines(
                layer, start, zero + length, bars_in + k, self.looseness(bar), rng
            )
        return lines

    def pattern_lines(
        self,
        layer: DrumLayer,
        start: int,
        end: int,
        bars_in: int,
        looseness: float,
        rng: Random,
    ) -> list[Line]:
        step = ticks(STEP_QUARTERS[layer.step])
        lanes = dict(layer.lanes)
        for alternate in layer.alternates:
            asked = (bars_in + 1) % alternate.every == 0
            if asked and rng.random() < alternate.chance * looseness:
                lanes.update(alternate.lanes)
                break
        lines = []
        for lane, line in lanes.items():
            bars = _parsed(line)
            for place, character in bars[bars_in % len(bars)]:
                if character == "o" and lane not in STEADY and rng.random() >= layer.ghosts:
                    continue
                tick = start + place * step
                if tick < end:
                    lines.append(Line(tick, lane, character))
        return lines

    def looseness(self, bar: TimelineBar) -> float:
        """Return how freely alternates come: the first chorus states the groove, the last plays."""
        if self.timeline.choruses == 1:
            return 1.0
        return {1: STATING, self.timeline.choruses: PLAYING}.get(bar.chorus, 1.0)

    def with_fill(self, bar: TimelineBar, level: int, lines: list[Line], rng: Random) -> list[Line]:
        """Let a fill replace the end of the last bar of a phrase or a section."""
        after = self.after(bar)
        if after is None:
            return lines
        section_ends = after.section != bar.section
        bars_in = bar.index - self.first_index[bar.section]
        phrase_ends = bar.ends_phrase or (bars_in + 1) % self.spec.fill_every == 0
        chance = 1.0 if section_ends else self.spec.fill_chance if phrase_ends else 0.0
        if rng.random() >= chance:
            return lines
        # A fill leads: it is as large as what comes after it asks, halfway from what was.
        target = (level + level_mark(self.timeline.level_at(after.start_tick)) + 1) // 2
        fills = [
            fill
            for fill in self.spec.fills
            if mark_index(fill.from_) <= target <= mark_index(fill.to)
            and _fill_ticks(fill) <= bar.end_tick - bar.start_tick
        ]
        if not fills:
            return lines
        number = self.first_fill + after.section if section_ends else rng.randrange(len(fills))
        fill = fills[number % len(fills)]  # at section ends in turn, so that none comes twice
        start = bar.end_tick - _fill_ticks(fill)
        step = ticks(STEP_QUARTERS[fill.step])
        rise = max(0.0, self.timeline.level_at(after.start_tick) - level) * FILL_SWELL
        kept = [line for line in lines if line.tick < start or line.lane in fill.keep]
        last = _fill_ticks(fill) // step - 1
        for lane, steps in fill.lanes.items():
            for place, character in _parsed(steps)[0]:
                inner = lane in FILL_HANDS and character != "X" and 0 < place < last
                if inner and rng.random() < FILL_SKIPS:
                    continue
                tick = start + place * step
                lift = rise * (tick - start) / (bar.end_tick - start)
                kept.append(Line(tick, lane, character, lift))
        return kept

    def opens_with_crash(self, bar: TimelineBar, level: int) -> bool:
        starts = self.first_index[bar.section] == bar.index and bar.number > 0
        loud = level >= mark_index(self.spec.crash_from)
        return starts and loud and self.cues.opens(bar.start_tick)

    def strike_lines(self, cue: Cue) -> list[Line]:
        """Write what everyone strikes together."""
        level = level_mark(self.timeline.level_at(cue.written_tick))
        loud = level >= mark_index(self.spec.loud_from)
        spec = self.spec
        if cue.kind == "hit":
            lanes = spec.hit_loud if loud else spec.hit
        elif cue.kind == "hold":
            lanes = spec.hold_loud if loud else spec.hold
        else:
            lanes = spec.push_loud if loud else spec.push
        lines = [Line(cue.start_tick, lane, "X") for lane in lanes]
        if cue.kind == "groove" and spec.after_push == "time":
            lines.append(Line(cue.written_tick, "hat", "x"))
        return lines

    def velocity(self, bar: TimelineBar, line: Line, rng: Random) -> int:
        """Return how hard a stroke is: by mark, character, place and hand."""
        soft, loud = self.spec.velocity
        full = soft + (loud - soft) * (self.timeline.level_at(line.tick) + line.lift) / 5
        velocity = int(full) * TOUCH_PERCENT[line.character] // 100
        velocity += self.spec.balance.get(line.lane, 0)
        if line.tick == bar.start_tick:
            velocity += DOWNBEAT_ACCENT
        velocity += _human(rng) + _human(rng)
        velocity = (velocity + VELOCITY_STEP // 2) // VELOCITY_STEP * VELOCITY_STEP
        return max(VELOCITY_STEP * 2, min(127, velocity))

    def after(self, bar: TimelineBar) -> TimelineBar | None:
        bars = self.timeline.bars
        return bars[bar.index + 1] if bar.index + 1 < len(bars) else None


def _human(rng: Random) -> int:
    """Return a whole number up to `HUMAN_VELOCITY` either way: `randint` without its checks."""
    n_choices = 2 * HUMAN_VELOCITY + 1
    while (drawn := rng.getrandbits(n_choices.bit_length())) >= n_choices:
        pass
    return drawn - HUMAN_VELOCITY


def _layer(layers: tuple[DrumLayer, ...], level: int) -> DrumLayer | None:
    """Return the layer of the highest mark that is not above `level`."""
    reached = [layer for layer in layers if mark_index(layer.from_) <= level]
    return max(reached, key=lambda layer: mark_index(layer.from_), default=None)


def _coloured(lane: str, layer: DrumLayer | None) -> str:
    """Return the lane on which a layer plays what the plain pattern gives to `lane`."""
    if layer is None:
        return lane
    choice = TIMEKEEPERS if lane == "hat" else BACKBEATS if lane in BACKBEATS else ()
    return next((own for own in layer.lanes if own in choice), lane)


def _fill_ticks(fill: DrumFill) -> int:
    line = next(iter(fill.lanes.values()))
    return len(lane_bars(line)[0]) * ticks(STEP_QUARTERS[fill.step])


@lru_cache(maxsize=4096)
def _parsed(line: str) -> tuple[tuple[tuple[int, str], ...], ...]:
    """Return, for each bar of a lane, its strokes as (step, character)."""
    return tuple(
        tuple((place, c) for place, c in enumerate(bar) if c != "-") for bar in lane_bars(line)
    )
