"""Deliberate faults: for each rule a band that breaks it, so that no check is one that cannot fail.

A fault changes the notes of an arrangement that keeps the rules, as a bad player would; `FAULTS`
names the line of the table that must catch it.
"""

from collections.abc import Callable
from dataclasses import replace
from random import Random

from generator.band.arrangement import Arrangement, Note, Part
from generator.timeline.model import Timeline

__all__ = ["FAULTS", "Fault"]

Fault = Callable[[Arrangement, Timeline], Arrangement]
PULSE = (42, 44, 46, 51, 53, 59)


def _part(band: Arrangement, name: str, change: Callable[[Note], Note | None]) -> Arrangement:
    return _notes(band, name, lambda notes: [n for n in map(change, notes) if n is not None])


def _notes(
    band: Arrangement, name: str, change: Callable[[tuple[Note, ...]], list[Note]]
) -> Arrangement:
    def changed(part: Part) -> Part:
        if part.name != name:
            return part
        return replace(part, notes=tuple(sorted(change(part.notes))))

    return replace(band, parts=tuple(map(changed, band.parts)))


def _everyone(band: Arrangement, change: Callable[[Note], Note | None]) -> Arrangement:
    for part in band.parts:
        band = _part(band, part.name, change)
    return band


def _moved(note: Note, by: int) -> Note:
    return note._replace(start_tick=max(0, note.start_tick + by), end_tick=note.end_tick + by)


def _keys(
    keys: tuple[int, ...], change: Callable[[Note], Note | None]
) -> Callable[[Note], Note | None]:
    return lambda note: change(note) if note.pitch in keys else note


def fifths_for_roots(band: Arrangement, timeline: Timeline) -> Arrangement:
    return _part(band, "bass", lambda n: n._replace(pitch=n.pitch + 7))


def wandering_bass(band: Arrangement, timeline: Timeline) -> Arrangement:
    """Every other note is a tritone off, and goes nowhere."""

    def wander(notes: tuple[Note, ...]) -> list[Note]:
        return [n._replace(pitch=n.pitch + 6) if i % 2 else n for i, n in enumerate(notes)]

    return _notes(band, "bass", wander)


def bass_too_low(band: Arrangement, timeline: Timeline) -> Arrangement:
    return _part(band, "bass", lambda n: n._replace(pitch=n.pitch - 12))


def bass_too_high(band: Arrangement, timeline: Timeline) -> Arrangement:
    return _part(band, "bass", lambda n: n._replace(pitch=n.pitch + 24))


def leaping_bass(band: Arrangement, timeline: Timeline) -> Arrangement:
    def leap(notes: tuple[Note, ...]) -> list[Note]:
        return [n._replace(pitch=n.pitch + 24) if i % 4 == 2 else n for i, n in enumerate(notes)]

    return _notes(band, "bass", leap)


def slurred_bass(band: Arrangement, timeline: Timeline) -> Arrangement:
    """Every note but those of the same key rings into the next."""

    def ring(notes: tuple[Note, ...]) -> list[Note]:
        after = (*notes[1:], notes[-1])
        return [
            n._replace(end_tick=max(n.end_tick, a.start_tick + 200)) if n.pitch != a.pitch else n
            for n, a in zip(notes, after, strict=True)
        ]

    return _notes(band, "bass", ring)


def _block(root: int, tones: list[int]) -> list[int]:
    keys = [root]
    for tone in tones:
        keys.append(keys[-1] + (tone - keys[-1]) % 12)
    return keys


def root_position_pad(band: Arrangement, timeline: Timeline) -> Arrangement:
    """Blocks in root position, slid from chord to chord: the beginner's left hand."""

    def blocks(_: tuple[Note, ...]) -> list[Note]:
        found = []
        for entry in timeline.chords:
            if entry.chord is None:
                continue
            tones = [degree.semitones for degree in entry.chord.degrees][1:4]
            root = 48 + entry.chord.root.pitch_class
            for key in _block(root, [root + tone for tone in tones]):
                found.append(Note(entry.sounds_tick, entry.end_tick - 40, key, 80))
        return found

    return _notes(band, "pad", blocks)


