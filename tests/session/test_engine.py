"""The engine: everything is on disk before it is acted upon, whatever the source does, and limits are never broken."""

import itertools

import pytest

from decussa.model.dialogue import Deliver, Lost, Trial
from decussa.model.errors import MachineError
from decussa.session.limits import GATES
from decussa.session.noticing import notice
from decussa.session.operator import Hold, LeaveStep, Stop, Unattended, Write
from decussa.source.contract import Delivered
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.source import VirtualSource
from decussa.store.check import check_study
from decussa.store.codec import encode
from decussa.store.journal import Journal
from decussa.store.records import Remark
from tests.session.stage import (
    ENDLESS,
    HUGE,
    NOT_A_NUMBER,
    SEED,
    Spoilt,
    asked_stimuli,
    go,
    journal_of,
    late,
    make_study,
    nothing,
)


@pytest.fixture
def folder(tmp_path):
    return make_study(tmp_path / "study")


def test_a_session_runs_to_its_end_and_its_study_is_whole(folder):
    outcome = go(folder)

    assert outcome.stopped == ""
    assert "FDI right/rmt" in outcome.found
    assert check_study(folder) == []


def test_every_answered_stimulus_has_its_sweep_and_what_measured_it(folder):
    entries = go(folder).entries
    trials = [entry for entry in entries if isinstance(entry.body, Trial)]

    assert trials
    assert all(entry.has_sweep for entry in trials)
    assert all(entry.measured.version and "bridged" in entry.measured.method for entry in trials)


def test_the_intention_is_on_disk_before_the_source_hears_of_it(folder):
    class Witness(Spoilt):
        def deliver(self, request, number):
            with journal_of(folder) as journal:
                last = journal.entries()[-1]
            assert (last.kind, encode(last.body)) == ("asked", encode(request))
            return super().deliver(request, number)

    source = Witness()
    go(folder, source)

    assert source.heard == list(range(1, len(source.heard) + 1))


def test_the_answer_is_on_disk_before_the_plan_asks_on(folder):
    kinds = [entry.kind for entry in go(folder).entries]
    talk = [kind for kind in kinds if kind in ("asked", "answered", "refused", "lost")]

    assert set(talk[::2]) == {"asked"}
    assert "asked" not in talk[1::2]


def test_every_gate_is_passed_before_the_first_stimulus(folder):
    entries = go(folder).entries
    first = next(index for index, entry in enumerate(entries) if isinstance(entry.body, Deliver))

    assert [entry.body.gate for entry in entries[:first] if entry.kind == "gate"] == list(GATES)


def test_a_gate_that_does_not_hold_stops_the_session_before_anything_is_given(folder):
    class Careful(Unattended):
        def confirm_gate(self, gate):
            return "consent" not in gate

    source = Spoilt()
    outcome = go(folder, source, Careful())

    assert outcome.stopped == "a gate does not hold"
    assert source.heard == []


@pytest.mark.parametrize("spoil", [nothing, late, NOT_A_NUMBER, HUGE, ENDLESS])
def test_whatever_comes_back_the_session_goes_on_and_the_study_stays_whole(folder, spoil):
    outcome = go(folder, Spoilt(spoil={3: spoil, 6: spoil, 9: spoil}))

    assert outcome.stopped == ""
    assert check_study(folder) == []


@pytest.mark.parametrize("spoil", [nothing, late])
def test_a_sweep_that_does_not_come_or_belongs_to_another_stimulus_is_not_taken_for_this_one(folder, spoil):
    entries = go(folder, Spoilt(spoil={4: spoil})).entries
    replies = [entry.body for entry in entries if isinstance(entry.body, Trial | Lost)]

    assert isinstance(replies[3], Lost)


def test_a_sweep_that_is_not_a_number_is_kept_and_rejected(folder):
    entries = go(folder, Spoilt(spoil={2: NOT_A_NUMBER})).entries
    trial = next(entry for entry in entries if isinstance(entry.body, Trial) and entry.body.number == 2)

    assert trial.body.verdict.kind == "reject"
    assert trial.has_sweep


