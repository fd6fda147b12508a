"""The form in time: sections, chords, bars and dynamics, one second as wide everywhere."""

from generator.chordmap.reader import ChordMap
from generator.chordmap.records import ChordEntry
from generator.handout.drawing.fonts import SANS, SANS_BOLD, SERIF_BOLD_ITALIC, fitting_size
from generator.handout.drawing.marks import INK, Drawing
from generator.handout.drawing.paths import polygon, rectangle
from generator.handout.drawing.signs import draw_sign
from generator.handout.picture.frame import (
    GRID,
    LEVELS,
    QUIET,
    Row,
    bars_in,
    comfortable_bars,
    draw_head,
    draw_label,
    draw_symbol,
    label_gutter,
    label_text,
    minutes,
    mixed,
    rows_of,
    section_colors,
)

__all__ = ["form_picture"]

_WIDTH, _SIDE = 960.0, 28.0
_OVERVIEW_PT = 62.0
_ROW_PT, _ROW_GAP = 40.0, 24.0
_PER_LEVEL = 1.0 / 6


def form_picture(song: ChordMap, *, bars: tuple[int, int] | None = None) -> Drawing:
    """Draw the form of a track."""
    inner = _WIDTH - 2 * _SIDE
    gutter = label_gutter(song)
    left, room = _SIDE + gutter, inner - gutter
    rows = rows_of(song, most_bars=comfortable_bars(song, room, 15), bars=bars)
    colors = section_colors(song)
    height = 66 + _OVERVIEW_PT + 56 + len(rows) * (_ROW_PT + _ROW_GAP) + 10
    page = Drawing(_WIDTH, height, f"{song.title}: form", _description(song))
    top = draw_head(page, song, "form", _SIDE, inner)
    _draw_overview(page, song, colors, _SIDE, top + 8, inner)
    top += _OVERVIEW_PT + 46
    per_second = room / max(row.end_s - row.start_s for row in rows)
    for row in rows:
        color = colors[song.sections[row.section].label]
        draw_label(page, song, row, color, _SIDE, top, gutter)
        _draw_row(page, song, row, color, left, top, per_second)
        top += _ROW_PT + _ROW_GAP
    return page


def _draw_overview(
    page: Drawing, song: ChordMap, colors: dict[str, str], left: float, top: float, width: float
) -> None:
    """Draw the whole track as one skyline: the louder, the higher."""
    per_second = width / song.end_s
    bottom = top + _OVERVIEW_PT
    if song.count_in.end_s > 0:
        end = left + song.count_in.end_s * per_second
        page.shape(
            rectangle(left, bottom - 9, end - left, 9), fill="#f2f2f4", stroke=GRID, width_pt=0.6
        )
        for beat_s in song.count_in.beats_s:
            x = left + beat_s * per_second + 1
            page.line(x, bottom - 7, x, bottom - 2, 0.9, QUIET)
    for number, section in enumerate(song.sections, 1):
        x = left + section.start_s * per_second
        span = (section.end_s - section.start_s) * per_second
        height = _OVERVIEW_PT * LEVELS[section.dynamics] * _PER_LEVEL
        color = colors[section.label]
        page.shape(
            rectangle(x, bottom - height, span, height),
            fill=mixed(color, 0.3), stroke=color, width_pt=1.0, name=f"section-{number}",
        )  # fmt: skip
        text = label_text(section)
        size = fitting_size(text, SANS_BOLD, 9, span - 3) if span > 3 else 0.0
        if size >= 5:
            page.text(x + span / 2, bottom - 5, text, SANS_BOLD, size, anchor="middle")
        mark = section.dynamics
        if span > 16:
            up = height - 11 if height > 26 else height + 3
            page.text(x + span / 2, bottom - up, mark, SERIF_BOLD_ITALIC, 11, anchor="middle")
    page.line(left, bottom, left + width, bottom, 1.0, INK)
    for time_s in _ticks(song.end_s):
        x = left + time_s * per_second
        page.line(x, bottom, x, bottom + 4, 0.8, INK)
        page.text(x, bottom + 13, minutes(time_s), SANS, 7, color=QUIET, anchor="middle")