def pad_too_high(band: Arrangement, timeline: Timeline) -> Arrangement:
    return _part(band, "pad", lambda n: n._replace(pitch=n.pitch + 12))


def comp_too_high(band: Arrangement, timeline: Timeline) -> Arrangement:
    return _part(band, "comp", lambda n: n._replace(pitch=n.pitch + 24))


def grinding_pad(band: Arrangement, timeline: Timeline) -> Arrangement:
    return _notes(
        band,
        "pad",
        lambda notes: [*notes, *(n._replace(pitch=n.pitch + 1) for n in notes if n.pitch < 59)],
    )


def comp_beside_the_pad(band: Arrangement, timeline: Timeline) -> Arrangement:
    """Let the comp play what the pad plays, a semitone too low."""
    pad = next(part for part in band.parts if part.name == "pad")
    low = [n._replace(pitch=n.pitch - 1) for n in pad.notes if n.pitch < 61]
    return _notes(band, "comp", lambda notes: [*notes, *low])


def pad_of_roots_and_fifths(band: Arrangement, timeline: Timeline) -> Arrangement:
    def chord(n: Note) -> Note | None:
        entry = timeline.chord_at(n.start_tick + 60).chord
        guides = {(entry.root.pitch_class + d.semitones) % 12 for d in entry.degrees
                  if d.number in (3, 4, 2, 7)} if entry else set()  # fmt: skip
        return None if n.pitch % 12 in guides else n

    return _part(band, "pad", chord)


def _lazy_hands(band: Arrangement, name: str) -> Arrangement:
    return _part(band, name, lambda n: n._replace(end_tick=n.end_tick + 700))


def pad_hangs_on(band: Arrangement, timeline: Timeline) -> Arrangement:
    return _lazy_hands(band, "pad")


def comp_hangs_on(band: Arrangement, timeline: Timeline) -> Arrangement:
    return _lazy_hands(band, "comp")


def wall_of_pad(band: Arrangement, timeline: Timeline) -> Arrangement:
    return _notes(
        band,
        "pad",
        lambda notes: [n._replace(pitch=n.pitch + up) for n in notes for up in (0, 12, -12)],
    )


def six_handed_drummer(band: Arrangement, timeline: Timeline) -> Arrangement:
    def more(notes: tuple[Note, ...]) -> list[Note]:
        kicks = [n for n in notes if n.pitch == 36]
        return [*notes, *(n._replace(pitch=key) for n in kicks for key in (41, 45, 48, 52))]

    return _notes(band, "drums", more)


def fills_anywhere(band: Arrangement, timeline: Timeline) -> Arrangement:
    def add(notes: tuple[Note, ...]) -> list[Note]:
        fills = [
            Note(bar.end_tick - 240 * (k + 1), bar.end_tick - 240 * k - 60, 45, 96)
            for bar in timeline.bars
            if bar.index % 8 == 2
            for k in range(3)
        ]
        return [*notes, *fills]

    return _notes(band, "drums", add)


def crashing_drummer(band: Arrangement, timeline: Timeline) -> Arrangement:
    def add(notes: tuple[Note, ...]) -> list[Note]:
        starts = [s.start_tick for s in timeline.sections]
        return [*notes, *(Note(t, t + 400, key, 110) for t in starts for key in (49, 57))]

    return _notes(band, "drums", add)


def _flat(keys: tuple[int, ...]) -> Fault:
    def change(band: Arrangement, timeline: Timeline) -> Arrangement:
        return _part(band, "drums", _keys(keys, lambda n: n._replace(velocity=100)))

    return change


