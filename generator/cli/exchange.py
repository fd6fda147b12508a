"""`export` and `import`: the chord map as an open interface, in both directions."""

from pathlib import Path
from typing import Annotated

import typer

from generator.cli.words import split_words

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command(epilog="Example: chartbed export tune.chordmap.json --to lab,vtt -o captions")(
        export
    )
    app.command(name="import", epilog="Example: chartbed import tune.musicxml -o tune.chart")(
        import_
    )


def export(
    chord_map: Annotated[Path, typer.Argument(metavar="MAP", help="A *.chordmap.json file.")],
    to: Annotated[
        list[str],
        typer.Option(help="Comma-separated: lab, jams, musicxml, vtt, csv, chapters, midi."),
    ],
    out: Annotated[
        Path | None, typer.Option("-o", "--out", help="Folder; beside the map unless given.")
    ] = None,
    shift: Annotated[
        float, typer.Option(help="Seconds by which the track starts later, as in a video.")
    ] = 0.0,
) -> None:
    """Write a chord map in formats that other programs read."""
    from generator.chordmap.export import export_map
    from generator.chordmap.schema import validate_map
    from generator.files import staged_folder

    loaded = validate_map(chord_map)
    stem = chord_map.name.removesuffix(".json").removesuffix(".chordmap")
    written = {
        f"{stem}{ending}": content
        for name in split_words(to)
        for ending, content in export_map(loaded, name, shift_s=shift).items()
    }
    folder = out or chord_map.parent
    with staged_folder(folder) as stage:
        for name, content in written.items():
            (stage / name).write_bytes(content)
    for name in written:
        typer.echo(folder / name)


def import_(
    file: Annotated[
        Path, typer.Argument(help="A .lab, .jams, .musicxml, .mxl or .mid file with chords.")
    ],
    out: Annotated[
        Path | None, typer.Option("-o", "--out", help="The chart; standard output unless given.")
    ] = None,
    tempo: Annotated[
        float | None, typer.Option(help="Quarters a minute, for files without beats.")
    ] = None,
    meter: Annotated[str | None, typer.Option(help="Meter, for files without one.")] = None,
) -> None:
    """Make a chart from a file of another format; what cannot be carried over is listed."""
    from fractions import Fraction

    from generator.chart.values import ValueFault, parse_meter
    from generator.chordmap.importer import import_chart
    from generator.errors import OptionError
    from generator.files import write_whole

    try:
        wanted = parse_meter(meter) if meter else None
    except ValueFault as fault:
        raise OptionError(f"--meter: {fault}") from fault
    if tempo is not None and not 20 <= tempo <= 400:
        raise OptionError(f"--tempo {tempo:g}: 20 to 400 quarters a minute are playable")
    bpm = Fraction(tempo).limit_denominator(1000) if tempo else None
    result = import_chart(file, quarter_bpm=bpm, meter=wanted)
    if out is None:
        typer.echo(result.text, nl=False)
    else:
        write_whole(out, result.text)
        typer.echo(out)
    for remark in result.remarks:
        typer.echo(f"  note: {remark}", err=True)
