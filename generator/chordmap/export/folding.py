"""Fold played bars back into repeats and endings, by the numbers of the written bars.

A stretch of written bars that is played again at once becomes a repeat; when the later pass leaves
it early for the bar that is written next, the rest of the first pass is a first ending. Only bars
that sound the same are folded, so that playing the result gives the same bars again. Jumps that
this cannot say stay unfolded.
"""

from bisect import bisect_right
from collections.abc import Container, Hashable, Sequence

from generator.chordmap.reader import ChordMap
from generator.record import record

__all__ = ["FoldedBar", "bar_contents", "fold"]


@record
class FoldedBar:
    """A bar as it is printed: the played bar `index`, and the signs at its two bar lines.

    `ending` holds the passes of an ending that starts here; `ending_stops` and `times` (how often
    in all, 0 for no repeat) stand at the end of the bar.
    """

    index: int
    opens: bool = False
    ending: tuple[int, ...] = ()
    ending_stops: tuple[int, ...] = ()
    times: int = 0


def fold(
    written: Sequence[int], sounds: Sequence[Hashable], section_starts: Container[int] = ()
) -> tuple[FoldedBar, ...]:
    """Return the bars to print.

    Parameters
    ----------
    written : sequence of int
        The written number of each played bar.
    sounds : sequence of hashable
        What each played bar holds; equal for bars that may share their print.
    section_starts : container of int
        Played bars, from 0, that start a section: an ending holds none.

    >>> [bar.index for bar in fold([1, 2, 1, 2, 3], "ababc")]
    [0, 1, 4]
    >>> [(bar.index, bar.ending) for bar in fold([1, 2, 1, 3], "abac")]
    [(0, ()), (1, (1,)), (3, (2,))]
    """
    bars: list[FoldedBar] = []
    i = 0
    pending: tuple[int, ...] = ()  # the ending that starts at the next bar
    while i < len(written):
        block = _block(written, i)
        passes = _passes(written, sounds, i, block)
        shared = _shared(written, sounds, i, block, passes) if block and not pending else 0
        endings = (*range(i + shared, i + block), i + block * passes + shared)
        if shared and any(index in section_starts for index in endings):
            shared = 0
        if pending or (passes < 2 and not shared):
            bars.append(FoldedBar(i, ending=pending, ending_stops=pending))
            i, pending = i + 1, ()
            continue
        first = tuple(range(1, passes + 1)) if shared else ()
        for k in range(block):
            last = k == block - 1
            bars.append(
                FoldedBar(
                    i + k,
                    opens=k == 0,
                    ending=first if shared and k == shared else (),
                    ending_stops=first if last else (),
                    times=(passes + 1 if shared else passes) if last else 0,
                )
            )
        i += block * passes + shared
        pending = (passes + 1,) if shared else ()
    return tuple(bars)


def bar_contents(chord_map: ChordMap) -> list[Hashable]:
    """Return what each played bar would print: equal for bars that may share their print."""
    chords = chord_map.chords
    starts = [chord.start_tick for chord in chords]
    contents: list[Hashable] = []
    for bar in chord_map.bars:
        held = chords[
            bisect_right(starts, bar.start_tick) - 1 : bisect_right(starts, bar.end_tick - 1)
        ]
        section = chord_map.sections[bar.section]
        contents.append(
            (
                bar.end_tick - bar.start_tick,
                bar.meter,
                (section.label, section.dynamics),
                tuple(
                    (
                        max(-1, c.start_tick - bar.start_tick),
                        c.kind,
                        c.symbol,
                        c.articulation,
                        c.key,
                    )
                    for c in held
                ),
                _inside(
                    [(t.tick, t.quarter_bpm) for t in chord_map.tempos],
                    bar.start_tick,
                    bar.end_tick,
                ),
                tuple(
                    (word.tick - bar.start_tick, word.text)
                    for word in chord_map.tempo_words
                    if bar.start_tick <= word.tick < bar.end_tick
                ),
            )
        )
    return contents


def _inside(
    changes: Sequence[tuple[int, float]], start_tick: int, end_tick: int
) -> tuple[tuple[int, float], ...]:
    """Return the value at a bar's start, and those that follow in it with their places."""
    ticks = [tick for tick, _ in changes]
    first = max(0, bisect_right(ticks, start_tick) - 1)
    held = changes[first : bisect_right(ticks, end_tick - 1)]
    return tuple((max(0, tick - start_tick), value) for tick, value in held)


def _block(written: Sequence[int], start: int) -> int:
    """Return how many bars lie before the written bar at `start` comes again; 0 if it does not.

    They must be written one after the other.
    """
    length = 1
    while start + length < len(written):
        if written[start + length] == written[start]:
            return length
        if written[start + length] != written[start] + length:
            return 0
        length += 1
    return 0


def _passes(written: Sequence[int], sounds: Sequence[Hashable], start: int, block: int) -> int:
    """Return how often the whole block is played in a row."""
    passes = 1
    while block and _equal(written, sounds, start, start + passes * block, block):
        passes += 1
    return passes


def _shared(
    written: Sequence[int], sounds: Sequence[Hashable], start: int, block: int, passes: int
) -> int:
    """Return how many bars of the block a last pass plays before it leaves for the next bar."""
    again = start + passes * block
    shared = 0
    while shared < block and _equal(written, sounds, start + shared, again + shared, 1):
        shared += 1
    left = again + shared < len(written) and written[again + shared] == written[start] + block
    return shared if 0 < shared < block and left else 0


def _equal(
    written: Sequence[int], sounds: Sequence[Hashable], one: int, other: int, length: int
) -> bool:
    return other + length <= len(written) and all(
        written[one + k] == written[other + k] and sounds[one + k] == sounds[other + k]
        for k in range(length)
    )