def _wild(keys: tuple[int, ...]) -> Fault:
    def change(band: Arrangement, timeline: Timeline) -> Arrangement:
        def wild(notes: tuple[Note, ...]) -> list[Note]:
            return [
                n._replace(velocity=127 if i % 2 else 1) if n.pitch in keys else n
                for i, n in enumerate(sorted(notes, key=lambda n: (n.pitch, n.start_tick)))
            ]

        return _notes(band, "drums", wild)

    return change


def dragging_snare(band: Arrangement, timeline: Timeline) -> Arrangement:
    return _part(band, "drums", _keys((37, 38, 40), lambda n: _moved(n, 10)))


def rushing_bass(band: Arrangement, timeline: Timeline) -> Arrangement:
    return _part(band, "bass", lambda n: _moved(n, -12))


def machine_drums(band: Arrangement, timeline: Timeline) -> Arrangement:
    def straighten(n: Note) -> Note:
        return n._replace(start_tick=round(n.start_tick / 240) * 240, end_tick=n.end_tick + 60)

    return _part(band, "drums", straighten)


def loose_drums(band: Arrangement, timeline: Timeline) -> Arrangement:
    rng = Random("loose")
    return _part(band, "drums", lambda n: _moved(n, rng.randint(-34, 34)))


def swung_off_beats(band: Arrangement, timeline: Timeline) -> Arrangement:
    """Play what lies behind the middle of a beat 20 ticks later than asked."""

    def later(n: Note) -> Note:
        inside = (n.start_tick - timeline.first_tick) % 960
        return _moved(n, 20) if 540 < inside < 900 else n

    return _everyone(band, later)


def bass_behind_the_kick(band: Arrangement, timeline: Timeline) -> Arrangement:
    return _part(band, "bass", lambda n: _moved(n, 26))


def _through(kind: str) -> Fault:
    """Let the pad play on where the chart asks for silence."""

    def play_on(band: Arrangement, timeline: Timeline) -> Arrangement:
        spans = [c for c in timeline.chords if c.kind == kind]
        if kind == "hit":
            spans = [c for c in timeline.chords if c.articulation == "hit"]
        more = [Note(c.start_tick + 500, c.start_tick + 700, 60, 80) for c in spans]
        return _notes(band, "pad", lambda notes: [*notes, *more])

    return play_on


def late_pushes(band: Arrangement, timeline: Timeline) -> Arrangement:
    pushes = [c for c in timeline.chords if c.sounds_tick < c.start_tick]

    def late(n: Note) -> Note:
        for chord in pushes:
            if abs(n.start_tick - chord.sounds_tick) < 40:
                return _moved(n, chord.start_tick - chord.sounds_tick)
        return n

    return _everyone(band, late)


def pushes_struck_twice(band: Arrangement, timeline: Timeline) -> Arrangement:
    beats = [c.start_tick for c in timeline.chords if c.sounds_tick < c.start_tick]
    return _notes(
        band, "drums", lambda notes: [*notes, *(Note(t, t + 100, 38, 100) for t in beats)]
    )


def last_chord_cut(band: Arrangement, timeline: Timeline) -> Arrangement:
    end = timeline.bars[-1].start_tick

    def cut(n: Note) -> Note:
        return n._replace(end_tick=min(n.end_tick, max(n.start_tick + 300, end + 300)))

    return _part(_part(band, "pad", cut), "bass", cut)


def last_chord_hangs(band: Arrangement, timeline: Timeline) -> Arrangement:
    start = timeline.bars[-1].start_tick - 60
    return _part(
        band,
        "pad",
        lambda n: n._replace(end_tick=n.end_tick + 9600) if n.start_tick >= start else n,
    )


def struck_while_sounding(band: Arrangement, timeline: Timeline) -> Arrangement:
    """Overlap notes of one key: the first note-off ends both."""

    def overlap(notes: tuple[Note, ...]) -> list[Note]:
        return [*notes, *(n._replace(start_tick=n.start_tick + 50) for n in notes[::9])]

    return _notes(band, "pad", overlap)


