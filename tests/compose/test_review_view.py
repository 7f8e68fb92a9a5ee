"""What a rater's window is sent: everything to who sees, nothing that tells the condition to who is blind."""

import json

import numpy as np
import pytest

from decussa.compose.review_view import facts_of, packed, review_view
from decussa.compose.reviewing import ReviewRoom
from tests.compose.invented_session import CONDITIONS, MUSCLE, make_session


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    """A session of 24 invented sweeps with a rater who sees and one who is blind."""
    folder = tmp_path_factory.mktemp("view") / "study"
    room = ReviewRoom(folder, make_session(folder, 24))
    room.begin("R-1", blind=False)
    room.begin("R-2", blind=True)
    return room


def sent(room, rater):
    """The view of a rater, and what is unpacked from its bytes by the rules that are written beside them."""
    layer = room.layers[rater]
    view = review_view(room, MUSCLE, layer)
    facts = [facts_of(view, place, room.shown(trace, layer), room.protocol) for place, trace in enumerate(view.traces)]
    content = packed(view, facts)
    length = int.from_bytes(content[:4], "little")
    head = json.loads(content[4 : 4 + length])
    samples = np.frombuffer(content[4 + length :], dtype="<f4").reshape(head["count"], head["length"])
    return view, head, samples


def test_who_sees_gets_the_recorded_samples_about_their_baseline(room):
    view, head, samples = sent(room, "R-1")
    assert head["count"] == 24
    assert [fact["number"] for fact in head["facts"]] == list(range(1, 25))
    for place, (trace, sweep) in enumerate(zip(view.traces, room.sweeps(view.traces), strict=True)):
        raw = sweep.samples_uv[0]
        # Nothing but an offset is between the two.
        assert np.ptp(raw - samples[place]) < 1e-3
        assert np.isclose(head["start"] + head["step"] * sweep.onset_sample, 0.0)
        assert trace.request.condition == head["facts"][place]["condition"]


def test_who_is_blind_is_sent_no_condition_intensity_size_number_or_time(room):
    _, head, _ = sent(room, "R-2")
    text = json.dumps(head)
    for condition, _, _ in CONDITIONS:
        assert condition not in text
    for name in ("mso", "isi", "number", "amplitude", "size", "onset_s", "entry", "condition", "setting", "others"):
        assert f'"{name}' not in text
    assert len({json.dumps(fact["blanks"]) for fact in head["facts"]}) == 1


def test_who_is_blind_sees_every_response_well_above_noise_at_the_same_height(room):
    view, head, samples = sent(room, "R-2")
    time_ms = head["start"] + head["step"] * np.arange(head["length"])
    window = samples[:, (time_ms >= 15) & (time_ms <= 50)]
    heights = np.nanmax(window, axis=1) - np.nanmin(window, axis=1)
    # The sizes of the conditions lie 1 to 3.4 apart; drawn they are all 1 high, but for those in much noise, which are lower.
    clear = np.array([trace.measured["amplitude_uv"] > 8 * trace.measured["noise_uv"] for trace in view.traces])
    assert clear.sum() > 20
    assert heights[clear].max() / heights[clear].min() < 1.02
    assert heights.max() < 1.02
    raw = np.array([trace.measured["amplitude_uv"] for trace in view.traces])
    assert raw.max() / raw.min() > 2


def test_the_pulses_of_short_pairs_are_left_out_of_every_sweep_of_who_is_blind(room):
    _, head, samples = sent(room, "R-2")
    time_ms = head["start"] + head["step"] * np.arange(head["length"])
    between = samples[:, (time_ms > -12) & (time_ms < 1)]
    assert np.isnan(between).all()


def test_the_order_of_who_is_blind_is_shuffled_the_same_each_time_and_differs_between_raters(room):
    view, _, _ = sent(room, "R-2")
    order = [trace.number for trace in view.traces]
    assert sorted(order) == list(range(1, 25))
    assert order != sorted(order)
    assert [trace.number for trace in sent(room, "R-2")[0].traces] == order
    room.begin("R-3", blind=True)
    assert [trace.number for trace in sent(room, "R-3")[0].traces] != order


def test_looking_gives_back_the_order_in_which_they_were_recorded(room):
    room.begin("R-4", blind=True)
    room.unblind("R-4", "done")
    assert [trace.number for trace in sent(room, "R-4")[0].traces] == list(range(1, 25))
