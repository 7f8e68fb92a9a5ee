"""Starts the program for the browser: on this machine alone, for one folder of studies."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from nicegui import app, ui

from decussa.screen.running import Desk

ASSETS = Path(__file__).parent / "assets"
#: Each adds its pages for a desk; pages are named here and nowhere else.
PAGES: tuple[Callable[[Desk], None], ...] = ()


def build(root: Path) -> Desk:
    """Make every page for the studies in ``root``; return the desk they share."""
    desk = Desk(root)
    app.add_static_files("/assets", ASSETS, follow_symlink=False)
    for sheet in sorted(ASSETS.glob("*.css")):
        ui.add_head_html(f'<link rel="stylesheet" href="/assets/{sheet.name}">', shared=True)
    for add_pages in PAGES:
        add_pages(desk)
    return desk


def serve(root: Path, *, port: int) -> None:
    """Serve the pages on 127.0.0.1 until the program is stopped."""
    build(root)
    ui.run(host="127.0.0.1", port=port, show=False, reload=False, title="Decussa", show_welcome_message=False)
