"""Who looks at a page: nobody in particular on this machine alone; on the lab's network whoever entered, and what they may do.

What reaches beyond the study (folders of this machine, who works here) is a principal investigator's there: whoever sits at
the machine itself could do all of it anyway, a window elsewhere could not.
"""

from __future__ import annotations

from nicegui import ui

from decussa.model.errors import UsageError
from decussa.screen.language import phrase
from decussa.store.operators import Identity

#: Where the door leaves who entered, in the scope of a request (ASGI).
ENTERED = "decussa.entered"


def visitor() -> Identity | None:
    """Return who entered the window that is being made; None on this machine alone."""
    who = ui.context.client.request.scope.get(ENTERED)
    return who if isinstance(who, Identity) else None


def reads_only(who: Identity) -> bool:
    """Whether somebody may read and nothing else."""
    return who.role == "reviewer"


def leads(who: Identity | None) -> bool:
    """Whether somebody may name folders of this machine and say who works here."""
    return who is None or who.role == "principal investigator"


def refuse_unless_leading(who: Identity | None, what: str) -> None:
    """Refuse what only a principal investigator does from a window on the network.

    Raises
    ------
    UsageError
        With ``what``, such as ``a folder of this machine cannot be named``.
    """
    if not leads(who):
        raise UsageError(
            what, expected="a principal investigator", found=who.role if who else "", do="do it at the machine itself"
        )


def place_words(who: Identity | None) -> str:
    """Return from where the pages are reached, and as whom."""
    return phrase("on this computer only") if who is None else phrase("on the network, as {code}", code=who.code)
