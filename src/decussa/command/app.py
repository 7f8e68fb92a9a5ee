"""The application that the commands hang from, and what they share."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Annotated, Any

import typer

from decussa.model.version import VERSION

if TYPE_CHECKING:
    from decussa.batch.many import FilesProgress

app = typer.Typer(
    name="decussa",
    help="Plan, rehearse, measure and report TMS-EMG sessions. It proposes; a qualified person decides.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

JsonOption = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]


#: Where to look when the program itself failed.
SEE_WHERE = "Run 'decussa --trace ...' to see where."


class Trace:
    """Whether ``--trace`` was given; read at the border, when the program itself failed."""

    on = False


def _show_version(asked: bool) -> None:
    if asked:
        typer.echo(f"decussa {VERSION}")
        raise typer.Exit


@app.callback()
def root(
    trace: Annotated[bool, typer.Option("--trace", help="Show where a fault of the program itself arose.")] = False,
    version: Annotated[  # noqa: ARG001
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Take options that stand before the command."""
    Trace.on = trace


def count(number: int, noun: str, several: str = "") -> str:
    """Return a number with its noun, in the plural where it is one."""
    return f"{number} {noun}" if number == 1 else f"{number} {several or noun + 's'}"


def print_json(result: dict[str, Any]) -> None:
    """Print a result for machines: UTF-8, no NaN."""
    typer.echo(json.dumps(result, ensure_ascii=False, indent=2, allow_nan=False))


def say(text: str) -> None:
    """Say a step of a longer job on stderr, in a line."""
    typer.echo(text, err=True)


@contextmanager
def progress_bar() -> Iterator[FilesProgress]:
    """Draw progress on stderr where a person looks on; say nothing in a pipe."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(bar_width=24), TextColumn("{task.fields[sweeps]}"))
    console = Console(stderr=True)
    # Rich draws nothing in a pipe, but would end with an empty line there.
    with Progress(
        *columns, TimeRemainingColumn(), console=console, transient=True, disable=not console.is_terminal
    ) as bar:
        task = bar.add_task("reading", total=None, sweeps="")

        def step(number: int, count: int, place: str, done: int, total: int) -> None:
            share = done / total if total else 0.0
            sweeps = f"{done} of {total} sweeps" if total else ""
            text = f"{number} of {count}  {PurePosixPath(place).name}"
            bar.update(task, description=text, total=count, completed=number - 1 + share, sweeps=sweeps)

        yield step
