"""A debrief tells of every mishap that was scripted whether it was noticed or missed."""

from dataclasses import replace

import pytest

from decussa.compose.rehearsals import go_on_rehearsing, rehearse
from decussa.compose.study_reports import debrief_session
from decussa.compose.virtual_people import mishaps_of
from decussa.model.dialogue import Trial
from decussa.protocol.schema import read_protocol
from decussa.session.noticing import notice
from decussa.session.operator import Hold, Stop, Unattended
from decussa.source.virtual.mishap import MISHAPS
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.source import VirtualSource
from decussa.store.chain import Entry
from decussa.store.records import Correction, Started
from tests.session.stage import SEED, SHORT, go, journal_of, make_study


def run_with(folder, errors):
    make_study(folder)
    return go(folder, source=VirtualSource(VirtualParticipant(SEED, "hand"), errors=errors)).entries


def paired_number(entries):
    """The number of the first paired stimulus of a session."""
    asked = [entry.body for entry in entries if entry.kind == "asked" and hasattr(entry.body, "stimulus")]
    return next(number for number, request in enumerate(asked, start=1) if request.stimulus.stim_type == "paired")


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """A session in which all that can go wrong with a single pulse does, each at a stimulus of its own."""
    errors = dict(enumerate([kind for kind in MISHAPS if kind != "wrong interval"], start=2))
    folder = tmp_path_factory.mktemp("wrong") / "study"
    return folder, errors, run_with(folder, errors)


def test_every_mishap_is_told_of_once_as_noticed_or_missed(session):
    _, errors, entries = session
    told = notice(entries, errors)

    assert [(one.number, one.mishap) for one in told] == sorted(errors.items())
    assert all(one.verdict for one in told)
    assert all((": noticed," in one.sentence()) != (": missed;" in one.sentence()) for one in told)


@pytest.mark.parametrize(
    ("mishap", "how"),
    [
        ("trigger missed", "lost"),
        ("electrode off", "rejected"),
        ("tension", "background"),
    ],
)
def test_what_the_rules_can_see_is_noticed(session, mishap, how):
    _, errors, entries = session
    one = next(one for one in notice(entries, errors) if one.mishap == mishap)

    assert how in one.how


def test_a_slipped_coil_that_nobody_acts_on_is_missed(session):
    _, errors, entries = session
    one = next(one for one in notice(entries, errors) if one.mishap == "coil slipped")

    assert one.verdict == "accept"
    assert one.sentence().endswith("missed; the trial was taken as it came.")


def test_the_debrief_of_the_stored_session_tells_of_its_mishaps(session):
    folder, errors, entries = session
    started = next(entry.body for entry in entries if isinstance(entry.body, Started))
    with journal_of(folder) as journal:
        said = debrief_session(journal, read_protocol(SHORT, where=folder)).sentences()

    assert mishaps_of(started) == errors
    assert any(f"went wrong by script: {len(errors)};" in sentence for sentence in said)
    assert all(
        any(f"Stimulus {number} " in sentence and kind in sentence for sentence in said)
        for number, kind in errors.items()
    )


def test_a_wrong_interval_is_seen_on_the_recording(tmp_path):
    number = paired_number(run_with(tmp_path / "calm", {}))
    (one,) = notice(run_with(tmp_path / "wrong", {number: "wrong interval"}), {number: "wrong interval"})

    assert "interval" in one.how


class Attentive(Unattended):
    """Holds the session once, after the second stimulus, as somebody does who sees the coil slide."""

    def __init__(self):
        self.held = False

    def commands(self, request, due_s):  # noqa: ARG002
        if self.held or not getattr(request, "stimulus", None) or request.stimulus.intensity_mso != 50:
            return ()
        self.held = True
        return (Hold("the coil has moved"),)


def test_a_slipped_coil_is_noticed_where_the_operator_holds_the_session_soon(tmp_path):
    make_study(tmp_path / "study")
    source = VirtualSource(VirtualParticipant(SEED, "hand"), errors={2: "coil slipped"})
    (one,) = notice(go(tmp_path / "study", source=source, operator=Attentive()).entries, {2: "coil slipped"})

    assert one.how == "the operator acted on it (paused)"


def test_what_an_operator_says_of_another_trial_is_not_about_the_mishap(session):
    _, _, entries = session
    first = next(at for at, entry in enumerate(entries) if isinstance(entry.body, Trial))
    other = Entry(
        number=0,
        at="",
        kind="correction",
        body=Correction(entry=999, text="x"),
        measured=None,
        has_sweep=False,
        hash="",
    )
    same = replace(other, body=Correction(entry=entries[first].number, text="x"))

    for said, how in ((other, ""), (same, "the operator acted on it (correction)")):
        (one,) = notice([*entries[: first + 1], said], {1: "tension"})
        assert one.how == how


def test_a_mishap_after_the_end_is_said_to_have_been_planned(session):
    _, _, entries = session
    (one,) = notice(entries, {9999: "tension"})

    assert one.sentence() == "Planned for stimulus 9999, tension: the session ended before."


class Stopping(Unattended):
    """Ends the session before the stimulus that would be the ``after``-th asked for."""

    def __init__(self, after):
        self.left = after

    def commands(self, request, due_s):  # noqa: ARG002
        self.left -= hasattr(request, "stimulus")
        return (Stop("enough"),) if self.left <= 0 else ()


def test_a_rehearsal_that_goes_on_keeps_its_mishaps(tmp_path):
    rehearse("hand", tmp_path / "study", seed=3, operator=Stopping(1), hard="", errors={2: "trigger missed"})
    outcome = go_on_rehearsing(tmp_path / "study", "V-0003-1", Stopping(4), real_pace=False, fresh=False)

    assert [one.how for one in notice(outcome.entries, {2: "trigger missed"})] == ["the stimulus was lost"]
