"""The program `chartbed`: its commands, and what it does when one of them fails."""

import gc
import os
import signal
import sys
from importlib import import_module
from typing import Annotated, NoReturn

import typer

from generator.cli import INTERRUPTED
from generator.errors import ChartbedError

__all__ = ["main", "program"]

_COMMANDS = {
    "render": ("render", "demo"),
    "check": ("check",),
    "packs": ("pack", "cache"),
    "handouts": ("sheet", "page", "picture"),
    "exchange": ("export", "import"),
    "shelf": ("styles", "fonts", "mixes", "doctor"),
}
"""Of each module, in the order of the help."""

_INTERRUPTED = "interrupted; what was unfinished is removed"


def program(first_word: str = "") -> typer.Typer:
    """Return the program: with the group of the command that comes first, else with all of them."""
    app = typer.Typer(
        name="chartbed",
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
        epilog="Start with: chartbed demo",
    )
    modules = [module for module, commands in _COMMANDS.items() if first_word in commands]
    for module in modules or _COMMANDS:
        import_module(f"generator.cli.{module}").register(app)
    app.callback()(_chartbed)
    return app


def _print_version(asked: bool) -> None:
    if asked:
        from generator import __version__

        typer.echo(f"chartbed {__version__}")
        raise typer.Exit


def _chartbed(
    version: Annotated[
        bool,
        typer.Option(
            "--version", help="Print the version and stop.", is_eager=True, callback=_print_version
        ),
    ] = False,
    debug: Annotated[
        bool, typer.Option("--debug", help="Show a traceback when something fails.")
    ] = False,
) -> None:
    """Turn a chord chart into the bed to play over: drums, bass and pad, with a chord map."""


def main(arguments: list[str]) -> NoReturn:
    """Run the program and leave with its exit code; no traceback unless `--debug` is given."""
    signal.signal(signal.SIGTERM, _stop)
    try:
        program(*arguments[:1])(args=arguments, prog_name="chartbed")
    except SystemExit as end:  # typer's way out, for usage errors and Ctrl-C too
        if end.code == INTERRUPTED:
            _say(_INTERRUPTED)
        raise
    except ChartbedError as error:
        if "--debug" in arguments:
            raise
        _say(str(error))
        sys.exit(error.exit_code)
    except BrokenPipeError:
        # The reader of our output left early (`| head`): nothing failed.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except MemoryError:
        _say("out of memory; render a shorter track or fewer formats")
        sys.exit(1)
    except Exception as error:
        # Up to 3.11 Python wraps what comes while a class is made.
        if isinstance(error.__cause__, KeyboardInterrupt):
            _say(_INTERRUPTED)
            sys.exit(INTERRUPTED)
        if "--debug" in arguments:
            raise
        _say(f"an error that should not happen: {type(error).__name__}: {error}")
        _say("run it again as `chartbed --debug ...` and report what it prints")
        sys.exit(1)
    finally:
        gc.freeze()  # the system takes all memory back: no last rounds of the collector
    sys.exit(0)


def _say(message: str) -> None:
    print(f"chartbed: {message}", file=sys.stderr)


def _stop(signal_number: int, frame: object) -> NoReturn:
    """Leave as after Ctrl-C, so that unfinished files are removed."""
    raise KeyboardInterrupt
