"""The frame that every page stands in: head, the places, who it is about, and the mark of a rehearsal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Literal

from nicegui import ui

from decussa.screen.marks import crossing, text

Place = Literal["Study", "Prepare", "Run", "Read"]
#: Patterns that every drawing may fill with; drawn once for each page.
_PATTERNS = (
    '<svg width="0" height="0" class="vh" aria-hidden="true"><defs>'
    '<pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<path class="hl" d="M0 0V7"/></pattern>'
    '<pattern id="hatch2" width="5" height="5" patternUnits="userSpaceOnUse"><path class="hl" d="M0 0V5"/></pattern>'
    "</defs></svg>"
)


@contextmanager
def page_frame(
    title: str, place: Place, links: Mapping[Place, str], *, who: str = "", rehearsal: bool = False
) -> Iterator[None]:
    """Put what is made inside under the head.

    Parameters
    ----------
    title
        The page's name, also the first heading for a reader.
    links
        Where each place leads from here; a place that is missing leads nowhere yet.
    who
        What stands on the right of the head, ready for the page.
    """
    ui.page_title(f"{title} · Decussa")
    ui.add_head_html('<script>document.documentElement.lang="en"</script>')
    ui.html(_PATTERNS, sanitize=False)
    if rehearsal:
        ui.html('<div class="hatchband"></div>', sanitize=False)
        ui.query("body").classes("reh")
    ui.html(_head(title, place, links, who, rehearsal=rehearsal), sanitize=False, tag="header").classes("top")
    yield


def _head(title: str, place: Place, links: Mapping[Place, str], who: str, *, rehearsal: bool) -> str:
    places: tuple[Place, ...] = ("Study", "Prepare", "Run", "Read")
    named = "".join(_place(name, links.get(name, ""), here=name == place) for name in places)
    tag = '<span class="tag">rehearsal</span>' if rehearsal else ""
    return (
        f'<h1 class="vh">{text(title)}</h1><a class="brand" href="/">{crossing(26)}<b>Decussa</b></a>'
        f'<nav class="places" aria-label="Places">{named}</nav><div class="who">{tag}{who}</div>'
    )


def _place(name: str, link: str, *, here: bool) -> str:
    if here:
        return (
            f'<a class="here" aria-current="page" href="{text(link)}">{name}</a>'
            if link
            else f'<span class="here">{name}</span>'
        )
    return f'<a href="{text(link)}">{name}</a>' if link else f'<span class="off">{name}</span>'
