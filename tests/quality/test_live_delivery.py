"""What a stream showed against what was asked for."""

import math

import pytest

from decussa.quality.live_delivery import SeenPulses, judge_pulses

PAIR = {"asked": 2, "seen": 2, "isi_ms": 3.0, "sample_ms": 0.2}


def rules(**facts):
    return [(verdict.kind, verdict.rule) for verdict in judge_pulses(SeenPulses(**facts))]


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        ({"asked": 1, "seen": 1}, []),
        ({"asked": 1, "seen": 0}, []),
        ({"asked": 1, "seen": 2, "apart_ms": 3.0}, [("reject", "too many pulses")]),
        ({"asked": 2, "seen": 1, "isi_ms": 3.0}, [("reject", "too few pulses")]),
        (PAIR | {"apart_ms": 3.2}, []),
        (PAIR | {"apart_ms": 3.41}, [("reject", "interval")]),
        (PAIR | {"apart_ms": 3.9, "sample_ms": 1.0}, []),
        ({"asked": 1, "seen": 1, "lost": 12}, [("doubtful", "samples lost")]),
        ({"asked": 1, "seen": 1, "flat": ("FCR left",)}, [("reject", "channel flat")]),
        ({"asked": 1, "seen": 1, "lag_ms": 3.0, "usual_lag_ms": 1.5, "lags": 5}, [("doubtful", "lag")]),
        ({"asked": 1, "seen": 1, "lag_ms": 3.0, "usual_lag_ms": 1.5, "lags": 4}, []),
        ({"asked": 1, "seen": 1, "lag_ms": math.nan, "usual_lag_ms": 1.5, "lags": 9}, []),
    ],
)
def test_what_was_given_is_held_against_what_was_asked_for(facts, expected):
    assert rules(**facts) == expected


def test_every_objection_says_what_was_found_and_what_to_look_at():
    (verdict,) = judge_pulses(SeenPulses(**PAIR, apart_ms=5.0))

    assert verdict.reason == "interval 5.00 ms, 3 ms asked for: set it anew on the stimulator"
