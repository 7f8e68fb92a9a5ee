"""Where pages are: the address of each place, and how a page of one session leads to the others."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal
from urllib.parse import quote

Place = Literal["Study", "Prepare", "Run", "Read"]

STUDY = "/"
PREPARE = "/prepare/{study}/{session}"
RUN = "/run/{study}/{session}"
READ = "/read/{study}/{session}"
DEBRIEF = "/read/{study}/{session}/debrief"
REPORT = "/read/{study}/{session}/report"


def address(place: str, study: str, session: str) -> str:
    """Return the address of a page about one session; ``place`` is one of the addresses above."""
    return place.format(study=quote(study, safe=""), session=quote(session, safe=""))


def links_of(study: str = "", session: str = "", *, rehearsal: bool = False) -> Mapping[Place, str]:
    """Return where each place leads from a page about one session; a rehearsal needs no preparing."""
    if not session:
        return {"Study": STUDY}
    links: dict[Place, str] = {
        "Study": STUDY,
        "Run": address(RUN, study, session),
        "Read": address(READ, study, session),
    }
    if not rehearsal:
        links["Prepare"] = address(PREPARE, study, session)
    return links
