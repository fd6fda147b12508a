"""From a chart to a folder of files that appear together when all of them are whole."""

from collections.abc import Iterator
from contextlib import ExitStack, nullcontext
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from generator.beside import beside
from generator.pipeline.options import AUDIO_ENDINGS, Progress, RenderOptions, check_formats
from generator.pipeline.worked_out import worked_out
from generator.record import record

if TYPE_CHECKING:
    from generator.chart.model import Chart
    from generator.pipeline.products import Documents
    from generator.pipeline.score import Score
    from generator.sound.model import AudioReport, SoundSettings, Tags
    from generator.sound.studio import Studio

__all__ = ["OutputFile", "RenderResult", "render_track"]


@record
class OutputFile:
    """A file that was made; `part` is `mix`, the part of a stem, or empty for what is no audio."""

    path: Path
    format: str
    sha256: str
    part: str = ""


@record
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
    source: "Path | str | Chart",
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
    check_formats(options.formats)
    tell = progress or (lambda stage, share: None)
    with ExitStack() as stack:
        results, studio = _started(source, options, studio, stack, tell)
        # Only now: until it is asked, the other process does nothing.
        from generator.files import safe_name, staged_folder

        score: Score = next(results)
        stem = name or safe_name(score.title)
        stage = stack.enter_context(staged_folder(folder))
        report, files = _write_files(score, results, options, stage, stem, tell, studio)
    mix = [file for file in report.files if file.part == "mix"] if report else []
    return RenderResult(
        title=score.title,
        key=score.key,
        style=score.arrangement.style,
        seed=options.seed,
        quarter_bpm=round(score.quarter_bpm, 3),
        bars=score.bars,
        duration_s=round(mix[0].duration_s if mix else score.clock.seconds(score.end_tick), 6),
        loudness_lufs=round(mix[0].loudness_lufs, 2) if mix else None,
        true_peak_dbtp=round(mix[0].true_peak_dbtp, 2) if mix else None,
        limited_db=round(report.limited_db, 2) if report else None,
        files=tuple(replace(file, path=folder / file.path.name) for file in files),
        remarks=score.remarks + (_sound_remarks(report) if report else ()),
    )


def _started(
    source: "Path | str | Chart",
    options: RenderOptions,
    studio: "Studio | None",
    stack: ExitStack,
    tell: Progress,
) -> "tuple[Iterator[Any], Studio | None]":
    """Start working out the notes, and a studio beside it where there are cores for both."""
    work = partial(worked_out, source, options)
    tell("reading the chart", 0.0)
    if options.jobs == 1 or source == "-":
        return work(), studio
    results = stack.enter_context(beside(work))
    if not options.has_sound:
        return results, studio
    if studio is None:
        from generator.sound.studio import Studio

        studio = stack.enter_context(Studio())
    studio.get_ready(_settings(options))
    return results, studio


def _sound_remarks(report: "AudioReport") -> tuple[str, ...]:
    """Return what to tell about the sound: among it, that only a small font was found."""
    from generator.sound.doctor import font_remark

    remark = font_remark(report.font)
    return (remark, *report.remarks) if remark else report.remarks


def _write_files(
    score: "Score",
    results: Iterator[Any],
    options: RenderOptions,
    stage: Path,
    stem: str,
    tell: Progress,
    studio: "Studio | None",
) -> tuple["AudioReport | None", list[OutputFile]]:
    import hashlib
    import tempfile

    from generator.pipeline.products import map_text, page_text

    files: list[OutputFile] = []

    def put(ending: str, kind: str, content: bytes | str) -> None:
        path = stage / f"{stem}{ending}"
        data = content.encode() if isinstance(content, str) else content
        path.write_bytes(data)
        files.append(OutputFile(path, kind, hashlib.sha256(data).hexdigest()))

    has_page = "page" in options.formats
    scratch = tempfile.TemporaryDirectory(prefix="chartbed-") if has_page else nullcontext("")
    with scratch as own:
        report = _render_sound(score, options, stage, Path(own), stem, tell, studio)
        tell("writing", 0.0)
        documents: Documents = next(results)
        audio = tuple(file for file in report.files if file.path.parent == stage) if report else ()
        if report and has_page:
            put(".html", "page", page_text(documents, report.files))
    files[:0] = [OutputFile(file.path, file.format, file.sha256, file.part) for file in audio]
    if documents.midi:
        put(".mid", "midi", documents.midi)
    if "map" in options.formats:
        put(".chordmap.json", "map", map_text(documents, audio))
    if documents.chart:
        put(".chart", "chart", documents.chart)
    if documents.sheet:
        put(".pdf", "sheet", documents.sheet)
    tell("writing", 1.0)
    return report, files


def _render_sound(
    score: "Score",
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
        parts += [part.name for part in score.arrangement.parts if part.name not in options.mute]
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
        score.arrangement,
        score.clock,
        score.end_tick,
        targets,
        replace(_settings(options), silences=score.silences, tags=_tags(score)),
        progress=lambda share: tell("playing", share),
        studio=studio,
        joints=score.joints,
    )


def _tags(score: "Score") -> "Tags":
    from generator.sound.model import Chapter, Tags

    return Tags(
        title=score.title,
        composer=score.composer,
        key=score.key,
        tempo=score.tempo,
        chapters=tuple(Chapter(*chapter) for chapter in score.chapters),
    )


def _settings(options: RenderOptions) -> "SoundSettings":
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
