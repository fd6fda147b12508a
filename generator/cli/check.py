"""`check`: every problem of a chart, or its form as a musician would say it."""

from pathlib import Path
from typing import Annotated

import typer

from generator.cli.words import printable
from generator.errors import InputError

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(epilog="Example: chartbed check tune.chart")(check)


def check(
    files: Annotated[
        list[str], typer.Argument(help="Charts, or chord maps (*.chordmap.json); - reads a chart.")
    ],
) -> None:
    """Report every problem of a chart or a chord map, or say in one line what it holds."""
    failed = False
    for name in files:
        try:
            typer.echo(_check_map(name) if name.endswith(".chordmap.json") else _check_chart(name))
        except InputError as error:
            failed = True
            typer.echo(str(error), err=True)
    if failed:
        raise typer.Exit(2)


def _check_chart(name: str) -> str:
    # Not by way of the pipeline: it knows the whole band, which a check does not need.
    from generator.band.style_catalogue import style_names
    from generator.chart.parser import read_chart
    from generator.timeline.build import build_timeline
    from generator.timeline.summary import summarize

    chart = read_chart(name, styles=style_names())
    return f"{printable(chart.title)}: {summarize(build_timeline(chart))}"


def _check_map(name: str) -> str:
    from generator.chordmap.schema import validate_map

    model = validate_map(Path(name))
    held = f"{len(model.bars)} bars and {len(model.chords)} chords"
    return f"{printable(model.title)}: a chord map of {held}"
