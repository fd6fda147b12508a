"""What all pictures share: colours, the head, and the rows into which a track is cut.

Rows keep time true: one second is as wide in every row. A row starts at a section, and a long
section goes on in the next row after a whole number of bars.

Colours are the set of Okabe and Ito (Color Universal Design, 2008), which stays distinct under the
common kinds of colour blindness; a letter, a shape or a height always says the same thing as well.
"""

from collections.abc import Sequence

from generator.chordmap.reader import ChordMap
from generator.chordmap.records import BarEntry, ChordEntry, SectionEntry
from generator.errors import OptionError
from generator.handout.drawing.chord_symbol import (
    Piece,
    chord_pieces,
    chord_width,
    draw_chord,
    real_accidentals,
)
from generator.handout.drawing.fonts import (
    SANS,
    SANS_BOLD,
    SERIF_BOLD,
    SERIF_ITALIC,
    advance,
    clean,
    fitting_size,
)
from generator.handout.drawing.marks import INK, Drawing
from generator.handout.drawing.paths import rectangle
from generator.handout.drawing.signs import draw_note
from generator.handout.tempo import metronome_mark
from generator.record import record

__all__ = [
    "BLUE",
    "GREEN",
    "GRID",
    "LEVELS",
    "ORANGE",
    "PINK",
    "QUIET",
    "SKY",
    "VERMILION",
    "YELLOW",
    "Row",
    "bars_in",
    "comfortable_bars",
    "draw_head",
    "draw_label",
    "draw_symbol",
    "label_gutter",
    "label_text",
    "minutes",
    "mixed",
    "rows_of",
    "section_colors",
    "symbol_pieces",
]

ORANGE, SKY, GREEN, YELLOW = "#e69f00", "#56b4e9", "#009e73", "#f0e442"
BLUE, VERMILION, PINK = "#0072b2", "#d55e00", "#cc79a7"
QUIET = "#5b5b63"
GRID = "#d9d9de"

LEVELS = {"pp": 1, "p": 2, "mp": 3, "mf": 4, "f": 5, "ff": 6}
"""Dynamic marks as steps of loudness."""

_ORDER = (BLUE, ORANGE, GREEN, PINK, SKY, VERMILION, YELLOW)
_HEAD_PT = 66.0


@record
class Row:
    """Some bars of one section; `first` and `after` index `ChordMap.bars`."""

    first: int
    after: int
    section: int
    starts_section: bool
    start_s: float
    end_s: float
    start_tick: int
    end_tick: int


def rows_of(
    song: ChordMap, *, most_bars: int = 8, bars: tuple[int, int] | None = None
) -> tuple[Row, ...]:
    """Cut a track into rows of up to `most_bars` bars.

    Parameters
    ----------
    bars : (int, int), optional
        First and last played bar to show; all by default.

    Raises
    ------
    OptionError
        If no bar lies in that range.
    """
    first_bar, last_bar = bars or (song.bars[0].number, song.bars[-1].number)
    wanted = [i for i, bar in enumerate(song.bars) if first_bar <= bar.number <= last_bar]
    if not wanted:
        raise OptionError(
            f"no bars {first_bar} to {last_bar}: this track has "
            f"{song.bars[0].number} to {song.bars[-1].number}"
        )
    rows: list[Row] = []
    for group in _groups(song, wanted):
        lead = 1 if song.bars[group[0]].number == 0 else 0  # a pickup goes on top
        for start, after in _shares(len(group) - lead, most_bars):
            part = group[start + lead if start else 0 : after + lead]
            rows.append(_row(song, part, starts=start == 0))
    return tuple(rows)


def _groups(song: ChordMap, wanted: Sequence[int]) -> list[list[int]]:
    """Group bars by section; a pickup goes with the section after it."""
    groups: list[list[int]] = [[wanted[0]]]
    for i in wanted[1:]:
        before = song.bars[groups[-1][-1]]
        if song.bars[i].section != before.section and before.number != 0:
            groups.append([])
        groups[-1].append(i)
    return groups


