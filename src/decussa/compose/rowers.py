"""Three invented rowers, before and after an hour on the ergometer: a hand muscle and the lumbar muscles of both sides.

Every session is run by the engine from a written protocol, on a virtual participant; while it measures, a recorder runs
along, so that a data set of continuous recordings comes of it as it would in a laboratory. What the hour does is invented:
the hand stays as it is, the lumbar muscles respond less. The third rower is a difficult one, so that every kind of trouble
a session meets is in the recordings.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from importlib import resources
from pathlib import Path

from decussa.compose.rowers_words import CONDITIONS, TASKS
from decussa.compose.sessions import run_in
from decussa.compose.stored import Given, given_stimuli
from decussa.model.dialogue import Deliver
from decussa.recording.bids_run import RunToWrite
from decussa.session.clock import VirtualClock, from_text, to_text
from decussa.session.operator import Unattended
from decussa.source.contract import Delivered
from decussa.source.virtual.mishap import NOTHING_WRONG, Mishap, mishap_of
from decussa.source.virtual.montage import BACK, Montage, montage_of
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.recorder import BAND_HZ, MAINS_HZ
from decussa.source.virtual.session import Planned, record_run, run_channels
from decussa.source.virtual.source import VirtualSource
from decussa.source.virtual.state import State
from decussa.store.people import add_participant, add_session
from decussa.store.study import Study, create_study, open_study

SESSIONS = ("before", "after")
#: The recorder runs from this long before the first stimulus of a task.
LEAD_S = 5.0
#: The back is measured this long after the hand, and the hour on the ergometer lies between the two rounds.
BACK_AFTER = timedelta(minutes=50)
NEXT_ROUND_AFTER = timedelta(hours=2, minutes=40)
#: Test pulse of the lumbar muscles in % MSO, contraction in % MVC, and the coil's site: what rowers are chosen by.
_LUMBAR_MSO = 90.0
_EXTENSION_PCT = 12.0
_BACK_SITE_CM = (0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Part:
    """One of the two sessions of a round: its protocol, its electrodes, and the tasks its recordings are cut into, by block."""

    protocol: str
    montage: Montage
    later: timedelta
    tasks: Mapping[str, Sequence[str]]


PARTS = (
    Part(
        "rowers_hand",
        montage_of("hand"),
        timedelta(0),
        {"hand": ("mmax", "single", "curve", "paired"), "pinch": ("silent",)},
    ),
    Part("rowers_back", BACK, BACK_AFTER, {"lumbar": ("rest", "single", "paired")}),
)


@dataclass(frozen=True, slots=True)
class Rower:
    """One rower: label, seed of the person, state before the hour, and what goes wrong by session, protocol, block and place."""

    label: str
    seed: int
    before: State
    trouble: Mapping[tuple[str, str, str, int], str] = field(default_factory=dict)

    @property
    def after(self) -> State:
        """The hour on the ergometer: lumbar drive falls, the hand's hardly, and the heart beats faster."""
        return State(
            name="after",
            drive={"LES": -0.055, "FDI": -0.004},
            background={"LES": 1.15},
            heart_per_min=self.before.heart_per_min + 26.0,
        )

    def state(self, session: str) -> State:
        """Return the state in which a session finds the rower."""
        return self.before if session == "before" else self.after


#: The difficult rower: a coil that slips, a pulse that does not come, tension, a wrong interval.
_TROUBLE = {
    ("before", "rowers_hand", "single", 5): "coil slipped",
    ("before", "rowers_hand", "single", 11): "tension",
    ("before", "rowers_hand", "curve", 8): "pulse missing",
    ("before", "rowers_hand", "curve", 15): "tension",
    ("before", "rowers_hand", "paired", 9): "tension",
    ("before", "rowers_hand", "paired", 17): "coil slipped",
    ("before", "rowers_hand", "silent", 6): "tension",
    ("before", "rowers_back", "paired", 7): "pulse missing",
    ("after", "rowers_hand", "single", 3): "coil slipped",
    ("after", "rowers_hand", "paired", 4): "wrong interval",
    ("after", "rowers_hand", "paired", 22): "tension",
    ("after", "rowers_back", "single", 2): "tension",
}
#: Somebody left the converter's range of the hand channel too small for an M-wave.
_SMALL_RANGE = State(name="before", rail_uv={"FDI": 5_000.0}, heart_per_min=70.0)


