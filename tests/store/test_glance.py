"""A glance counts the same as reading everything."""

import pytest

from decussa.session.live_view import view_of
from decussa.store.glance import Glance, entries_of_kinds, glance_at
from decussa.store.journal import open_journal
from decussa.store.kinds import KINDS
from decussa.store.study import open_study
from tests.store.invented import AT, a_study


@pytest.fixture
def study(tmp_path):
    with open_study(a_study(tmp_path / "study", pulses=4), write=True) as opened:
        yield opened


def test_a_glance_counts_what_the_live_view_counts(study):
    with open_journal(study, "P07-1") as journal:
        for given in ("given and lost", "not given"):
            journal.append("asked", KINDS["asked"].example, at=AT)
            lost = KINDS["lost"].example
            journal.append("lost", type(lost)(given=given, reason="tried"), at=AT)
        view, entries = view_of(journal.entries()), journal.entries()
    seen = glance_at(study, "P07-1")

    assert (seen.stimuli, seen.first_at) == (view.stimuli, view.first_at) == (5, AT)
    assert seen.sweeps == sum(entry.has_sweep for entry in entries) == 4
    assert seen.verdicts == {"accept": 4}


def test_a_session_that_was_not_begun_counts_nothing(tmp_path):
    with open_study(a_study(tmp_path / "study", pulses=0), write=False) as study:
        assert glance_at(study, "P07-1") == Glance()


def test_entries_of_some_kinds_are_those_of_the_journal(study):
    with open_journal(study, "P07-1") as journal:
        expected = [entry for entry in journal.entries() if entry.kind in ("started", "note")]

    assert list(entries_of_kinds(study, "P07-1", ("started", "note"))) == expected
    assert len(expected) == 2
