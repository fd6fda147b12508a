"""A lead sheet in MusicXML 4.0: one staff of slashes, with the chord symbols above.

Repeats and endings are folded back where the numbers of the written bars show them; other jumps
are written out. A slash stands for each beat, a rest for each beat at which the whole band is
silent; chords stand at their written beats. MusicXML positions are musical, so a shift in seconds
has no place in it.
"""

from bisect import bisect_right
from collections.abc import Iterator
from itertools import pairwise
from xml.etree.ElementTree import Element, SubElement, indent, tostring

from generator.chordmap.export.clip import one_line
from generator.chordmap.export.folding import FoldedBar, bar_contents, fold
from generator.chordmap.reader import ChordMap
from generator.chordmap.records import BarEntry, ChordEntry, MeterEntry
from generator.clock import TICKS_PER_QUARTER
from generator.harmony.chord import parse_chord

__all__ = ["write"]

_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)
_NOTE_TYPES = (
    (3840, "whole"),
    (1920, "half"),
    (960, "quarter"),
    (480, "eighth"),
    (240, "16th"),
    (120, "32nd"),
    (60, "64th"),
)
_MODES = ("major", "minor", "dorian", "phrygian", "lydian", "mixolydian", "aeolian", "ionian",
          "locrian")  # fmt: skip


def write(chord_map: ChordMap) -> dict[str, bytes]:
    """Return the `.musicxml` file."""
    score = Element("score-partwise", version="4.0")
    SubElement(SubElement(score, "work"), "work-title").text = one_line(chord_map.title)
    identification = SubElement(score, "identification")
    if chord_map.composer:
        creator = SubElement(identification, "creator", type="composer")
        creator.text = one_line(chord_map.composer)
    made_by = chord_map.made_by
    encoding = SubElement(identification, "encoding")
    SubElement(encoding, "software").text = one_line(f"{made_by.name} {made_by.version}")
    part = SubElement(SubElement(score, "part-list"), "score-part", id="P1")
    SubElement(part, "part-name").text = "Chords"
    measures = SubElement(score, "part", id="P1")
    for measure in _measures(chord_map):
        measures.append(measure)
    indent(score, "  ")
    text = tostring(score, encoding="unicode")
    return {".musicxml": f"{_HEAD}{text}\n".encode()}


def _measures(chord_map: ChordMap) -> Iterator[Element]:
    chords = chord_map.chords
    chord_ticks = [chord.start_tick for chord in chords]
    meter_ticks = [meter.tick for meter in chord_map.meters]
    section_bars = {section.first_bar for section in chord_map.sections}
    section_starts = {i for i, bar in enumerate(chord_map.bars) if bar.number in section_bars}
    written = [bar.written for bar in chord_map.bars]
    folded = fold(written, bar_contents(chord_map), section_starts)
    for number, printed in enumerate(folded, min(1, chord_map.bars[0].number)):
        bar, first = chord_map.bars[printed.index], printed.index == 0
        measure = Element("measure", number=str(number))
        if bar.number == 0:
            measure.set("implicit", "yes")
        _add_opening(measure, printed)
        meter = chord_map.meters[max(0, bisect_right(meter_ticks, bar.start_tick) - 1)]
        _add_attributes(measure, chord_map, bar, meter, first=first)
        if printed.index in section_starts:
            _add_section(measure, chord_map, bar.section)
        _add_tempo(measure, chord_map, bar, first=first)
        begin = max(0, bisect_right(chord_ticks, bar.start_tick) - 1)
        end = bisect_right(chord_ticks, bar.end_tick - 1)
        _add_beats(measure, bar, meter, chords[begin:end])
        _add_closing(measure, printed, last=printed is folded[-1])
        yield measure


def _add_opening(measure: Element, printed: FoldedBar) -> None:
    if not (printed.opens or printed.ending):
        return
    barline = SubElement(measure, "barline", location="left")
    if printed.ending:
        _add_ending(barline, printed.ending, "start")
    if printed.opens:
        SubElement(barline, "repeat", direction="forward")


def _add_closing(measure: Element, printed: FoldedBar, *, last: bool) -> None:
    if not (printed.times or printed.ending_stops or last):
        return
    barline = SubElement(measure, "barline", location="right")
    if printed.times or last:
        SubElement(barline, "bar-style").text = "light-heavy"
    if printed.ending_stops:
        _add_ending(barline, printed.ending_stops, "stop" if printed.times else "discontinue")
    if printed.times:
        repeat = SubElement(barline, "repeat", direction="backward")
        if printed.times > 2 and not printed.ending_stops:
            repeat.set("times", str(printed.times))


