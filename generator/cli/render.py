"""`render` and `demo`: a chart becomes a track."""

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from generator.cli.words import cache_folder, duration, progress_bar, split_words

if TYPE_CHECKING:
    from generator.pipeline.options import RenderOptions
    from generator.pipeline.render import RenderResult

__all__ = ["register"]

_MOST_JOBS = 4  # more would take memory, each for a synthesiser, and find little to do


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command(
        epilog="Example: chartbed render tune.chart -o out --key Dm --tempo 80% --mute bass"
    )(render)
    app.command(epilog="Example: chartbed demo -o out")(demo)


def render(
    chart: Annotated[str, typer.Argument(help="The chart; - reads standard input.")],
    out: Annotated[Path, typer.Option("-o", "--out", help="Folder for the files.")] = Path(),
    formats: Annotated[
        list[str] | None,
        typer.Option(
            help="Comma-separated: mp3, wav, wav24, wav32f, flac, m4a, ogg, opus, midi, map, "
            "chart, page, sheet. Default: mp3,wav,midi,map.",
        ),
    ] = None,
    stems: Annotated[bool, typer.Option("--stems", help="One file a part too.")] = False,
    mute: Annotated[
        list[str] | None,
        typer.Option(help="Parts to leave out, such as bass,comp."),
    ] = None,
    key: Annotated[
        str | None,
        typer.Option(help="Play in this key: G, F#m, 'D dorian'."),
    ] = None,
    transpose: Annotated[int, typer.Option(help="Move by semitones, -12 to 12.")] = 0,
    tempo: Annotated[
        str | None,
        typer.Option(help="Beats a minute (98, q=98) or a share (75%)."),
    ] = None,
    style: Annotated[str | None, typer.Option(help="A style, see `chartbed styles`.")] = None,
    choruses: Annotated[int | None, typer.Option(help="How often the body is played.")] = None,
    count_in: Annotated[int | None, typer.Option(help="Bars counted before the music.")] = None,
    section: Annotated[str | None, typer.Option(help="Only this section.")] = None,
    seed: Annotated[int, typer.Option(help="Another number, other variations.")] = 1,
    reader: Annotated[
        str | None,
        typer.Option(
            "--for",
            help="Chord names in the map as a bb, eb or f instrument reads them.",
        ),
    ] = None,
    capo: Annotated[
        int | None,
        typer.Option(help="Chord names in the map for a capo at this fret."),
    ] = None,
    mix: Annotated[str, typer.Option(help="A mix, see `chartbed mixes`.")] = "balanced",
    loudness: Annotated[float, typer.Option(help="Integrated loudness in LUFS.")] = -18.0,
    tuning: Annotated[float, typer.Option(help="A4 in Hz.")] = 440.0,
    rate: Annotated[int, typer.Option(help="Samples a second.")] = 44_100,
    bitrate: Annotated[int, typer.Option(help="Of the lossy formats, in kbit/s.")] = 192,
    font: Annotated[Path | None, typer.Option(help="A General MIDI SoundFont.")] = None,
    renderer: Annotated[
        str,
        typer.Option(
            "--render",
            help="notes (fast) or straight (one synthesiser through each part).",
        ),
    ] = "notes",
    cache: Annotated[
        Path | None, typer.Option(help="Folder for recorded notes; the user's unless given.")
    ] = None,
    no_cache: Annotated[
        bool, typer.Option("--no-cache", help="Neither use nor keep recorded notes.")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one machine-readable summary.")
    ] = False,
) -> None:
    """Make one track from a chart: audio, MIDI and its chord map."""
    from generator.pipeline.options import DEFAULT_FORMATS, RenderOptions

    options = RenderOptions(
        key=key,
        transpose=transpose,
        tempo=tempo,
        style=style,
        choruses=choruses,
        count_in_bars=count_in,
        section=section,
        seed=seed,
        formats=split_words(formats) if formats else DEFAULT_FORMATS,
        stems=stems,
        mute=split_words(mute),
        mix=mix,
        loudness_lufs=loudness,
        tuning_hz=tuning,
        rate_hz=rate,
        bitrate_kbps=bitrate,
        font=font,
        render=renderer,
        cache=None if no_cache else cache or cache_folder(),
        written_for=reader,
        capo=capo,
    )
    _render_and_tell(chart, out, options, as_json)


def demo(
    out: Annotated[Path, typer.Option("-o", "--out", help="Folder for the files.")] = Path("out"),
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one machine-readable summary.")
    ] = False,
) -> None:
    """Make the demo track, to hear what chartbed does."""
    from generator.pipeline.options import DEFAULT_FORMATS, RenderOptions

    chart = Path(__file__).parent.parent / "demo.chart"
    options = RenderOptions(formats=(*DEFAULT_FORMATS, "chart"))
    _render_and_tell(str(chart), out, options, as_json)


def _render_and_tell(chart: str, out: Path, options: "RenderOptions", as_json: bool) -> None:
    from generator.pipeline.render import render_track

    options = replace(options, jobs=min(_MOST_JOBS, os.cpu_count() or 1))
    with progress_bar(quiet=as_json) as progress:
        result = render_track(chart, out, options, progress=progress)
    if as_json:
        typer.echo(_as_json(result))
    else:
        _tell(result)


def _tell(result: "RenderResult") -> None:
    typer.echo(
        f"{result.title}: {result.key}, q={result.quarter_bpm:g}, {result.style}, "
        f"{result.bars} {'bar' if result.bars == 1 else 'bars'}, {duration(result.duration_s)}"
    )
    if result.loudness_lufs is not None:
        typer.echo(
            f"  loudness {result.loudness_lufs:.1f} LUFS, "
            f"true peak {result.true_peak_dbtp:.1f} dBTP"
        )
    for file in result.files:
        size = file.path.stat().st_size
        note = f", {file.part}" if file.part not in ("", "mix") else ""
        typer.echo(f"  {file.path}  ({file.format}{note}, {_size(size)})")
    for remark in result.remarks:
        typer.echo(f"  note: {remark}", err=True)


def _size(size_bytes: int) -> str:
    return f"{size_bytes / 1e6:.1f} MB" if size_bytes >= 100_000 else f"{size_bytes / 1e3:.1f} kB"


def _as_json(result: "RenderResult") -> str:
    import dataclasses
    import json

    return json.dumps(dataclasses.asdict(result), default=str, ensure_ascii=False, indent=2)
