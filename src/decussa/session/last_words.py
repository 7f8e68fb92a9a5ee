"""The last word on each thing that is prepared and still holds now: a fold over a session's entries. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from decussa.session.clock import from_text
from decussa.store.chain import Entry
from decussa.store.preparing import (
    Confirmed,
    Consent,
    Decided,
    ElectrodesOn,
    HeadMeasured,
    PersonDescribed,
    Screened,
    SignalChecked,
    Waived,
)

#: Items with a record of their own, which is taken back where somebody confirms that it does not hold.
CONSENT, SCREENING, VERTEX, PERSON = "consent", "screening", "vertex", "person"
#: Records that hold for longer than the day on which they were written down.
_LASTING = (Consent, PersonDescribed)


@dataclass(slots=True)
class LastWords:
    """What was said last of each thing; nothing where nothing holds. By muscle and by item where there are several."""

    consent: Consent | None = None
    screened: Screened | None = None
    decided: Decided | None = None
    head: HeadMeasured | None = None
    person: PersonDescribed | None = None
    signals: SignalChecked | None = None
    electrodes: dict[str, ElectrodesOn] = field(default_factory=dict)
    confirmed: dict[str, Confirmed] = field(default_factory=dict)
    waived: dict[str, Waived] = field(default_factory=dict)


def last_words(entries: Sequence[Entry], day_began: str, now: str) -> LastWords:
    """Return what still holds ``now`` of what was written down since ``day_began``; both UTC in ISO 8601."""
    known = LastWords()
    midnight, moment = from_text(day_began), from_text(now)
    for entry in entries:
        if from_text(entry.at) >= midnight or isinstance(entry.body, _LASTING):
            _learn(known, entry.body)
    if known.screened is not None and from_text(known.screened.expires) <= moment:
        known.screened = known.decided = None
    if known.decided is not None and from_text(known.decided.expires) <= moment:
        known.decided = None
    return known


def _learn(known: LastWords, body: object) -> None:
    match body:
        case Consent():
            known.consent = body
        case Screened():
            # A decision is about the answers it was signed for.
            known.screened, known.decided = body, None
        case Decided():
            known.decided = body
        case HeadMeasured():
            known.head = body
        case PersonDescribed():
            known.person = body
        case ElectrodesOn():
            # What was seen of the leads is about electrodes that were there before.
            known.electrodes[body.muscle], known.signals = body, None
        case SignalChecked():
            known.signals = body
        case Waived():
            known.waived[body.item] = body
        case Confirmed():
            known.confirmed[body.item] = body
            if not body.holds:
                _take_back(known, body.item)


def _take_back(known: LastWords, item: str) -> None:
    known.waived.pop(item, None)
    known.electrodes.pop(item, None)
    if item == CONSENT:
        known.consent = None
    elif item == SCREENING:
        known.screened = known.decided = None
    elif item == VERTEX:
        known.head = None
    elif item == PERSON:
        known.person = None
