"""What a screen shows of a session: a fold over its entries, the same after a reload as before."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from decussa.model.dialogue import Ask, Deliver, Lost, Refused, Rest, Show, Trial
from decussa.model.estimate import Estimate
from decussa.session.lifecycle import Event, State, next_state
from decussa.store.chain import Entry
from decussa.store.kinds import Kind
from decussa.store.records import AdverseEvent, Gate, Remark

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
class LiveView:
    """Everything a screen may show, and nothing it would have to work out.

    ``setting`` is the stimulus asked for now, ``question`` what is asked of the operator, ``rest`` a wait; at most one of
    them is there. ``counts`` are stimuli by verdict (accept, doubtful, reject, lost, refused), ``by_step`` the same by step.
    """

    state: State = "new"
    step: str = ""
    setting: Deliver | None = None
    before: Deliver | None = None
    question: Ask | None = None
    rest: Rest | None = None
    last: Trial | None = None
    last_request: Deliver | None = None
    results: Mapping[str, Estimate] = field(default_factory=dict)
    running: Mapping[str, Estimate] = field(default_factory=dict)
    text: str = ""
    stimuli: int = 0
    pulses: int = 0
    counts: Mapping[str, int] = field(default_factory=dict)
    by_step: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    gates: Mapping[str, bool] = field(default_factory=dict)
    began: str = ""
    at: str = ""
    entry: int = 0


def fold(view: LiveView, entry: Entry) -> LiveView:
    """Return the view after one more entry."""
    view = replace(view, entry=entry.number, at=entry.at, began=view.began or entry.at)
    event = _EVENTS.get(entry.kind)
    if event == "went on" and view.state not in ("on hold", "stopped"):
        event = None  # reopened after a crash: nothing had been said to stop
    if event == "opened" and view.state != "new":
        event = None  # a fresh plan within the same session
    if event is not None:
        view = replace(view, state=next_state(view.state, event))
    body = entry.body
    if entry.kind == "asked":
        return _asked(view, body)
    if entry.kind in ("answered", "refused", "lost"):
        return _replied(view, body)
    if isinstance(body, Gate):
        view = replace(view, gates={**view.gates, body.gate: body.passed})
        return view if body.passed else replace(view, state=next_state(view.state, "gate refused"))
    if isinstance(body, Remark) and body.text:
        return replace(view, remarks=(*view.remarks, f"{entry.kind}: {body.text}"))
    if isinstance(body, AdverseEvent):
        return replace(view, remarks=(*view.remarks, f"adverse event, {body.severity}: {body.event}"))
    return view


def view_of(entries: Iterable[Entry]) -> LiveView:
    """Return the view after all ``entries``."""
    view = LiveView()
    for entry in entries:
        view = fold(view, entry)
    return view


def _asked(view: LiveView, body: object) -> LiveView:
    step = getattr(body, "step", view.step)
    running = view.running if step == view.step else {}
    view = replace(view, step=step, setting=None, question=None, rest=None, running=running)
    if isinstance(body, Deliver):
        return replace(view, setting=body, before=view.last_request)
    if isinstance(body, Ask):
        return replace(view, question=body)
    if isinstance(body, Rest):
        return replace(view, rest=body)
    if isinstance(body, Show):
        results = {**view.results, **body.results} if body.final else view.results
        running = {} if body.final else dict(body.results)
        return replace(view, text=body.text or view.text, results=results, running=running)
    return view


def _replied(view: LiveView, body: object) -> LiveView:
    request = view.setting
    view = replace(view, setting=None, question=None, rest=None)
    if request is None:
        return view
    kind = "refused" if isinstance(body, Refused) else "lost" if isinstance(body, Lost) else ""
    if isinstance(body, Trial):
        kind = body.verdict.kind
        view = replace(view, last=body)
    if not kind:
        return view
    given = kind != "refused" and not (isinstance(body, Lost) and body.given == "not given")
    step = dict(view.by_step.get(request.step, {}))
    step[kind] = step.get(kind, 0) + 1
    return replace(
        view,
        last_request=request,
        stimuli=view.stimuli + given,
        pulses=view.pulses + (len(request.stimulus.pulses) if given else 0),
        counts={**view.counts, kind: view.counts.get(kind, 0) + 1},
        by_step={**view.by_step, request.step: step},
    )