def _ticks(end_s: float) -> list[int]:
    """Return round times, about ten over the track."""
    step = next((s for s in (5, 10, 15, 30, 60, 120, 300, 600) if end_s / s <= 12), 1200)
    return list(range(0, int(end_s) + 1, step))


def _draw_row(
    page: Drawing, song: ChordMap, row: Row, color: str, left: float, top: float, per_second: float
) -> None:
    bottom = top + _ROW_PT
    for i, chord in enumerate(song.chords, 1):
        if chord.end_s > row.start_s and chord.start_s < row.end_s:
            start_s, end_s = max(chord.start_s, row.start_s), min(chord.end_s, row.end_s)
            x = left + (start_s - row.start_s) * per_second
            name = f"chord-{i}" if chord.start_s >= row.start_s else ""
            _draw_chord_box(page, chord, color, x, top, (end_s - start_s) * per_second, name)
            if chord.sounds_at_s < chord.start_s and name:
                _draw_push(page, x, (chord.start_s - chord.sounds_at_s) * per_second, top)
    for bar in bars_in(song, row):
        x = left + (bar.start_s - row.start_s) * per_second
        page.line(x, top - 3, x, bottom, 1.2, INK)
        page.text(x + 2, top - 4, str(bar.number), SANS, 6.2, color=QUIET)
        for beat_s in bar.beats_s:
            beat_x = left + (beat_s - row.start_s) * per_second
            page.line(beat_x, bottom - 3.5, beat_x, bottom, 0.7, QUIET)
    end = left + (row.end_s - row.start_s) * per_second
    page.line(end, top - 3, end, bottom, 1.2, INK)
    section = song.sections[row.section]
    height = LEVELS[section.dynamics] * 1.7
    page.fill(rectangle(left, bottom + 2, end - left, height), mixed(color, 0.75))
    page.text(left - 4, bottom + 8, section.dynamics, SERIF_BOLD_ITALIC, 10, anchor="right")


def _draw_chord_box(
    page: Drawing, chord: ChordEntry, color: str, x: float, top: float, width: float, name: str
) -> None:
    box = rectangle(x, top, width, _ROW_PT)
    if chord.kind == "chord":
        fill = mixed(color, 0.2)
        sounding = width
        if chord.articulation == "hit":  # silence follows: only its beginning is coloured
            page.shape(box, fill="#ffffff", stroke=mixed(color, 0.55), width_pt=0.8)
            sounding = min(width, 12.0)
            box = rectangle(x, top, sounding, _ROW_PT)
            fill = mixed(color, 0.55)
        page.shape(box, fill=fill, stroke=mixed(color, 0.55), width_pt=0.8, name=name)
    elif chord.kind == "no-chord":
        page.shape(box, fill="#f2f2f4", stroke=GRID, width_pt=0.8, name=name)
    else:
        page.shape(box, fill="#ffffff", stroke=GRID, width_pt=0.8, name=name)
        page.line(x + 4, top + _ROW_PT / 2, x + width - 4, top + _ROW_PT / 2, 1.0, GRID)
    draw_symbol(page, chord, x + 4, top + 25, width - 6, 15)
    sign = {"hit": "hit", "ring": "ring", "fermata": "fermata"}.get(chord.articulation)
    if sign and width > 14:
        draw_sign(page, sign, x + width - 9, top + 8, 7.5 if sign != "fermata" else 10)


def _draw_push(page: Drawing, x: float, early: float, top: float) -> None:
    """Draw a wedge from the moment at which a pushed chord sounds to its written beat."""
    reach = max(early, 4.0)
    page.fill(polygon((x - reach, top + 6), (x, top + 2), (x, top + 10)), INK)


def _description(song: ChordMap) -> str:
    sections = ", ".join(
        f"{label_text(section)} {section.dynamics} at {minutes(section.start_s)}"
        for section in song.sections[:60]
    )
    return f"The form of {song.title} in time. Sections: {sections}."
