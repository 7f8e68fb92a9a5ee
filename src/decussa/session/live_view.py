"""What a screen shows of a session: a fold over its entries, the same after a reload as before."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from decussa.model.dialogue import Answer, Ask, Deliver, Lost, Refused, Rest, Show, Trial
from decussa.model.estimate import Estimate
from decussa.model.trial import VERDICTS
from decussa.session.clock import from_text
from decussa.session.lifecycle import Event, State, next_state
from decussa.session.operator import ALARM, NO_EVENT, verdict_said
from decussa.store.chain import Entry
from decussa.store.kinds import Kind
from decussa.store.records import (
    AdverseEvent,
    Correction,
    Gate,
    Remark,
    StepFound,
    StepMark,
    TorqueRange,
    UnaskedPulse,
)

#: Entries of those who read a session later: no part of how it went, nor of how long it took.
_AFTERWARDS: frozenset[Kind] = frozenset({"review begun", "reviewed", "unblinded"})
#: What an entry does to the state of its session; kinds that are not named change nothing.
_EVENTS: Mapping[Kind, Event] = {
    "started": "opened",
    "asked": "asked",
    "answered": "replied",
    "refused": "replied",
    "lost": "replied",
    "step skipped": "replied",
    "step redone": "replied",
    "paused": "held",
    "resumed": "went on",
    "stopped": "stopped",
    "finished": "ended",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """A stimulus of the running step that was answered: what was known after it, and the entry that holds its sweep.

    ``said`` is the operator's own verdict, empty where they let the rules' stand.
    """

    request: Deliver
    trial: Trial
    entry: int
    known: Mapping[str, Estimate] = field(default_factory=dict)
    said: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveView:
    """Everything a screen may show, and nothing it would have to work out.

    ``setting`` is the stimulus asked for now, ``question`` what is asked of the operator, ``rest`` a wait; at most one of
    them is there. ``counts`` are stimuli by verdict (accept, doubtful, reject, lost, refused), ``by_step`` the same by step.
    ``given`` are the answered stimuli of the running step, ``answers`` its answered questions, ``ended`` the
    steps that came to their end, ``skipped`` those that were left, ``curve`` what its plan would
    have drawn. ``hold`` says why
    nothing is asked for; ``alarm`` is whether that was the stop key, and nobody has said since what happened. ``last_reply``
    is what became of the stimulus before: a verdict, ``lost`` or ``refused``, with ``refusal`` as its reason.
    ``unasked`` are those of the ``pulses`` that nobody asked for; ``torque`` is that of the best effort, by muscle.
    """

    state: State = "new"
    step: str = ""
    setting: Deliver | None = None
    before: Deliver | None = None
    question: Ask | None = None
    rest: Rest | None = None
    last: Trial | None = None
    last_request: Deliver | None = None
    last_reply: str = ""
    refusal: str = ""
    results: Mapping[str, Estimate] = field(default_factory=dict)
    running: Mapping[str, Estimate] = field(default_factory=dict)
    curve: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    given: tuple[Given, ...] = ()
    answers: tuple[tuple[Ask, str | float], ...] = ()
    ended: tuple[str, ...] = ()
    skipped: tuple[str, ...] = ()
    text: str = ""
    hold: str = ""
    held_at: str = ""
    alarm: bool = False
    stimuli: int = 0
    pulses: int = 0
    unasked: int = 0
    torque: Mapping[str, TorqueRange] = field(default_factory=dict)
    counts: Mapping[str, int] = field(default_factory=dict)
    by_step: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    gates: Mapping[str, bool] = field(default_factory=dict)
    began: str = ""
    first_at: str = ""
    at: str = ""
    entry: int = 0

    @property
    def minutes(self) -> float:
        """Minutes from the first stimulus to the last entry, 0 before."""
        if not self.first_at:
            return 0.0
        return (from_text(self.at) - from_text(self.first_at)).total_seconds() / 60


def fold(view: LiveView, entry: Entry) -> LiveView:
    """Return the view after one more entry."""
    if entry.kind in _AFTERWARDS:
        return replace(view, entry=entry.number)
    view = replace(view, entry=entry.number, at=entry.at, began=view.began or entry.at)
    event = _EVENTS.get(entry.kind)
    if event == "went on" and view.state not in ("on hold", "stopped"):
        event = None  # reopened after a crash: nothing had been said to stop
    if event == "opened" and view.state != "new":
        event = None  # a fresh plan within the same session
    if event is not None:
        view = replace(view, state=next_state(view.state, event))
    body = entry.body
    if entry.kind == "started":
        view = replace(view, gates={})  # a fresh plan has every gate confirmed anew
    if entry.kind == "asked":
        return _asked(view, body)
    if entry.kind in ("answered", "refused", "lost"):
        return _replied(view, body, entry.number)
    if entry.kind in ("step skipped", "step redone"):
        view = replace(view, setting=None, question=None, rest=None, running={}, curve={}, given=(), answers=())
    if entry.kind == "paused" and isinstance(body, Remark):
        view = replace(view, hold=body.text, held_at=entry.at, alarm=body.text == ALARM)
    if entry.kind in ("resumed", "adverse event", "stopped") or body == Remark(text=NO_EVENT, operator=_code(body)):
        view = replace(view, alarm=False)
    if isinstance(body, StepFound) and entry.kind == "step found":
        return replace(view, ended=(*view.ended, body.step))
    if isinstance(body, UnaskedPulse):
        return replace(view, pulses=view.pulses + body.pulses, unasked=view.unasked + body.pulses)
    if isinstance(body, TorqueRange):
        return replace(view, torque=_better_torque(view.torque, body))
    if isinstance(body, StepMark) and entry.kind == "step redone":
        return replace(view, torque={muscle: one for muscle, one in view.torque.items() if one.step != body.step})
    if isinstance(body, StepMark) and entry.kind == "step skipped":
        return replace(view, skipped=(*view.skipped, body.step))
    if isinstance(body, Correction):
        return replace(view, given=tuple(_corrected(given, body) for given in view.given))
    if isinstance(body, Gate):
        view = replace(view, gates={**view.gates, body.gate: body.passed})
        return view if body.passed else replace(view, state=next_state(view.state, "gate refused"))
    if isinstance(body, Remark) and body.text:
        return replace(view, remarks=(*view.remarks, f"{entry.kind}: {body.text}"))
    if isinstance(body, AdverseEvent):
        return replace(view, remarks=(*view.remarks, f"adverse event, {body.severity}: {body.event}"))
    return view


def _better_torque(torque: Mapping[str, TorqueRange], effort: TorqueRange) -> Mapping[str, TorqueRange]:
    """Keep the effort with the larger range of each muscle."""
    known = torque.get(effort.muscle)
    is_better = known is None or abs(effort.most - effort.rest) > abs(known.most - known.rest)
    return {**torque, effort.muscle: effort} if is_better else torque


def view_of(entries: Iterable[Entry]) -> LiveView:
    """Return the view after all ``entries``."""
    view = LiveView()
    for entry in entries:
        view = fold(view, entry)
    return view


def _code(body: object) -> str:
    return body.operator if isinstance(body, Remark) else ""


def _corrected(given: Given, correction: Correction) -> Given:
    """Note what the operator said of a trial; the verdict of the rules stays beside it."""
    said = next((verdict for verdict in VERDICTS if correction.text == verdict_said(verdict)), "")
    return replace(given, said=said) if said and given.entry == correction.entry else given


def _asked(view: LiveView, body: object) -> LiveView:
    step = getattr(body, "step", view.step)
    if step != view.step:
        view = replace(view, running={}, curve={}, given=(), answers=(), text="")
    view = replace(view, step=step, setting=None, question=None, rest=None)
    if isinstance(body, Deliver):
        return replace(view, setting=body, before=view.last_request)
    if isinstance(body, Ask):
        return replace(view, question=body)
    if isinstance(body, Rest):
        return replace(view, rest=body)
    if isinstance(body, Show):
        results = {**view.results, **body.results} if body.final else view.results
        running = view.running if body.final else dict(body.results)
        given = (
            view.given if body.final or not view.given else (*view.given[:-1], replace(view.given[-1], known=running))
        )
        curve = body.curve or view.curve
        return replace(view, text=body.text or view.text, results=results, running=running, curve=curve, given=given)
    return view


def _replied(view: LiveView, body: object, entry: int) -> LiveView:
    request, question = view.setting, view.question
    view = replace(view, setting=None, question=None, rest=None)
    if question is not None and isinstance(body, Answer):
        view = replace(view, answers=(*view.answers, (question, body.value)))
    if request is None:
        return view
    kind = "refused" if isinstance(body, Refused) else "lost" if isinstance(body, Lost) else ""
    if isinstance(body, Trial):
        kind = body.verdict.kind
        answered = Given(request=request, trial=body, entry=entry)
        view = replace(view, last=body, given=(*view.given, answered))
    if not kind:
        return view
    view = replace(view, last_reply=kind, refusal=body.reason if isinstance(body, Refused) else "")
    given = kind != "refused" and not (isinstance(body, Lost) and body.given == "not given")
    step = dict(view.by_step.get(request.step, {}))
    step[kind] = step.get(kind, 0) + 1
    return replace(
        view,
        last_request=request,
        first_at=view.first_at or (view.at if given else ""),
        stimuli=view.stimuli + given,
        pulses=view.pulses + (len(request.stimulus.pulses) if given else 0),
        counts={**view.counts, kind: view.counts.get(kind, 0) + 1},
        by_step={**view.by_step, request.step: step},
    )
