"""`sheet`, `page` and `picture`: what people print, practise with and look at."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from generator.errors import OptionError

__all__ = ["register"]

_MAP_ENDING = ".chordmap.json"


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command(epilog="Example: chartbed sheet tune.chart -o tune.pdf --roman --for bb")(sheet)
    app.command(epilog="Example: chartbed page tune.chart -o tune.html --stems")(page)
    app.command(epilog="Example: chartbed picture tune.chordmap.json --kind roll -o roll.png")(
        picture
    )


def sheet(
    chart: Annotated[str, typer.Argument(help="The chart; - reads standard input.")],
    out: Annotated[
        Path | None,
        typer.Option("-o", "--out", help="A .pdf, .svg or .png; TITLE.pdf unless given."),
    ] = None,
    key: Annotated[str | None, typer.Option(help="Print in this key.")] = None,
    transpose: Annotated[int, typer.Option(help="Move by semitones, -12 to 12.")] = 0,
    roman: Annotated[
        bool, typer.Option("--roman", help="A roman numeral below each chord.")
    ] = False,
    tones: Annotated[bool, typer.Option("--tones", help="Its tones below each chord.")] = False,
    reader: Annotated[
        str | None, typer.Option("--for", help="As a bb, eb or f instrument reads it.")
    ] = None,
    capo: Annotated[int | None, typer.Option(help="Shapes for a capo at this fret.")] = None,
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    bars: Annotated[int, typer.Option(help="Bars to a line.")] = 4,
) -> None:
    """Print a chart as a copyist would lay it out."""
    from generator import __version__
    from generator.files import safe_name, write_whole
    from generator.handout.sheet import draw_sheet
    from generator.pipeline.options import RenderOptions
    from generator.pipeline.prepare import in_key, load_chart

    loaded = in_key(load_chart(chart), RenderOptions(key=key, transpose=transpose))
    target = out or Path(f"{safe_name(loaded.title)}.pdf")
    content = draw_sheet(
        loaded,
        format=_ending(target, ("pdf", "svg", "png")),  # type: ignore[arg-type]
        version=__version__,
        roman=roman,
        tones=tones,
        written_for=reader,
        capo=capo,
        paper=paper,  # type: ignore[arg-type]  # checked by draw_sheet
        bars_a_line=bars,
    )
    write_whole(target, content)
    typer.echo(target)


def page(
    source: Annotated[
        str, typer.Argument(metavar="CHART|MAP", help="A chart, or a *.chordmap.json beside audio.")
    ],
    out: Annotated[
        Path | None, typer.Option("-o", "--out", help="The page; TITLE.html unless given.")
    ] = None,
    stems: Annotated[
        bool, typer.Option("--stems", help="Hold each part, to mute and balance them.")
    ] = False,
) -> None:
    """Make one HTML file to practise with, offline: the track, its form and its chord tones."""
    target = (
        _page_of_map(Path(source), out, stems)
        if source.endswith(_MAP_ENDING)
        else (_page_of_chart(source, out, stems))
    )
    typer.echo(target)


def _page_of_map(path: Path, out: Path | None, stems: bool) -> Path:
    import json

    from generator.chordmap.reader import ChordMap
    from generator.files import write_whole
    from generator.handout.page import audio_beside, build_page

    ChordMap.load(path)  # says what is wrong with the file
    chord_map = json.loads(path.read_text(encoding="utf-8"))
    target = out or path.with_name(path.name.removesuffix(_MAP_ENDING) + ".html")
    write_whole(target, build_page(chord_map, audio_beside(path, chord_map, stems=stems)))
    return target


def _page_of_chart(chart: str, out: Path | None, stems: bool) -> Path:
    from generator.cli.words import progress_bar
    from generator.pipeline.options import RenderOptions
    from generator.pipeline.render import render_track

    folder = out.parent if out else Path()
    if out and out.suffix != ".html":
        raise OptionError(f"-o {out}: a page ends with .html")
    options = RenderOptions(formats=("page",), stems=stems)
    with progress_bar() as progress:
        result = render_track(
            chart, folder, options, name=out.stem if out else None, progress=progress
        )
    return result.files[0].path


def picture(
    chord_map: Annotated[Path, typer.Argument(metavar="MAP", help="A *.chordmap.json file.")],
    kind: Annotated[
        str, typer.Option(help="form, roll (band on a grid), fretboard (chord tones) or wave.")
    ] = "form",
    out: Annotated[
        Path | None,
        typer.Option("-o", "--out", help="A .svg or .png; beside the map unless given."),
    ] = None,
    chord: Annotated[str | None, typer.Option(help="One chord, for fretboard.")] = None,
    bars: Annotated[str | None, typer.Option(help="Only these bars, such as 1-8.")] = None,
    labels: Annotated[str, typer.Option(help="degrees or notes, on the neck.")] = "degrees",
    tuning: Annotated[str, typer.Option(help="Of the neck, by name.")] = "Standard",
) -> None:
    """Draw the form, what the band plays, chord tones on a neck, or the waveform."""
    from generator.files import write_whole
    from generator.handout.picture import picture_of_file

    default = chord_map.with_name(f"{chord_map.name.removesuffix(_MAP_ENDING)}.{kind}.svg")
    target = out or default
    content = picture_of_file(
        chord_map,
        kind,  # type: ignore[arg-type]  # checked by picture_of_file, as are the labels
        format=_ending(target, ("svg", "png")),  # type: ignore[arg-type]
        chord=chord,
        bars=_bars(bars),
        labels=_labels(labels),
        tuning=tuning,
    )
    write_whole(target, content)
    typer.echo(target)


def _ending(path: Path, known: tuple[str, ...]) -> str:
    ending = path.suffix.lower().removeprefix(".")
    if ending not in known:
        raise OptionError(f"-o {path}: the name must end with .{' or .'.join(known)}")
    return ending


def _bars(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    first, _, last = text.partition("-")
    if not (first.isdigit() and (last or first).isdigit()):
        raise OptionError(f"--bars {text}: write one bar or a stretch, such as 5 or 1-8")
    return int(first), int(last or first)


def _labels(text: str) -> Literal["degrees", "notes"]:
    if text == "degrees":
        return "degrees"
    if text == "notes":
        return "notes"
    raise OptionError(f"--labels {text}: use degrees or notes")
