"""From a timeline to the chord map: every time comes from the timeline's clock."""

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from generator.chordmap import FORMAT_VERSION
from generator.chordmap.json_text import indented_json
from generator.chordmap.sections import Content, SecondsOf, seconds_of, section_contents
from generator.chordmap.written import WrittenView, written_view
from generator.harmony.chord import Chord
from generator.harmony.guidance import guide
from generator.harmony.key import Key
from generator.timeline.model import ChordKind, Timeline, TimelineBar, TimelineChord

if TYPE_CHECKING:
    from generator.chordmap.model import ChordMapFile

__all__ = ["build_map", "map_content", "map_json"]


def build_map(timeline: Timeline, **words: Any) -> "ChordMapFile":
    """Describe a timeline as a chord map, checked against the model.

    Parameters
    ----------
    timeline : Timeline
        The unfolded chart.
    words
        Those of `map_content`.

    Raises
    ------
    KeyNameError
        If `written_for` or `capo` is unknown.
    OptionError
        If both are given.
    """
    from generator.chordmap.model import ChordMapFile

    return ChordMapFile.model_validate(map_content(timeline, **words))


def map_content(
    timeline: Timeline,
    *,
    style: str,
    seed: int,
    version: str,
    tuning_hz: float = 440.0,
    audio: Iterable[Mapping[str, Any]] = (),
    written_for: str | None = None,
    capo: int | None = None,
) -> Content:
    """Describe a timeline as the content of a chord map: what the model holds, without its checks.

    Parameters
    ----------
    timeline : Timeline
        The unfolded chart.
    style, seed, version
        What made the track, for `made_by`.
    tuning_hz : float
        Concert pitch of A4.
    audio : iterable of mapping
        The audio files, each with the fields of `AudioFile`.
    written_for : {"bb", "eb", "f"}, optional
        Add to each chord its name as this transposing instrument reads it.
    capo : int, optional
        Add to each chord the shape to finger with a capo at this fret, 1 to 11.

    Raises
    ------
    KeyNameError
        If `written_for` or `capo` is unknown.
    OptionError
        If both are given.
    """
    view = written_view(written_for, capo)
    seconds = seconds_of(timeline.clock)
    return {
        "format": "chord-map",
        "version": FORMAT_VERSION,
        "title": timeline.title,
        "composer": timeline.composer,
        "key": timeline.key.name,
        "tuning_hz": float(tuning_hz),
        "made_by": {
            "name": "chartbed",
            "version": version,
            "style": style,
            "seed": seed,
            "chart_sha256": timeline.chart_sha256,
        },
        "audio": tuple(dict(entry) for entry in audio),
        "count_in": _count_in(timeline, seconds),
        "tempos": tuple(
            {
                "tick": point.tick,
                "time_s": seconds(point.tick),
                "quarter_bpm": round(point.quarter_bpm, 6),
            }
            for point in timeline.clock.tempos
        ),
        "tempo_words": tuple(
            {"tick": mark.tick, "time_s": seconds(mark.tick), "text": mark.text}
            for mark in timeline.tempo_marks
        ),
        "meters": _meters(timeline.bars, seconds),
        "keys": _keys(timeline, seconds),
        "sections": section_contents(timeline),
        "bars": tuple(_bar(bar, seconds) for bar in timeline.bars),
        "chords": _chords(timeline, seconds, view),
    }


def map_json(chord_map: "ChordMapFile | Content") -> str:
    """Write a chord map as text: sorted keys, two-space indent, a newline at the end."""
    if isinstance(chord_map, dict):
        content = chord_map
    else:
        content = chord_map.model_dump(mode="json", by_alias=True)
        for chord in content["chords"]:
            if chord["written"] is None:
                del chord["written"]
    return indented_json(content) + "\n"


def _count_in(timeline: Timeline, seconds: SecondsOf) -> Content:
    return {
        "beats": len(timeline.count_in_ticks),
        "start_s": 0.0,
        "end_s": seconds(timeline.first_tick),
        "beats_s": tuple(seconds(tick) for tick in timeline.count_in_ticks),
    }


