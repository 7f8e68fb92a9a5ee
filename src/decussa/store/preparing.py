"""What an entry holds of the time before the first pulse, and of the day after: outcomes only, never a health answer.

Who confirmed something stands in it by code; ``verified`` says whether they typed their personal PIN. The name that belongs to
a code, the answers to the screening and the words of a decision lie in the private file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from decussa.quality.finding import Finding

#: What came of a screening: nothing flagged, somebody entitled must decide, or excluded.
Outcome = Literal["go", "review", "stop"]
#: What somebody entitled may decide about a flagged answer.
Decision = Literal["may take part", "may not take part"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Consent:
    """A signed consent: version of the form, day of the signature (ISO 8601), and what it allows besides taking part."""

    form: str
    signed_on: str
    allows: tuple[str, ...] = ()
    operator: str = ""
    verified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Screened:
    """The outcome of a screening by the form of this version; it holds until ``expires`` (UTC)."""

    version: str
    outcome: Outcome
    expires: str
    operator: str = ""
    verified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """What a physician or principal investigator decided and signed about a screening that flagged an answer."""

    decision: Decision
    role: str
    expires: str
    operator: str = ""
    verified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ElectrodesOn:
    """Where a muscle's electrodes are: placement and skin in words; distance between centres, impedance NaN if not measured."""

    muscle: str
    placement: str
    skin: str = ""
    distance_mm: float = math.nan
    impedance_kohm: float = math.nan
    operator: str = ""
    verified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadMeasured:
    """Both arcs over the head, by tape: nasion to inion, and left to right tragus over the vertex."""

    nasion_inion_cm: float
    ear_to_ear_cm: float
    operator: str = ""
    verified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonDescribed:
    """What a latency is read against: body height (NaN: not known) and the preferred hand."""

    height_cm: float = math.nan
    hand: Literal["right", "left", "both", ""] = ""
    operator: str = ""
    verified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmed:
    """An item of the preparation that holds, or (``holds`` False) was taken back."""

    item: str
    holds: bool = True
    note: str = ""
    operator: str = ""
    verified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Waived:
    """An item of the preparation that is passed although it does not hold, by somebody entitled to, with the reason."""

    item: str
    role: str
    reason: str
    operator: str = ""
    verified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalChecked:
    """What a check of the signals found, from which source (such as ``stream``): every figure with its verdict."""

    source: str
    findings: tuple[Finding, ...]
    operator: str = ""
    verified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteAccepted:
    """The set-up of a lab as somebody accepted it for a study: what was checked, with figures, and their words."""

    source: str
    findings: tuple[Finding, ...]
    words: str = ""
    operator: str = ""
    verified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionPlanned:
    """When a session is to take place: day and time of the lab's clock, without a zone; empty: no longer planned."""

    session: str
    planned_for: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorAdded:
    """Somebody who works here, by code; ``has_pin`` says whether acts under this code can be verified."""

    operator: str
    role: str
    has_pin: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PinChanged:
    """Somebody's PIN is another from now on; ``first`` where there was none before."""

    operator: str
    first: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowedUp:
    """The participant was asked on a later day; something to report is an adverse event of its own."""

    outcome: Literal["nothing to report", "something to report", "not reached"]
    operator: str = ""
    verified: bool = False


Preparing = (
    Consent
    | Screened
    | Decided
    | ElectrodesOn
    | HeadMeasured
    | PersonDescribed
    | Confirmed
    | Waived
    | SessionPlanned
    | OperatorAdded
    | PinChanged
    | FollowedUp
    | SignalChecked
    | SiteAccepted
)