def _shares(count: int, most: int) -> list[tuple[int, int]]:
    """Split bars into rows as even as multiples of four allow: (first, after last) of each.

    A single bar that would stand alone goes on the row before it.
    """
    rows = -(-count // most)
    each = -(-count // max(1, rows))
    each = min(most, -(-each // 4) * 4) if most >= 4 else most
    starts = list(range(0, max(1, count), each))
    if len(starts) > 1 and count - starts[-1] == 1:
        starts.pop()
    return list(zip(starts, [*starts[1:], count], strict=True))


def _row(song: ChordMap, part: list[int], *, starts: bool) -> Row:
    first, last = song.bars[part[0]], song.bars[part[-1]]
    return Row(
        part[0],
        part[-1] + 1,
        last.section,
        starts,
        first.start_s,
        last.end_s,
        first.start_tick,
        last.end_tick,
    )


def comfortable_bars(song: ChordMap, room_pt: float, size_pt: float) -> int:
    """Return 8 bars a row, or 4 when many chord symbols would have to be set small."""
    per_second = room_pt / max(row.end_s - row.start_s for row in rows_of(song, most_bars=8))
    crowded = sum(
        chord_width(symbol_pieces(chord), size_pt * 0.7)
        > (chord.end_s - chord.start_s) * per_second
        for chord in song.chords
    )
    return 4 if crowded * 8 > len(song.chords) else 8


def section_colors(song: ChordMap) -> dict[str, str]:
    """Give each section name a colour, in order of appearance."""
    names = list(dict.fromkeys(section.label for section in song.sections))
    return {name: _ORDER[i % len(_ORDER)] for i, name in enumerate(names)}


def mixed(color: str, share: float, other: str = "#ffffff") -> str:
    """Return `color` thinned with another: 1 is the colour itself.

    >>> mixed("#0072b2", 0.5)
    '#80b9d9'
    """
    pairs = zip(_rgb(color), _rgb(other), strict=True)
    return "#" + "".join(f"{int(a * share + b * (1 - share) + 0.5):02x}" for a, b in pairs)


def _rgb(color: str) -> tuple[int, int, int]:
    return int(color[1:3], 16), int(color[3:5], 16), int(color[5:7], 16)


def minutes(time_s: float) -> str:
    """Write a time as a clock shows it.

    >>> minutes(83.9)
    '1:23'
    """
    return f"{int(time_s) // 60}:{int(time_s) % 60:02d}"


def label_text(section: SectionEntry) -> str:
    """Return the name of a section, a dot when it has none."""
    return clean(section.label) or "·"


def draw_head(page: Drawing, song: ChordMap, kind: str, left: float, width: float) -> float:
    """Draw title and facts; return the y below them."""
    title = clean(song.title) or "Untitled"
    size = max(8.0, fitting_size(title, SERIF_BOLD, 22, width * 0.8))
    page.text(left, 34, title, SERIF_BOLD, size)
    page.text(left + width, 34, kind, SERIF_ITALIC, 13, color=QUIET, anchor="right")
    x = page.text(left, 52, f"{real_accidentals(song.key)}   ·   ", SANS, 9, color=QUIET)
    unit, count = metronome_mark(song.tempos[0].quarter_bpm, song.meters[0].beat_quarters)
    x = draw_note(page, unit, x, 52, 9, color=QUIET)
    facts = [
        f" = {count:.4g}",
        song.made_by.style.replace("-", " "),
        f"{sum(bar.number > 0 for bar in song.bars)} bars",
        minutes(song.end_s - song.start_s),
    ]
    page.text(x, 52, "   ·   ".join(fact for fact in facts if fact), SANS, 9, color=QUIET)
    return _HEAD_PT


def label_gutter(song: ChordMap) -> float:
    """Return the width that the section names need at the left of the rows, in points."""
    widest = max(advance(label_text(s), SANS_BOLD, 11) for s in song.sections)
    return min(max(widest + 12, 30.0), 120.0) + 12


def draw_label(
    page: Drawing, song: ChordMap, row: Row, color: str, left: float, top: float, width: float
) -> None:
    """Draw the name of a section and the time at the left of its row."""
    if row.starts_section:
        text = label_text(song.sections[row.section])
        size = fitting_size(text, SANS_BOLD, 11, width - 24)
        chip = advance(text, SANS_BOLD, size) + 11
        page.shape(
            rectangle(left, top, chip, 18, 4), fill=mixed(color, 0.28), stroke=color, width_pt=1.2
        )
        page.text(left + 5.5, top + 13, text, SANS_BOLD, size)
    page.text(left, top + 29, minutes(row.start_s), SANS, 7.5, color=QUIET)


def symbol_pieces(chord: ChordEntry) -> tuple[Piece, ...]:
    """Split a chord of the map for print; a rest has none."""
    if chord.kind == "chord" and chord.root is not None:
        return chord_pieces(chord.root, chord.quality or "", chord.bass)
    if chord.kind == "no-chord":
        return (Piece("N.C.", SERIF_BOLD, 0.8),)
    return ()


def draw_symbol(
    page: Drawing, chord: ChordEntry, x: float, y: float, room: float, size_pt: float,
    *, color: str = INK,
) -> None:  # fmt: skip
    """Write a chord symbol on a baseline, smaller if its room is narrow."""
    pieces = symbol_pieces(chord)
    if pieces and room > 2:
        width = chord_width(pieces, size_pt)
        draw_chord(page, pieces, x, y, size_pt * min(1.0, room / width), color=color)


def bars_in(song: ChordMap, row: Row) -> tuple[BarEntry, ...]:
    """Return the bars of a row."""
    return song.bars[row.first : row.after]