def _bar(bar: TimelineBar, seconds: SecondsOf) -> Content:
    return {
        "number": bar.number,
        "written": bar.written,
        "chorus": bar.chorus,
        "section": bar.section,
        "meter": str(bar.meter),
        "start_tick": bar.start_tick,
        "end_tick": bar.end_tick,
        "start_s": seconds(bar.start_tick),
        "end_s": seconds(bar.end_tick),
        "beats_s": tuple(seconds(tick) for tick in bar.beat_ticks),
    }


def _meters(bars: tuple[TimelineBar, ...], seconds: SecondsOf) -> tuple[Content, ...]:
    return tuple(
        {
            "bar": bar.number,
            "tick": bar.start_tick,
            "time_s": seconds(bar.start_tick),
            "meter": str(bar.meter),
            "beat_quarters": tuple(float(length) for length in bar.meter.beat_lengths),
        }
        for i, bar in enumerate(bars)
        if i == 0 or bar.meter != bars[i - 1].meter
    )


def _keys(timeline: Timeline, seconds: SecondsOf) -> tuple[Content, ...]:
    """Key changes at bar starts, and at chords where the key changes inside a bar."""
    places: dict[int, tuple[int, Key]] = {}
    for chord in timeline.chords:
        places[chord.start_tick] = (chord.bar, chord.key)
    for bar in timeline.bars:
        places[bar.start_tick] = (bar.index, bar.key)
    changes: list[Content] = []
    before: Key | None = None
    for tick, (bar_index, key) in sorted(places.items(), key=lambda item: item[0]):
        if key != before:
            changes.append(
                {
                    "bar": timeline.bars[bar_index].number,
                    "tick": tick,
                    "time_s": seconds(tick),
                    "key": key.name,
                    "fifths": key.fifths,
                }
            )
        before = key
    return tuple(changes)


def _chords(
    timeline: Timeline, seconds: SecondsOf, view: WrittenView | None
) -> tuple[Content, ...]:
    chords = timeline.chords
    entries = []
    for i, entry in enumerate(chords):
        following = chords[i + 1].chord if i + 1 < len(chords) else None
        place = _place(entry, timeline, seconds)
        if entry.chord is None:
            entries.append(_no_harmony(entry.kind) | place)
            continue
        entries.append(_harmony(entry.chord, entry.key, following, view) | place)
    return tuple(entries)


def _place(entry: TimelineChord, timeline: Timeline, seconds: SecondsOf) -> Content:
    return {
        "key": entry.key.name,
        "bar": timeline.bars[entry.bar].number,
        "beat": round(float(entry.beat), 6),
        "start_tick": entry.start_tick,
        "end_tick": entry.end_tick,
        "start_s": seconds(entry.start_tick),
        "end_s": seconds(entry.end_tick),
        "sounds_at_s": seconds(entry.sounds_tick),
        "articulation": entry.articulation,
    }


@lru_cache(maxsize=1024)  # a pack asks again at each tempo
def _harmony(chord: Chord, key: Key, following: Chord | None, view: WrittenView | None) -> Content:
    """Return what a chord is in its key, wherever it stands; not to be changed."""
    guidance = guide(chord, key, following)
    return dict(
        symbol=chord.symbol,
        kind="chord",
        root=chord.root.name,
        bass=chord.bass.name if chord.bass else None,
        quality=chord.quality,
        degrees=tuple(degree.name for degree in chord.degrees),
        notes=tuple(note.name for note in chord.notes),
        pitch_classes=chord.pitch_classes,
        harte=chord.harte,
        roman=guidance.roman,
        guide_tones=tuple(note.name for note in guidance.guide_tones),
        tensions=tuple(note.name for note in guidance.tensions),
        avoid=tuple(note.name for note in guidance.avoid),
        scales=tuple(
            {"name": scale.name, "notes": tuple(note.name for note in scale.notes)}
            for scale in guidance.scales
        ),
        **({"written": view.chord(chord, key)} if view else {}),
    )


def _no_harmony(kind: ChordKind) -> Content:
    return {
        "symbol": "N.C." if kind == "no-chord" else "r",
        "kind": kind,
        "root": None,
        "bass": None,
        "quality": None,
        "degrees": (),
        "notes": (),
        "pitch_classes": (),
        "harte": "N",
        "roman": "",
        "guide_tones": (),
        "tensions": (),
        "avoid": (),
        "scales": (),
    }
