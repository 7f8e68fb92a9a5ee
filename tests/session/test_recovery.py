"""Reopening: nothing that was answered is lost, nothing is given twice, and the end is that of an undisturbed session."""

import shutil
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from decussa.model.dialogue import Deliver, Lost, Trial
from decussa.plan.find_threshold import METHODS
from decussa.plan.session import session_plan
from decussa.protocol.schema import read_protocol
from decussa.session.recovery import PlanChangedError, finished_steps, stand_at, stored_findings
from decussa.store.check import check_study
from decussa.store.journal import Journal
from tests.session.stage import SEED, SHORT, Spoilt, dialogue, go, journal_of, make_study, nothing

KILLED = Path(__file__).with_name("killed.py")


class Crash(BaseException):
    """Stands for the end of the process; nothing catches it."""


def crash_at(folder, monkeypatch, number, *, before):
    """Run until the ``number``-th write, then fall over just before or after it; return the sources that were used."""
    append, source = Journal.append, Spoilt()
    written = 0

    def deadly(self, kind, body, **rest):
        nonlocal written
        written += 1
        if written == number and before:
            raise Crash
        entry = append(self, kind, body, **rest)
        if written == number:
            raise Crash
        return entry

    with monkeypatch.context() as patch:
        patch.setattr(Journal, "append", deadly)
        with pytest.raises(Crash):
            go(folder, source)
    return source


def undisturbed(folder, lost):
    """The same session without a crash, in which the stimuli numbered ``lost`` do not come back."""
    return go(folder, Spoilt(spoil=dict.fromkeys(lost, nothing))).entries


def lost_numbers(entries):
    """Numbers of the stimuli that were declared lost."""
    replies = [entry.body for entry in entries if isinstance(entry.body, Trial | Lost)]
    return [number for number, reply in enumerate(replies, start=1) if isinstance(reply, Lost)]


@pytest.fixture(scope="module")
def writes(tmp_path_factory):
    """How many entries an undisturbed session writes after the study was made."""
    return len(go(make_study(tmp_path_factory.mktemp("whole") / "study")).entries)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.99])
@pytest.mark.parametrize("before", [True, False])
def test_after_a_crash_the_session_ends_as_if_the_unanswered_stimulus_had_been_lost(
    tmp_path, monkeypatch, writes, share, before
):
    folder = make_study(tmp_path / "study")
    source = crash_at(folder, monkeypatch, 1 + int(share * (writes - 1)), before=before)
    again = Spoilt()
    outcome = go(folder, again)
    plain = undisturbed(make_study(tmp_path / "plain"), lost_numbers(outcome.entries))

    assert dialogue(outcome.entries) == dialogue(plain)
    assert set(source.heard).isdisjoint(again.heard)
    assert check_study(folder) == []


def test_two_crashes_are_survived_as_well_as_one(tmp_path, monkeypatch):
    folder = make_study(tmp_path / "study")
    first = crash_at(folder, monkeypatch, 14, before=False)
    second = crash_at(folder, monkeypatch, 9, before=True)
    third = Spoilt()
    outcome = go(folder, third)

    heard = [*first.heard, *second.heard, *third.heard]
    assert len(heard) == len(set(heard))
    assert outcome.entries[-1].kind == "finished"


@pytest.mark.parametrize(
    ("number", "when"), [(8, "before"), (9, "after"), (17, "before"), (26, "after"), (41, "before"), (60, "after")]
)
def test_a_process_that_is_killed_leaves_every_answered_stimulus_with_its_sweep(tmp_path, number, when):
    folder = make_study(tmp_path / "study")
    ended = subprocess.run([sys.executable, KILLED, folder, str(number), when], capture_output=True, check=False)
    with journal_of(folder) as journal:
        entries = journal.entries()
        sweeps = [journal.sweep(entry.number) for entry in entries if isinstance(entry.body, Trial)]

    assert ended.returncode == -signal.SIGKILL, ended.stderr.decode()
    assert len(entries) == number - (when == "before")
    assert all(sweep.samples_uv.shape[0] == 1 for sweep in sweeps)
    assert check_study(folder) == []
    outcome = go(folder)
    plain = undisturbed(make_study(tmp_path / "plain"), lost_numbers(outcome.entries))
    assert dialogue(outcome.entries) == dialogue(plain)


