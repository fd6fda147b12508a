"""Chord tones on the neck: one chord, or every chord of a form on one sheet.

Root, guide tones and other tones differ in shape as well as in colour: square, diamond, circle.
Frets stand where they stand on an instrument: each a twelfth root of two closer to the bridge.
"""

from collections.abc import Sequence
from dataclasses import fields

from generator.chordmap.reader import ChordMap
from generator.chordmap.records import ChordEntry
from generator.errors import OptionError
from generator.handout.drawing.chord_symbol import (
    chord_pieces,
    chord_width,
    draw_chord,
    real_accidentals,
)
from generator.handout.drawing.fonts import SANS, SANS_BOLD, Face, fitting_size
from generator.handout.drawing.marks import INK, Drawing
from generator.handout.drawing.paths import circle, polygon, rectangle
from generator.handout.neck import (
    FRETS,
    ChordTone,
    NeckTone,
    Tuning,
    chord_tones,
    tones_on_neck,
    tuning_named,
)
from generator.handout.picture.frame import (
    BLUE,
    GRID,
    QUIET,
    VERMILION,
    draw_head,
    label_text,
    mixed,
)
from generator.harmony.chord import parse_chord
from generator.harmony.guidance import guide
from generator.harmony.key import parse_key
from generator.record import record

__all__ = ["fretboard_picture"]

_SIDE = 30.0
_INLAYS = (3, 5, 7, 9, 15)
_TONE_FILL = "#ffffff"


@record
class _Neck:
    """A chord with its tones, and where it stands in the form."""

    root: str
    quality: str
    bass: str | None
    roman: str
    tones: tuple[ChordTone, ...]
    where: str


