"""The command line: thin files that parse, call and print. One file a command group.

`_commands.COMMANDS` says which module has a command; `main` turns `SteadyramError` into one sentence on standard error
and the error's exit code.
"""

from __future__ import annotations

import sys

import click

from steadyram import __version__
from steadyram.cli._commands import Commands
from steadyram.errors import SteadyramError

CAUTION = (
    "steadyram is not a safety-rated control. It does not replace guards, the relief valve, the emergency stop or "
    "two-hand control; local codes and licensed practice come first."
)


@click.group(cls=Commands, epilog=CAUTION, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="steadyram")
def cli() -> None:
    """Make every stroke of a hydraulic shop press stop at the same force."""


def _printable(text: str) -> str:
    """A sentence that may quote a file from outside, without control or direction-changing characters."""
    return "".join(char if char.isprintable() or char == "\n" else "\ufffd" for char in text)


def main(argv: list[str] | None = None) -> None:
    """Entry point of the console script; exits with the code that the error's class owns."""
    try:
        cli.main(args=argv, prog_name="steadyram", standalone_mode=False)
    except click.exceptions.Exit as stop:
        sys.exit(stop.exit_code)
    except click.Abort:
        # Commands that change something say themselves what was changed and what not (see `said_if_stopped`).
        click.echo("Stopped.", err=True)
        sys.exit(130)
    except click.MissingParameter as error:
        from steadyram.cli._missing import supply

        more = supply(error, sys.argv[1:] if argv is None else argv)
        if more is None:
            sys.exit(2)
        main(more)
    except click.UsageError as error:
        click.echo(
            f"{error.format_message()} (see {error.ctx.command_path if error.ctx else 'steadyram'} --help)",
            err=True,
        )
        sys.exit(2)
    except click.ClickException as error:
        click.echo(error.format_message(), err=True)
        sys.exit(2)
    except SteadyramError as error:
        click.echo(_printable(str(error)), err=True)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        sys.exit(141)
