"""What is open before the first pulse: what was said last of each thing, held against the protocol. Pure, like the live view.

Each item is done, open, to be signed, refused, or passed by somebody entitled to. Nothing with pulses opens until none is open.
What protects a person (consent, screening, ear protection, the stop signal) has nobody who could pass it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from decussa.protocol.head import find_vertex, site_sentence
from decussa.protocol.schema import Protocol, ProtocolMuscle
from decussa.quality.finding import objections, worst
from decussa.session.last_words import CONSENT, PERSON, SCREENING, VERTEX, LastWords, last_words
from decussa.store.chain import Entry
from decussa.store.operators import Role
from decussa.store.preparing import (
    Confirmed,
    Consent,
    Decided,
    ElectrodesOn,
    HeadMeasured,
    PersonDescribed,
    Screened,
    SignalChecked,
)

ItemState = Literal["done", "open", "to be signed", "refused", "passed"]
#: How an item is done: by a form of its own, or by confirming it with a note.
Form = Literal["consent", "screening", "electrodes", "signals", "head", "person", "confirm"]
NOT_VERIFIED = "identity not verified"

WITHDRAWAL, NERVE, START_SITE = "stopping and withdrawing explained", "nerve stimulation", "start site"
SECOND, EMERGENCY, EARS, STOP = "second person", "emergency plan", "ear protection", "stop signal"
SIGNALS = "signals"
#: The engine's gates, and the item of the preparation that each rests upon.
GATE_OF: Mapping[str, str] = {
    CONSENT: "consent signed",
    SCREENING: "screening valid today",
    EARS: "ear protection on participant and operator",
    SECOND: "second trained person present",
    STOP: "participant knows how to stop",
}
_ANYBODY: tuple[Role, ...] = ("operator", "principal investigator", "physician")
#: Who may pass an item that does not hold; an item that is not named is never passed (common practice, no source).
_MAY_PASS: Mapping[str, tuple[Role, ...]] = {
    NERVE: ("physician",),
    SECOND: ("principal investigator",),
    EMERGENCY: ("principal investigator",),
    VERTEX: _ANYBODY,
    START_SITE: _ANYBODY,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing to be done before the first pulse.

    ``note`` says what was found or is expected, ``by`` whose code did it (empty: nobody yet), ``optional`` items never keep a
    session closed, ``may_pass`` are the roles that may pass it as it is.
    """

    key: str
    group: str
    title: str
    form: Form
    state: ItemState = "open"
    note: str = ""
    by: str = ""
    verified: bool = False
    optional: bool = False
    may_pass: tuple[Role, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Preparation:
    """All items in order, with what the last consent, screening and head measurement say."""

    items: tuple[Item, ...]
    consent: Consent | None = None
    screened: Screened | None = None
    decided: Decided | None = None
    head: HeadMeasured | None = None

    @property
    def open_items(self) -> tuple[Item, ...]:
        """Return what keeps the session closed."""
        return tuple(item for item in self.items if not item.optional and item.state not in ("done", "passed"))

    @property
    def gates_that_hold(self) -> frozenset[str]:
        """Return the engine's gates that rest on a done or passed item."""
        return frozenset(
            GATE_OF[item.key] for item in self.items if item.key in GATE_OF and item.state in ("done", "passed")
        )

    @property
    def prepared_by(self) -> str:
        """Return whose code did the last of the checks; empty where nobody gave one."""
        codes = [item.by for item in self.items if item.by and item.state == "done"]
        return codes[-1] if codes else ""


def preparation_of(entries: Sequence[Entry], protocol: Protocol, *, day_began: str, now: str) -> Preparation:
    """Return what is done and what is open.

    Parameters
    ----------
    entries : sequence of Entry
        The session's journal.
    day_began, now : str
        Midnight of the lab's clock, and now; both UTC in ISO 8601. What was confirmed before midnight is open again.
    """
    known = last_words(entries, day_began, now)
    items = [
        _consent(known),
        _confirmed(known, WITHDRAWAL, "Consent", "Stopping and withdrawing explained", "at any time, no reason needed"),
        _screening(known),
        *_nerve(known, protocol),
        *(_electrodes(known, muscle) for muscle in protocol.muscles),
        _signals(known),
        _vertex(known),
        *_start_site(known, protocol),
        _person(known),
        _confirmed(known, SECOND, "Last checks", "Second trained person", "whose code"),
        _confirmed(known, EMERGENCY, "Last checks", "Emergency plan known", "place to lie down, telephone, number"),
        _confirmed(known, EARS, "Last checks", "Ear protection", "participant and operator; kind is noted"),
        _confirmed(known, STOP, "Last checks", "Participant knows how to stop", "word or sign"),
    ]
    return Preparation(
        items=tuple(items), consent=known.consent, screened=known.screened, decided=known.decided, head=known.head
    )


def _consent(known: LastWords) -> Item:
    base = Item(key=CONSENT, group="Consent", title="Consent signed", form="consent", note="form and day of signature")
    if known.consent is None:
        return base
    allows = f"; allows {', '.join(known.consent.allows)}" if known.consent.allows else ""
    return _done(base, known.consent, f"form {known.consent.form}, signed {known.consent.signed_on}{allows}")


def _screening(known: LastWords) -> Item:
    base = Item(
        key=SCREENING,
        group="Screening",
        title="Screening valid today",
        form="screening",
        note="every topic, every visit",
    )
    screened, decided = known.screened, known.decided
    if screened is None:
        return base
    if screened.outcome == "go":
        return _done(base, screened, f"form {screened.version}, nothing flagged")
    if screened.outcome == "stop":
        said = "an answer excludes by default; only a protocol whose approval says so can have it reviewed"
        return replace(base, state="refused", note=said, by=screened.operator, verified=screened.verified)
    if decided is None:
        return replace(
            base, state="to be signed", note="a flagged answer is to be judged and signed", by=screened.operator
        )
    if decided.decision == "may not take part":
        said = f"{decided.role} decided: may not take part"
        return replace(base, state="refused", note=said, by=decided.operator, verified=decided.verified)
    return _done(base, decided, f"form {screened.version}, judged and signed by the {decided.role}")


def _nerve(known: LastWords, protocol: Protocol) -> tuple[Item, ...]:
    if not any(step.kind == "mmax" for step in protocol.steps):
        return ()
    said = "no implant, not across the chest, skin whole"
    return (_confirmed(known, NERVE, "Screening", "Nerve stimulation possible", said),)


def _electrodes(known: LastWords, muscle: ProtocolMuscle) -> Item:
    base = Item(
        key=muscle.label,
        group="Electrodes",
        title=muscle.label,
        form="electrodes",
        note=muscle.electrodes,
        may_pass=() if muscle.target else _ANYBODY,
    )
    on = known.electrodes.get(muscle.label)
    if on is None:
        return _passed(known, base)
    said = [on.placement, on.skin]
    said += [] if math.isnan(on.distance_mm) else [f"{on.distance_mm:g} mm apart"]
    said += [] if math.isnan(on.impedance_kohm) else [f"{on.impedance_kohm:g} kΩ"]
    return _done(base, on, "; ".join(part for part in said if part))


def _signals(known: LastWords) -> Item:
    base = Item(
        key=SIGNALS, group="Electrodes", title="Signals looked at", form="signals", optional=True,
        note="noise, mains, leads, trigger, rate: where the signal comes as a stream",
    )  # fmt: skip
    if known.signals is None:
        return base
    found = known.signals.findings
    wrong = objections(found)
    said = f"{sum(finding.state == 'good' for finding in found)} of {len(found)} good"
    done = _done(base, known.signals, f"{said}. {' '.join(wrong[:2])}".strip() if wrong else said)
    return replace(done, state="open") if worst(found) == "bad" else done


def _vertex(known: LastWords) -> Item:
    base = Item(
        key=VERTEX, group="Head", title="Vertex measured and marked", form="head", note="both arcs by tape",
        may_pass=_MAY_PASS[VERTEX],
    )  # fmt: skip
    if known.head is None:
        return _passed(known, base)
    return _done(base, known.head, find_vertex(known.head.nasion_inion_cm, known.head.ear_to_ear_cm).sentence())


def _start_site(known: LastWords, protocol: Protocol) -> tuple[Item, ...]:
    if "start_cm" not in protocol.coil.model_fields_set:
        return ()
    where = site_sentence(protocol.coil.start_cm, first_target(protocol).stim_side)
    return (_confirmed(known, START_SITE, "Head", "Start site marked", where),)


def first_target(protocol: Protocol) -> ProtocolMuscle:
    """Return the muscle whose hotspot is searched first."""
    return next((muscle for muscle in protocol.muscles if muscle.target), protocol.muscles[0])


def _person(known: LastWords) -> Item:
    base = Item(
        key=PERSON, group="Person", title="Height and preferred hand", form="person", optional=True,
        note="wanted: latencies are read against height",
    )  # fmt: skip
    if known.person is None:
        return base
    height = "" if math.isnan(known.person.height_cm) else f"{known.person.height_cm:g} cm"
    hand = f"hand: {known.person.hand}" if known.person.hand else ""
    return _done(base, known.person, ", ".join(part for part in (height, hand) if part))


def _confirmed(known: LastWords, key: str, group: str, title: str, expected: str) -> Item:
    base = Item(key=key, group=group, title=title, form="confirm", note=expected, may_pass=_MAY_PASS.get(key, ()))
    said = known.confirmed.get(key)
    if said is not None and said.holds:
        return _done(base, said, said.note or expected)
    return _passed(known, base)


def _passed(known: LastWords, item: Item) -> Item:
    waived = known.waived.get(item.key)
    if waived is None or waived.role not in item.may_pass:
        return item
    said = f"passed by the {waived.role}: {waived.reason}"
    return replace(item, state="passed", note=said, by=waived.operator, verified=waived.verified)


def by_whom(code: str, *, verified: bool) -> str:
    """Return who stands behind something, as a report says it."""
    who = code or "no code"
    return who if verified else f"{who}, {NOT_VERIFIED}"


_Signed = Consent | Screened | Decided | ElectrodesOn | HeadMeasured | PersonDescribed | Confirmed | SignalChecked


def _done(item: Item, body: _Signed, note: str) -> Item:
    return replace(item, state="done", note=note, by=body.operator, verified=body.verified)
