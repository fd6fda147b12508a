"""What the band plays: a piano roll of the pitched parts over a grid of the drums."""

from collections.abc import Sequence

from generator.band.arrangement import Note, Part
from generator.chordmap.reader import ChordMap
from generator.handout.drawing.fonts import SANS, advance
from generator.handout.drawing.marks import INK, Drawing
from generator.handout.drawing.paths import circle, polygon, rectangle
from generator.handout.picture.frame import (
    BLUE,
    GREEN,
    GRID,
    ORANGE,
    PINK,
    QUIET,
    VERMILION,
    Row,
    bars_in,
    draw_head,
    draw_label,
    draw_symbol,
    label_gutter,
    mixed,
    rows_of,
    section_colors,
)
from generator.record import record

__all__ = ["drum_name", "roll_picture"]

_WIDTH, _SIDE = 1120.0, 28.0
_SEMITONE_PT = 4.4
_LANE_PT = 12.5
_CHORD_PT = 30.0
_SYSTEM_GAP = 34.0
_BLACK_KEYS = frozenset({1, 3, 6, 8, 10})
_PART_COLORS = {"bass": BLUE, "pad": PINK, "comp": ORANGE}
_OTHER_COLORS = (GREEN, VERMILION)
_THICKNESS = {"bass": 1.15, "pad": 0.95, "comp": 0.6}

# General MIDI Level 1 percussion map (MIDI Manufacturers Association, 1991), names shortened.
_DRUM_NAMES = {
    35: "bass drum 2", 36: "bass drum", 37: "side stick", 38: "snare", 39: "hand clap",
    40: "snare 2", 41: "low floor tom", 42: "closed hat", 43: "high floor tom", 44: "pedal hat",
    45: "low tom", 46: "open hat", 47: "low mid tom", 48: "high mid tom", 49: "crash",
    50: "high tom", 51: "ride", 52: "china cymbal", 53: "ride bell", 54: "tambourine",
    55: "splash", 56: "cowbell", 57: "crash 2", 58: "vibraslap", 59: "ride 2", 60: "high bongo",
    61: "low bongo", 62: "mute conga", 63: "open conga", 64: "low conga", 65: "high timbale",
    66: "low timbale", 67: "high agogo", 68: "low agogo", 69: "cabasa", 70: "maracas",
    75: "claves", 76: "high block", 77: "low block", 80: "mute triangle", 81: "open triangle",
    82: "shaker",
}  # fmt: skip
# From the floor up, as drum notation stacks them; what is not named here comes on top.
_DRUM_ORDER = (
    36, 35, 38, 40, 37, 39, 41, 43, 45, 47, 48, 50, 44, 42, 46, 51, 59, 53, 54, 82, 70, 69, 56,
    49, 57, 55, 52,
)  # fmt: skip
_METAL = frozenset({42, 44, 46, 49, 51, 52, 53, 55, 57, 59})  # drawn as crosses, as on a staff
_EARLY_TICKS = 60  # feel may put a note this much before its bar


@record
class _Plan:
    """Vertical plan of one system, the same for all: pitch range, drum lanes, heights."""

    low: int
    high: int
    lanes: tuple[int, ...]

    @property
    def roll_pt(self) -> float:
        return (self.high - self.low + 1) * _SEMITONE_PT if self.high >= self.low else 0.0

    @property
    def height(self) -> float:
        return _CHORD_PT + self.roll_pt + 8 + len(self.lanes) * _LANE_PT

    def pitch_y(self, top: float, pitch: int) -> float:
        """Return the top of a pitch's band, the top of the system given."""
        return top + _CHORD_PT + (self.high - pitch) * _SEMITONE_PT


def drum_name(key: int) -> str:
    """Return the name of a General MIDI percussion key.

    >>> drum_name(38), drum_name(127)
    ('snare', 'key 127')
    """
    return _DRUM_NAMES.get(key, f"key {key}")


