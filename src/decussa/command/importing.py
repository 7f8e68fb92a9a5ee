"""The command that brings recordings into a study: import."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from decussa.command.app import JsonOption, app, count, print_json
from decussa.command.sharing import read_label
from decussa.model.errors import DecussaError

if TYPE_CHECKING:
    from decussa.model.recording import Recording


@app.command("import")
def import_(
    paths: Annotated[list[str], typer.Argument(help="Recordings, BIDS folders or globs.", metavar="PATH")],
    study: Annotated[Path, typer.Option(help="Study folder; made where there is none.")],
    label: Annotated[
        list[str] | None, typer.Option(help="Pseudonym for a name in the recordings: NAME=PSEUDONYM; may be repeated.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Bring recordings into a study, each as a session, to review and report them."""
    from decussa.compose.importing import Imported, import_recordings
    from decussa.recording.read import find_recordings, read

    recordings: list[Recording] = []
    refused: list[tuple[str, DecussaError]] = []
    for path in find_recordings(paths):
        try:
            recordings.append(read(path))
        except DecussaError as error:
            refused.append((str(path), error))
    named = dict(read_label(text) for text in label or ())
    done = import_recordings(study, recordings, labels=named) if recordings else Imported((), ())
    refused += done.refused
    if as_json:
        print_json(
            {
                "study": str(study),
                "sessions": list(done.sessions),
                "refused": [{"recording": name, "reason": str(why)} for name, why in refused],
            }
        )
    else:
        typer.echo(f"{count(len(done.sessions), 'recording')} brought in: {', '.join(done.sessions) or 'none'}.")
        if done.sessions:
            typer.echo(f"Review: decussa serve {study}")
    for _, why in refused:
        typer.echo(f"Refused: {why}", err=True)
    if refused:
        raise typer.Exit(1)
