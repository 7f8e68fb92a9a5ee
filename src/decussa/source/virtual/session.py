"""A continuous recording of a virtual participant, from a schedule of stimuli."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import UsageError
from decussa.model.recording import Channel, StimulusEvent
from decussa.model.stimulus import Stimulus
from decussa.source.virtual.mishap import NOTHING_WRONG, Mishap
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.pool import Potentials, draw_potentials
from decussa.source.virtual.recorder import (
    RATE_HZ,
    RATE_KHZ,
    convert,
    draw_artifact,
    draw_beats,
    draw_heart,
    draw_noise,
    lose_contact,
)
from decussa.source.virtual.response import Activity, given_pulses

#: A contraction is held from this long before the first pulse to this long after the test pulse.
HOLD_BEFORE_MS = 2_500.0
HOLD_AFTER_MS = 1_200.0
#: Stimuli closer than this would overlap in what is drawn for them.
LEAST_INTERVAL_S = 4.5
#: The recording begins at least this long before the first stimulus and goes on at least this long after the last.
LEAD_S = 3.0
#: How long an artifact is drawn, and the trigger line's level and width.
ARTIFACT_MS = 60.0
TRIGGER_UV = 5_000.0
TRIGGER_MS = 1.0

TRIGGER = Channel(name="Trigger", kind="trigger", rate_hz=RATE_HZ, low_uv=-8_000.0, high_uv=8_000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One stimulus of a schedule: when, what, where, under which name, and what goes wrong with it.

    ``number`` is the stimulus's number for this person, on which chance depends; 0 counts on. Without a site the coil is at
    the hotspot of every muscle.
    """

    onset_s: float
    stimulus: Stimulus
    condition: str = ""
    block: str = ""
    contraction_pct: float = 0.0
    timepoint: str = ""
    muscle: str = ""
    stim_side: str = ""
    number: int = 0
    site_cm: tuple[float, float] | None = None
    mishap: Mishap = NOTHING_WRONG


def run_channels(person: VirtualParticipant) -> tuple[Channel, ...]:
    """Return the channels of a run: the person's own, then the trigger line."""
    return (*person.channels, TRIGGER)


def record_run(
    person: VirtualParticipant, schedule: Sequence[Planned]
) -> tuple[NDArray[np.float32], float, tuple[StimulusEvent, ...]]:
    """Record ``schedule`` in one go.

    Parameters
    ----------
    person : VirtualParticipant
        Its count of stimuli goes on from where it stands.
    schedule : sequence of Planned
        In order of onset, 4.5 s or more apart, the first at 3 s or later.

    Returns
    -------
    samples_uv : ndarray of float32, shape (n_channels, n_samples), microvolt
        The channels of ``run_channels``, a whole number of seconds.
    rate_hz : float
        Sampling rate.
    events : tuple of StimulusEvent
        What the lab believes was given: lapses are not in them.

    Raises
    ------
    UsageError
        If the schedule is empty or its onsets are too close.
    """
    _check(schedule)
    n_samples = math.ceil(schedule[-1].onset_s + LEAD_S) * round(RATE_HZ)
    first = person.number + 1
    traces = _rest(person, first, n_samples)
    for planned in schedule:
        person.number = planned.number - 1 if planned.number else person.number
        number = person.next_number()
        activities = person.respond(
            planned.stimulus,
            number,
            planned.contraction_pct,
            HOLD_BEFORE_MS - planned.stimulus.pulses[0].at_ms,
            HOLD_AFTER_MS,
            planned.mishap.lapse,
            reaches=person.reaches(number, planned.site_cm, planned.mishap),
        )
        for row, activity in enumerate(activities):
            _add_activity(traces[row], person, row, activity, planned)
            _add_artifacts(traces[row], person, row, number, planned)
            if planned.mishap.electrode_off and row == 0:
                _lose_contact(traces[row], person, number, planned)
    samples = np.empty((len(traces) + 1, n_samples), dtype=np.float32)
    for row, (trace, electrodes) in enumerate(zip(traces, person.electrodes, strict=True)):
        samples[row] = convert(trace, electrodes.rail_uv)
    samples[-1] = _trigger(schedule, n_samples)
    return samples, RATE_HZ, tuple(_event(sweep, planned) for sweep, planned in enumerate(schedule, start=1))


