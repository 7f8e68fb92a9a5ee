"""A stored session as the tables and the recording that summary and report are made from.

Values and verdicts are taken as they were written; nothing is measured again.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from decussa.model.dialogue import Deliver, Found, Trial
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel, Recording, StimulusEvent, SweepBatch
from decussa.model.table import SUMMARY_NAMES, TRIAL_COLUMNS
from decussa.model.trial import VERDICTS, Verdict
from decussa.plan.session import step_name
from decussa.protocol.schema import Protocol
from decussa.protocol.steps import (
    Familiarisation,
    Hotspot,
    PairedBlock,
    TestIntensity,
    Threshold,
    ThresholdTracking,
    TrunkLevels,
)
from decussa.session.clock import from_text
from decussa.session.measuring import window_of
from decussa.session.operator import verdict_said
from decussa.store.chain import Entry
from decussa.store.journal import Journal
from decussa.store.records import Correction

#: Unit of each quantity that a plan finds.
FOUND_UNITS = {
    "rmt": "% MSO",
    "amt": "% MSO",
    "base": "% MSO",
    "trunk_test": "% MSO",
    "rmt_recheck": "% MSO",
    "test_intensity": "% MSO",
    "hotspot_x": "cm",
    "hotspot_y": "cm",
    "tracked_test": "% MSO",
    "tracked_inhibition": "%",
    "mmax": "uV",
    "mvc": "uV",
}
_SEARCHES = (Familiarisation, Hotspot, Threshold, TestIntensity, ThresholdTracking, TrunkLevels)
#: Quantities of the summary that a plan's own finding replaces.
_REPLACED = {"rmt", "amt"}
#: Quantities that stay as the trials sum up: what was rejected since is out of them, and other rows are shares of them.
_FROM_TRIALS = {"mmax"}


@dataclass(frozen=True, slots=True)
class Given:
    """One stimulus that was answered: the request, the trial, and the entry that holds both sweep and values."""

    request: Deliver
    trial: Trial
    entry: Entry
    onset_s: float


def recording_name(session: str) -> str:
    """Return the name under which a stored session stands in the tables."""
    return f"journal {session}"


def search_steps(protocol: Protocol) -> frozenset[str]:
    """Return the names of the steps that search; their trials are counted, but nothing is averaged over them."""
    return frozenset(step_name(step) for step in protocol.steps if isinstance(step, _SEARCHES))


def given_stimuli(entries: Sequence[Entry]) -> Iterator[Given]:
    """Yield the answered stimuli of a journal in order."""
    request: Deliver | None = None
    began = from_text(entries[0].at) if entries else None
    for entry in entries:
        if entry.kind == "asked":
            request = entry.body if isinstance(entry.body, Deliver) else None
        elif isinstance(entry.body, Trial) and request is not None and began is not None:
            yield Given(request, entry.body, entry, (from_text(entry.at) - began).total_seconds())
            request = None


def operator_verdicts(entries: Sequence[Entry]) -> dict[int, Verdict]:
    """Return the verdicts that the operator gave during the session, by the entry of the answer; the newest holds."""
    by_rules = {given.entry.number: given.trial.verdict for given in given_stimuli(entries)}
    said: dict[int, Verdict] = {}
    for entry in entries:
        body = entry.body
        if isinstance(body, Correction) and body.entry in by_rules:
            for kind in VERDICTS:
                if body.text == verdict_said(kind):
                    rules = by_rules[body.entry]
                    why = f"the rules said {rules.kind}" + (f": {rules.reason}" if rules.reason else "")
                    said[body.entry] = Verdict(kind, "operator", f"said by the operator; {why}")
    return said


def stored_trials(entries: Sequence[Entry], session: str, protocol: Protocol) -> pd.DataFrame:
    """Return the trial table of a stored session, one row per answered stimulus and channel."""
    participant, _, number = session.rpartition("-")
    said = operator_verdicts(entries)
    rows = []
    for sweep, given in enumerate(given_stimuli(entries), start=1):
        verdict = said.get(given.entry.number, given.trial.verdict)
        by_channel = given.trial.values  # noqa: PD011 a trial's own field
        for label, values in by_channel.items():
            rows.append(
                {
                    "participant": participant,
                    "session": number,
                    "sweep": sweep,
                    **_row(given, label, values, protocol, session),
                    "verdict": verdict.kind,
                    "rule": verdict.rule,
                    "reason": verdict.reason,
                }
            )
    frame = pd.DataFrame(rows)
    for column in TRIAL_COLUMNS:
        if column.name not in frame:
            frame[column.name] = "" if column.kind == "text" else math.nan
    return frame[[column.name for column in TRIAL_COLUMNS]]


def _row(given: Given, label: str, values: Any, protocol: Protocol, session: str) -> dict[str, Any]:
    request, stimulus = given.request, given.request.stimulus
    muscle, side = muscle_and_side(label)
    channel = Channel(name=label, kind="emg", rate_hz=0.0, muscle=muscle, side=side)
    window = window_of(channel, protocol, nerve=stimulus.stim_type == "nerve") or (math.nan, math.nan)
    planned = next((muscle for muscle in protocol.muscles if muscle.label == label), None)
    return {
        **values,
        "task": "session",
        "recording": recording_name(session),
        "block": request.block,
        "onset_s": given.onset_s,
        "pulse_from": "events",
        "muscle": muscle.key or label,
        "side": side,
        "stim_side": planned.stim_side if planned is not None else "",
        "stim_type": stimulus.stim_type,
        "condition": request.step if request.step in search_steps(protocol) else request.condition,
        "intensity_mso": stimulus.intensity_mso,
        "cond_intensity_mso": stimulus.cond_intensity_mso,
        "current_ma": stimulus.current_ma,
        "isi_ms": stimulus.isi_ms,
        "contraction_pct": request.contraction_pct,
        "stop_within": _stop_within(request, protocol),
        "window_start_ms": window[0],
        "window_end_ms": window[1],
        "method": given.entry.measured.method if given.entry.measured is not None else "",
    }


def _stop_within(request: Deliver, protocol: Protocol) -> float:
    """Return the factor of a paired block's rule for ending early, NaN where its number of trials was fixed."""
    step = next((step for step in protocol.steps if step_name(step) == request.step), None)
    return step.within if isinstance(step, PairedBlock) and step.within is not None else math.nan


