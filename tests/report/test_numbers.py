"""How numbers are printed."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.report import numbers

THIN, MINUS = "\u202f", "\u2212"
_ANY = st.floats(allow_nan=True, allow_infinity=True)


@pytest.mark.parametrize(
    ("value", "low", "high", "unit", "printed"),
    [
        (53.84, 51.71, 55.98, "% MSO", ("53.8", "[51.7, 56.0]", "% MSO")),
        (738.0, 641.0, 858.0, "uV", ("0.74", "[0.64, 0.86]", "mV")),
        (48.2, 40.1, 52.3, "uV", ("48", "[40, 52]", "µV")),
        (107.2, 101.8, 112.1, "ms", ("107", "[102, 112]", "ms")),
        (0.3812, 0.1213, math.inf, "", ("0.38", "[0.12, no upper limit]", "ratio")),
        (math.nan, 0.0, 71.65, "uV", ("—", "[0, 72]", "µV")),
        (22.553, -math.inf, math.inf, "ms", ("22.6", "", "ms")),
        (math.nan, math.nan, math.nan, "ms", ("—", "", "ms")),
        (-4.2, -8.1, -0.3, "ms", (f"{MINUS}4.2", f"[{MINUS}8.1, {MINUS}0.3]", "ms")),
    ],
)
def test_value_interval_and_unit_are_printed_with_digits_that_follow_the_interval(value, low, high, unit, printed):
    assert numbers.estimate(value, low, high, unit) == printed


@given(value=_ANY, low=_ANY, high=_ANY, unit=st.sampled_from(["", "uV", "ms", "% MSO", "uV ms", "anything"]))
def test_anything_can_be_printed_and_missing_is_never_a_number(value, low, high, unit):
    text, _, _ = numbers.estimate(value, low, high, unit)
    assert "nan" not in text
    assert "inf" not in text
    assert (text == numbers.DASH) == math.isnan(value)


@given(value=st.floats(-1e6, 1e6), width=st.floats(1e-3, 1e6))
def test_the_last_digit_is_worth_at_least_a_hundredth_of_the_interval(value, width):
    decimals = numbers.decimals_for(value, value - width / 2, value + width / 2)
    assert decimals == 0 or 10.0**-decimals >= width / 100


def test_numbers_have_a_real_minus_a_comma_for_thousands_and_no_negative_zero():
    assert numbers.number(-1234.5, 1) == f"{MINUS}1,234.5"
    assert numbers.number(-0.001, 1) == "0.0"
    assert numbers.number(3.2e11, 0) == "3.20 × 10¹¹"


def test_a_bare_quantity_ends_where_its_digits_do():
    assert numbers.quantity(2000.0, "uV") == f"2{THIN}mV"
    assert numbers.quantity(50.0, "uV") == f"50{THIN}µV"
    assert numbers.quantity(2.5, "ms") == f"2.5{THIN}ms"
    assert numbers.quantity(100.0, "ms") == f"100{THIN}ms"
    assert numbers.quantity(math.nan, "ms") == numbers.DASH


def test_lists_read_like_a_sentence():
    assert numbers.listed([]) == ""
    assert numbers.listed(["SICI", "ICF", "LICI"]) == "SICI, ICF and LICI"
    assert numbers.count(1, "trial") == "1\xa0trial"
    assert numbers.count(1204, "stimulus", "stimuli") == "1,204\xa0stimuli"
