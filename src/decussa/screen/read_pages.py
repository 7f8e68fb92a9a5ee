"""Adds every page of Read; they share one shelf of open sessions."""

from __future__ import annotations

from decussa.screen import read_review
from decussa.screen.reading import Shelf
from decussa.screen.running import Desk


def add_pages(desk: Desk) -> None:
    """Add the pages of Read for the sessions of a desk."""
    shelf = Shelf(desk)
    for page in (read_review,):
        page.add_pages(shelf)
