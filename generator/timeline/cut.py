"""A timeline with some of its choruses left out."""

from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from generator.timeline.model import Timeline, TimelineBar, TimelineChord

__all__ = ["chorus_starts", "comes_round", "without_choruses"]


def chorus_starts(timeline: Timeline) -> tuple[int, ...]:
    """Return the index of the first bar of each chorus, and behind the last one that of its end."""
    choruses = [bar.chorus for bar in timeline.bars]
    return tuple(bisect_left(choruses, n) for n in range(1, timeline.choruses + 2))


def comes_round(timeline: Timeline) -> bool:
    """Return whether all choruses but the first and the last are alike, at one tempo.

    The first may follow an intro at another level, the last leads to the end.
    """
    starts = chorus_starts(timeline)
    if timeline.choruses < 4:
        return False
    first_tick = timeline.bars[starts[1]].start_tick
    end_tick = timeline.bars[starts[-2]].start_tick
    if any(first_tick < point.tick < end_tick for point in timeline.clock.tempos):
        return False
    chord_ticks = [chord.start_tick for chord in timeline.chords]
    shapes = {_shape(timeline, *span, chord_ticks) for span in pairwise(starts[1:-1])}
    return len(shapes) == 1


def without_choruses(timeline: Timeline, first: int, last: int) -> Timeline:
    """Return a timeline that `comes_round` without the choruses from `first` to `last`.

    Both count from 1 and lie inside: neither the first chorus nor the last one is left out. What
    comes behind takes their place, as if the chart asked for so many choruses less.
    """
    starts = chorus_starts(timeline)
    out = timeline.bars[starts[first - 1] : starts[last]]
    start, end = out[0].start_tick, out[-1].end_tick
    less_ticks, less_bars, less_choruses = end - start, len(out), last - first + 1
    less_sections = timeline.bars[starts[last]].section - out[0].section

    def bar_behind(bar: TimelineBar) -> TimelineBar:
        return replace(
            bar,
            index=bar.index - less_bars,
            number=bar.number - less_bars,
            chorus=bar.chorus - less_choruses,
            section=bar.section - less_sections,
            start_tick=bar.start_tick - less_ticks,
            end_tick=bar.end_tick - less_ticks,
            beat_ticks=tuple(tick - less_ticks for tick in bar.beat_ticks),
        )

    def chord_behind(chord: TimelineChord) -> TimelineChord:
        return replace(
            chord,
            bar=chord.bar - less_bars,
            start_tick=chord.start_tick - less_ticks,
            end_tick=chord.end_tick - less_ticks,
            sounds_tick=chord.sounds_tick - less_ticks,
        )

    chords = [chord for chord in timeline.chords if chord.start_tick < start]
    behind = [chord for chord in timeline.chords if chord.start_tick >= end]
    if chords[-1].end_tick > start:  # it goes on into what comes next, here as there
        until = behind[0].start_tick if behind else timeline.end_tick
        chords[-1] = replace(chords[-1], end_tick=until - less_ticks)
    sections = [section for section in timeline.sections if section.start_tick < start]
    less_passes = Counter(
        section.label for section in timeline.sections if start <= section.start_tick < end
    )
    sections += [
        replace(
            section,
            index=section.index - less_sections,
            repeat_pass=section.repeat_pass - less_passes[section.label],
            chorus=section.chorus - less_choruses,
            first_bar=section.first_bar - less_bars,
            last_bar=section.last_bar - less_bars,
            start_tick=section.start_tick - less_ticks,
            end_tick=section.end_tick - less_ticks,
        )
        for section in timeline.sections
        if section.start_tick >= end
    ]
    return replace(
        timeline,
        clock=timeline.clock.without(start, end),
        end_tick=timeline.end_tick - less_ticks,
        bars=(*timeline.bars[: starts[first - 1]], *map(bar_behind, timeline.bars[starts[last] :])),
        chords=(*chords, *map(chord_behind, behind)),
        sections=tuple(sections),
        dynamics=tuple(
            point if point.tick < start else replace(point, tick=point.tick - less_ticks)
            for point in timeline.dynamics
            if point.tick < start or point.tick >= end
        ),
        stops=tuple(
            (a, b) if a < start else (a - less_ticks, b - less_ticks)
            for a, b in timeline.stops
            if a < start or a >= end
        ),
        tempo_marks=tuple(
            mark if mark.tick < start else replace(mark, tick=mark.tick - less_ticks)
            for mark in timeline.tempo_marks
            if mark.tick < start or mark.tick >= end
        ),
        choruses=timeline.choruses - less_choruses,
    )


def _shape(
    timeline: Timeline, first: int, end: int, chord_ticks: Sequence[int]
) -> tuple[object, ...]:
    """Return all that a band plays by in some bars, at ticks counted from the first of them."""
    bars = timeline.bars[first:end]
    start, until = bars[0].start_tick, bars[-1].end_tick
    chords = slice(bisect_left(chord_ticks, start), bisect_left(chord_ticks, until))
    return (
        tuple(
            (bar.written, bar.repeat_pass, bar.meter, bar.start_tick - start, bar.ends_phrase)
            for bar in bars
        ),
        until - start,
        tuple(timeline.level_at(tick) for bar in bars for tick in bar.beat_ticks),
        tuple(
            (
                *(chord.kind, chord.chord, chord.key, chord.articulation),
                *(chord.start_tick - start, chord.end_tick - start, chord.sounds_tick - start),
            )
            for chord in timeline.chords[chords]
        ),
        tuple((a - start, b - start) for a, b in timeline.stops if start <= a < until),
    )
