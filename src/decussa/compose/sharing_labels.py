"""What keeps a person from being recognised in shared data: labels that say nothing, dates that are shifted."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from decussa.model.errors import UsageError
from decussa.session.clock import from_text
from decussa.store.people import Participant, check_pseudonym, needs_confirmation

#: The data standard asks for shifted dates in 1925 or before: Brain Imaging Data Structure 1.11, common principles.
_SHIFTED_YEAR = 1924


def share_labels(people: Sequence[Participant], renamed: Mapping[str, str]) -> dict[str, str]:
    """Return the label in shared data of everybody who has not withdrawn, by pseudonym: letters and digits alone.

    Parameters
    ----------
    people : sequence of Participant
        Everybody in the study.
    renamed : mapping of str to str
        Other labels, by pseudonym, for those whose pseudonym should not be shared.

    Raises
    ------
    UsageError
        If a label looks like a name, an e-mail address or a birth date, two are alike, or nobody bears a pseudonym.
    """
    here = [person.pseudonym for person in people if not person.withdrawn]
    if unknown := [name for name in renamed if name not in here]:
        raise UsageError(
            "nobody to share bears this pseudonym", expected=", ".join(here) or "nobody yet", found=", ".join(unknown)
        )
    labels: dict[str, str] = {}
    for pseudonym in here:
        label = _label(pseudonym, renamed.get(pseudonym, pseudonym))
        twin = next((other for other, own in labels.items() if own.lower() == label.lower()), None)
        if twin is not None:
            raise UsageError(
                "two participants would share a label",
                where=f"{twin} and {pseudonym}",
                found=label,
                do=f"give one another label: --label {pseudonym}=P01",
            )
        labels[pseudonym] = label
    return labels


def _label(pseudonym: str, wanted: str) -> str:
    refuse_telling(
        wanted,
        where=f"participant {pseudonym}",
        do=f"give a label that says nothing: --label {pseudonym}=P01",
    )
    return re.sub("[^A-Za-z0-9]", "", wanted)


def refuse_telling(wanted: str, *, where: str, do: str, confirmed: bool = False) -> None:
    """Refuse what is no pseudonym or, where nobody confirmed it, may give a person away; ``do`` is what helps here.

    Raises
    ------
    UsageError
        With what to do instead.
    """
    try:
        check_pseudonym(wanted)
    except UsageError as error:
        raise UsageError(error.what, where=where, expected=error.expected, found=error.found, do=do) from error
    if not confirmed and (doubt := needs_confirmation(wanted)):
        raise UsageError("pseudonym may give the person away", where=where, found=doubt, do=do)


def rater_labels(raters: Sequence[str]) -> dict[str, str]:
    """Return how raters appear in shared data: by their code, or by a number where the code looks like a name."""
    labels = {}
    for number, code in enumerate(raters, start=1):
        try:
            check_pseudonym(code)
            doubt = needs_confirmation(code)
        except UsageError as error:
            doubt = error.what
        labels[code] = f"rater-{number}" if doubt else code
    return labels


def shift_days(secret: str, pseudonym: str, first: str) -> int:
    """Return by how many days a participant's dates are moved, so that the first falls in a year long past.

    The same study always gives the same days; without ``secret``, a hash that never leaves the study, nobody can undo it.
    Time of day and the days between sessions stay as they are.
    """
    digest = hashlib.sha256(f"{secret} {pseudonym}".encode()).digest()
    target = datetime(_SHIFTED_YEAR, 1, 1, tzinfo=from_text(first).tzinfo) + timedelta(
        days=int.from_bytes(digest[:8], "big") % 366
    )
    return (target.date() - from_text(first).date()).days
