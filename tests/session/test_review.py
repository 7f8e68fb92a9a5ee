"""Layers of raters: a fold over entries, and values worked out anew from moved marks."""

import math

import pytest

from decussa.model.errors import UsageError
from decussa.session.review import SEEN, VERDICT, check_change, last_to_undo, layers_of
from decussa.session.reviewed import automatic_marks, reviewed_values
from decussa.store.chain import Entry
from decussa.store.records import ReviewBegun, Reviewed, Unblinded

MUSCLE = "FDI right"
VALUES = {
    "amplitude_uv": 900.0,
    "latency_ms": 22.0,
    "latency_low_ms": 21.5,
    "latency_high_ms": 22.4,
    "duration_ms": 14.0,
    "silent_start_ms": 36.0,
    "silent_end_ms": 140.0,
    "silent_low_ms": 135.0,
    "silent_high_ms": 146.0,
    "silent_period_ms": 118.0,
    "silent_from_pulse_ms": 140.0,
    "silent_from_end_ms": 104.0,
}
WINDOW = (15.0, 50.0)


def entries_of(*bodies):
    """Entries that hold these records, numbered from 1."""
    kinds = {ReviewBegun: "review begun", Reviewed: "reviewed", Unblinded: "unblinded"}
    return [
        Entry(
            number=number, at=f"2026-05-11T10:00:{number:02d}.000Z", kind=kinds[type(body)], body=body, measured=None,
            has_sweep=False, hash="",
        )
        for number, body in enumerate(bodies, 1)
    ]  # fmt: skip


def begun(rater="R-1", number=1, blind=False):
    return ReviewBegun(rater=rater, number=number, blind=blind, seed=1, version="0.1.0")


def said(what, old, new, rater="R-1", entry=12, blind=False, undoes=0):
    return Reviewed(
        entry=entry, muscle=MUSCLE, what=what, old=old, new=new, rater=rater, number=1, blind=blind, undoes=undoes
    )


def no_other_window(window):
    raise AssertionError(f"measured in {window}, though the window was not moved")


def test_each_rater_has_a_layer_of_their_own():
    layers = layers_of(
        entries_of(
            begun(), begun("R-2", 2, blind=True), said(VERDICT, "accept", "reject"),
            said(VERDICT, "accept", "doubtful", rater="R-2", blind=True),
        )
    )  # fmt: skip
    assert [layer.number for layer in layers.values()] == [1, 2]
    assert layers["R-1"].said((12, MUSCLE), VERDICT) == "reject"
    assert layers["R-2"].said((12, MUSCLE), VERDICT) == "doubtful"


def test_keeping_a_trial_as_it_was_counts_as_seen_and_changes_nothing():
    layer = layers_of(entries_of(begun(), said(SEEN, "", "")))["R-1"]
    assert layer.seen == {(12, MUSCLE)}
    assert not layer.changes


def test_undoing_goes_back_step_by_step_and_leaves_every_entry():
    written = [begun(), said("onset_ms", 22.0, 23.0), said("onset_ms", 23.0, 24.0)]
    number, change = last_to_undo(layers_of(entries_of(*written))["R-1"], MUSCLE)
    assert (number, change.old) == (3, 23.0)
    written.append(said("onset_ms", 24.0, 23.0, undoes=number))
    layer = layers_of(entries_of(*written))["R-1"]
    assert layer.said((12, MUSCLE), "onset_ms") == 23.0
    number, change = last_to_undo(layer, MUSCLE)
    assert number == 2
    written.append(said("onset_ms", 23.0, 22.0, undoes=number))
    layer = layers_of(entries_of(*written))["R-1"]
    assert layer.said((12, MUSCLE), "onset_ms") is None
    assert last_to_undo(layer, MUSCLE) is None
    assert len(layer.written) == 4


def test_a_mark_that_was_not_there_can_be_set_and_taken_away_again():
    written = [begun(), said("onset_ms", math.nan, 21.0), said("onset_ms", 21.0, math.nan, undoes=2)]
    assert layers_of(entries_of(*written[:2]))["R-1"].said((12, MUSCLE), "onset_ms") == 21.0
    assert layers_of(entries_of(*written))["R-1"].said((12, MUSCLE), "onset_ms") is None


def test_what_is_said_after_unblinding_is_not_blind():
    layer = layers_of(
        entries_of(
            begun(blind=True), said(SEEN, "", "", blind=True), Unblinded(rater="R-1", number=1),
            said(SEEN, "", "", entry=14),
        )
    )["R-1"]  # fmt: skip
    assert layer.began_blind
    assert not layer.blind
    assert layer.not_blind == {(14, MUSCLE)}


def test_without_a_change_every_value_stays_as_it_was_measured():
    assert reviewed_values(VALUES, WINDOW, {}, no_other_window) == VALUES


def test_durations_follow_a_moved_onset_and_its_interval_is_gone():
    values = reviewed_values(VALUES, WINDOW, {"onset_ms": 21.0}, no_other_window)
    # By hand: the response ended at 22 + 14 = 36 ms and the silence at 140 ms; both stay where they are.
    assert values["latency_ms"] == 21.0
    assert values["duration_ms"] == 15.0
    assert values["silent_period_ms"] == 119.0
    assert values["silent_from_end_ms"] == 104.0
    assert math.isnan(values["latency_low_ms"])
    assert math.isnan(values["latency_high_ms"])
    assert values["amplitude_uv"] == 900.0


def test_silence_follows_its_moved_end():
    values = reviewed_values(VALUES, WINDOW, {"silent_end_ms": 150.0}, no_other_window)
    assert (values["silent_period_ms"], values["silent_from_pulse_ms"], values["silent_from_end_ms"]) == (128, 150, 114)
    assert math.isnan(values["silent_high_ms"])


def test_a_response_that_is_said_to_have_no_onset_has_no_durations():
    values = reviewed_values(VALUES, WINDOW, {"onset_ms": math.nan}, no_other_window)
    assert all(math.isnan(values[name]) for name in ("latency_ms", "duration_ms", "silent_period_ms"))
    assert values["silent_from_pulse_ms"] == 140.0


def test_the_end_of_the_response_is_the_start_of_the_silence():
    values = reviewed_values(VALUES, WINDOW, {"end_ms": 40.0}, no_other_window)
    assert (values["duration_ms"], values["silent_start_ms"], values["silent_from_end_ms"]) == (18.0, 40.0, 100.0)


def test_a_moved_window_is_measured_anew_and_moved_marks_hold():
    asked = []

    def measure(window):
        asked.append(window)
        return {"amplitude_uv": 700.0, "latency_ms": 23.0, "duration_ms": 10.0}

    changes = {"window_start_ms": 20.0, "onset_ms": 21.0}
    values = reviewed_values(VALUES, WINDOW, changes, measure)
    assert asked == [(20.0, 50.0)]
    assert values["amplitude_uv"] == 700.0
    assert values["latency_ms"] == 21.0
    assert values["duration_ms"] == 12.0


def test_marks_are_those_of_the_values():
    assert automatic_marks(VALUES, WINDOW) == {
        "onset_ms": 22.0, "end_ms": 36.0, "silent_end_ms": 140.0, "window_start_ms": 15.0, "window_end_ms": 50.0,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("what", "new"),
    [
        (VERDICT, "fine"),
        (VERDICT, 1.0),
        ("onset_ms", "soon"),
        ("onset_ms", math.inf),
        ("onset_ms", 1e9),
        ("size_uv", 3.0),
    ],
)
def test_what_is_no_verdict_and_no_time_is_refused(what, new):
    with pytest.raises(UsageError, match="cannot be kept"):
        check_change(what, new)
