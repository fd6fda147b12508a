"""What is made of a track beside its MIDI file: settings of the sound, chord map, page, sheet."""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from generator.pipeline.options import RenderOptions
from generator.pipeline.prepare import Track

if TYPE_CHECKING:
    from generator.chordmap.build import Content
    from generator.sound.model import AudioFile, SoundSettings

__all__ = ["basic_settings", "sound_settings", "track_map", "track_page", "track_sheet"]


def track_map(
    track: Track, options: RenderOptions, audio: tuple["AudioFile", ...] = ()
) -> "Content":
    """Return the content of the chord map of a track, naming its audio files."""
    from generator import __version__
    from generator.chordmap.build import map_content

    entries: list[dict[str, Any]] = [
        {
            "file": file.path.name,
            "part": file.part,
            "format": file.format,
            "sha256": file.sha256,
            "duration_s": file.duration_s,
            "sample_rate": file.sample_rate_hz,
            "start_offset_s": file.start_offset_s,
        }
        for file in audio
    ]
    return map_content(
        track.timeline,
        style=track.arrangement.style,
        seed=track.arrangement.seed,
        version=__version__,
        tuning_hz=options.tuning_hz,
        audio=entries,
        written_for=options.written_for,
        capo=options.capo,
    )


def basic_settings(options: RenderOptions) -> "SoundSettings":
    """Return how any track is to sound."""
    from generator.sound.model import SoundSettings

    return SoundSettings(
        font=options.font,
        rate_hz=options.rate_hz,
        loudness_lufs=options.loudness_lufs,
        tuning_hz=options.tuning_hz,
        mute=options.mute,
        mix=options.mix,
        render=options.render,  # type: ignore[arg-type]  # checked by the sound room
        cache=options.cache,
        jobs=options.jobs,
        bitrate_kbps=options.bitrate_kbps,
    )


def sound_settings(track: Track, options: RenderOptions) -> "SoundSettings":
    """Return how a track is to sound, with the tags and chapters of its audio files."""
    from generator.band.cues import read_cues
    from generator.chordmap.build import section_contents
    from generator.chordmap.chapters import section_chapters
    from generator.sound.model import Chapter, Tags

    clock = track.timeline.clock
    # After a stab at the very end the room may ring: nobody waits for the next bar.
    gaps = read_cues(track.timeline).silences()
    silences = tuple(gap for gap in gaps if gap[1] < track.timeline.end_tick)
    return replace(
        basic_settings(options),
        silences=silences,
        tags=Tags(
            title=track.chart.title,
            composer=track.chart.composer,
            key=track.chart.key.name,
            tempo=str(round(clock.quarter_bpm(track.timeline.first_tick))),
            chapters=tuple(
                Chapter(*chapter)
                for chapter in section_chapters(
                    section_contents(track.timeline), counted=bool(track.timeline.count_in_ticks)
                )
            ),
        ),
    )


def track_page(track: Track, options: RenderOptions, audio: tuple["AudioFile", ...]) -> str:
    """Return the practice page, with the M4A files among `audio` inside it."""
    import json

    from generator.chordmap.build import map_json
    from generator.handout.page import MEDIA_TYPES, build_page

    inside = [file for file in audio if file.format == "m4a"]
    chord_map = json.loads(map_json(track_map(track, options, tuple(inside))))
    sound = {file.part: (MEDIA_TYPES["m4a"], file.path.read_bytes()) for file in inside}
    return build_page(chord_map, sound)


def track_sheet(track: Track, options: RenderOptions) -> bytes:
    """Return the printed chart as PDF."""
    from generator import __version__
    from generator.handout.sheet import draw_sheet

    return draw_sheet(
        track.chart, version=__version__, written_for=options.written_for, capo=options.capo
    )
