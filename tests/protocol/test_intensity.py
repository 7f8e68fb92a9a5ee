"""Intensities as the trade writes them, and whether they are possible."""

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.model.errors import UsageError
from decussa.protocol.feasible import Feasibility, highest_threshold
from decussa.protocol.intensity import read_intensity, set_on_device


@pytest.mark.parametrize(
    ("text", "known", "expected"),
    [
        ("130 % RMT", {"rmt": 50.0}, 65.0),
        ("70% AMT", {"amt": 40.0}, 28.0),
        ("50 % MSO", {}, 50.0),
        ("1 mV", {"size": 61.0}, 61.0),
        ("base + 40 % MSO", {"base": 50.0}, 90.0),
        ("base", {"base": 40.0}, 40.0),
        ("127.5 % rmt", {"rmt": 40.0}, 51.0),
    ],
)
def test_an_expression_comes_to_what_it_says(text, known, expected):
    assert read_intensity(text).request(known) == pytest.approx(expected)


def test_what_is_not_known_yet_is_nan():
    assert math.isnan(read_intensity("130 % RMT").request({}))


@pytest.mark.parametrize(
    "text", ["", "130", "130 %", "130 RMT", "-10 % MSO", "120 % MSO", "base + 40", "% RMT", "1 V", "nan % RMT"]
)
def test_anything_else_is_refused_with_the_allowed_forms(text):
    with pytest.raises(UsageError, match="base \\+ 40 % MSO"):
        read_intensity(text)


@given(st.text(max_size=30))
def test_no_text_does_anything_but_be_read_or_refused(text):
    with contextlib.suppress(UsageError):
        read_intensity(text)


@pytest.mark.parametrize(("requested", "setting"), [(54.4, 54), (54.5, 55), (54.6, 55), (0.2, 0)])
def test_a_setting_is_the_nearest_the_device_has_and_ties_go_up(requested, setting):
    assert set_on_device(requested) == setting


@pytest.mark.parametrize(("percent", "threshold"), [(110, 90), (120, 83), (130, 76), (140, 71), (150, 66)])
def test_the_highest_threshold_that_still_fits(percent, threshold):
    """Arithmetic: 100 % MSO over the multiple, rounded down."""
    assert highest_threshold(percent) == threshold
    assert threshold * percent / 100 <= 100 < (threshold + 1) * percent / 100


def test_an_impossible_intensity_is_said_with_the_ceiling():
    """130 % of 85 % MSO is 110.5 % MSO: more than any stimulator has."""
    fit = Feasibility(step="single", text="130 % RMT", requested_mso=110.5, ceiling_mso=100)

    assert fit.possible is False
    assert fit.sentence() == "single: 130 % RMT comes to 110.5 % MSO, above the ceiling of 100."


def test_an_intensity_at_the_ceiling_is_possible():
    assert Feasibility(step="s", text="t", requested_mso=100, ceiling_mso=100).possible is True
    assert Feasibility(step="s", text="t", requested_mso=math.nan, ceiling_mso=100).possible is None