def fretboard_picture(
    song: ChordMap, *, chord: str | None = None, labels: str = "degrees", tuning: str = "Standard"
) -> Drawing:
    """Draw necks with the tones of one chord, or of each chord of the form in turn.

    Raises
    ------
    OptionError
        If the labels or the tuning are unknown, or the form holds no chord.
    ChordError
        If `chord` cannot be read.
    """
    if labels not in ("degrees", "notes"):
        raise OptionError(f"no labels {labels!r}: use degrees or notes")
    strings = tuning_named(tuning)
    necks = [_asked(song, chord)] if chord else _form(song)
    if not necks:
        raise OptionError("this track holds no chord to put on a neck")
    columns = 1 if len(necks) == 1 else 2
    neck_width = 760.0 if columns == 1 else 470.0
    spacing = 24.0 if columns == 1 else 16.5
    cell = 58 + spacing * (len(strings.pitches) - 1) + 40
    width = 2 * _SIDE + columns * neck_width + (columns - 1) * 36
    rows = -(-len(necks) // columns)
    names = " ".join(f"{n.root}{n.quality}" + (f"/{n.bass}" if n.bass else "") for n in necks)
    page = Drawing(
        width,
        66 + 30 + rows * cell + 8,
        f"{song.title}: chord tones",
        f"Chord tones of {names} on the neck, {strings.title}, {FRETS} frets.",
    )
    inner = width - 2 * _SIDE
    top = draw_head(page, song, "chord tones on the neck", _SIDE, inner)
    _draw_legend(page, strings, labels, _SIDE, top + 6)
    top += 30
    for i, neck in enumerate(necks):
        x = _SIDE + (i % columns) * (neck_width + 36)
        y = top + (i // columns) * cell
        _draw_neck(page, neck, strings, labels, x, y, neck_width, spacing, i + 1)
    return page


def _asked(song: ChordMap, symbol: str) -> _Neck:
    """Put one symbol on the neck, in the key in which the track has it."""
    wanted = parse_chord(symbol)
    for entry in song.chords:
        if entry.symbol == wanted.symbol:
            return _neck(entry, _where(song, entry.symbol))
    guidance = guide(wanted, parse_key(song.key))
    tones = chord_tones(
        {
            "notes": [note.name for note in wanted.notes],
            "degrees": [degree.name for degree in wanted.degrees],
            "pitch_classes": wanted.pitch_classes,
            "root": wanted.root.name,
            "bass": wanted.bass.name if wanted.bass else None,
            "guide_tones": [note.name for note in guidance.guide_tones],
        }
    )
    bass = wanted.bass.name if wanted.bass else None
    return _Neck(wanted.root.name, wanted.quality, bass, guidance.roman, tones, "not in this form")


def _form(song: ChordMap) -> list[_Neck]:
    firsts: dict[str, ChordEntry] = {}
    for entry in song.chords:
        if entry.kind == "chord":
            firsts.setdefault(entry.symbol, entry)
    return [_neck(entry, _where(song, symbol)) for symbol, entry in firsts.items()]


def _neck(entry: ChordEntry, where: str) -> _Neck:
    content = {each.name: getattr(entry, each.name) for each in fields(entry)}
    return _Neck(
        entry.root or "", entry.quality or "", entry.bass, entry.roman, chord_tones(content), where
    )


def _where(song: ChordMap, symbol: str) -> str:
    """Say in which written bars a chord starts, by section."""
    sections = {bar.number: song.sections[bar.section] for bar in song.bars}
    written = {bar.number: bar.written for bar in song.bars}
    places: dict[str, list[int]] = {}
    for entry in song.chords:
        if entry.symbol == symbol:
            bars = places.setdefault(label_text(sections[entry.bar]), [])
            if written[entry.bar] not in bars:
                bars.append(written[entry.bar])
    return "   ".join(f"{name} {_listed(bars)}" for name, bars in places.items())


def _listed(bars: Sequence[int]) -> str:
    shown = ", ".join(map(str, sorted(bars)[:8]))
    return f"bar{'s' if len(bars) > 1 else ''} {shown}" + (" …" if len(bars) > 8 else "")


def _draw_legend(page: Drawing, tuning: Tuning, labels: str, left: float, y: float) -> None:
    x = left + 7
    for role, text in (("root", "root"), ("guide", "guide tone"), ("tone", "chord tone")):
        _draw_shape(page, role, x, y, 6.0, "")
        x = page.text(x + 11, y + 3, text, SANS, 8.5, color=QUIET) + 22
    page.text(x, y + 3, f"{tuning.title}   ·   labelled by {labels}", SANS, 8.5, color=QUIET)


def _fret_x(fret: float, width: float) -> float:
    """Return where a fret stands on a neck that is `width` long up to the last one."""
    return float(width * (1 - 2 ** (-fret / 12)) / (1 - 2 ** (-FRETS / 12)))


def _draw_neck(
    page: Drawing, neck: _Neck, tuning: Tuning, labels: str, x: float, y: float, width: float,
    spacing: float, number: int,
) -> None:  # fmt: skip
    pieces = chord_pieces(neck.root, neck.quality, neck.bass)
    size = 24.0
    end = draw_chord(page, pieces, x, y + 26, size)
    if chord_width(pieces, size) < width * 0.5 and neck.roman:
        end = page.text(end + 12, y + 26, real_accidentals(neck.roman), SANS, 10, color=QUIET)
    spelled = "  ".join(real_accidentals(tone.note) for tone in neck.tones)
    fitting = fitting_size(spelled, SANS_BOLD, 10, x + width - end - 16)
    page.text(x + width, y + 20, spelled, SANS_BOLD, fitting, anchor="right")
    where = fitting_size(neck.where, SANS, 7.5, x + width - end - 16)
    page.text(x + width, y + 32, neck.where, SANS, where, color=QUIET, anchor="right")
    radius = spacing * 0.47
    margin = 2.5 * radius + 17  # open strings are shown left of the nut
    open_x, board = x + margin, width - margin
    top = y + 52
    _draw_board(page, tuning, open_x, top, board, spacing, margin)
    radius = min(radius, (_fret_x(FRETS, board) - _fret_x(FRETS - 1, board)) * 0.47)
    for i, place in enumerate(tones_on_neck(neck.tones, tuning), 1):
        _draw_tone(page, place, labels, open_x, top, board, spacing, radius, f"tone-{number}-{i}")


def _draw_board(
    page: Drawing,
    tuning: Tuning,
    x: float,
    top: float,
    width: float,
    spacing: float,
    margin: float,
) -> None:
    strings = len(tuning.pitches)
    bottom = top + spacing * (strings - 1)
    page.fill(rectangle(x, top - 5, width, bottom - top + 10, 2), "#f6f4f0")
    middle = (top + bottom) / 2
    for fret in (*_INLAYS, 12):
        centre = x + (_fret_x(fret - 1, width) + _fret_x(fret, width)) / 2
        offsets = (-spacing, spacing) if fret == 12 else (0.0,)
        for offset in offsets:
            page.fill(circle(centre, middle + offset, 3.6), "#ddd6c8")
        page.text(centre, bottom + 18, str(fret), SANS, 7, color=QUIET, anchor="middle")
    for fret in range(1, FRETS + 1):
        fret_x = x + _fret_x(fret, width)
        page.line(fret_x, top - 5, fret_x, bottom + 5, 1.1, "#b9b4aa")
    page.fill(rectangle(x - 2, top - 5, 4, bottom - top + 10), INK)
    for i, name in enumerate(reversed(tuning.note_names)):
        y = top + i * spacing
        weight = 0.6 + 1.3 * i / max(1, strings - 1)
        page.line(x, y, x + width, y, weight, "#8d8a84")
        page.text(x - margin, y + 2.5, real_accidentals(name), SANS, 7, color=QUIET)


def _draw_tone(
    page: Drawing, place: NeckTone, labels: str, x: float, top: float, width: float,
    spacing: float, radius: float, name: str,
) -> None:  # fmt: skip
    if place.fret == 0:
        centre = x - radius * 1.24 - 3
    else:
        low, high = _fret_x(place.fret - 1, width), _fret_x(place.fret, width)
        centre = x + (low + high) / 2
    y = top + (place.string - 1) * spacing
    tone = place.tone
    _draw_shape(page, tone.role, centre, y, radius, name)
    text = real_accidentals(tone.note if labels == "notes" else _degree(tone.degree))
    face: Face = SANS_BOLD
    size = fitting_size(text, face, radius * 1.12, radius * 1.55)
    color = INK if tone.role in ("tone", "bass") else "#ffffff"
    page.text(centre, y + size * 0.36, text, face, size, color=color, anchor="middle")


def _degree(degree: str) -> str:
    return {"1": "R"}.get(degree, degree)


def _draw_shape(page: Drawing, role: str, x: float, y: float, radius: float, name: str) -> None:
    if role == "root":
        side = radius * 1.72
        box = rectangle(x - side / 2, y - side / 2, side, side, radius * 0.25)
        page.shape(box, fill=BLUE, stroke=mixed(BLUE, 0.7, INK), width_pt=0.8, name=name)
    elif role == "guide":
        r = radius * 1.24
        diamond = polygon((x - r, y), (x, y - r), (x + r, y), (x, y + r))
        page.shape(
            diamond, fill=mixed(VERMILION, 0.85, INK), stroke=mixed(VERMILION, 0.6, INK),
            width_pt=0.8, name=name,
        )  # fmt: skip
    elif role == "bass":
        page.shape(circle(x, y, radius), fill=GRID, stroke=INK, width_pt=0.9, name=name)
    else:
        page.shape(circle(x, y, radius), fill=_TONE_FILL, stroke=INK, width_pt=1.1, name=name)