def test_a_finished_session_is_not_run_again(tmp_path):
    folder = make_study(tmp_path / "study")
    found = go(folder).found
    again = Spoilt()

    assert go(folder, again).stopped == "the session is finished"
    assert again.heard == []
    assert dict(go(folder).found).keys() == dict(found).keys()


def test_a_changed_plan_is_said_and_a_fresh_one_goes_on_from_what_was_found(tmp_path, monkeypatch):
    folder = make_study(tmp_path / "study")
    crash_at(folder, monkeypatch, 40, before=False)
    with journal_of(folder) as journal:
        done = finished_steps(journal.entries())
    original = session_plan

    def other(protocol, *, seed, **rest):
        return original(protocol, seed=seed + 1, **rest)

    monkeypatch.setattr("decussa.compose.sessions.session_plan", other)
    with pytest.raises(PlanChangedError, match="the plan changed since this session began"):
        go(folder)
    outcome = go(folder, fresh=True)

    assert done >= {"familiarisation"}
    assert outcome.entries[-1].kind == "finished"
    assert "plan changed" in [entry.kind for entry in outcome.entries]
    again = [entry.body.step for entry in outcome.entries if entry.kind == "step found"]
    assert len(again) == len(set(again))
    assert check_study(folder) == []


def test_an_unfinished_session_goes_on_fresh_where_the_estimator_now_asks_for_something_else(tmp_path, monkeypatch):
    folder = make_study(tmp_path / "study")
    first = crash_at(folder, monkeypatch, 34, before=False)
    with journal_of(folder) as journal:
        before = journal.entries()
    assert isinstance(before[-1].body, Trial)  # the third pulse of the hunt, after three of the familiarisation
    assert first.heard == [1, 2, 3, 4, 5, 6]
    older = METHODS["adaptive"]
    newer = replace(older, suggest=lambda state: older.suggest(state) + (2 if state.n else 0))
    monkeypatch.setitem(METHODS, "adaptive", newer)

    with pytest.raises(PlanChangedError, match="in step 'threshold'"):
        go(folder)
    again = Spoilt()
    outcome = go(folder, again, fresh=True)
    given = [entry.body for entry in outcome.entries if entry.kind == "asked" and isinstance(entry.body, Deliver)]

    assert [entry.hash for entry in outcome.entries[: len(before)]] == [entry.hash for entry in before]
    assert again.heard[0] == 7
    assert [request.step for request in given[:7]] == ["familiarisation"] * 3 + ["threshold"] * 4
    # the hunt begins anew and has its six pulses, as the protocol asks for
    assert outcome.found["FDI right/rmt"].n == 6
    assert outcome.entries[-1].kind == "finished"
    assert check_study(folder) == []


def test_a_fresh_session_can_be_reopened_too(tmp_path, monkeypatch):
    folder = make_study(tmp_path / "study")
    crash_at(folder, monkeypatch, 40, before=False)
    go(folder, fresh=True)

    assert go(folder).stopped == "the session is finished"


def test_standing_at_a_stored_journal_needs_no_source(tmp_path):
    folder = make_study(tmp_path / "study")
    entries = go(folder).entries
    position = stand_at(session_plan(read_protocol(SHORT), seed=SEED), entries, discomfort_stop=7)

    assert position.number == sum(isinstance(entry.body, Trial | Lost) for entry in entries)
    assert {name: estimate.value for name, estimate in position.pending.found.items()} == {
        name: estimate.value for name, estimate in stored_findings(entries).items()
    }


def test_a_copied_study_resumes_like_the_original(tmp_path, monkeypatch):
    folder = make_study(tmp_path / "study")
    crash_at(folder, monkeypatch, 30, before=False)
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)

    assert dialogue(go(folder).entries) == dialogue(go(copy).entries)


def test_what_was_asked_before_a_crash_is_not_written_twice(tmp_path, monkeypatch):
    folder = make_study(tmp_path / "study")
    crash_at(folder, monkeypatch, 25, before=True)
    entries = go(folder).entries
    stimuli = [entry for entry in entries if entry.kind == "asked" and isinstance(entry.body, Deliver)]
    replies = [entry for entry in entries if isinstance(entry.body, Trial | Lost) or entry.kind == "refused"]

    assert len(stimuli) == len(replies)