def roll_picture(
    song: ChordMap, parts: Sequence[Part], *, bars: tuple[int, int] | None = None
) -> Drawing:
    """Draw what some parts play over bars and chords."""
    rows = rows_of(song, most_bars=4, bars=bars)
    first_tick, last_tick = rows[0].start_tick - _EARLY_TICKS, rows[-1].end_tick
    if last_tick < song.bars[-1].end_tick:
        last_tick -= _EARLY_TICKS
    shown = [
        (part, tuple(n for n in part.notes if first_tick <= n.start_tick < last_tick))
        for part in parts
    ]
    plan = _plan(shown)
    colors = section_colors(song)
    height = 66 + 26 + len(rows) * (plan.height + _SYSTEM_GAP) + 12
    page = Drawing(_WIDTH, height, f"{song.title}: what the band plays", _description(song, shown))
    inner = _WIDTH - 2 * _SIDE
    top = draw_head(page, song, "what the band plays", _SIDE, inner)
    _draw_legend(page, shown, _SIDE, top + 2)
    top += 34
    names = max((advance(drum_name(key), SANS, 7.5) for key in plan.lanes), default=0.0)
    gutter = max(label_gutter(song), names + 18, 34.0)
    left, room = _SIDE + gutter, inner - gutter
    per_tick = room / max(row.end_tick - row.start_tick for row in rows)
    end_tick = song.bars[-1].end_tick
    for row in rows:
        color = colors[song.sections[row.section].label]
        draw_label(page, song, row, color, _SIDE, top, gutter)
        _draw_grid(page, song, row, plan, color, left, top, per_tick)
        for part, notes in shown:
            for i, note in enumerate(notes, 1):
                _draw_note(
                    page, part, note, f"note-{part.name}-{i}", row, plan, left, top, per_tick,
                    first=_starts_in(note, row, end_tick),
                )  # fmt: skip
        top += plan.height + _SYSTEM_GAP
    return page


def _starts_in(note: Note, row: Row, end_tick: int) -> bool:
    """Whether a note belongs to a row; feel may put it a little before the row's first bar."""
    after = row.end_tick if row.end_tick == end_tick else row.end_tick - _EARLY_TICKS
    return row.start_tick - _EARLY_TICKS <= note.start_tick < after


def _plan(shown: Sequence[tuple[Part, tuple[Note, ...]]]) -> _Plan:
    pitches = [n.pitch for part, notes in shown if part.name != "drums" for n in notes]
    keys = {n.pitch for part, notes in shown if part.name == "drums" for n in notes}
    lanes = sorted(keys, key=lambda key: (_lane_rank(key), key), reverse=True)
    if not pitches:
        return _Plan(1, 0, tuple(lanes))
    return _Plan(min(pitches) - 2, max(pitches) + 2, tuple(lanes))


def _lane_rank(key: int) -> int:
    return _DRUM_ORDER.index(key) if key in _DRUM_ORDER else len(_DRUM_ORDER)


def _color(part: Part) -> str:
    return _PART_COLORS.get(part.name, _OTHER_COLORS[len(part.name) % 2])


def _draw_legend(
    page: Drawing, shown: Sequence[tuple[Part, tuple[Note, ...]]], left: float, y: float
) -> None:
    x = left
    for part, _ in shown:
        if part.name == "drums":
            page.fill(circle(x + 5, y + 4, 3.4), INK)
            page.stroke(circle(x + 15, y + 4, 2.4), 0.9, INK)
            x = page.text(x + 24, y + 7.5, "drums, larger is louder", SANS, 8.5, color=QUIET)
        else:
            height = 7 * _THICKNESS.get(part.name, 0.8)
            bar = rectangle(x, y + 4 - height / 2, 20, height, 1.5)
            page.shape(bar, fill=mixed(_color(part), 0.8), stroke=mixed(_color(part), 0.75, INK))
            x = page.text(x + 25, y + 7.5, part.name, SANS, 8.5, color=QUIET)
        x += 18


