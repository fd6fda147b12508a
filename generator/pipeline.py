"""The stages in order, from chart text to a folder of files.

chart -> timeline -> band -> MIDI -> sound, and the chord map off the timeline. The files of a
track appear together when all of them are whole, or not at all.
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from generator.band.arrangement import Arrangement
from generator.chart.model import Chart
from generator.errors import OptionError
from generator.timeline.model import Timeline

if TYPE_CHECKING:
    from generator.chordmap.model import ChordMapFile
    from generator.sound.model import AudioFile, AudioReport, SoundSettings

__all__ = [
    "AUDIO_ENDINGS",
    "DEFAULT_FORMATS",
    "FORMATS",
    "OutputFile",
    "RenderOptions",
    "RenderResult",
    "Track",
    "in_key",
    "load_chart",
    "prepare",
    "render_track",
    "track_map",
]

AUDIO_ENDINGS = {
    "mp3": ".mp3",
    "wav": ".wav",
    "wav24": ".24bit.wav",
    "wav32f": ".float.wav",
    "flac": ".flac",
    "m4a": ".m4a",
    "ogg": ".ogg",
    "opus": ".opus",
}
"""How the files of each audio format end."""

FORMATS = (*AUDIO_ENDINGS, "midi", "map", "chart", "page", "sheet")
"""Everything that `render --formats` takes."""

DEFAULT_FORMATS = ("mp3", "wav", "midi", "map")

_COMMON_STYLES = (
    "straight-eighth-rock",
    "pop-ballad",
    "folk-waltz",
    "slow-soul-six-eight",
    "slow-blues-twelve-eight",
    "five-four-groove",
    "seven-eight-rock",
)

Progress = Callable[[str, float], None]
"""Called with what is being done and how much of it is done, 0 to 1."""


@dataclass(frozen=True, slots=True)
class RenderOptions:
    """What may be asked of a track beyond its chart; None leaves it to the chart.

    `tempo` is a percentage ("75%"), a mark ("q=98") or a number of the meter's beats a minute.
    `written_for` ("bb", "eb", "f") and `capo` change the names in the map, never the sound.
    """

    key: str | None = None
    transpose: int = 0
    tempo: str | None = None
    style: str | None = None
    choruses: int | None = None
    count_in_bars: int | None = None
    section: str | None = None
    seed: int = 1
    formats: tuple[str, ...] = DEFAULT_FORMATS
    stems: bool = False
    mute: tuple[str, ...] = ()
    mix: str = "balanced"
    loudness_lufs: float = -18.0
    tuning_hz: float = 440.0
    rate_hz: int = 44_100
    bitrate_kbps: int = 192
    font: Path | None = None
    render: str = "notes"
    cache: Path | None = None
    jobs: int = 2
    written_for: str | None = None
    capo: int | None = None


@dataclass(frozen=True, slots=True)
class Track:
    """A chart worked out up to the notes: everything short of sound.

    `chart` is the chart as played, in the key that was asked for.
    """

    chart: Chart
    timeline: Timeline
    arrangement: Arrangement
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OutputFile:
    """A file that was made; `part` is `mix`, the part of a stem, or empty for what is no audio."""

    path: Path
    format: str
    part: str = ""


@dataclass(frozen=True, slots=True)
class RenderResult:
    """What a render made and how it measures; loudness is None when no audio was asked for."""

    title: str
    key: str
    style: str
    seed: int
    quarter_bpm: float
    bars: int
    duration_s: float
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    files: tuple[OutputFile, ...]
    remarks: tuple[str, ...]


def load_chart(source: Path | str) -> Chart:
    """Read a chart, and check the name of its style too.

    Raises
    ------
    ChartError
        With every problem of the text.
    """
    from generator.band.style_catalogue import style_names
    from generator.chart.parser import read_chart

    return read_chart(source, styles=style_names())


def prepare(chart: Chart, options: RenderOptions = RenderOptions()) -> Track:
    """Work a chart out up to the notes.

    Raises
    ------
    InputError
        If an option makes no sense for this chart.
    """
    from generator.band.arrange import arrange
    from generator.band.style import load_style
    from generator.timeline.build import build_timeline

    chart = in_key(chart, options)
    timeline = build_timeline(
        chart,
        choruses=options.choruses,
        count_in_bars=options.count_in_bars,
        tempo_scale=_tempo_scale(chart, options.tempo),
        section=options.section,
    )
    remarks: tuple[str, ...] = ()
    name = options.style or chart.style
    if name is None:
        name = _style_for(chart)
        remarks = (f"the chart names no style: {name} plays it (choose with --style)",)
    style = load_style(name)
    timeline = style.ended(timeline)
    arrangement = arrange(timeline, style, seed=options.seed)
    timeline = style.groove(timeline, options.seed).with_swung_pushes()
    known = {part.name for part in arrangement.parts}
    for part in options.mute:
        if part not in known:
            raise OptionError(
                f"--mute {part}: {name} has no such part; it has {', '.join(sorted(known))}"
            )
    return Track(chart, timeline, arrangement, remarks + arrangement.remarks)


def track_map(
    track: Track, options: RenderOptions, audio: tuple["AudioFile", ...] = ()
) -> "ChordMapFile":
    """Return the chord map of a track, naming its audio files."""
    from generator import __version__
    from generator.chordmap.build import build_map

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
    return build_map(
        track.timeline,
        style=track.arrangement.style,
        seed=track.arrangement.seed,
        version=__version__,
        tuning_hz=options.tuning_hz,
        audio=entries,
        written_for=options.written_for,
        capo=options.capo,
    )


def render_track(
    source: Path | str | Chart,
    folder: Path,
    options: RenderOptions = RenderOptions(),
    *,
    name: str | None = None,
    progress: Progress | None = None,
) -> RenderResult:
    """Render one chart into a folder.

    Parameters
    ----------
    source : path, "-" or Chart
        The chart; "-" is standard input.
    folder : Path
        Where the files go; made when absent. Files of an earlier render are replaced.
    options : RenderOptions
        What to make and how.
    name : str, optional
        Stem of the file names; the title made safe unless given.
    progress : callable, optional
        Told what is being done.

    Raises
    ------
    InputError
        If the chart or an option cannot be used; nothing is written.
    WorkError
        If something fails while working; nothing is left half-written.
    """
    from generator.files import safe_name, staged_folder

    _check_formats(options.formats)
    tell = progress or (lambda stage, share: None)
    tell("reading the chart", 0.0)
    chart = source if isinstance(source, Chart) else load_chart(source)
    track = prepare(chart, options)
    stem = name or safe_name(track.chart.title)
    with staged_folder(folder) as stage:
        report, files = _write_files(track, options, stage, stem, tell)
    mix = [file for file in report.files if file.part == "mix"] if report else []
    end_s = track.timeline.clock.seconds(track.timeline.end_tick)
    return RenderResult(
        title=track.chart.title,
        key=track.chart.key.name,
        style=track.arrangement.style,
        seed=options.seed,
        quarter_bpm=round(track.timeline.clock.quarter_bpm(0), 3),
        bars=len(track.timeline.bars),
        duration_s=round(mix[0].duration_s if mix else end_s, 6),
        loudness_lufs=round(mix[0].loudness_lufs, 2) if mix else None,
        true_peak_dbtp=round(mix[0].true_peak_dbtp, 2) if mix else None,
        files=tuple(OutputFile(folder / file.path.name, file.format, file.part) for file in files),
        remarks=track.remarks + (report.remarks if report else ()),
    )


def _write_files(
    track: Track, options: RenderOptions, stage: Path, stem: str, tell: Progress
) -> tuple["AudioReport | None", list[OutputFile]]:
    import tempfile

    from generator.chart.format import format_chart
    from generator.chordmap.build import map_json
    from generator.midi import midi_bytes

    files: list[OutputFile] = []

    def put(ending: str, kind: str, content: bytes | str) -> None:
        path = stage / f"{stem}{ending}"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        files.append(OutputFile(path, kind))

    with tempfile.TemporaryDirectory(prefix="chartbed-") as scratch:
        report = _render_sound(track, options, stage, Path(scratch), stem, tell)
        audio = tuple(file for file in report.files if file.path.parent == stage) if report else ()
        if report and "page" in options.formats:
            put(".html", "page", _page(track, options, report.files))
    files[:0] = [OutputFile(file.path, file.format, file.part) for file in audio]
    tell("writing", 0.0)
    if "midi" in options.formats:
        put(".mid", "midi", midi_bytes(_without(track.arrangement, options.mute), track.timeline))
    if "map" in options.formats:
        put(".chordmap.json", "map", map_json(track_map(track, options, audio)))
    if "chart" in options.formats:
        put(".chart", "chart", format_chart(track.chart))
    if "sheet" in options.formats:
        put(".pdf", "sheet", _sheet(track, options))
    tell("writing", 1.0)
    return report, files


def _render_sound(
    track: Track, options: RenderOptions, stage: Path, scratch: Path, stem: str, tell: Progress
) -> "AudioReport | None":
    folders = {kind: stage for kind in options.formats if kind in AUDIO_ENDINGS}
    if "page" in options.formats:
        folders.setdefault("m4a", scratch)  # what the page holds inside itself
    if not folders:
        return None
    from generator.sound.model import AudioTarget
    from generator.sound.track import render_audio

    parts = ["mix"]
    if options.stems:
        parts += [part.name for part in track.arrangement.parts if part.name not in options.mute]
    targets = tuple(
        AudioTarget(
            folder / f"{stem}{'' if part == 'mix' else f'.{part}'}{AUDIO_ENDINGS[kind]}",
            part,
            kind,  # type: ignore[arg-type]  # _check_formats has seen to it
        )
        for part in parts
        for kind, folder in folders.items()
    )
    return render_audio(
        track.arrangement,
        track.timeline.clock,
        track.timeline.end_tick,
        targets,
        sound_settings(track, options),
        progress=lambda share: tell("playing", share),
    )


def _page(track: Track, options: RenderOptions, audio: tuple["AudioFile", ...]) -> str:
    import json

    from generator.chordmap.build import map_json
    from generator.handout.page import MEDIA_TYPES, build_page

    inside = [file for file in audio if file.format == "m4a"]
    chord_map = json.loads(map_json(track_map(track, options, tuple(inside))))
    sound = {file.part: (MEDIA_TYPES["m4a"], file.path.read_bytes()) for file in inside}
    return build_page(chord_map, sound)


def _sheet(track: Track, options: RenderOptions) -> bytes:
    from generator import __version__
    from generator.handout.sheet import draw_sheet

    return draw_sheet(
        track.chart, version=__version__, written_for=options.written_for, capo=options.capo
    )


def sound_settings(track: Track, options: RenderOptions) -> "SoundSettings":
    """Return how a track is to sound, with the tags and chapters of its audio files."""
    from generator.band.cues import read_cues
    from generator.sound.model import Chapter, SoundSettings, Tags

    clock = track.timeline.clock
    silences = []
    for cue in read_cues(track.timeline).cues:
        if cue.kind == "silent":
            silences.append((cue.start_tick, cue.end_tick))
        elif cue.kind == "hit" and not cue.final:
            silences.append((cue.release_tick, cue.end_tick))
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
        silences=tuple(pair for pair in silences if pair[0] < pair[1]),
        tags=Tags(
            title=track.chart.title,
            composer=track.chart.composer,
            key=track.chart.key.name,
            tempo=str(round(clock.quarter_bpm(track.timeline.first_tick))),
            chapters=tuple(
                Chapter(clock.seconds(section.start_tick), clock.seconds(section.end_tick), label)
                for section in track.timeline.sections
                if (label := section.label)
            ),
        ),
    )


def in_key(chart: Chart, options: RenderOptions) -> Chart:
    """Return the chart in the key that the options ask for.

    Raises
    ------
    InputError
        If the key cannot be read, is of another mode than the chart, or both ways are given.
    """
    from generator.chart.transpose import transpose_chart
    from generator.harmony.key import parse_key
    from generator.harmony.transposition import key_after_semitones

    if options.key is not None and options.transpose:
        raise OptionError("--key and --transpose both move the chart: give one of the two")
    if not -12 <= options.transpose <= 12:
        raise OptionError(f"--transpose takes -12 to 12 semitones, got {options.transpose}")
    target = chart.key
    if options.key is not None:
        target = parse_key(options.key)
        if target.mode != chart.key.mode:
            raise OptionError(
                f"--key {options.key} is {target.mode}, but the chart is in {chart.key.name}: "
                f"ask for a {chart.key.mode} key, such as '{target.tonic} {chart.key.mode}'"
            )
    elif options.transpose:
        target = key_after_semitones(chart.key, options.transpose)
    return chart if target == chart.key else transpose_chart(chart, target)


def _tempo_scale(chart: Chart, tempo: str | None) -> Fraction:
    from generator.chart.values import ValueFault, parse_tempo

    if tempo is None:
        return Fraction(1)
    remedy = "write beats a minute (98), a mark (q=98) or a share of the chart's tempo (75%)"
    try:
        if tempo.endswith("%"):
            scale = Fraction(tempo[:-1].strip()) / 100
        else:
            scale = parse_tempo(tempo, chart.meter).quarter_bpm / chart.tempo.quarter_bpm
    except (ValueFault, ValueError, ZeroDivisionError) as error:
        reason = f"{error}; " if isinstance(error, ValueFault) else ""
        raise OptionError(f"--tempo {tempo}: {reason}{remedy}") from error
    quarter_bpm = chart.tempo.quarter_bpm * scale
    if not 20 <= quarter_bpm <= 400:
        raise OptionError(
            f"--tempo {tempo} gives {float(quarter_bpm):g} quarters a minute; "
            "20 to 400 are playable"
        )
    return scale


def _style_for(chart: Chart) -> str:
    """Return the first of the common styles that plays the chart's meter and tempo."""
    from generator.band.style_catalogue import style_catalogue
    from generator.chart.values import parse_tempo

    entries = {entry["name"]: entry for entry in style_catalogue()}
    meter = f"{chart.meter.numerator}/{chart.meter.denominator}"
    fitting = [
        name
        for name in _COMMON_STYLES
        if any(written.split()[0] == meter for written in entries[name]["meters"])
    ]
    for name in fitting:
        low, high = (
            parse_tempo(f"{entries[name]['tempo_unit']}={bound}").quarter_bpm
            for bound in entries[name]["tempo"]
        )
        if low <= chart.tempo.quarter_bpm <= high:
            return name
    return fitting[0] if fitting else "plain"


def _without(arrangement: Arrangement, mute: tuple[str, ...]) -> Arrangement:
    import dataclasses

    parts = tuple(part for part in arrangement.parts if part.name not in mute)
    return dataclasses.replace(arrangement, parts=parts)


def _check_formats(formats: tuple[str, ...]) -> None:
    from generator.chart.suggest import did_you_mean

    if not formats:
        raise OptionError(f"--formats is empty; choose from {', '.join(FORMATS)}")
    for kind in formats:
        if kind not in FORMATS:
            raise OptionError(
                f"--formats {kind}: no such format; choose from {', '.join(FORMATS)} "
                f"{did_you_mean(kind, FORMATS)}".rstrip()
            )
