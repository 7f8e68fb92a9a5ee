"""The command that serves the pages: serve."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from decussa.command.app import app
from decussa.model.errors import MissingPartError, UsageError


@app.command()
def serve(
    folder: Annotated[Path, typer.Argument(help="Study folder, or a folder of studies.", metavar="DIR")] = Path(),
    port: Annotated[int, typer.Option(help="Port on 127.0.0.1.")] = 8730,
    language: Annotated[str, typer.Option(help="Language of the pages.")] = "en",
    open_to: Annotated[str, typer.Option(help="Name or address of this machine on the lab's network.")] = "",
    certificate: Annotated[Path | None, typer.Option(help="Its TLS certificate, PEM.")] = None,
    key: Annotated[Path | None, typer.Option(help="The certificate's key, PEM.")] = None,
) -> None:
    """Serve the pages for the browser: on this machine alone, unless a network is named."""
    if find_spec("nicegui") is None:
        raise MissingPartError(
            "the pages are not installed",
            expected="the optional group app",
            do="in the program's folder: pip install '.[app]'",
        )
    if not folder.is_dir():
        raise UsageError(
            "folder is not there", where=folder, expected="a folder of studies", do="make one with decussa new"
        )
    if not 1 <= port <= 65535:
        raise UsageError("port cannot be used", where="--port", expected="1 to 65535", found=str(port))
    from decussa.screen.app import serve as serve_pages
    from decussa.screen.network import HERE, read_network

    network = read_network(folder, open_to, certificate, key)
    said = (
        f"Decussa: http://{HERE}:{port}/ for this machine alone. Ctrl-C ends it; what is written stays."
        if network is None
        else f"Decussa: https://{open_to}:{port}/ for whoever has a code and a pass phrase. Ctrl-C ends it."
    )
    serve_pages(folder, port=port, tell=lambda: typer.echo(said), language=language, network=network)
