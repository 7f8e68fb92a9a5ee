"""The foot of Run: what is given and left, the keys of the moment, and Stop, which is always there."""

from __future__ import annotations

from decussa.model.dialogue import Deliver
from decussa.protocol.steps import planned_stimuli
from decussa.screen.language import phrase
from decussa.screen.marks import button
from decussa.screen.run_keys import footer_keys
from decussa.screen.run_sheet import Mode
from decussa.screen.running import LiveSession
from decussa.screen.words import minutes_words

_STOPPABLE: tuple[Mode, ...] = ("set", "pulse", "question", "rest", "outcome", "size", "held", "working")


def foot_of(live: LiveSession, mode: Mode) -> str:
    """Return the foot for a state."""
    stop = button(phrase("Stop"), "stop", cap_="Esc", kind="halt") if mode in _STOPPABLE else ""
    return f'{_counts(live)}<div class="keys">{footer_keys(mode)}</div>{stop}'


def _counts(live: LiveSession) -> str:
    view, limits = live.view, live.protocol.limits
    planned = sum(step.minutes for step in live.planned.values())
    of = phrase("of about {total} min", total=f"{planned:.0f}") if planned else phrase("min")
    total = _count(f"{view.pulses}", phrase("of {total}", total=limits.pulse_total), phrase("pulses today"))
    minutes = _count(minutes_words(view.minutes), of, phrase("since the first pulse"))
    return _step_count(live) + total + minutes


def _step_count(live: LiveSession) -> str:
    view = live.view
    request = live.turn.request
    step = request.step if isinstance(request, Deliver) else view.step
    if step not in live.steps:
        return ""
    count, may_end = planned_stimuli(live.steps[step])
    if not count:
        planned = live.planned.get(step)
        count, may_end = (planned.stimuli if planned else 0), True
    if not count:
        return ""
    done = sum(one.request.condition != "climb" for one in view.given) if view.step == step else 0
    of = phrase("of at most {total}", total=count) if may_end else phrase("of {total}", total=count)
    return _count(str(done), of, phrase("stimuli in this step"))


def _count(value: str, of: str, what: str) -> str:
    return f'<div class="cnt"><b>{value} <span>{of}</span></b><small>{what}</small></div>'
