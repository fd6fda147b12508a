"""Played chords: which harmony holds from which tick to which, and when it is heard."""

from generator.chart.layout import Sound
from generator.chart.model import Chart, ChordItem, NoChordItem, RestItem, SlashItem
from generator.clock import ticks
from generator.errors import ChartError
from generator.harmony.key import Key
from generator.timeline.model import ChordKind, TimelineBar, TimelineChord
from generator.timeline.unfold import PlayedMeasure

__all__ = ["chords_of"]


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
    starts: list[tuple[int, int, ChordItem | NoChordItem | RestItem, Key]] = []
    last: ChordItem | NoChordItem | None = None
    resting = False
    for played, bar in zip(measures, bars, strict=True):
        key = bar.key
        changes = [(at, mark.key) for at, mark in played.directions if mark.key is not None]
        for sound in played.measure.sounds:
            tick = played.start_tick + ticks(sound.onset_quarters)
            while changes and changes[0][0] <= tick:
                key = changes.pop(0)[1] or key
            item = sound.item
            if isinstance(item, SlashItem):
                if last is None:
                    raise _no_chord(chart, sound)
                if resting:
                    starts.append((tick, bar.index, _plain(last), key))
                resting = False
            elif isinstance(item, RestItem):
                if not resting:
                    starts.append((tick, bar.index, item, key))
                resting = True
            else:
                starts.append((tick, bar.index, item, key))
                last, resting = item, False
    return _chords(starts, bars, first_tick)


def _plain(item: ChordItem | NoChordItem) -> ChordItem | NoChordItem:
    """Return an item without push and articulation: it comes back on its beat after a rest."""
    if isinstance(item, ChordItem):
        return ChordItem(item.chord, text=item.text, span=item.span)
    return NoChordItem(span=item.span)


def _chords(
    starts: list[tuple[int, int, ChordItem | NoChordItem | RestItem, Key]],
    bars: tuple[TimelineBar, ...],
    first_tick: int,
) -> tuple[tuple[TimelineChord, ...], tuple[tuple[int, int], ...]]:
    chords: list[TimelineChord] = []
    fermatas: list[tuple[int, int]] = []
    ends = [start[0] for start in starts[1:]] + [bars[-1].end_tick]
    before = first_tick - 1
    for (tick, index, item, key), end in zip(starts, ends, strict=True):
        bar = bars[index]
        push = 0 if isinstance(item, RestItem) else ticks(item.push_quarters)
        sounds = max(tick - push, before + 1) if push else tick
        chords.append(
            TimelineChord(
                kind=_kind(item),
                chord=item.chord if isinstance(item, ChordItem) else None,
                key=key,
                bar=index,
                beat=_beat(bar, tick),
                start_tick=tick,
                end_tick=end,
                sounds_tick=sounds,
                articulation="" if isinstance(item, RestItem) else item.articulation,
                span=item.span,
            )
        )
        if chords[-1].articulation == "fermata":
            fermatas.append((tick, end))
        before = tick
    return tuple(chords), tuple(fermatas)


def _kind(item: ChordItem | NoChordItem | RestItem) -> ChordKind:
    if isinstance(item, ChordItem):
        return "chord"
    return "no-chord" if isinstance(item, NoChordItem) else "rest"


def _beat(bar: TimelineBar, tick: int) -> float:
    """Return the beat of a tick, from 1; every symbol of a chart stands on a beat."""
    return float(bar.beat_ticks.index(tick) + 1)


def _no_chord(chart: Chart, sound: Sound) -> ChartError:
    message = "what is played starts with this /, with no chord to hold; write a chord here"
    return ChartError((chart.problem(sound.item.span, message),))
