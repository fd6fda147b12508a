"""From a chart to a folder of files that appear together when all of them are whole."""

from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from generator.band.arrangement import Arrangement
from generator.beside import beside
from generator.chart.model import Chart
from generator.pipeline.options import AUDIO_ENDINGS, Progress, RenderOptions, check_formats
from generator.pipeline.prepare import Track, prepare_source
from generator.pipeline.products import (
    basic_settings,
    sound_settings,
    track_map,
    track_page,
    track_sheet,
)

if TYPE_CHECKING:
    from generator.sound.model import AudioReport
    from generator.sound.studio import Studio

__all__ = ["OutputFile", "RenderResult", "render_track"]


@dataclass(frozen=True, slots=True)
class OutputFile:
    """A file that was made; `part` is `mix`, the part of a stem, or empty for what is no audio."""

    path: Path
    format: str
    sha256: str
    part: str = ""


@dataclass(frozen=True, slots=True)
class RenderResult:
    """What a render made and how it measures; the levels are None when no audio was asked for.

    `limited_db` is what the limiter takes off the highest peak of the mix, 0 for plain gain.
    """

    title: str
    key: str
    style: str
    seed: int
    quarter_bpm: float
    bars: int
    duration_s: float
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    limited_db: float | None
    files: tuple[OutputFile, ...]
    remarks: tuple[str, ...]


def render_track(
    source: Path | str | Chart,
    folder: Path,
    options: RenderOptions = RenderOptions(),
    *,
    name: str | None = None,
    progress: Progress | None = None,
    studio: "Studio | None" = None,
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
    studio : Studio, optional
        Keeps what serves the sound of the next track too.

    Raises
    ------
    InputError
        If the chart or an option cannot be used; nothing is written.
    WorkError
        If something fails while working; nothing is left half-written.
    """
    from generator.files import safe_name, staged_folder

    check_formats(options.formats)
    tell = progress or (lambda stage, share: None)
    with ExitStack() as stack:
        track, studio = _prepared(source, options, studio, stack, tell)
        stem = name or safe_name(track.chart.title)
        stage = stack.enter_context(staged_folder(folder))
        report, files = _write_files(track, options, stage, stem, tell, studio)
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
        limited_db=round(report.limited_db, 2) if report else None,
        files=tuple(replace(file, path=folder / file.path.name) for file in files),
        remarks=track.remarks + (_sound_remarks(report) if report else ()),
    )


def _prepared(
    source: Path | str | Chart,
    options: RenderOptions,
    studio: "Studio | None",
    stack: ExitStack,
    tell: Progress,
) -> "tuple[Track, Studio | None]":
    """Work out the notes, and get a studio ready beside it where there are cores for both."""
    work = partial(prepare_source, source, options)

    def meanwhile() -> None:
        nonlocal studio
        tell("reading the chart", 0.0)
        if studio is None:
            from generator.sound.studio import Studio

            studio = stack.enter_context(Studio())
        studio.get_ready(basic_settings(options))
        import generator.chordmap.build  # noqa: F401  # needed soon, and there is time now

    if _has_sound(options) and options.jobs > 1 and source != "-":
        return beside(work, meanwhile), studio
    tell("reading the chart", 0.0)
    return work(), studio


def _has_sound(options: RenderOptions) -> bool:
    return "page" in options.formats or any(kind in AUDIO_ENDINGS for kind in options.formats)


def _sound_remarks(report: "AudioReport") -> tuple[str, ...]:
    """Return what to tell about the sound: among it, that only a small font was found."""
    from generator.sound.doctor import font_remark

    remark = font_remark(report.font)
    return (remark, *report.remarks) if remark else report.remarks


def _write_files(
    track: Track,
    options: RenderOptions,
    stage: Path,
    stem: str,
    tell: Progress,
    studio: "Studio | None",
) -> tuple["AudioReport | None", list[OutputFile]]:
    import hashlib
    import tempfile

    from generator.chart.format import format_chart
    from generator.chordmap.build import map_json
    from generator.midi import midi_bytes

    files: list[OutputFile] = []

    def put(ending: str, kind: str, content: bytes | str) -> None:
        path = stage / f"{stem}{ending}"
        data = content.encode() if isinstance(content, str) else content
        path.write_bytes(data)
        files.append(OutputFile(path, kind, hashlib.sha256(data).hexdigest()))

    with tempfile.TemporaryDirectory(prefix="chartbed-") as scratch:
        report = _render_sound(track, options, stage, Path(scratch), stem, tell, studio)
        audio = tuple(file for file in report.files if file.path.parent == stage) if report else ()
        if report and "page" in options.formats:
            put(".html", "page", track_page(track, options, report.files))
    files[:0] = [OutputFile(file.path, file.format, file.sha256, file.part) for file in audio]
    tell("writing", 0.0)
    if "midi" in options.formats:
        put(".mid", "midi", midi_bytes(_without(track.arrangement, options.mute), track.timeline))
    if "map" in options.formats:
        put(".chordmap.json", "map", map_json(track_map(track, options, audio)))
    if "chart" in options.formats:
        put(".chart", "chart", format_chart(track.chart))
    if "sheet" in options.formats:
        put(".pdf", "sheet", track_sheet(track, options))
    tell("writing", 1.0)
    return report, files


def _render_sound(
    track: Track,
    options: RenderOptions,
    stage: Path,
    scratch: Path,
    stem: str,
    tell: Progress,
    studio: "Studio | None",
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
            kind,  # type: ignore[arg-type]  # check_formats has seen to it
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
        studio=studio,
    )


def _without(arrangement: Arrangement, mute: tuple[str, ...]) -> Arrangement:
    parts = tuple(part for part in arrangement.parts if part.name not in mute)
    return replace(arrangement, parts=parts)
