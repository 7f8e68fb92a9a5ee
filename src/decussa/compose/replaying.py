"""A stored session as a source: its sweeps come back by the number of their stimulus, as if they were given now."""

from __future__ import annotations

from collections.abc import Sequence

from decussa.model.dialogue import Deliver, Lost, Trial
from decussa.model.recording import Channel
from decussa.model.sweep import Sweep
from decussa.source.replay import ReplaySource
from decussa.store.journal import Journal


def replay_journal(journal: Journal, channels: Sequence[Channel]) -> ReplaySource:
    """Play a session again: stimulus n brings the sweep that stimulus n brought then, and nothing where that was lost.

    Parameters
    ----------
    journal : Journal
        Open for as long as the source is used.
    channels : sequence of Channel
        What the sweeps were recorded with.
    """
    entries_by_number: list[int | None] = []
    asked = False
    for entry in journal.entries():
        if entry.kind == "asked":
            asked = isinstance(entry.body, Deliver)
        elif asked and isinstance(entry.body, Trial | Lost):
            entries_by_number.append(entry.number if entry.has_sweep else None)
            asked = False

    def sweep_of(number: int) -> Sweep | None:
        stored = entries_by_number[number - 1] if number <= len(entries_by_number) else None
        return None if stored is None else journal.sweep(stored)

    return ReplaySource(channels, sweep_of)