def _add_ending(barline: Element, passes: tuple[int, ...], kind: str) -> None:
    SubElement(barline, "ending", number=",".join(map(str, passes)), type=kind)


def _add_attributes(
    measure: Element, chord_map: ChordMap, bar: BarEntry, meter: MeterEntry, *, first: bool
) -> None:
    keys = [key for key in chord_map.keys if bar.start_tick <= key.tick < bar.end_tick]
    new_meter = first or meter.tick == bar.start_tick
    if not (first or keys or new_meter):
        return
    attributes = SubElement(measure, "attributes")
    if first:
        SubElement(attributes, "divisions").text = str(TICKS_PER_QUARTER)
    if keys:
        key = SubElement(attributes, "key")
        SubElement(key, "fifths").text = str(keys[0].fifths)
        mode = keys[0].key.rpartition(" ")[2]
        SubElement(key, "mode").text = mode if mode in _MODES else "none"
    if new_meter:
        numerals, _, groups = meter.meter.partition(" ")
        numerator, _, denominator = numerals.partition("/")
        time = SubElement(attributes, "time")
        SubElement(time, "beats").text = groups.strip("()") or numerator
        SubElement(time, "beat-type").text = denominator
    if first:
        clef = SubElement(attributes, "clef")
        SubElement(clef, "sign").text = "G"
        SubElement(clef, "line").text = "2"
        style = SubElement(attributes, "measure-style")
        SubElement(style, "slash", {"type": "start", "use-stems": "no"})


def _direction(measure: Element) -> tuple[Element, Element]:
    direction = SubElement(measure, "direction", placement="above")
    return direction, SubElement(direction, "direction-type")


def _add_section(measure: Element, chord_map: ChordMap, index: int) -> None:
    section = chord_map.sections[index]
    label = one_line(section.label)
    if label:
        SubElement(_direction(measure)[1], "rehearsal").text = label
    SubElement(SubElement(_direction(measure)[1], "dynamics"), section.dynamics)


def _add_tempo(measure: Element, chord_map: ChordMap, bar: BarEntry, *, first: bool) -> None:
    """Write the tempos that start in the bar, at their places, and the words about tempo."""
    marks = {word.tick for word in chord_map.tempo_words if "=" in word.text}
    for word in chord_map.tempo_words:
        if bar.start_tick <= word.tick < bar.end_tick and word.tick not in marks:
            direction, kind = _direction(measure)
            SubElement(kind, "words").text = one_line(word.text)
            _add_offset(direction, word.tick - bar.start_tick)
    tempos = [t for t in chord_map.tempos if bar.start_tick <= t.tick < bar.end_tick]
    if first and not any(tempo.tick == bar.start_tick for tempo in tempos):
        tempos.insert(0, [t for t in chord_map.tempos if t.tick <= bar.start_tick][-1])
    for i, tempo in enumerate(tempos):
        offset = tempo.tick - bar.start_tick
        if not (first and i == 0) and tempo.tick not in marks:  # the curve of a rit. or accel.
            sound = SubElement(measure, "sound", tempo=f"{tempo.quarter_bpm:.6f}")
            _add_offset(sound, offset)
            continue
        direction, kind = _direction(measure)
        metronome = SubElement(kind, "metronome")
        SubElement(metronome, "beat-unit").text = "quarter"
        SubElement(metronome, "per-minute").text = f"{round(tempo.quarter_bpm, 3):g}"
        _add_offset(direction, offset)
        SubElement(direction, "sound", tempo=f"{tempo.quarter_bpm:.6f}")


def _add_offset(element: Element, ticks: int) -> None:
    if ticks > 0:
        SubElement(element, "offset").text = str(ticks)


