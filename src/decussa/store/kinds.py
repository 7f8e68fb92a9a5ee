"""The closed list of what can happen, with the record each kind of entry holds and an example of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from decussa.model.dialogue import Deliver, Lost, Refused, Reply, Request, Rest, Trial
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.model.trial import Verdict
from decussa.quality.finding import Finding
from decussa.store import preparing as p
from decussa.store import records as r

Kind = Literal[
    "study created",
    "participant added",
    "session opened",
    "recording kept",
    "withdrawn",
    "operator added",
    "pin changed",
    "session planned",
    "consent",
    "screened",
    "decided",
    "electrodes",
    "head measured",
    "person described",
    "signal checked",
    "site accepted",
    "confirmed",
    "waived",
    "started",
    "gate",
    "asked",
    "answered",
    "refused",
    "lost",
    "pulse not asked for",
    "torque measured",
    "step found",
    "step skipped",
    "step redone",
    "tolerance",
    "adverse event",
    "note",
    "correction",
    "review begun",
    "reviewed",
    "unblinded",
    "paused",
    "resumed",
    "plan changed",
    "listener failed",
    "remeasured",
    "stopped",
    "finished",
    "follow-up due",
    "followed up",
]


@dataclass(frozen=True, slots=True)
class KindOfEntry:
    """What an entry of this kind says, the records it may hold, and one of them."""

    meaning: str
    holds: tuple[type, ...]
    example: r.Body


_HASH = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"

_FINDING = Finding(
    check="noise at rest", channel="FCR left", state="good", words="3.1 µV RMS, limit 10.", value=3.1, low=2.9, high=3.4,
    unit="µV RMS", method="median of stretches", n=52,
)  # fmt: skip
KINDS: dict[Kind, KindOfEntry] = {
    "study created": KindOfEntry(
        "The study was made and its protocol locked; the first entry of the journal `study`.",
        (r.StudyCreated,),
        r.StudyCreated(protocol="forearm", protocol_sha256=_HASH, version="0.1.0"),
    ),
    "participant added": KindOfEntry(
        "A participant was added, by pseudonym.", (r.ParticipantAdded,), r.ParticipantAdded(pseudonym="P07")
    ),
    "session opened": KindOfEntry(
        "A participant got a new session, with a journal of that name.",
        (r.SessionOpened,),
        r.SessionOpened(session="P07-1", pseudonym="P07"),
    ),
    "recording kept": KindOfEntry(
        "A file was taken into `recordings` as it is.",
        (r.RecordingKept,),
        r.RecordingKept(file="P07/rest.edf", pseudonym="P07", sha256=_HASH),
    ),
    "withdrawn": KindOfEntry(
        "A participant withdrew; sweeps, answers and notes were wiped, the hashes stay.",
        (r.Withdrawn,),
        r.Withdrawn(pseudonym="P07", entries=412, sweeps=301),
    ),
    "operator added": KindOfEntry(
        "Somebody who works here got a code and a role; the name lies in the private file.",
        (p.OperatorAdded,),
        p.OperatorAdded(operator="PI1", role="principal investigator", has_pin=True),
    ),
    "pin changed": KindOfEntry(
        "Somebody who works here got another PIN, or a first one.",
        (p.PinChanged,),
        p.PinChanged(operator="PI1", first=False),
    ),
    "session planned": KindOfEntry(
        "A session got a day and a time.",
        (p.SessionPlanned,),
        p.SessionPlanned(session="P07-1", planned_for="2026-03-02T14:00"),
    ),
    "consent": KindOfEntry(
        "The consent form was seen, signed.",
        (p.Consent,),
        p.Consent(form="2.1", signed_on="2026-03-02", allows=("sharing of data",), operator="OP1", verified=True),
    ),
    "screened": KindOfEntry(
        "The screening was asked; what was answered lies in the private file.",
        (p.Screened,),
        p.Screened(version="1", outcome="review", expires="2026-03-02T23:00:00Z", operator="OP1", verified=True),
    ),
    "decided": KindOfEntry(
        "Somebody entitled to decided about a flagged answer, and signed.",
        (p.Decided,),
        p.Decided(
            decision="may take part", role="physician", expires="2026-03-02T23:00:00Z", operator="DR1", verified=True
        ),
    ),
    "electrodes": KindOfEntry(
        "A muscle's electrodes are on.",
        (p.ElectrodesOn,),
        p.ElectrodesOn(
            muscle="FCR left",
            placement="one third from elbow to wrist",
            skin="cleaned with alcohol",
            distance_mm=20,
            impedance_kohm=6,
            operator="OP1",
        ),
    ),
    "head measured": KindOfEntry(
        "Both arcs over the head were measured; the vertex is half of each.",
        (p.HeadMeasured,),
        p.HeadMeasured(nasion_inion_cm=36, ear_to_ear_cm=38, operator="OP1"),
    ),
    "person described": KindOfEntry(
        "Height and preferred hand were noted.", (p.PersonDescribed,), p.PersonDescribed(height_cm=172, hand="right")
    ),
    "signal checked": KindOfEntry(
        "The signals were looked at before the first pulse: noise, mains, offset, range, leads, trigger, rate.",
        (p.SignalChecked,),
        p.SignalChecked(source="stream", findings=(_FINDING,), operator="OP1"),
    ),
    "site accepted": KindOfEntry(
        "The set-up of a lab was checked and accepted for the study; in the journal `study`.",
        (p.SiteAccepted,),
        p.SiteAccepted(source="stream", findings=(_FINDING,), words="new amplifier", operator="PI1", verified=True),
    ),
    "confirmed": KindOfEntry(
        "An item of the preparation holds, or was taken back.",
        (p.Confirmed,),
        p.Confirmed(item="ear protection", note="foam plugs, both", operator="OP1", verified=True),
    ),
    "waived": KindOfEntry(
        "An item of the preparation was passed although it does not hold.",
        (p.Waived,),
        p.Waived(item="vertex", role="operator", reason="site taken from last time", operator="OP1", verified=True),
    ),
    "started": KindOfEntry(
        "The session's plan was started, with all that is needed to build the same plan again.",
        (r.Started,),
        r.Started(protocol_sha256=_HASH, source="virtual", version="0.1.0", seed=7, operator="OP1"),
    ),
    "gate": KindOfEntry(
        "A condition for the first pulse was confirmed or not.",
        (r.Gate,),
        r.Gate(gate="ear protection", passed=True, operator="OP1"),
    ),
    "asked": KindOfEntry(
        "What the plan asks for, written before anybody else hears of it.",
        get_args(Request),
        Deliver(stimulus=Stimulus.single(54), step="threshold", muscle="FCR left", why="near the threshold"),
    ),
    "answered": KindOfEntry(
        "What came back, with the sweep and the measured values of a stimulus, written before anything is decided from it.",
        tuple(reply for reply in get_args(Reply) if reply not in (Refused, Lost)),
        Trial(number=12, values={"FCR left": {"amplitude_uv": 83.5}}, verdict=Verdict("accept")),
    ),
    "refused": KindOfEntry(
        "A stimulus was not given because a limit forbids it.",
        (Refused,),
        Refused(limit="ceiling", reason="92 % MSO is above the protocol's ceiling of 90 % MSO"),
    ),
    "lost": KindOfEntry(
        "A stimulus has no stored answer; the operator says whether it was given.",
        (Lost,),
        Lost(given="given and lost", reason="the computer restarted"),
    ),
    "pulse not asked for": KindOfEntry(
        "A live stream shows a pulse that no stimulus asked for: the person got it, so it counts towards the limits.",
        (r.UnaskedPulse,),
        r.UnaskedPulse(pulses=1, ago_s=0.62),
    ),
    "torque measured": KindOfEntry(
        "A live stream shows the torque of a maximal effort: contractions are compared with it.",
        (r.TorqueRange,),
        r.TorqueRange(muscle="FCR left", step="mvc FCR left", rest=0.4, most=31.6, unit="Nm"),
    ),
    "step found": KindOfEntry(
        "A step of the protocol ended, with what it found.",
        (r.StepFound,),
        r.StepFound(
            step="threshold", results={"rmt": Estimate(value=51, low=49.5, high=52.6, n=18, method="adaptive")}
        ),
    ),
    "step skipped": KindOfEntry(
        "The operator skipped a step.", (r.StepMark,), r.StepMark(step="mmax", reason="not tolerated", operator="OP1")
    ),
    "step redone": KindOfEntry(
        "The operator has a step done again; its earlier entries stay.",
        (r.StepMark,),
        r.StepMark(step="hotspot", reason="the cap had moved", operator="OP1"),
    ),
    "tolerance": KindOfEntry(
        "The participant rated discomfort.", (r.Tolerance,), r.Tolerance(rating=3, intensity_mso=60)
    ),
    "adverse event": KindOfEntry(
        "Something untoward happened to the participant.",
        (r.AdverseEvent,),
        r.AdverseEvent(event="headache", severity="mild", action="paused, water", operator="OP1"),
    ),
    "note": KindOfEntry(
        "Words of the operator.", (r.Remark,), r.Remark(text="electrode 2 pressed on again", operator="OP1")
    ),
    "correction": KindOfEntry(
        "An earlier entry is wrong; it stays, this one says what is right.",
        (r.Correction,),
        r.Correction(entry=31, text="the coil current was reversed from here", operator="OP1"),
    ),
    "review begun": KindOfEntry(
        "A rater begins to review the session, with the marks and verdicts of a layer of their own.",
        (r.ReviewBegun,),
        r.ReviewBegun(rater="AB", number=2, blind=True, seed=4711, version="0.1.0"),
    ),
    "reviewed": KindOfEntry(
        "A rater gave a verdict, moved a mark, or kept a trial as it was; the automatic values stay.",
        (r.Reviewed,),
        r.Reviewed(entry=31, muscle="FCR left", what="onset_ms", old=17.1, new=17.4, rater="AB", number=2, blind=True),
    ),
    "unblinded": KindOfEntry(
        "A blind rater looked at what was hidden.",
        (r.Unblinded,),
        r.Unblinded(rater="AB", number=2, reason="all sweeps are seen"),
    ),
    "paused": KindOfEntry(
        "The session was paused.", (r.Remark,), r.Remark(text="participant needs a break", operator="OP1")
    ),
    "resumed": KindOfEntry(
        "The session went on, after a pause or after being reopened.", (r.Remark,), r.Remark(text="reopened")
    ),
    "plan changed": KindOfEntry(
        "On reopening, the plan did not ask what an earlier entry holds.",
        (r.PlanChanged,),
        r.PlanChanged(entry=17, now=Rest(seconds=60, step="threshold")),
    ),
    "listener failed": KindOfEntry(
        "A screen or another onlooker failed; the session went on without it.",
        (r.ListenerFailed,),
        r.ListenerFailed(listener="run page", error="connection closed"),
    ),
    "remeasured": KindOfEntry(
        "An old sweep was measured again; the new values stand beside the old ones.",
        (r.Remeasured,),
        r.Remeasured(entry=18, reason="window changed to 12 to 45 ms"),
    ),
    "stopped": KindOfEntry("The session was ended before its plan was.", (r.Remark,), r.Remark(text="end of the day")),
    "finished": KindOfEntry(
        "The plan came to its end, with what the whole session found.",
        (r.StepFound,),
        r.StepFound(step="session", results={"rmt": Estimate(value=51, low=49.5, high=52.6, n=18, method="adaptive")}),
    ),
    "follow-up due": KindOfEntry(
        "The participant is to be asked again on a later day; most complaints come after the session.",
        (r.FollowUpDue,),
        r.FollowUpDue(what="follow-up", due_at="2026-03-02T11:05:00.000Z"),
    ),
    "followed up": KindOfEntry(
        "The participant was asked on a later day how it went since.",
        (p.FollowedUp,),
        p.FollowedUp(outcome="nothing to report", operator="OP1"),
    ),
}


def check_kind(kind: Kind, body: r.Body) -> None:
    """Refuse a kind that is not in the list, or a record that does not belong to it.

    Raises
    ------
    UsageError
        With the kinds, or the records, that would be right.
    """
    if kind not in KINDS:
        raise UsageError("kind of entry is not known", expected=", ".join(KINDS), found=repr(kind))
    if type(body) not in KINDS[kind].holds:
        raise UsageError(
            f"entry '{kind}' cannot hold this record",
            expected=" or ".join(held.__name__ for held in KINDS[kind].holds),
            found=type(body).__name__,
        )
