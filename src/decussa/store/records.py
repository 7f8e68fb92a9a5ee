"""What an entry of a journal may hold besides requests and replies: a closed set of frozen records."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from decussa.model.dialogue import Reply, Request
from decussa.model.estimate import Estimate
from decussa.store.preparing import Preparing


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyCreated:
    """Which protocol the study was locked to; ``version`` is the program's."""

    protocol: str
    protocol_sha256: str
    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ParticipantAdded:
    """A participant, by pseudonym."""

    pseudonym: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionOpened:
    """A session of a participant; ``session`` is the name of its journal."""

    session: str
    pseudonym: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingKept:
    """A file taken into ``recordings``; ``file`` counts from there."""

    file: str
    pseudonym: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawn:
    """A participant withdrew; the numbers say how much was wiped."""

    pseudonym: str
    entries: int
    sweeps: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Started:
    """What a session starts from: enough to build the same plan again. ``settings`` are further arguments of the plan."""

    protocol_sha256: str
    source: str
    version: str
    seed: int = 0
    operator: str = ""
    settings: Mapping[str, str | float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """Words of the operator (by code, not by name), or why something was done."""

    text: str
    operator: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepMark:
    """A step of the protocol the operator acted on."""

    step: str
    reason: str = ""
    operator: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepFound:
    """What a step found, by quantity: a fresh plan can start from here."""

    step: str
    results: Mapping[str, Estimate] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class AdverseEvent:
    """Something untoward: what, how bad, what was done."""

    event: str
    severity: Literal["mild", "moderate", "severe"]
    action: str
    text: str = ""
    operator: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """Discomfort rated by the participant, 0 to 10, at an intensity in % MSO (NaN: not at a pulse)."""

    rating: float
    intensity_mso: float = math.nan
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnaskedPulse:
    """Pulses of one stimulus that were seen although nobody asked for it, ``ago_s`` seconds before this was written."""

    pulses: int = 1
    ago_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TorqueRange:
    """Torque in one maximal effort of a step, in the stream's unit: at rest, and the most that was held for half a second."""

    muscle: str
    step: str
    rest: float
    most: float
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowUpDue:
    """Somebody is to ask the participant again: about what, and when (UTC)."""

    what: str
    due_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """One condition for the first pulse, such as consent; only the outcome, never a health answer."""

    gate: str
    passed: bool
    operator: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Remeasured:
    """An old sweep measured again; ``entry`` is the number of its answer."""

    entry: int
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What is wrong in an earlier entry, which stays as it is."""

    entry: int
    text: str
    operator: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewBegun:
    """A rater begins to review a session; ``number`` counts its raters from 1.

    ``blind``: conditions, intensities, order and other raters stay hidden. ``seed`` is what shuffles the order then.
    ``verified``: the rater proved to be who they say with their PIN.
    """

    rater: str
    number: int
    blind: bool
    seed: int
    version: str
    verified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Reviewed:
    """What a rater says of one trial, beside the automatic value, which stays.

    ``entry`` is the number of the trial's answer, ``what`` is ``seen`` (kept as it was), ``verdict`` or a mark in ms from
    the test pulse: ``onset_ms``, ``end_ms``, ``silent_end_ms``, ``window_start_ms`` or ``window_end_ms``. ``undoes`` is the
    number of the entry that this one takes back, 0 where it takes none back.
    """

    entry: int
    muscle: str
    what: str
    old: str | float
    new: str | float
    rater: str
    number: int
    blind: bool
    reason: str = ""
    undoes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Unblinded:
    """A blind rater looked at what was hidden; what follows is not blind."""

    rater: str
    number: int
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanChanged:
    """On reopening, the plan asks something else than entry ``entry`` holds; None: it asks nothing more."""

    entry: int
    now: Request | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenerFailed:
    """A screen or another guest failed; the session went on."""

    listener: str
    error: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Values measured from one sweep, by channel and quantity, and what made them.

    ``method`` names methods and settings, ``version`` the program's version.
    """

    values: Mapping[str, Mapping[str, float]]
    method: str
    version: str


Event = (
    StudyCreated
    | ParticipantAdded
    | SessionOpened
    | RecordingKept
    | Withdrawn
    | Started
    | Remark
    | StepMark
    | StepFound
    | AdverseEvent
    | Tolerance
    | UnaskedPulse
    | TorqueRange
    | FollowUpDue
    | Gate
    | Remeasured
    | Correction
    | ReviewBegun
    | Reviewed
    | Unblinded
    | PlanChanged
    | ListenerFailed
    | Preparing
)
Body = Request | Reply | Event
