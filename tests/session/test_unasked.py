"""A pulse that nobody asked for reached the person: it counts towards the limits, also after a reopening."""

from datetime import datetime

import pytest

from decussa.model.dialogue import Deliver
from decussa.plan.session import session_plan
from decussa.protocol.schema import read_protocol
from decussa.session.live_view import view_of
from decussa.session.recovery import stand_at
from decussa.session.tally import Tally, count_unasked
from decussa.source.contract import Unasked
from decussa.store.check import check_study
from decussa.store.records import Started, UnaskedPulse
from tests.session.stage import SEED, SHORT, Spoilt, dialogue, go, journal_of, make_study

KIND = "pulse not asked for"


class Stray(Spoilt):
    """A source that sees pulses by itself, while the next stimulus is waited for: by number of the stimulus before."""

    def __init__(self, strays):
        super().__init__()
        self.strays, self._last, self._looks = strays, 0, 0

    def deliver(self, request, number):
        self._last, self._looks = number, 0
        return super().deliver(request, number)

    def unasked(self):
        self._looks += 1
        return (self.strays[self._last],) if self._looks == 2 and self._last in self.strays else ()


def pulses_of(entries):
    return sum(len(entry.body.stimulus.pulses) for entry in entries if isinstance(entry.body, Deliver))


def at(entry):
    return datetime.fromisoformat(entry.at).timestamp()


def test_the_next_stimulus_waits_its_whole_interval_after_a_pulse_that_nobody_asked_for(tmp_path):
    folder = make_study(tmp_path / "study")
    entries = go(folder, Stray({5: Unasked(pulses=1, ago_s=0.5)})).entries
    (place,) = [place for place, entry in enumerate(entries) if entry.kind == KIND]
    after = next(entry for entry in entries[place:] if isinstance(entry.body, Deliver))
    plain = go(make_study(tmp_path / "plain")).entries

    assert entries[place].body == UnaskedPulse(pulses=1, ago_s=0.5)
    assert at(after) - (at(entries[place]) - 0.5) == pytest.approx(after.body.wait_s, abs=0.002)
    assert dialogue(entries) == dialogue(plain)
    assert check_study(folder) == []


def test_pulses_that_nobody_asked_for_use_up_the_pulses_of_the_day(tmp_path):
    plain = pulses_of(go(make_study(tmp_path / "plain")).entries)
    entries = go(make_study(tmp_path / "study"), Stray({1: Unasked(pulses=121 - plain, ago_s=0.5)})).entries

    assert [entry.body.limit for entry in entries if entry.kind == "refused"] == ["pulse total"]
    assert view_of(entries).pulses == 119  # a pair no longer fits where one pulse is left
    assert view_of(entries).unasked == 121 - plain


def test_a_session_that_is_opened_again_counts_them_as_well(tmp_path):
    folder = make_study(tmp_path / "study")
    go(folder, Stray({1: Unasked(pulses=1, ago_s=0.5), 4: Unasked(pulses=2, ago_s=1.0)}))
    with journal_of(folder) as journal:
        entries = journal.entries()
    until = next(place for place, entry in enumerate(entries) if entry.kind == KIND and entry.body.pulses == 2) + 1
    plan = session_plan(read_protocol(SHORT, where="short"), seed=SEED)
    tally = stand_at(plan, entries[:until], discomfort_stop=7).tally

    assert tally.pulses == pulses_of(entries[:until]) + 3
    assert tally.last_s == pytest.approx(at(entries[until - 1]) - 1.0 - at(entries[0]), abs=0.002)


def test_a_fresh_plan_counts_what_was_seen_under_the_one_before(tmp_path):
    folder = make_study(tmp_path / "study")
    go(folder, Stray({1: Unasked(pulses=1, ago_s=0.5)}))
    with journal_of(folder) as journal:
        entries = journal.entries()
    until = next(place for place, entry in enumerate(entries) if entry.kind == KIND) + 1
    started = next(entry for entry in entries if isinstance(entry.body, Started))
    plan = session_plan(read_protocol(SHORT, where="short"), seed=SEED)
    tally = stand_at(plan, [*entries[:until], started], discomfort_stop=7).tally

    assert tally.pulses == pulses_of(entries[:until]) + 1


def test_nothing_but_pulses_and_times_is_known_of_them():
    before = Tally(pulses=3, tolerated_mso=40, last_mso=40, first_s=1.0, last_s=9.0)
    after = count_unasked(before, 2, at_s=12.0)

    assert after == Tally(pulses=5, tolerated_mso=40, last_mso=40, first_s=1.0, last_s=12.0)
    assert count_unasked(before, 1, at_s=4.0).last_s == 9.0
    assert count_unasked(Tally(), 1, at_s=-0.2).first_s == 0.0