def _check(schedule: Sequence[Planned]) -> None:
    if not schedule:
        raise UsageError("a run needs a stimulus", expected="one or more", found="none")
    earlier = LEAD_S - LEAST_INTERVAL_S
    for planned in schedule:
        if planned.onset_s - earlier < LEAST_INTERVAL_S - 1e-9:
            raise UsageError(
                "stimuli of a run are too close",
                expected=f"the first at {LEAD_S:g} s or later, then {LEAST_INTERVAL_S:g} s or more apart",
                found=f"{planned.onset_s:g} s after {max(earlier, 0.0):g} s",
            )
        earlier = planned.onset_s


def _rest(person: VirtualParticipant, number: int, n_samples: int) -> list[NDArray[np.float32]]:
    """What the electrodes pick up without any stimulus: noise, mains, heart."""
    until_ms = n_samples / RATE_KHZ
    beats = draw_beats(person.state.heart_per_min, 0.0, until_ms, person.rng(number, 50))
    traces = []
    for row, electrodes in enumerate(person.electrodes):
        trace = draw_noise(electrodes, n_samples, person.rng(number, 51 + row))
        if electrodes.heart_uv > 0:
            trace += draw_heart(electrodes, beats, 0.0, n_samples).astype(np.float32)
        traces.append(trace)
    return traces


def _add_activity(
    trace: NDArray[np.float32], person: VirtualParticipant, row: int, activity: Activity, planned: Planned
) -> None:
    potentials = activity.all()
    if potentials.unit.size == 0:
        return
    shifted = Potentials(potentials.unit, potentials.start_ms + planned.onset_s * 1e3)
    start = max(math.floor(float(shifted.start_ms.min()) * RATE_KHZ), 0)
    stop = min(math.ceil((float(shifted.start_ms.max()) + 40.0) * RATE_KHZ), trace.size)
    pool = person.pathways[row].pool
    trace[start:stop] += draw_potentials(pool, shifted, start / RATE_KHZ, RATE_KHZ, stop - start)


def _add_artifacts(
    trace: NDArray[np.float32], person: VirtualParticipant, row: int, number: int, planned: Planned
) -> None:
    rng = person.rng(number, 30 + row)
    for pulse in given_pulses(planned.stimulus, planned.mishap.lapse):
        at_ms = planned.onset_s * 1e3 + pulse.at_ms
        start = math.floor(at_ms * RATE_KHZ)
        stop = min(start + round(ARTIFACT_MS * RATE_KHZ), trace.size)
        time_ms = np.arange(start, stop) / RATE_KHZ - planned.onset_s * 1e3
        trace[start:stop] += draw_artifact(person.electrodes[row], pulse, time_ms, rng)


def _lose_contact(trace: NDArray[np.float32], person: VirtualParticipant, number: int, planned: Planned) -> None:
    """Leave mains and a wandering line for as long as the contraction of a stimulus would be held."""
    start = max(math.floor((planned.onset_s * 1e3 - HOLD_BEFORE_MS) * RATE_KHZ), 0)
    stop = min(math.ceil((planned.onset_s * 1e3 + HOLD_AFTER_MS) * RATE_KHZ), trace.size)
    trace[start:stop] = lose_contact(trace[start:stop].astype(np.float64), person.rng(number, 40))


def _trigger(schedule: Sequence[Planned], n_samples: int) -> NDArray[np.float32]:
    """The trigger line: up for a millisecond at every pulse that the stimulator gave."""
    line = np.zeros(n_samples, dtype=np.float32)
    for planned in schedule:
        if planned.mishap.trigger_missed:
            continue
        for pulse in given_pulses(planned.stimulus, planned.mishap.lapse):
            start = math.ceil((planned.onset_s * 1e3 + pulse.at_ms) * RATE_KHZ - 1e-6)
            line[start : start + round(TRIGGER_MS * RATE_KHZ)] = TRIGGER_UV
    return line


def _event(sweep: int, planned: Planned) -> StimulusEvent:
    return StimulusEvent(
        sweep=sweep,
        onset_s=planned.onset_s,
        stimulus=planned.stimulus,
        pulse_from="events",
        condition=planned.condition,
        block=planned.block,
        timepoint=planned.timepoint,
        contraction_pct=planned.contraction_pct,
        stim_side=planned.stim_side,
        muscle=planned.muscle,
    )