def _add_beats(
    measure: Element, bar: BarEntry, meter: MeterEntry, chords: tuple[ChordEntry, ...]
) -> None:
    """Write chord symbols and slashes; a beat is cut where a rest starts or ends inside it."""
    edges = {bar.start_tick, bar.end_tick}
    edges.update(bar.start_tick + ticks for ticks in _beat_onsets(bar, meter))
    for chord in chords:
        if chord.kind == "rest" or chord.articulation:
            edges.update(t for t in (chord.start_tick, chord.end_tick) if _inside(t, bar))
    for start, end in pairwise(sorted(edges)):
        held = [chord for chord in chords if chord.start_tick <= start][-1]
        for chord in chords:
            if start <= chord.start_tick < end and chord.kind != "rest":
                _add_harmony(measure, chord, chord.start_tick - start)
        values = _note_values(end - start)
        for i, (ticks, name, dots) in enumerate(values):
            note = SubElement(measure, "note")
            _fill_note(note, ticks, name, dots, rest=held.kind == "rest")
            if held.start_tick == start and i == 0:
                _add_articulation(note, held.articulation)


def _inside(tick: int, bar: BarEntry) -> bool:
    return bar.start_tick < tick < bar.end_tick


def _beat_onsets(bar: BarEntry, meter: MeterEntry) -> list[int]:
    """Onsets of the beats in ticks from the bar's start; a short bar holds the last beats."""
    onsets = [bar.end_tick - bar.start_tick]
    for length in reversed(meter.beat_quarters):
        onsets.append(onsets[-1] - round(length * TICKS_PER_QUARTER))
    return [tick for tick in onsets if 0 < tick < onsets[0]]


def _fill_note(note: Element, ticks: int, name: str, dots: int, *, rest: bool) -> None:
    if rest:
        SubElement(note, "rest")
    else:
        pitch = SubElement(note, "pitch")
        SubElement(pitch, "step").text = "B"
        SubElement(pitch, "octave").text = "4"
    SubElement(note, "duration").text = str(ticks)
    SubElement(note, "voice").text = "1"
    if name:
        SubElement(note, "type").text = name
        for _ in range(dots):
            SubElement(note, "dot")
    if not rest:
        SubElement(note, "stem").text = "none"
        SubElement(note, "notehead").text = "slash"


def _add_articulation(note: Element, articulation: str) -> None:
    if articulation == "hit":
        notations = SubElement(note, "notations")
        SubElement(SubElement(notations, "articulations"), "strong-accent", type="up")
    elif articulation == "ring":
        SubElement(SubElement(note, "notations"), "tied", type="let-ring")
    elif articulation == "fermata":
        SubElement(SubElement(note, "notations"), "fermata", type="upright")


def _note_values(ticks: int) -> list[tuple[int, str, int]]:
    """Split a length into (ticks, note type, dots), longest first.

    >>> _note_values(1440), _note_values(2400)
    ([(1440, 'quarter', 1)], [(1920, 'half', 0), (480, 'eighth', 0)])
    """
    values = []
    while ticks:
        for length, name in _NOTE_TYPES:
            dots = 1 if ticks == length * 3 // 2 else 0
            if ticks >= length:
                taken = length * 3 // 2 if dots else length
                values.append((taken, name, dots))
                ticks -= taken
                break
        else:  # shorter than any note type: a length without a name
            values.append((ticks, "", 0))
            ticks = 0
    return values


def _add_harmony(measure: Element, chord: ChordEntry, offset: int) -> None:
    harmony = SubElement(measure, "harmony", placement="above")
    if chord.kind == "no-chord":
        root = SubElement(harmony, "root")
        SubElement(root, "root-step", text="").text = "C"  # without meaning under kind none
        SubElement(harmony, "kind", text="N.C.").text = "none"
    else:
        spelled = parse_chord(f"{chord.root}{chord.quality}").musicxml
        _add_note_name(harmony, "root", chord.root or "C")
        SubElement(harmony, "kind", text=spelled.text).text = spelled.kind
        if chord.bass:
            _add_note_name(harmony, "bass", chord.bass)
        for value, alter, change in spelled.degrees:
            degree = SubElement(harmony, "degree", {"print-object": "no"})
            SubElement(degree, "degree-value").text = str(value)
            SubElement(degree, "degree-alter").text = str(alter)
            SubElement(degree, "degree-type").text = change
    _add_offset(harmony, offset)


def _add_note_name(harmony: Element, tag: str, name: str) -> None:
    element = SubElement(harmony, tag)
    SubElement(element, f"{tag}-step").text = name[0]
    alter = name.count("#") - name.count("b")
    if alter:
        SubElement(element, f"{tag}-alter").text = str(alter)
