"""Adds every page of Read; they share one shelf of open sessions."""

from __future__ import annotations

from decussa.screen import read_agreement, read_debrief, read_report, read_results, read_review, read_table
from decussa.screen.desk import Desk
from decussa.screen.reading import Shelf


def add_pages(desk: Desk) -> None:
    """Add the pages of Read for the sessions of a desk."""
    shelf = Shelf(desk)
    for page in (read_results, read_review, read_table, read_agreement, read_report, read_debrief):
        page.add_pages(shelf)
