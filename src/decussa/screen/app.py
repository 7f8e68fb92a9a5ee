"""Starts the program for the browser: on this machine alone, for one folder of studies."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fastapi import Request, Response
from nicegui import Client, app, ui
from nicegui.page import page

from decussa.model.errors import DecussaError
from decussa.screen import prepare_page, read_pages, run_page, study_home, study_new, study_page, study_upload
from decussa.screen.desk import Desk
from decussa.screen.door import Door
from decussa.screen.guard import Guard
from decussa.screen.language import ENGLISH, read_language, speak
from decussa.screen.network import HERE, Network, address_of
from decussa.screen.shell import show_error

ASSETS = Path(__file__).parent / "assets"
#: Each adds its pages for a desk; pages are named here and nowhere else.
PAGES: tuple[Callable[[Desk], None], ...] = (
    study_home.add_pages,
    study_page.add_pages,
    study_new.add_pages,
    study_upload.add_pages,
    prepare_page.add_pages,
    run_page.add_pages,
    read_pages.add_pages,
)


def build(root: Path) -> Desk:
    """Make every page for the studies in ``root``; return the desk they share."""
    desk = Desk(root)
    app.add_static_files("/assets", ASSETS, follow_symlink=False)
    for sheet in sorted(ASSETS.glob("*.css"), key=lambda path: (path.name != "style.css", path.name)):
        ui.add_head_html(f'<link rel="stylesheet" href="/assets/{sheet.name}">', shared=True)
    for add_pages in PAGES:
        add_pages(desk)
    app.on_page_exception(_show_fault)
    logging.getLogger("nicegui").addFilter(_without_needless_traceback)
    app.exception_handler(404)(_answer_nothing_here)
    return desk


def serve(
    root: Path, *, port: int, tell: Callable[[], None], language: str = ENGLISH, network: Network | None = None
) -> None:
    """Serve the pages until the program is stopped: on 127.0.0.1, or on a network behind TLS and a door.

    ``tell`` is called when language and address are known to do, before the first page can be asked for.

    Raises
    ------
    MachineError
        If the port is taken.
    UsageError
        If there is no such language.
    """
    speak({} if language == ENGLISH else read_language(language))
    host = address_of(network, port)
    build(root)
    app.config.quasar_config["loadingBar"]["skipHijack"] = True  # no bar of the library's own while something loads
    files: dict[str, Any] = {}
    if network is None:
        app.add_middleware(Guard, hosts=(f"{HERE}:{port}", f"localhost:{port}"))
    else:
        app.add_middleware(Door, study=root)
        app.add_middleware(Guard, hosts=(f"{network.name}:{port}",), tls=True)
        files = {"ssl_certfile": str(network.certificate), "ssl_keyfile": str(network.key)}
    tell()
    ui.run(
        host=host,
        port=port,
        show=False,
        reload=False,
        title="Decussa",
        favicon=ASSETS / "crossing.svg",
        language="en-US" if language == ENGLISH else language,  # type: ignore[arg-type]
        tailwind=False,
        reconnect_timeout=30,
        timeout_graceful_shutdown=1,
        show_welcome_message=False,
        **files,
    )


def _show_fault(fault: Exception) -> None:
    """Say on the page what went wrong, without path or traceback; those go to the terminal."""
    show_error(fault if isinstance(fault, DecussaError) else None)


def _without_needless_traceback(record: logging.LogRecord) -> bool:
    """Leave a sentence of what a person must act on, such as an address that was typed wrong; faults keep their traceback."""
    if record.exc_info and isinstance(record.exc_info[1], DecussaError):
        record.exc_info = None
    return True


def _answer_nothing_here(request: Request, _: Exception) -> Response:
    with Client(page(""), request=request) as client:
        show_error(DecussaError("there is no such page", do="go back to the study"))
    return client.build_response(request, 404)
