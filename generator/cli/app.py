"""The program `chartbed`: its commands, and what it does when one of them fails."""

import os
import signal
import sys
from typing import Annotated, NoReturn

import typer

from generator.cli import check, render, shelf
from generator.errors import ChartbedError

__all__ = ["app", "main"]

INTERRUPTED = 130

app = typer.Typer(
    name="chartbed",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Start with: chartbed demo",
)
for group in (render, check, shelf):
    group.register(app)


@app.callback()
def _chartbed(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and stop.", is_eager=True)
    ] = False,
    debug: Annotated[
        bool, typer.Option("--debug", help="Show a traceback when something fails.")
    ] = False,
) -> None:
    """Turn a chord chart into the bed to play over: drums, bass and pad, with a chord map."""
    if version:
        from generator import __version__

        typer.echo(f"chartbed {__version__}")
        raise typer.Exit


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run the program and leave with its exit code; no traceback unless `--debug` is given."""
    arguments = sys.argv[1:] if arguments is None else arguments
    signal.signal(signal.SIGTERM, _stop)
    if "--debug" in arguments[:1]:
        app(args=arguments, standalone_mode=False, prog_name="chartbed")
        sys.exit(0)
    sys.exit(_run(arguments))


def _run(arguments: list[str]) -> int:
    from click import Abort, ClickException

    try:
        code = app(args=arguments, standalone_mode=False, prog_name="chartbed")
        sys.stdout.flush()
    except ChartbedError as error:
        print(f"chartbed: {error}", file=sys.stderr)
        return error.exit_code
    except ClickException as error:
        error.show()
        return error.exit_code
    except (Abort, KeyboardInterrupt):
        print("chartbed: interrupted; what was unfinished is removed", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of our output left early (`| head`): nothing failed.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except MemoryError:
        print("chartbed: out of memory; render a shorter track or fewer formats", file=sys.stderr)
        return 1
    except Exception as error:
        print(
            f"chartbed: an error that should not happen: {type(error).__name__}: {error}\n"
            "Run it again as `chartbed --debug ...` and report what it prints.",
            file=sys.stderr,
        )
        return 1
    return code if isinstance(code, int) else 0


def _stop(signal_number: int, frame: object) -> NoReturn:
    """Leave as after Ctrl-C, so that unfinished files are removed."""
    raise KeyboardInterrupt
