"""Three invented rowers, before and after an hour on the ergometer: a hand muscle and the lumbar muscles of both sides.

What the hour does is invented: the hand stays as it is, the lumbar muscles respond less. The third rower is a difficult
one, so that every kind of trouble a session meets is in the recordings.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from decussa.model.recording import Channel, StimulusEvent
from decussa.source.virtual.montage import BACK
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.recorder import BAND_HZ, MAINS_HZ, RATE_HZ
from decussa.source.virtual.response import DELIVERED, Lapse
from decussa.source.virtual.rowers_protocol import (
    CONDITIONS,
    EXTENSION_PCT,
    LUMBAR_MSO,
    TASKS,
    Blocks,
    Rng,
    find_strengths,
    hand_blocks,
    lumbar_blocks,
    pinch_blocks,
)
from decussa.source.virtual.session import Planned, record_run, run_channels
from decussa.source.virtual.state import State

#: Intervals between stimuli are drawn evenly from here, in s: 5 s is the least in common practice (no source).
INTERVAL_S = (5.0, 5.3)
#: Further pause between blocks.
PAUSE_S = 2.0
SESSIONS = ("before", "after")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VirtualRun:
    """One recording of the scenario, with what a data set says about it."""

    participant: str
    session: str
    task: str
    run: str
    samples_uv: NDArray[np.float32]
    rate_hz: float
    channels: tuple[Channel, ...]
    events: tuple[StimulusEvent, ...]
    start: datetime
    task_description: str
    instructions: str
    placement: str
    ground: str
    reference: str = "bipolar"
    skin: str = "shaved where needed, cleaned with alcohol, lightly abraded"
    electrode_distance_mm: float = 20.0
    power_line_hz: float = MAINS_HZ
    hardware_filters: Mapping[str, Mapping[str, float]] = field(
        default_factory=lambda: {
            "High-pass": {"cutoff (Hz)": BAND_HZ[0], "order": 1},
            "Low-pass": {"cutoff (Hz)": BAND_HZ[1], "order": 2},
        }
    )
    conditions: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Rower:
    """One rower: label, seed of the person, state before the hour, and the lapses by session, task, block and place."""

    label: str
    seed: int
    before: State
    lapses: Mapping[tuple[str, str, str, int], Lapse] = field(default_factory=dict)

    @property
    def after(self) -> State:
        """The hour on the ergometer: lumbar drive falls, the hand's hardly, and the heart beats faster."""
        return State(
            name="after",
            drive={"LES": -0.055, "FDI": -0.004},
            background={"LES": 1.15},
            heart_per_min=self.before.heart_per_min + 26.0,
        )


#: The difficult rower: a slipped coil, a pulse that did not come, tension, a wrong interval.
_TROUBLE = {
    ("before", "hand", "single", 5): Lapse(reach=0.62),
    ("before", "hand", "single", 11): Lapse(tension_pct=4.0),
    ("before", "hand", "curve", 8): Lapse(fired=False),
    ("before", "hand", "curve", 15): Lapse(tension_pct=14.0),
    ("before", "hand", "paired", 9): Lapse(tension_pct=5.0),
    ("before", "hand", "paired", 17): Lapse(reach=0.6),
    ("before", "pinch", "silent", 6): Lapse(tension_pct=9.0),
    ("before", "lumbar", "paired", 7): Lapse(fired=False),
    ("after", "hand", "single", 3): Lapse(reach=0.65),
    ("after", "hand", "paired", 4): Lapse(isi_error_ms=1.0),
    ("after", "hand", "paired", 22): Lapse(tension_pct=16.0),
    ("after", "lumbar", "single", 2): Lapse(tension_pct=10.0),
}
#: Somebody left the converter's range of the hand channel too small for an M-wave.
_SMALL_RANGE = State(name="before", rail_uv={"FDI": 5_000.0}, heart_per_min=70.0)


