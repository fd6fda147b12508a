"""A chart in another key."""

from dataclasses import replace

from generator.chart.model import Bar, Chart, ChordItem, Direction, Item, Section
from generator.harmony.key import MODES, Key
from generator.harmony.transposition import fifths_to_key

__all__ = ["transpose_chart"]

_MOST_ACCIDENTALS = 6


def transpose_chart(chart: Chart, target: Key) -> Chart:
    """Move a chart to another key: chords, the key head and the keys inside it.

    Everything moves by the same number of fifths. A key inside the chart that would have seven
    accidentals or more takes its other name, and so do the chords that it holds for.

    Parameters
    ----------
    target : Key
        Of the chart's own mode.

    Raises
    ------
    KeyNameError
        If the mode of `target` is not the chart's.

    Examples
    --------
    >>> from generator.chart.parser import parse_chart
    >>> from generator.harmony.key import parse_key
    >>> moved = transpose_chart(parse_chart("| C | Am7/G |"), parse_key("Eb"))
    >>> [bar.items[0].chord.symbol for bar in moved.sections[0].bars]
    ['Eb', 'Cm7/Bb']
    """
    fifths = fifths_to_key(chart.key, target)
    mover = _Mover(target, fifths)
    return replace(
        chart, key=target, sections=tuple(mover.section(section) for section in chart.sections)
    )


class _Mover:
    """Carries the key that holds, and the fifths that lead to it, from item to item."""

    def __init__(self, target: Key, fifths: int) -> None:
        self.fifths = fifths
        self.shift = fifths
        self.key = target

    def section(self, section: Section) -> Section:
        directions = tuple(self._direction(direction) for direction in section.directions)
        bars = tuple(self._bar(bar) for bar in section.bars)
        return replace(section, directions=directions, bars=bars)

    def _bar(self, bar: Bar) -> Bar:
        return replace(bar, items=tuple(self._item(item) for item in bar.items))

    def _item(self, item: Item) -> Item:
        if isinstance(item, ChordItem):
            chord = item.chord.transpose(self.shift, self.key)
            return replace(item, chord=chord, text=chord.symbol)
        return self._direction(item) if isinstance(item, Direction) else item

    def _direction(self, direction: Direction) -> Direction:
        if direction.key is None:
            return direction
        self.shift = _writable(direction.key, self.fifths)
        self.key = Key(direction.key.tonic.shifted(self.shift), direction.key.mode)
        return replace(direction, key=self.key, text=f"Key: {self.key.name}")


def _writable(key: Key, fifths: int) -> int:
    """Return `fifths`, moved by steps of 12 until the key has six accidentals at most."""
    signature = key.tonic.fifths + MODES[key.mode] + fifths
    while signature > _MOST_ACCIDENTALS:
        signature, fifths = signature - 12, fifths - 12
    while signature < -_MOST_ACCIDENTALS:
        signature, fifths = signature + 12, fifths + 12
    return fifths
