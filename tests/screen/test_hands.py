"""What a window sends: read as anybody may have written it, and no more of it than a hand could mean."""

import pytest

from decussa.screen import hands
from decussa.screen.hands import LONGEST_FIELD, MOST_A_SECOND, STOP, Act, Hands, _read


@pytest.fixture
def heard(monkeypatch):
    """Hands without a page, the acts that were carried out, and a clock that the test sets."""
    acts, now = [], [0.0]
    monkeypatch.setattr(hands.time, "monotonic", lambda: now[0])
    own = Hands.__new__(Hands)
    own._heard, own._on_act = hands.deque(maxlen=MOST_A_SECOND), acts.append
    return own, acts, now


def test_of_a_flood_only_what_a_hand_could_mean_is_carried_out_and_every_stop(heard):
    own, acts, now = heard
    for _ in range(1000):
        now[0] += 0.0005
        own.hear(Act("go", 1, {}))
    assert len(acts) == MOST_A_SECOND

    own.hear(Act(STOP, 1, {}))
    assert acts[-1].name == STOP

    now[0] += 1.0
    own.hear(Act("hold", 1, {}))
    assert acts[-1].name == "hold"


@pytest.mark.parametrize("sent", [None, 7, "go", [], {}, {"act": None}, {"turn": "1"}, {"fields": ["x"]}])
def test_whatever_is_sent_is_read_as_an_act_that_means_nothing(sent):
    act = _read(sent)

    assert act.turn == -1
    assert act.fields == {}


def test_a_field_is_cut_where_no_form_of_ours_could_end():
    assert len(_read({"fields": {"text": "x" * 100_000}}).fields["text"]) == LONGEST_FIELD
