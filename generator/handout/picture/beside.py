"""The files that lie beside a chord map: the MIDI file of the same name, the audio it lists."""

from pathlib import Path

from generator.band.arrangement import Note, Part
from generator.chordmap.reader import ChordMap
from generator.clock import TICKS_PER_QUARTER
from generator.errors import OptionError

__all__ = ["audio_beside", "midi_beside", "parts_of_midi"]

_MAP_ENDING = ".chordmap.json"
_FAST_TO_READ = ("wav", "flac", "mp3", "m4a", "ogg", "opus")


def midi_beside(map_path: Path) -> Path:
    """Return the MIDI file of a track.

    Raises
    ------
    OptionError
        If it is not there.
    """
    path = map_path.with_name(map_path.name.removesuffix(_MAP_ENDING) + ".mid")
    if not path.is_file():
        raise OptionError(
            f"{path}: no such MIDI file beside the map; render the chart with midi among --formats"
        )
    return path


def audio_beside(map_path: Path, song: ChordMap) -> Path:
    """Return the mix that a map lists, in the format that is read fastest.

    Raises
    ------
    OptionError
        If the map lists no mix, or none of the listed files is there.
    """
    mixes = [entry for entry in song.audio if entry.part == "mix"]
    mixes.sort(
        key=lambda entry: next(
            (i for i, kind in enumerate(_FAST_TO_READ) if entry.format.startswith(kind)), 99
        )
    )
    for entry in mixes:
        path = map_path.parent / Path(entry.file).name
        if path.is_file():
            return path
    listed = ", ".join(entry.file for entry in mixes) or "none"
    raise OptionError(
        f"{map_path.parent}: no audio of this track beside its map (listed: {listed}); "
        "render the chart with wav or mp3 among --formats"
    )


def parts_of_midi(path: Path) -> tuple[Part, ...]:
    """Read the parts of a MIDI file that chartbed wrote: one track a part, named as the part.

    Raises
    ------
    OptionError
        If it is no MIDI file, or holds no named part.
    """
    import mido

    try:
        file = mido.MidiFile(path)
    except (OSError, EOFError, ValueError, IndexError, KeyError) as error:
        raise OptionError(f"{path}: cannot be read as a MIDI file: {error}") from error
    scale = TICKS_PER_QUARTER / max(1, file.ticks_per_beat)
    parts = []
    for track in file.tracks:
        notes, channel, program = _notes(track, scale)
        if notes:
            parts.append(Part(track.name or "part", channel, program, notes))
    if not parts:
        raise OptionError(f"{path}: this MIDI file holds no notes")
    return tuple(parts)


def _notes(track: object, scale: float) -> tuple[tuple[Note, ...], int, int]:
    now, channel, program = 0, 0, 0
    open_notes: dict[tuple[int, int], list[tuple[int, int]]] = {}
    notes = []
    for message in track:  # type: ignore[attr-defined]
        now += message.time
        if message.type == "program_change":
            program = message.program
        if message.type not in ("note_on", "note_off"):
            continue
        channel = message.channel
        place = (message.channel, message.note)
        if message.type == "note_on" and message.velocity > 0:
            open_notes.setdefault(place, []).append((now, message.velocity))
        elif open_notes.get(place):
            start, velocity = open_notes[place].pop(0)
            end = max(round(now * scale), round(start * scale) + 1)
            notes.append(Note(round(start * scale), end, message.note, velocity))
    return tuple(sorted(notes)), channel, program
