"""`styles`, `fonts` and `doctor`: what there is to choose from, and what is missing."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command(epilog="Example: chartbed styles medium-swing --audition -o out")(styles)
    app.command(epilog="Example: chartbed fonts --json")(fonts)
    app.command(epilog="Example: chartbed mixes")(mixes)
    app.command(epilog="Example: chartbed doctor")(doctor)


def styles(
    name: Annotated[str | None, typer.Argument(help="One style, to read about it.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="A list for programs.")] = False,
    audition: Annotated[
        bool, typer.Option("--audition", help="Render eight bars of the style.")
    ] = False,
    out: Annotated[Path, typer.Option("-o", "--out", help="Folder for the audition.")] = Path(),
) -> None:
    """List the styles, or say what one of them plays."""
    from generator.band.style_catalogue import find_style, style_catalogue

    entries = style_catalogue()
    if name is not None:
        find_style(name)  # says which names are near when there is no such style
        entries = [entry for entry in entries if entry["name"] == name]
    if as_json:
        typer.echo(json.dumps(entries, indent=2))
    elif name is None:
        for entry in entries:
            low, high = entry["tempo"] or (20, 400)
            typer.echo(
                f"{entry['name']:26} {entry['meter']:6} {entry['tempo_unit']}={low}-{high:<4} "
                f"{entry['description']}"
            )
    else:
        _describe(name)
    if audition:
        _audition(entries, out)


def _describe(name: str) -> None:
    from generator.band.style import load_style
    from generator.band.style_words import describe_style

    typer.echo(describe_style(load_style(name)))


def _audition(entries: list[dict[str, Any]], out: Path) -> None:
    from generator.chart.parser import parse_chart
    from generator.cli.audition import audition_chart
    from generator.errors import OptionError
    from generator.pipeline.options import RenderOptions
    from generator.pipeline.render import render_track

    if len(entries) != 1:
        raise OptionError("--audition needs a style: chartbed styles medium-swing --audition")
    chart = parse_chart(audition_chart(entries[0]), f"{entries[0]['name']} audition")
    result = render_track(chart, out, RenderOptions(formats=("mp3",)))
    for file in result.files:
        typer.echo(file.path)


def fonts(
    as_json: Annotated[bool, typer.Option("--json", help="A list for programs.")] = False,
) -> None:
    """List the SoundFonts that were found, best first."""
    from generator.sound.fonts import find_fonts

    found = find_fonts()
    if as_json:
        typer.echo(
            json.dumps(
                [
                    {
                        "name": font.name,
                        "path": str(font.path),
                        "quality": font.quality,
                        "licence": font.licence,
                        "trims_db": font.trims_db or {},
                    }
                    for font in found
                ],
                indent=2,
            )
        )
        return
    for place, font in enumerate(found):
        used = "  (used)" if place == 0 else ""
        quality = f"quality {font.quality} of 5" if font.quality else "not in the catalogue"
        levels = "levels measured" if font.trims_db else "levels not measured"
        licence = font.licence or "licence unknown"
        typer.echo(f"{font.name}{used}\n  {font.path}\n  {quality}; {licence}; {levels}")
    if not found:
        typer.echo("no SoundFont found; run `chartbed doctor`")


def mixes(
    as_json: Annotated[bool, typer.Option("--json", help="A list for programs.")] = False,
) -> None:
    """List the mixes: how loud each part stands, for `render --mix`."""
    from generator.sound.presets import mix_presets

    if as_json:
        entries = [{"name": mix.name, "description": mix.description} for mix in mix_presets()]
        typer.echo(json.dumps(entries, indent=2))
        return
    for mix in mix_presets():
        typer.echo(f"{mix.name:18} {mix.description}")


def doctor(
    as_json: Annotated[bool, typer.Option("--json", help="A list for programs.")] = False,
) -> None:
    """Say what is installed, what is missing, and the line that installs it."""
    from generator.sound.doctor import examine

    findings = examine()
    if as_json:
        import dataclasses

        typer.echo(json.dumps([dataclasses.asdict(finding) for finding in findings], indent=2))
    else:
        for finding in findings:
            mark = "ok     " if finding.ok else "missing"
            typer.echo(f"{mark}  {finding.name}: {finding.found}")
            if finding.remedy:
                typer.echo(f"         {finding.remedy}")
    if not all(finding.ok or finding.optional for finding in findings):
        raise typer.Exit(1)
