"""The frame that every page stands in: head, the places, who it is about, and the mark of a rehearsal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from nicegui import ui

from decussa.model.errors import DecussaError
from decussa.screen.language import phrase
from decussa.screen.marks import crossing, say, text
from decussa.screen.places import STUDY, Place
from decussa.screen.visitor import reads_only, visitor
from decussa.screen.words import error_words

#: Patterns that every drawing may fill with; drawn once for each page.
_PATTERNS = (
    '<svg width="0" height="0" class="vh" aria-hidden="true"><defs>'
    '<pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<path class="hl" d="M0 0V7"/></pattern>'
    '<pattern id="hatch2" width="5" height="5" patternUnits="userSpaceOnUse"><path class="hl" d="M0 0V5"/></pattern>'
    "</defs></svg>"
)
#: How long a page may take to be made, in s: a slow machine reads for a while, and some sessions are summed up again.
PATIENCE_S = 60.0
_PLACES: tuple[Place, ...] = ("Study", "Prepare", "Run", "Read")


@contextmanager
def page_frame(
    title: str, place: Place, links: Mapping[Place, str], *, who: str = "", rehearsal: bool = False
) -> Iterator[ui.html]:
    """Put what is made inside under the head; gives the right of the head, whose content may change.

    Parameters
    ----------
    title
        The page's name, also the first heading for a reader.
    links
        Where each place leads from here; a place that is missing, or not for who looks, leads nowhere.
    who
        What stands on the right of the head, ready for the page.
    """
    ui.page_title(f"{title} · Decussa")
    ui.html(_PATTERNS, sanitize=False)
    if rehearsal:
        ui.html('<div class="hatchband"></div>', sanitize=False)
        ui.query("body").classes("reh")
    looking = visitor()
    if looking is not None and reads_only(looking):
        links = {name: to for name, to in links.items() if name in ("Study", "Read")}
    with ui.element("header").classes("top"):
        ui.html(_head(title, place, links), sanitize=False).classes("bare")
        right = ui.html(_right(who, rehearsal=rehearsal), sanitize=False).classes("who")
    yield right


def who_words(participant: str, session: str, more: str, *, rehearsal: bool) -> str:
    """Return what the right of the head says: who it is about and what is written."""
    return _right(
        f'<span>{text(participant)}</span><small class="wide">{text(session)}</small><small class="jr">{text(more)}</small>',
        rehearsal=rehearsal,
    )


def show_error(error: DecussaError | None) -> None:
    """Fill a page with what went wrong; None is a fault of the program."""
    head, more = error_words(error)
    with page_frame("Something is wrong", "Study", {"Study": STUDY}):
        ui.html(
            f'<div class="pad"><p class="do halt">{say("halt", head, 30)}</p><p class="why">{text(more)}</p>'
            f'<p class="why"><a class="btn" href="{STUDY}">Study</a></p></div>',
            sanitize=False,
        )


def _right(who: str, *, rehearsal: bool) -> str:
    return ('<span class="tag">Rehearsal</span>' if rehearsal else "") + who


def _head(title: str, place: Place, links: Mapping[Place, str]) -> str:
    named = "".join(_place(name, links.get(name, ""), here=name == place) for name in _PLACES)
    home = f'href="{STUDY}" aria-label="{phrase("Decussa, all studies")}"'
    return (
        f'<h1 class="vh">{text(title)}</h1><a class="brand" {home}>{crossing(26)}<b>Decussa</b></a>'
        f'<nav class="places" aria-label="Places">{named}</nav>'
    )


def _place(name: str, link: str, *, here: bool) -> str:
    if here:
        inner = f'<a aria-current="page" href="{text(link)}">{name}</a>' if link else name
        return f'<span class="here">{inner}</span>'
    return f'<span><a href="{text(link)}">{name}</a></span>' if link else f'<span class="off">{name}</span>'
