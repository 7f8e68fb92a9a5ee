"""A pulse is asked for once a contraction was held in its band, and not while it is not."""

import math

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from decussa.session.holding import HOLD_S, LAPSE_S, Band, Holding, follow


def led(levels, step_s=0.05, asked=10.0):
    """Every state on the way through some levels."""
    states, holding = [], Holding(band=Band.around(asked))
    for place, level in enumerate(levels):
        holding = follow(holding, level, place * step_s)
        states.append(holding)
    return states


def test_a_steady_contraction_is_steady_after_the_hold():
    states = [one.state for one in led([10.0] * 30)]

    assert states[:20] == ["holding"] * 20
    assert states[20:] == ["steady"] * 10


@pytest.mark.parametrize(("level", "state"), [(2.0, "below"), (40.0, "above"), (math.nan, "unknown")])
def test_what_is_not_in_the_band_is_said(level, state):
    assert led([level] * 60)[-1].state == state


def test_a_short_lapse_does_not_begin_the_hold_anew_and_a_long_one_does():
    short = led([10.0] * 15 + [30.0] * 4 + [10.0] * 10)
    long = led([10.0] * 15 + [30.0] * 10 + [10.0] * 10)

    assert short[-1].state == "steady"
    assert long[-1].state == "holding"


def test_nothing_is_steady_outside_the_band():
    assert led([10.0] * 30 + [30.0])[-1].state == "holding"


def test_the_band_of_a_light_contraction_stays_above_rest():
    assert Band.around(5.0).low_pct > 0


@given(st.lists(st.floats(0, 60) | st.just(math.nan), max_size=120))
def test_steady_means_that_the_last_second_was_in_the_band_but_for_short_lapses(levels):
    band = Band.around(10.0)
    for place, holding in enumerate(led(levels)):
        if holding.state != "steady":
            continue
        last = np.array(levels[max(place - round(HOLD_S / 0.05), 0) : place + 1])
        outside = ~((last >= band.low_pct) & (last <= band.high_pct))
        runs = [len(run) for run in "".join("x" if out else " " for out in outside).split()]
        assert not outside[-1]
        assert max(runs, default=0) * 0.05 <= LAPSE_S + 0.1
