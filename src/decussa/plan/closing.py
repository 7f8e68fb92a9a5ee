"""Closing: last checks, how the person is, and what is due next day."""

from __future__ import annotations

from decussa.model.dialogue import Ask, Plan
from decussa.plan.frame import Frame, ask
from decussa.protocol.steps import Closing

_COMPLAINT = "yes: write it down now"


def close_session(frame: Frame, step: Closing) -> Plan:
    """Ask how the person is and when the follow-up is due; the answers are journal entries."""
    complaint = yield from ask(
        Ask(
            key="adverse",
            text="Any complaint: headache, neck pain, dizziness, hearing, skin, anything else?",
            kind="choice",
            choices=("none", _COMPLAINT),
            step=frame.step,
            default="none",
        )
    )
    if complaint == _COMPLAINT:
        yield from ask(
            Ask(
                key="adverse event",
                text="Write it down as an adverse event: what, how bad, what was done. Is it written down?",
                kind="confirm",
                step=frame.step,
            )
        )
    yield from ask(
        Ask(
            key="observed",
            text="First-timers stay for 10 minutes. Is the person well?",
            kind="confirm",
            step=frame.step,
        )
    )
    yield from ask(
        Ask(
            key="follow-up",
            text=f"Most complaints come later: a call is due in {step.follow_up_h:g} h. Noted?",
            kind="confirm",
            step=frame.step,
            due_h=step.follow_up_h,
        )
    )
    return {}
