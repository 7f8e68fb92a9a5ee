"""Sessions behind the pages: looked on at while another program writes, never run twice."""

import threading

import pytest

from decussa.compose.keeping import withdraw_participant
from decussa.model.errors import UsageError
from decussa.screen.desk import Desk
from decussa.screen.run_sheet import mode_of
from decussa.session.operator import Stop, Unattended
from tests.session.stage import SESSION, go, make_study


class StopsAfter(Unattended):
    """Ends the session before its ``count``-th stimulus."""

    def __init__(self, count):
        self.count = count

    def commands(self, request, due_s):
        self.count -= type(request).__name__ == "Deliver"
        return (Stop("enough"),) if self.count < 0 else super().commands(request, due_s)


@pytest.fixture
def live(tmp_path):
    """A session that was made and not begun."""
    make_study(tmp_path / "study")
    return Desk(tmp_path).session("study", SESSION)


def test_what_another_program_writes_is_seen_after_a_look(live):
    go(live.folder, operator=StopsAfter(3))
    assert live.view.stimuli == 0
    live.catch_up()
    assert live.view.stimuli == 3
    assert live.view.state == "stopped"
    assert mode_of(live) == "idle"


def test_a_session_that_another_program_is_writing_cannot_be_begun_here_and_says_so(live):
    held, done = threading.Event(), threading.Event()

    class Waits(Unattended):
        def commands(self, request, due_s):  # noqa: ARG002
            held.set()
            done.wait(20)
            return (Stop("enough"),)

    other = threading.Thread(target=lambda: go(live.folder, operator=Waits()), daemon=True)
    other.start()
    assert held.wait(20)
    live.go_on()
    while live.running:
        pass
    done.set()
    other.join(20)
    assert mode_of(live) == "error"
    assert "is being written by another program" in str(live.error)


def test_a_session_is_opened_once_and_others_are_refused(tmp_path):
    make_study(tmp_path / "study")
    desk = Desk(tmp_path)
    assert desk.session("study", SESSION) is desk.session("study", SESSION)
    for study in ("..", "study/../study", "", "elsewhere"):
        with pytest.raises(UsageError, match="no such study"):
            desk.session(study, SESSION)
    for session in ("", "nobody-1", "../study"):
        with pytest.raises(UsageError):
            desk.session("study", session)


def test_a_session_of_somebody_who_withdrew_is_not_opened(tmp_path):
    make_study(tmp_path / "study")
    withdraw_participant(tmp_path / "study", "V-0005")
    with pytest.raises(UsageError, match="V-0005 has withdrawn"):
        Desk(tmp_path).session("study", SESSION)


def test_a_session_from_another_source_is_looked_on_at(live, monkeypatch):
    monkeypatch.setattr(live, "source", "replay")
    live.go_on()
    assert not live.running
    assert mode_of(live) == "watched"


def test_every_step_of_a_finished_session_came_to_its_end(live):
    go(live.folder)
    live.catch_up()
    assert live.view.state == "finished"
    assert set(live.view.ended) == set(live.steps)
