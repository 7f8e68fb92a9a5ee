"""What went wrong in a rehearsal by script: whether the rules saw it, the operator did, or nobody.

The journal does not tell what was scripted; ``mishaps`` does. A mishap was noticed where its trial was lost, doubtful or
rejected, or where the operator did something about it before they gave three more stimuli: held, noted, skipped, had the step
done again, or judged the trial.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from decussa.model.dialogue import Deliver, Lost, Trial
from decussa.store.chain import Entry
from decussa.store.records import Correction, Remark

#: What an operator writes who noticed something.
_ACTS = ("paused", "note", "correction", "step redone", "step skipped", "adverse event", "stopped")
#: So many stimuli later an act is no longer about the mishap.
_SOON = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Noticed:
    """One scripted mishap: at which stimulus of which step, what it was, and how it was noticed; empty where it was not.

    ``verdict`` is that of the trial, ``lost`` where nothing came back, empty where the session ended before.
    """

    number: int
    mishap: str
    step: str = ""
    verdict: str = ""
    how: str = ""

    def sentence(self) -> str:
        """Return in words what became of it."""
        if not self.verdict:
            return f"Planned for stimulus {self.number}, {self.mishap}: the session ended before."
        place = f"Stimulus {self.number} ({self.step}), {self.mishap}"
        if self.how:
            return f"{place}: noticed, {self.how}."
        return f"{place}: missed; the trial was taken as it came."


def notice(entries: Sequence[Entry], mishaps: Mapping[int, str]) -> tuple[Noticed, ...]:
    """Return what became of each mishap, by the number of its stimulus, in their order.

    Parameters
    ----------
    entries : sequence of Entry
        The session's journal.
    mishaps : mapping of int to str
        What was scripted, by number of the stimulus, counted from 1 over the session.
    """
    replies = list(_replies(entries))
    found = []
    for number, mishap in sorted(mishaps.items()):
        if number > len(replies):
            found.append(Noticed(number=number, mishap=mishap))
            continue
        at, step = replies[number - 1]
        until = replies[number - 1 + _SOON][0] if number - 1 + _SOON < len(replies) else len(entries)
        verdict, how = _judged(entries[at])
        found.append(
            Noticed(number=number, mishap=mishap, step=step, verdict=verdict, how=how or _act(entries, at, until))
        )
    return tuple(found)


def _replies(entries: Sequence[Entry]) -> Iterator[tuple[int, str]]:
    """Yield where each stimulus was answered or lost, and its step: the n-th is stimulus n, as the engine counts."""
    asked: Deliver | None = None
    for at, entry in enumerate(entries):
        if entry.kind == "asked":
            asked = entry.body if isinstance(entry.body, Deliver) else None
        elif asked is not None and isinstance(entry.body, Trial | Lost):
            yield at, asked.step
            asked = None


def _judged(entry: Entry) -> tuple[str, str]:
    if isinstance(entry.body, Lost):
        return "lost", "the stimulus was lost"
    if not isinstance(entry.body, Trial):
        return "", ""
    verdict = entry.body.verdict
    said = "doubtful" if verdict.kind == "doubtful" else "rejected"
    return verdict.kind, "" if verdict.kind == "accept" else f"the trial was {said} ({verdict.reason})"


def _act(entries: Sequence[Entry], at: int, until: int) -> str:
    """Return what the operator did about the trial of entry ``at``; acts on another, and notes of the source, do not count."""
    for entry in entries[at + 1 : until]:
        if entry.kind == "note" and isinstance(entry.body, Remark) and not entry.body.operator:
            continue
        if isinstance(entry.body, Correction) and entry.body.entry != entries[at].number:
            continue
        if entry.kind in _ACTS:
            return f"the operator acted on it ({entry.kind})"
    return ""