def rowers(seed: int = 0) -> tuple[Rower, ...]:
    """Return the three rowers of ``seed``: two whom a session suits, and a difficult one.

    People are taken in the order of their own seeds until they fit the part: a threshold that leaves room for 150 %, and
    lumbar muscles that answer base + 40 % MSO during extension, or, for the third, hardly.
    """
    candidate = 1_000 * seed
    chosen = []
    for label in ("R01", "R02"):
        candidate = _next_fitting(candidate, lambda size_uv: 150.0 < size_uv < 700.0)
        chosen.append(Rower(label, candidate, State(name="before", heart_per_min=60.0 + candidate % 7)))
        candidate += 1
    candidate = _next_fitting(candidate, lambda size_uv: size_uv < 45.0)
    return (*chosen, Rower("R03", candidate, _SMALL_RANGE, _TROUBLE))


def _next_fitting(candidate: int, answers: Callable[[float], bool]) -> int:
    while True:
        hand = VirtualParticipant(candidate, "hand").pathways[0]
        if 38.0 < hand.threshold_mso < 62.0:
            lumbar = VirtualParticipant(candidate, BACK).pathways[0]
            if answers(lumbar.size_uv(lumbar.drive(LUMBAR_MSO, EXTENSION_PCT))):
                return candidate
        candidate += 1


def rowers_participants(seed: int = 0) -> tuple[dict[str, str | float], ...]:
    """Return the rows of the participants' table: pseudonym, age in years, sex, handedness, height in cm."""
    return tuple(_participant(rower) for rower in rowers(seed))


def _participant(rower: Rower) -> dict[str, str | float]:
    truth = VirtualParticipant(rower.seed, "hand").truth
    return {
        "participant_id": rower.label,
        "age": truth.age,
        "sex": truth.sex,
        "handedness": truth.handedness,
        "height": round(truth.height_cm),
    }


def rowers_runs(seed: int = 0) -> Iterator[VirtualRun]:
    """Record the whole scenario, one run after the other: three rowers, two sessions, three runs each.

    Parameters
    ----------
    seed : int
        Which rowers, and which chances.

    Yields
    ------
    VirtualRun, in order of rower, session and time; about 10 MB each.
    """
    for index, rower in enumerate(rowers(seed)):
        start = datetime(2026, 3, 2 + index, 9, 30)  # noqa: DTZ001 -- a data set gives local time without a zone
        for session in SESSIONS:
            yield from _record_session(rower, session, start)
            start += timedelta(hours=2, minutes=20)


def _record_session(rower: Rower, session: str, start: datetime) -> Iterator[VirtualRun]:
    state = rower.before if session == "before" else rower.after
    hand = VirtualParticipant(rower.seed, "hand", state=state)
    lumbar = VirtualParticipant(rower.seed, BACK, state=state)
    found = find_strengths(hand.pathways[0])
    rng = np.random.default_rng([rower.seed, 7, *session.encode()])
    for task, person, blocks in (
        ("hand", hand, hand_blocks(found, rng)),
        ("pinch", hand, pinch_blocks(found)),
        ("lumbar", lumbar, lumbar_blocks(rng)),
    ):
        schedule = _schedule(rower, session, task, blocks, person.stim_side, rng)
        samples_uv, rate_hz, events = record_run(person, schedule)
        yield VirtualRun(
            participant=rower.label,
            session=session,
            task=task,
            run="1",
            samples_uv=samples_uv,
            rate_hz=rate_hz,
            channels=run_channels(person),
            events=events,
            start=start,
            conditions={name: CONDITIONS[name] for name in dict.fromkeys(event.condition for event in events)},
            **asdict(TASKS[task]),
        )
        start += timedelta(seconds=math.ceil(samples_uv.shape[1] / RATE_HZ) + 240)


def _schedule(rower: Rower, session: str, task: str, blocks: Blocks, stim_side: str, rng: Rng) -> list[Planned]:
    """Give every stimulus its onset, its block and its lapse."""
    schedule = []
    onset_s = 5.0
    for block, stimuli in blocks.items():
        for place, planned in enumerate(stimuli, start=1):
            schedule.append(
                replace(
                    planned,
                    onset_s=round(onset_s, 4),
                    block=block,
                    timepoint=session,
                    stim_side="right" if planned.stimulus.stim_type == "nerve" else stim_side,
                    lapse=rower.lapses.get((session, task, block, place), DELIVERED),
                )
            )
            onset_s += float(rng.uniform(*INTERVAL_S))
        onset_s += PAUSE_S
    return schedule