def _draw_grid(
    page: Drawing, song: ChordMap, row: Row, plan: _Plan, color: str, left: float, top: float,
    per_tick: float,
) -> None:  # fmt: skip
    width = (row.end_tick - row.start_tick) * per_tick
    roll_top, drums_top = top + _CHORD_PT, top + _CHORD_PT + plan.roll_pt + 8
    bottom = top + plan.height
    for pitch in range(plan.low, plan.high + 1):
        y = plan.pitch_y(top, pitch)
        if pitch % 12 in _BLACK_KEYS:
            page.fill(rectangle(left, y, width, _SEMITONE_PT), "#f4f4f6")
        if pitch % 12 == 0:
            line = y + _SEMITONE_PT
            page.line(left, line, left + width, line, 0.7, GRID)
            page.text(left - 10, line, f"C{pitch // 12 - 1}", SANS, 7, color=QUIET, anchor="right")
    for i, key in enumerate(plan.lanes):
        y = drums_top + (i + 0.5) * _LANE_PT
        page.line(left, y, left + width, y, 0.5, GRID)
        page.text(left - 10, y + 2.6, drum_name(key), SANS, 7.5, color=QUIET, anchor="right")
    for chord in song.chords:
        if chord.end_tick > row.start_tick and chord.start_tick < row.end_tick:
            start = max(chord.start_tick, row.start_tick)
            x = left + (start - row.start_tick) * per_tick
            end = left + (min(chord.end_tick, row.end_tick) - row.start_tick) * per_tick
            fill = mixed(color, 0.22) if chord.kind == "chord" else "#f2f2f4"
            page.shape(
                rectangle(x, top, end - x, 20), fill=fill, stroke=mixed(color, 0.5), width_pt=0.8
            )
            draw_symbol(page, chord, x + 4, top + 15, end - x - 6, 14)
    for bar in bars_in(song, row):
        x = left + (bar.start_tick - row.start_tick) * per_tick
        page.text(x + 2, top - 3, str(bar.number), SANS, 6.5, color=QUIET)
        page.line(x, top, x, bottom, 1.0, mixed(INK, 0.75))
        span_s = bar.end_s - bar.start_s
        for beat_s in bar.beats_s[1:]:
            share = (beat_s - bar.start_s) / span_s
            beat_x = x + share * (bar.end_tick - bar.start_tick) * per_tick
            page.line(beat_x, roll_top, beat_x, bottom, 0.6, GRID)
    page.line(left + width, top, left + width, bottom, 1.0, mixed(INK, 0.75))


def _draw_note(
    page: Drawing, part: Part, note: Note, name: str, row: Row, plan: _Plan, left: float,
    top: float, per_tick: float, *, first: bool,
) -> None:  # fmt: skip
    if part.name == "drums":
        if first:
            _draw_stroke(page, note, name, row, plan, left, top, per_tick)
        return
    start, end = max(note.start_tick, row.start_tick), min(note.end_tick, row.end_tick)
    if end - start <= (0 if first else _EARLY_TICKS) or row.end_tick - start <= _EARLY_TICKS:
        return  # nothing of it in this row, or only what feel moved over the edge
    x = left + (start - row.start_tick) * per_tick
    height = _SEMITONE_PT * 1.25 * _THICKNESS.get(part.name, 0.8)
    y = plan.pitch_y(top, note.pitch) + (_SEMITONE_PT - height) / 2
    width = max((end - start) * per_tick - 0.8, 1.6)
    color = _color(part)
    page.shape(
        rectangle(x, y, width, height, 1.2),
        fill=mixed(color, 0.35 + 0.6 * note.velocity / 127),
        stroke=mixed(color, 0.75, INK),
        width_pt=0.6,
        name=name if first else "",
    )


def _draw_stroke(
    page: Drawing, note: Note, name: str, row: Row, plan: _Plan, left: float, top: float,
    per_tick: float,
) -> None:  # fmt: skip
    x = left + max(0, note.start_tick - row.start_tick) * per_tick
    lane = plan.lanes.index(note.pitch)
    y = top + _CHORD_PT + plan.roll_pt + 8 + (lane + 0.5) * _LANE_PT
    size = 1.3 + 3.4 * note.velocity / 127
    if note.pitch in _METAL:
        arm = size * 0.85
        cross = polygon((x - arm, y - arm), (x + arm, y + arm), (x, y))
        cross += polygon((x - arm, y + arm), (x + arm, y - arm), (x, y))
        page.stroke(cross, 0.5 + 0.9 * note.velocity / 127, INK, name=name)
        if note.pitch == 46:
            page.stroke(circle(x, y, size * 1.15), 0.7, INK)
    elif note.velocity < 50:
        page.stroke(circle(x, y, size), 0.8, INK, name=name)  # a ghost note
    else:
        page.fill(circle(x, y, size), INK, name=name)


def _description(song: ChordMap, shown: Sequence[tuple[Part, tuple[Note, ...]]]) -> str:
    counts = ", ".join(f"{part.name} {len(notes)} notes" for part, notes in shown)
    return f"Piano roll and drum grid of {song.title}: {counts}."
