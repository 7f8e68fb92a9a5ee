"""What a screen shows is a fold over the entries: the same whole or one by one, and right in its counts."""

from decussa.model.dialogue import Deliver, Trial
from decussa.session.live_view import LiveView, fold, view_of
from decussa.session.operator import Hold, Unattended
from decussa.store.records import Remark
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
