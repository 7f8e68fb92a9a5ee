"""A small study to run sessions in: a short protocol, a virtual participant, a source that can lose or spoil stimuli."""

import math
from contextlib import contextmanager
from datetime import UTC, datetime

import numpy as np

from decussa.compose import rehearsals, sessions
from decussa.model.dialogue import Deliver
from decussa.model.sweep import Sweep
from decussa.session.operator import Unattended
from decussa.source.contract import Delivered
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.source import VirtualSource
from decussa.store.codec import encode
from decussa.store.journal import open_journal
from decussa.store.study import open_study

SHORT = """
[study]
name = "short"

[[muscles]]
muscle = "FDI"
side = "right"
stim_side = "left"
electrodes = "belly and tendon"
nerve_reachable = true

[coil]
type = "figure of eight"

[limits]
pulse_total = 120

[[steps]]
kind = "familiarisation"
start_mso = 30
end_mso = 50
pulses = 1

[[steps]]
kind = "threshold"
pulses = 6

[[steps]]
kind = "paired"
test = "120 % RMT"
trials = 2
  [[steps.conditions]]
  name = "SICI"
  isi_ms = 3
  conditioning = "70 % RMT"
  test = "120 % RMT"

[[steps]]
kind = "closing"
"""

SESSION = "V-0005-1"
SEED = 5
MORNING = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)


def make_study(folder):
    """Make a study with the short protocol and one participant with one session."""
    path = folder.with_name(f"{folder.name}.toml")
    path.write_text(SHORT, encoding="utf-8")
    return rehearsals.new_rehearsal(str(path), folder, seed=SEED, at="2026-01-05T09:00:00.000Z")


class Spoilt(VirtualSource):
    """A virtual participant of whom some stimuli come back otherwise: by number, what to do with them."""

    def __init__(self, seed=SEED, spoil=None):
        super().__init__(VirtualParticipant(seed, "hand"))
        self.spoil = spoil or {}
        self.heard = []

    def deliver(self, request, number):
        self.heard.append(number)
        came = super().deliver(request, number)
        return self.spoil[number](came) if number in self.spoil else came


def nothing(came):
    """Nothing comes back."""


def late(came):
    """The sweep of the stimulus before comes back."""
    return Delivered(number=came.number - 1, sweep=came.sweep)


def altered(change):
    """The sweep comes back with its samples changed."""

    def spoil(came):
        samples = change(np.array(came.sweep.samples_uv)).astype(np.float32)
        sweep = Sweep(
            samples_uv=samples,
            rate_hz=came.sweep.rate_hz,
            onset_sample=came.sweep.onset_sample,
            channels=came.sweep.channels,
        )
        return Delivered(number=came.number, sweep=sweep)

    return spoil


NOT_A_NUMBER = altered(lambda samples: samples * math.nan)
HUGE = altered(lambda samples: samples * 1e12)
ENDLESS = altered(lambda samples: np.full_like(samples, np.inf))


def go(folder, source=None, operator=None, listeners=(), fresh=False):
    """Run or resume the session; return how it ended."""
    with open_study(folder, write=True) as study:
        return sessions.run_in(
            study,
            SESSION,
            source or Spoilt(),
            operator or Unattended(),
            clock=sessions.VirtualClock(MORNING),
            seed=SEED,
            fresh=fresh,
            listeners=listeners,
        )


@contextmanager
def journal_of(folder, *, write=False):
    """Open the session's journal."""
    with open_study(folder, write=write) as study, open_journal(study, SESSION) as journal:
        yield journal


def dialogue(entries):
    """What was asked and replied, without times and without what only reopening writes."""
    kinds = {"asked", "answered", "refused", "lost", "step found", "finished", "step skipped", "step redone"}
    return [(entry.kind, encode(entry.body)) for entry in entries if entry.kind in kinds]


def asked_stimuli(entries):
    """The stimuli that were asked for."""
    return [entry.body for entry in entries if entry.kind == "asked" and isinstance(entry.body, Deliver)]
