"""Played chords: which harmony holds from which tick to which, and when it is heard."""

from generator.chart.layout import Sound
from generator.chart.model import Articulation, Chart, ChordItem, NoChordItem, RestItem, SlashItem
from generator.clock import ticks
from generator.errors import ChartError
from generator.harmony.key import Key
from generator.timeline.model import ChordKind, TimelineBar, TimelineChord
from generator.timeline.unfold import PlayedMeasure

__all__ = ["chords_of"]

_Start = tuple[int, int, int, ChordItem | NoChordItem | RestItem, Key]
"""Bar index, beat in the bar from 0, tick, what starts there, and its key."""


def chords_of(
    chart: Chart,
    measures: tuple[PlayedMeasure, ...],
    bars: tuple[TimelineBar, ...],
    first_tick: int,
) -> tuple[tuple[TimelineChord, ...], tuple[tuple[int, int], ...]]:
    """Return the chords in order, and the stretches that a fermata holds.

    A slash makes the chord before it longer, over a bar line too; after a rest it brings that
    chord back. A push on the very first symbol of what is played sounds on its beat, and no push
    reaches back to where the symbol before it starts.

    Raises
    ------
    ChartError
        If what is played starts with a slash.
    """
    starts: list[_Start] = []
    last: ChordItem | NoChordItem | None = None
    resting = False
    for played, bar in zip(measures, bars, strict=True):
        key = bar.key
        changes = [(at, mark.key) for at, mark in played.directions if mark.key is not None]
        for sound in played.measure.sounds:
            tick = bar.beat_ticks[sound.beat]
            while changes and changes[0][0] <= tick:
                key = changes.pop(0)[1] or key
            item = sound.item
            if isinstance(item, SlashItem):
                if last is None:
                    raise _no_chord(chart, sound)
                if resting:
                    starts.append((bar.index, sound.beat, tick, _plain(last), key))
                resting = False
            elif isinstance(item, RestItem):
                if not resting:
                    starts.append((bar.index, sound.beat, tick, item, key))
                resting = True
            else:
                starts.append((bar.index, sound.beat, tick, item, key))
                last, resting = item, False
    return _chords(starts, bars, first_tick)


def _plain(item: ChordItem | NoChordItem) -> ChordItem | NoChordItem:
    """Return an item without push and articulation: it comes back on its beat after a rest."""
    if isinstance(item, ChordItem):
        return ChordItem(item.chord, text=item.text, span=item.span)
    return NoChordItem(span=item.span)


def _chords(
    starts: list[_Start],
    bars: tuple[TimelineBar, ...],
    first_tick: int,
) -> tuple[tuple[TimelineChord, ...], tuple[tuple[int, int], ...]]:
    chords: list[TimelineChord] = []
    fermatas: list[tuple[int, int]] = []
    ends = [start[2] for start in starts[1:]] + [bars[-1].end_tick]
    before = first_tick - 1
    for (index, beat, tick, item, key), end in zip(starts, ends, strict=True):
        sounds = tick
        articulation: Articulation = "" if isinstance(item, RestItem) else item.articulation
        if not isinstance(item, RestItem) and item.push_quarters:
            sounds = max(tick - ticks(item.push_quarters), before + 1)
        chords.append(
            TimelineChord(
                kind=_kind(item),
                chord=item.chord if isinstance(item, ChordItem) else None,
                key=key,
                bar=index,
                beat=beat + 1.0,
                start_tick=tick,
                end_tick=end,
                sounds_tick=sounds,
                articulation=articulation,
                span=item.span,
            )
        )
        if articulation == "fermata":
            fermatas.append((tick, end))
        before = tick
    return tuple(chords), tuple(fermatas)


def _kind(item: ChordItem | NoChordItem | RestItem) -> ChordKind:
    if isinstance(item, ChordItem):
        return "chord"
    return "no-chord" if isinstance(item, NoChordItem) else "rest"


def _no_chord(chart: Chart, sound: Sound) -> ChartError:
    message = "what is played starts with this /, with no chord to hold; write a chord here"
    return ChartError((chart.problem(sound.item.span, message),))