def test_intervals_are_kept(folder):
    entries = go(folder).entries
    times = [entry.at for entry in entries if entry.kind == "asked" and isinstance(entry.body, Deliver)]
    seconds = [int(at[11:13]) * 3600 + int(at[14:16]) * 60 + float(at[17:23]) for at in times]

    assert min(b - a for a, b in itertools.pairwise(seconds)) >= 5


def test_the_pulse_total_is_never_passed(tmp_path, monkeypatch):
    import tests.session.stage as stage

    monkeypatch.setattr(stage, "SHORT", stage.SHORT.replace("pulse_total = 120", "pulse_total = 7"))
    folder = make_study(tmp_path / "study")
    source = Spoilt()
    entries = go(folder, source).entries

    assert len(source.heard) <= 7
    assert any(entry.kind == "refused" and entry.body.limit == "pulse total" for entry in entries)


class Scripted(Unattended):
    """Wants something done before the request of that number."""

    def __init__(self, script):
        self.script, self.turn = script, 0

    def commands(self, request, due_s):  # noqa: ARG002
        self.turn += 1
        return self.script.pop(self.turn, ())


def test_hold_note_and_stop_are_written_down_and_the_session_can_go_on(folder):
    script = {3: (Hold("break"), Write(Remark(text="electrode pressed on"))), 6: (Stop("enough today"),)}
    first = go(folder, operator=Scripted(script))
    kinds = [entry.kind for entry in first.entries]

    assert first.stopped == "enough today"
    assert [kind for kind in kinds if kind in ("paused", "resumed", "note", "stopped")] == [
        "paused",
        "resumed",
        "note",
        "stopped",
    ]
    assert go(folder).stopped == ""


def test_a_skipped_step_is_left_and_a_redone_step_comes_again(folder):
    entries = go(
        folder, operator=Scripted({2: (LeaveStep("redo", "coil slipped"),), 8: (LeaveStep("skip", "tired"),)})
    ).entries

    assert [entry.body.reason for entry in entries if entry.kind in ("step redone", "step skipped")] == [
        "coil slipped",
        "tired",
    ]
    assert entries[-1].kind == "finished"


def test_a_failing_listener_is_noted_and_the_session_goes_on(folder):
    def screen(entry):
        raise RuntimeError(f"no window for {entry.kind}")

    entries = go(folder, listeners=(screen,)).entries

    assert sum(entry.kind == "listener failed" for entry in entries) == 1
    assert entries[-1].kind == "finished"


def test_a_failing_journal_stops_the_session_and_nothing_more_is_given(folder, monkeypatch):
    source = Spoilt()
    append = Journal.append

    def full(self, kind, body, **rest):
        if len(source.heard) == 4:
            raise MachineError("disk is full", where=folder)
        return append(self, kind, body, **rest)

    monkeypatch.setattr(Journal, "append", full)
    with pytest.raises(MachineError, match="disk is full"):
        go(folder, source)

    assert source.heard == [1, 2, 3, 4]
    monkeypatch.undo()
    assert check_study(folder) == []
    assert len(asked_stimuli(go(folder).entries)) > 4


def test_a_pulse_that_did_not_come_is_noticed_once_earlier_pulses_showed_their_artifact(folder):
    plain = [entry.body for entry in go(folder).entries if isinstance(entry.body, Trial)]
    missing = plain[-1].number
    again = make_study(folder.with_name("again"))
    source = VirtualSource(VirtualParticipant(SEED, "hand"), errors={2: "pulse missing", missing: "pulse missing"})
    trials = {entry.body.number: entry.body for entry in go(again, source).entries if isinstance(entry.body, Trial)}

    assert trials[missing].verdict.rule == "pulse missing"
    # The second stimulus of the session has nothing before it that could tell.
    assert trials[2].verdict.rule != "pulse missing"


def test_what_a_source_says_of_a_stimulus_is_noted_and_nothing_is_left_to_the_operator(tmp_path):
    folder = make_study(tmp_path / "study")

    def said(came):
        return Delivered(number=came.number, said=("two pulses were seen, one was asked for",))

    go(folder, source=Spoilt(spoil={2: said}))
    with journal_of(folder) as journal:
        entries = journal.entries()
    noted = next(entry for entry in entries if entry.kind == "note")

    assert noted.body == Remark(text="two pulses were seen, one was asked for")
    assert entries[noted.number].kind == "lost"
    assert not notice(entries, {1: "anything"})[0].how
