"""What a screen shows is a fold over the entries: the same whole or one by one, and right in its counts."""

from decussa.model.dialogue import Answer, Deliver, Trial
from decussa.session.live_view import LiveView, fold, view_of
from decussa.session.operator import Hold, LeaveStep, Unattended, Write
from decussa.store.records import Remark, Tolerance
from tests.session.stage import go, journal_of, make_study


def test_a_listener_sees_the_same_as_one_who_comes_later(tmp_path):
    seen = []
    folder = make_study(tmp_path / "study")
    go(folder, listeners=(seen.append,))
    with journal_of(folder) as journal:
        entries = journal.entries()

    assert repr(view_of(seen)) == repr(view_of(entries))  # NaN differs from itself, its text does not


def test_the_view_is_that_of_the_last_entry_at_every_step(tmp_path):
    entries = go(make_study(tmp_path / "study")).entries
    view = LiveView()
    for entry in entries:
        view = fold(view, entry)
        if isinstance(entry.body, Deliver) and entry.kind == "asked":
            assert view.setting is entry.body
        if isinstance(entry.body, Trial):
            assert view.last is entry.body
            assert view.setting is None

    assert view.state == "finished"
    assert view.stimuli == sum(isinstance(entry.body, Trial) for entry in entries)
    assert sum(view.counts.values()) == sum(sum(step.values()) for step in view.by_step.values())
    assert "FDI right/rmt" in view.results


def test_a_hold_is_seen(tmp_path):
    states = []

    class Once(Unattended):
        held = False

        def commands(self, request, due_s):  # noqa: ARG002
            if self.held:
                return ()
            self.held = True
            return (Hold("break"),)

    view = LiveView()

    def watch(entry):
        nonlocal view
        view = fold(view, entry)
        if isinstance(entry.body, Remark):
            states.append((entry.kind, view.state))

    go(make_study(tmp_path / "study"), operator=Once(), listeners=(watch,))

    assert states[:2] == [("paused", "on hold"), ("resumed", "running")]


def test_the_view_tells_which_steps_ended_which_were_skipped_and_what_was_answered(tmp_path):
    class Skips(Unattended):
        skipped = False

        def commands(self, request, due_s):  # noqa: ARG002
            if request.step != "threshold" or self.skipped:
                return ()
            self.skipped = True
            return (LeaveStep("skip", "not today"),)

    view, answers = LiveView(), 0
    for entry in go(make_study(tmp_path / "study"), operator=Skips()).entries:
        view = fold(view, entry)
        answers += isinstance(entry.body, Answer)
        if view.step == "closing" and isinstance(entry.body, Answer):
            assert view.answers[-1][1] == entry.body.value
            assert view.answers[-1][0].step == "closing"

    assert view.skipped == ("threshold",)
    assert "threshold" not in view.ended
    assert {"familiarisation", "closing"} <= set(view.ended)
    assert answers >= len(view.answers) == 3


def test_a_fresh_plan_has_every_gate_open_again(tmp_path):
    folder = make_study(tmp_path / "study")
    entries = go(folder).entries
    started = next(entry for entry in entries if entry.kind == "started")
    gates = [entry for entry in entries if entry.kind == "gate"]
    view = view_of([started, *gates])
    assert all(view.gates.values())
    assert len(view.gates) == 5
    assert fold(view, started).gates == {}


def test_a_word_of_tolerance_is_an_entry_of_its_own(tmp_path):
    class Says(Unattended):
        said = False

        def commands(self, request, due_s):  # noqa: ARG002
            if self.said or not isinstance(request, Deliver):
                return ()
            self.said = True
            return (Write(Tolerance(rating=3.0, intensity_mso=30.0, text="said unasked")),)

    entries = go(make_study(tmp_path / "study"), operator=Says()).entries
    said = [entry for entry in entries if entry.body == Tolerance(rating=3.0, intensity_mso=30.0, text="said unasked")]
    assert [entry.kind for entry in said] == ["tolerance"]
