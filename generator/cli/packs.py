"""`pack` and `cache`: the same track for every student."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from generator.cli.words import cache_folder, duration, split_words
from generator.errors import OptionError, PackError

if TYPE_CHECKING:
    from generator.pack.plan import PackPlan
    from generator.pack.run import Progress
    from generator.pack.spec import PackSpec

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command(
        epilog="Example: chartbed pack tune.chart --keys all --tempos 60%..100%:10% "
        "--mutes none,bass -o class"
    )(pack)
    app.command(epilog="Example: chartbed cache --clear")(cache)


def pack(
    charts: Annotated[
        list[str], typer.Argument(help="Charts, or one pack.toml; with --verify, a pack's folder.")
    ],
    out: Annotated[Path, typer.Option("-o", "--out", help="Folder of the pack.")] = Path("pack"),
    keys: Annotated[list[str] | None, typer.Option(help="all, circle, or keys: Em,Gm.")] = None,
    tempos: Annotated[
        list[str] | None, typer.Option(help="60%..100%:10%, or beats a minute: 80,98.")
    ] = None,
    mutes: Annotated[
        list[str] | None, typer.Option(help="none,bass,drums; bass+comp leaves out both.")
    ] = None,
    styles: Annotated[list[str] | None, typer.Option(help="Styles, comma-separated.")] = None,
    formats: Annotated[
        list[str] | None, typer.Option(help="As in render. Default: mp3,midi,map,chart.")
    ] = None,
    stems: Annotated[bool, typer.Option("--stems", help="One file a part too.")] = False,
    jobs: Annotated[int | None, typer.Option(help="Processes; all cores unless given.")] = None,
    cluster: Annotated[
        str | None, typer.Option(help="Address of a Dask scheduler, or local.")
    ] = None,
    archive: Annotated[bool, typer.Option("--zip", help="Also as one ZIP file.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only show the plan.")] = False,
    verify: Annotated[
        bool, typer.Option("--verify", help="Check every hash, duration and map of a pack.")
    ] = False,
    use_cache: Annotated[
        bool, typer.Option("--cache/--no-cache", help="Keep recorded notes between runs.")
    ] = True,
) -> None:
    """Make every combination of keys, tempos, mutes and styles; run again, it continues."""
    if verify:
        _verify(charts)
        return
    from generator.pack.plan import plan_pack

    if jobs is not None and jobs < 1:
        raise OptionError(f"--jobs takes 1 or more, got {jobs}")
    spec = _spec(charts, keys, tempos, mutes, styles, formats, stems)
    plan = plan_pack(spec)
    _show_plan(plan, out)
    if dry_run:
        return
    _run(plan, out, jobs or os.cpu_count() or 1, cluster, use_cache)
    if archive:
        from generator.pack.archive import zip_pack

        typer.echo(zip_pack(out))


def cache(
    clear: Annotated[bool, typer.Option("--clear", help="Remove the recordings.")] = False,
) -> None:
    """Say what the cache of recorded notes holds; it is used again by every render and pack."""
    from generator.sound.cache import DEFAULT_LIMIT_BYTES, clear_cache, kept_notes

    folder = cache_folder()
    if clear:
        clear_cache(folder)
    count, size_bytes = kept_notes(folder)
    limit = f"at most {DEFAULT_LIMIT_BYTES / 2**20:.0f} MiB"
    typer.echo(f"{folder}: {count} notes, {size_bytes / 2**20:.1f} MiB ({limit})")


def _spec(
    charts: list[str],
    keys: list[str] | None,
    tempos: list[str] | None,
    mutes: list[str] | None,
    styles: list[str] | None,
    formats: list[str] | None,
    stems: bool,
) -> "PackSpec":
    from dataclasses import replace

    from generator.pack.spec import PackSpec, read_pack_file

    if any(name.endswith(".toml") for name in charts):
        if len(charts) > 1:
            raise OptionError("give one pack.toml alone: it names its charts")
        spec = read_pack_file(Path(charts[0]))
    else:
        spec = PackSpec(tuple(charts))
    given = {"keys": keys, "tempos": tempos, "mutes": mutes, "styles": styles, "formats": formats}
    words = {name: split_words(value) for name, value in given.items() if value is not None}
    return replace(spec, **words, stems=stems or spec.stems)  # type: ignore[arg-type]


def _show_plan(plan: "PackPlan", out: Path) -> None:
    count = len(plan.tracks)
    typer.echo(
        f"{count} {'track' if count == 1 else 'tracks'}, {duration(plan.duration_s)} of audio, "
        f"about {plan.size_bytes / 1e6:.0f} MB, in {out}"
    )
    for track in plan.tracks[:3]:
        typer.echo(f"  {track.folder}/")
    if count > 3:
        typer.echo(f"  ... {plan.tracks[-1].folder}/")


def _run(plan: "PackPlan", out: Path, jobs: int, cluster: str | None, use_cache: bool) -> None:
    from generator.pack.run import run_pack

    with _progress() as progress:
        report = run_pack(
            plan,
            out,
            jobs=jobs,
            cluster=cluster,
            cache=cache_folder() if use_cache else None,
            progress=progress,
        )
    typer.echo(f"{report.made} made, {report.kept} already there: {out / 'index.html'}")
    if report.failures:
        lines = "\n".join(f"  {folder}: {error}" for folder, error in report.failures)
        raise PackError(f"{len(report.failures)} could not be made; the rest is whole:\n{lines}")


def _verify(folders: list[str]) -> None:
    from generator.pack.verify import verify_pack

    for folder in folders:
        count, problems = verify_pack(Path(folder))
        if problems:
            raise PackError("\n".join(problems))
        typer.echo(f"{folder}: {count} tracks, all as they were made")


@contextmanager
def _progress() -> Iterator["Progress | None"]:
    """Show tracks done, rate and time left on standard error, when it is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
        TextColumn("{task.description}"),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", rate="")

        def show(done: int, total: int, folder: str) -> None:
            speed = bar.tasks[0].finished_speed or bar.tasks[0].speed
            rate = f"{60 * speed:.0f} a minute" if speed else ""
            bar.update(task, completed=done, total=total, description=folder, rate=rate)

        yield show
