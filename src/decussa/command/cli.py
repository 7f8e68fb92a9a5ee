"""``decussa``: the command line's entry, and the one place where errors become a line and an exit code.

Exit codes: 0 done, 1 the answer is "no" (data refused, a check failed), 2 wrong usage. Errors go to stderr in a line
each, never as a traceback; ``--trace`` before the command shows where a fault of the program itself arose.
"""

from __future__ import annotations

import sys
import traceback

import typer

from decussa.command import importing, pooling, recordings, serving, sessions, sharing
from decussa.command.app import SEE_WHERE, Trace, app
from decussa.model.errors import DecussaError

#: The modules whose commands the application has; naming them here is what registers them.
COMMANDS = (recordings, sessions, sharing, pooling, serving, importing)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; the one place where errors become a line and an exit code."""
    try:
        app(args=arguments)
    except DecussaError as error:
        typer.echo(str(error), err=True)
        sys.exit(error.exit_code)
    except Exception as error:  # noqa: BLE001 the last border: a fault of ours is said in a line
        if Trace.on:
            traceback.print_exc()
        typer.echo(f"Fault in the program: {type(error).__name__}: {error}. {SEE_WHERE}", err=True)
        sys.exit(1)