def one_layer(band: Arrangement, timeline: Timeline) -> Arrangement:
    """Only hats and downbeats, always, at one touch: loud is as soft."""
    band = _part(band, "drums", lambda n: n._replace(velocity=70) if n.pitch in PULSE else None)
    starts = [bar.start_tick for bar in timeline.bars]
    for name in ("bass", "pad"):
        band = _part(
            band,
            name,
            lambda n: (
                n._replace(velocity=80) if any(abs(n.start_tick - t) < 40 for t in starts) else None
            ),
        )
    return replace(band, parts=tuple(p for p in band.parts if p.name != "comp"))


def photocopies(band: Arrangement, timeline: Timeline) -> Arrangement:
    """Play the second bar of the track in every bar."""
    model = timeline.bars[1]
    notes = next(p.notes for p in band.parts if p.name == "drums")
    bar = [n for n in notes if model.start_tick - 20 <= n.start_tick < model.end_tick - 20]

    def copy(_: tuple[Note, ...]) -> list[Note]:
        return [
            _moved(n, b.start_tick - model.start_tick)
            for b in timeline.bars
            if b.end_tick - b.start_tick == model.end_tick - model.start_tick
            for n in bar
        ]

    return _notes(band, "drums", copy)


FAULTS: tuple[tuple[int, str, Fault], ...] = (
    (1, "root first", fifths_for_roots),
    (2, "resolved", wandering_bass),
    (3, "lowest", bass_too_low),
    (3, "highest", bass_too_high),
    (3, "median", bass_too_high),
    (4, "leaps", leaping_bass),
    (4, "overlaps", slurred_bass),
    (5, "movement", root_position_pad),
    (6, "jumps", root_position_pad),
    (7, "in E3 to C5", pad_too_high),
    (7, "top to C5", pad_too_high),
    (7, "comp to C5", comp_too_high),
    (8, "in the pad", grinding_pad),
    (8, "pad and comp", comp_beside_the_pad),
    (9, "guides held", pad_of_roots_and_fifths),
    (10, "pad", pad_hangs_on),
    (10, "comp", comp_hangs_on),
    (11, "voices of the pad", wall_of_pad),
    (11, "pitched at once", wall_of_pad),
    (11, "drum strokes at once", six_handed_drummer),
    (11, "over ten at once", wall_of_pad),
    (12, "fills end phrases", fills_anywhere),
    (12, "crashes", crashing_drummer),
    (13, "time hand, least", _flat(PULSE)),
    (13, "time hand, most", _wild(PULSE)),
    (13, "snare, least", _flat((37, 38, 40))),
    (13, "snare, most", _wild((37, 38, 40))),
    (13, "kick, least", _flat((36,))),
    (13, "kick, most", _wild((36,))),
    (14, "snare mean", dragging_snare),
    (14, "bass mean", rushing_bass),
    (14, "kick spread", machine_drums),
    (14, "hat spread", loose_drums),
    (14, "farthest", loose_drums),
    (15, "mean miss", swung_off_beats),
    (16, "within 10 ms", bass_behind_the_kick),
    (17, "pitched in N.C.", _through("no-chord")),
    (17, "in rests and stops", _through("rest")),
    (17, "in rests and stops", _through("hit")),
    (18, "early", late_pushes),
    (18, "struck again", pushes_struck_twice),
    (19, "rings", last_chord_cut),
    (19, "past the end", last_chord_hangs),
    (19, "hanging", struck_while_sounding),
    (20, "drums, more strokes", one_layer),
    (20, "drums, harder", one_layer),
    (20, "band, more notes", one_layer),
    (20, "bass, harder", one_layer),
    (20, "pad, harder", one_layer),
    (22, "drums differ", photocopies),
    (22, "sections heard", photocopies),
    (22, "fills differ", photocopies),
)