def rowers(seed: int = 0) -> tuple[Rower, ...]:
    """Return the three rowers of ``seed``: two whom a session suits, and a difficult one.

    People are taken in the order of their own seeds until they fit the part: a threshold that leaves room for 150 %, and
    lumbar muscles that answer base + 40 % MSO during extension, and bear it, or, for the third, hardly answer.
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
            back = VirtualParticipant(candidate, BACK)
            lumbar = back.pathways[0]
            reaching_mso = _LUMBAR_MSO * back.reaches(1, _BACK_SITE_CM)[0]
            size_uv = lumbar.size_uv(lumbar.drive(reaching_mso, _EXTENSION_PCT), _EXTENSION_PCT)
            if back.truth.tolerance_mso > _LUMBAR_MSO and answers(size_uv):
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


class _Troubled(VirtualSource):
    """A virtual participant with whom some stimuli go wrong, by block and place in it."""

    def __init__(self, person: VirtualParticipant, trouble: Mapping[tuple[str, int], str]) -> None:
        super().__init__(person)
        self._trouble = trouble
        self._counts: Counter[str] = Counter()

    def deliver(self, request: Deliver, number: int) -> Delivered | None:
        """Give the stimulus, and let go wrong what the scenario says."""
        self._counts[request.block] += 1
        if kind := self._trouble.get((request.block, self._counts[request.block])):
            self.mishaps[number] = mishap_of(kind)
        return super().deliver(request, number)


def run_rowers(folder: Path, seed: int, say: Callable[[str], None]) -> Iterator[RunToWrite]:
    """Run all sessions with the engine, in two studies below ``folder``, and record them as a laboratory would.

    Yields
    ------
    RunToWrite, in order of protocol, rower, session and time; about 10 MB each.
    """
    for part in PARTS:
        text = resources.files("decussa.compose").joinpath(f"{part.protocol}.toml").read_text(encoding="utf-8")
        at = to_text(_start(0, "before"))
        create_study(folder / part.protocol.removeprefix("rowers_"), part.protocol, text, at=at)
        with open_study(folder / part.protocol.removeprefix("rowers_"), write=True) as study:
            for index, rower in enumerate(rowers(seed)):
                add_participant(study, rower.label, at=at)
                for session in SESSIONS:
                    say(f"{study.folder.name}: {rower.label}, {session}")
                    yield from _run_session(study, part, rower, session, _start(index, session) + part.later)


def _start(index: int, session: str) -> datetime:
    first = datetime(2026, 3, 2 + index, 9, 30, tzinfo=UTC)
    return first if session == "before" else first + NEXT_ROUND_AFTER


def _run_session(study: Study, part: Part, rower: Rower, session: str, start: datetime) -> Iterator[RunToWrite]:
    trouble = {
        (block, place): kind
        for (when, protocol, block, place), kind in rower.trouble.items()
        if (when, protocol) == (session, part.protocol)
    }
    person = VirtualParticipant(rower.seed, part.montage, state=rower.state(session))
    source = _Troubled(person, trouble)
    name = add_session(study, rower.label, at=to_text(start))
    outcome = run_in(study, name, source, Unattended(), clock=VirtualClock(start), seed=rower.seed, fresh=False)
    given = tuple(given_stimuli(outcome.entries))
    for task, blocks in part.tasks.items():
        recorded = [one for one in given if one.request.block in blocks]
        if recorded:
            yield _record(part, rower, session, task, recorded, source.mishaps)


def _record(
    part: Part, rower: Rower, session: str, task: str, given: Sequence[Given], mishaps: Mapping[int, Mishap]
) -> RunToWrite:
    """Record the stimuli of a task in one go, with a person of their own in whom the same chances happen."""
    person = VirtualParticipant(rower.seed, part.montage, state=rower.state(session))
    began = given[0].onset_s - LEAD_S
    schedule = [
        Planned(
            onset_s=round(one.onset_s - began, 4),
            stimulus=one.request.stimulus,
            condition=_condition(one.request),
            block=one.request.block,
            contraction_pct=one.request.contraction_pct,
            timepoint=session,
            stim_side="right" if one.request.stimulus.stim_type == "nerve" else person.stim_side,
            number=one.trial.number,
            site_cm=one.request.site_cm,
            mishap=mishaps.get(one.trial.number, NOTHING_WRONG),
        )
        for one in given
    ]
    samples_uv, rate_hz, events = record_run(person, schedule)
    named = dict.fromkeys(event.condition for event in events)
    return RunToWrite(
        participant=rower.label,
        session=session,
        task=task,
        run="1",
        samples_uv=samples_uv,
        rate_hz=rate_hz,
        channels=run_channels(person),
        events=events,
        start=(from_text(given[0].entry.at) - timedelta(seconds=LEAD_S)).replace(tzinfo=None, microsecond=0),
        skin="shaved where needed, cleaned with alcohol, lightly abraded",
        electrode_distance_mm=20.0,
        power_line_hz=MAINS_HZ,
        hardware_filters={
            "High-pass": {"cutoff (Hz)": BAND_HZ[0], "order": 1},
            "Low-pass": {"cutoff (Hz)": BAND_HZ[1], "order": 2},
        },
        conditions={name: CONDITIONS[name] for name in named},
        **asdict(TASKS[task]),
    )


def _condition(request: Deliver) -> str:
    """Return the condition's name in the data set; blocks of one condition are named by what they are."""
    return request.condition if request.condition in CONDITIONS else request.block