class _JournalSignals:
    """Cuts sweeps out of a journal's sweeps."""

    def __init__(self, journal: Journal, numbers: dict[int, int]) -> None:
        self._journal, self._numbers = journal, numbers

    def cut(self, channel: int, events: Sequence[StimulusEvent], before_ms: float, after_ms: float) -> SweepBatch:
        """Return the sweeps of ``events`` on ``channel``, as long as the shortest of them allows."""
        sweeps = [self._journal.sweep(self._numbers[event.sweep]) for event in events]
        rate_hz = sweeps[0].rate_hz
        before, after = (math.ceil(span * rate_hz / 1e3) for span in (before_ms, after_ms))
        before = min([before, *(sweep.onset_sample for sweep in sweeps)])
        after = min([after, *(sweep.samples_uv.shape[1] - sweep.onset_sample for sweep in sweeps)])
        cut = [sweep.samples_uv[channel, sweep.onset_sample - before : sweep.onset_sample + after] for sweep in sweeps]
        return SweepBatch(
            samples_uv=np.stack(cut),
            rate_hz=rate_hz,
            onset_sample=before,
            shift_ms=np.array([sweep.shift_ms for sweep in sweeps], dtype=np.float64),
        )


def stored_recording(journal: Journal, entries: Sequence[Entry], protocol: Protocol) -> Recording:
    """Return the sweeps of a stored session as a recording; nothing is loaded before it is cut."""
    searches = search_steps(protocol)
    with_sweeps = [
        (number, given) for number, given in enumerate(given_stimuli(entries), start=1) if given.entry.has_sweep
    ]
    events = tuple(
        StimulusEvent(
            sweep=number,
            onset_s=given.onset_s,
            stimulus=given.request.stimulus,
            pulse_from="events",
            condition=given.request.step if given.request.step in searches else given.request.condition,
            block=given.request.block,
            contraction_pct=given.request.contraction_pct,
            muscle=given.request.muscle if given.request.stimulus.stim_type == "nerve" else "",
        )
        for number, given in with_sweeps
    )
    participant, _, session = journal.session.rpartition("-")
    rate_hz = 0.0
    labels: tuple[str, ...] = ()
    if with_sweeps:
        first = journal.sweep(with_sweeps[0][1].entry.number)
        rate_hz, labels = first.rate_hz, first.channels
    channels = []
    for label in labels:
        muscle, side = muscle_and_side(label)
        channels.append(Channel(name=label, kind="emg", rate_hz=rate_hz, muscle=muscle, side=side))
    return Recording(
        name=recording_name(journal.session),
        path=str(journal.study.folder),
        channels=tuple(channels),
        events=events,
        signals=_JournalSignals(journal, {number: given.entry.number for number, given in with_sweeps}),
        participant=participant,
        session=session,
        task="session",
        start=_began(entries),
        sha256=entries[-1].hash if entries else "",
        facts=_facts(protocol),
    )


def _began(entries: Sequence[Entry]) -> str:
    return next((entry.at[:19] for entry in entries), "")  # noqa: PD008 an entry's own field


def _facts(protocol: Protocol) -> dict[str, str]:
    """What the protocol says about the set-up."""
    coil = protocol.coil
    facts = {
        "coil": ", ".join(part for part in (coil.type, coil.size, coil.pulse_shape) if part),
        "coil orientation": coil.orientation,
        "current in the coil": coil.coil_current,
        "current in the brain": coil.brain_current,
        "coil position": coil.position,
    }
    facts |= {f"electrodes, {muscle.label}": muscle.electrodes for muscle in protocol.muscles}
    return {name: text for name, text in facts.items() if text}


def with_findings(summary: pd.DataFrame, found: Found, session: str) -> pd.DataFrame:
    """Return ``summary`` with what the plan found itself, in place of what the table could only guess."""
    participant, _, number = session.rpartition("-")
    summed = summary[summary["quantity"].isin(_FROM_TRIALS)]
    from_trials = set(zip(summed["muscle"], summed["side"], summed["quantity"], strict=True))
    rows = []
    for name, estimate in found.items():
        label, _, quantity_of = name.rpartition("/")
        quantity, _, condition = quantity_of.partition(": ")
        muscle, side = muscle_and_side(label)
        if (muscle.key or label, side, quantity) in from_trials:
            continue
        row: dict[str, Any] = dict.fromkeys(SUMMARY_NAMES, "")
        row |= {
            "isi_ms": math.nan,
            "intensity_mso": math.nan,
            "contraction_pct": math.nan,
            "participant": participant,
            "session": number,
        }
        row |= {
            "muscle": muscle.key or label,
            "side": side,
            "condition": condition,
            "quantity": quantity,
            "unit": FOUND_UNITS.get(quantity, ""),
        }
        row["review"] = "as found in the session"
        row |= {key: getattr(estimate, key) for key in ("value", "low", "high", "level", "n", "method", "reason")}
        rows.append(row)
    kept = summary[~(summary["quantity"].isin(_REPLACED) & summary["value"].isna())]
    return pd.concat([kept, pd.DataFrame(rows, columns=list(SUMMARY_NAMES))], ignore_index=True) if rows else kept
