"""What a report says of a session's preparation: who confirmed and signed what, what was passed, and whether that is verified."""

from __future__ import annotations

import math
from collections.abc import Sequence

from decussa.compose.preparing import local_midnight
from decussa.protocol.schema import Protocol
from decussa.session.clock import from_text, to_text
from decussa.session.preparation import SIGNALS, Item, by_whom, preparation_of
from decussa.store.chain import Entry
from decussa.store.preparing import PersonDescribed, SignalChecked


def preparation_facts(entries: Sequence[Entry], protocol: Protocol) -> dict[str, str]:
    """Return facts by name as they stood when the session was first started; none where nothing was prepared.

    Operators appear by code; what was flagged in the screening and why somebody decided as they did is not told.
    """
    started = next((entry.at for entry in entries if entry.kind == "started"), None)
    if started is None:
        return {}
    before = [entry for entry in entries if from_text(entry.at) <= from_text(started)]
    midnight = to_text(local_midnight(from_text(started)))
    prepared = preparation_of(before, protocol, day_began=midnight, now=started)
    groups: dict[str, list[Item]] = {}
    looked = any(isinstance(entry.body, SignalChecked) for entry in before)
    for item in prepared.items:
        is_settled = item.state in ("done", "passed", "refused") and not item.optional
        # What a look at the signals found is told whatever it was: the session went on from there.
        if is_settled or (item.key == SIGNALS and looked):
            name = f"Electrodes, {item.title}" if item.form == "electrodes" else item.group
            groups.setdefault(name, []).append(item)
    facts = {name: "; ".join(_told(item) for item in items) for name, items in groups.items()}
    return facts | _person(before) if facts else {}


def _told(item: Item) -> str:
    said = item.note if item.form == "electrodes" else f"{item.title}: {item.note}"
    return f"{said} ({by_whom(item.by, verified=item.verified)})"


def _person(entries: Sequence[Entry]) -> dict[str, str]:
    """Return height and hand under the names that a report knows them by."""
    described = [entry.body for entry in entries if isinstance(entry.body, PersonDescribed)]
    if not described:
        return {}
    facts: dict[str, str] = {"Handedness": described[-1].hand} if described[-1].hand else {}
    if not math.isnan(described[-1].height_cm):
        facts["Height (cm)"] = f"{described[-1].height_cm:g}"
    return facts
