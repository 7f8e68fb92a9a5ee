from __future__ import annotations

import math

import pytest

from decussa.estimate.mmax import maximal_m_wave
from decussa.model.errors import UsageError


def test_mmax_is_the_mean_of_supramaximal_responses() -> None:
    found = maximal_m_wave([5, 10, 15, 20, 25, 30, 30, 30], [100, 4000, 8000, 9950, 10000, 10100, 9900, 10000])
    assert found.value == pytest.approx((10000 + 10100 + 9900 + 10000) / 4)
    assert found.low < 10000 < found.high
    assert "24 mA or more" in found.method
    assert found.reason == ""


def test_a_response_that_still_grows_is_no_plateau() -> None:
    found = maximal_m_wave([5, 10, 15, 20, 20, 20], [100, 2000, 4000, 6000, 6100, 5900])
    assert found.value == 6100
    assert math.isnan(found.low)
    assert "plateau not shown up to 20 mA" in found.reason


def test_one_current_is_averaged_and_the_missing_check_is_said() -> None:
    found = maximal_m_wave([30, 30, 30], [9000, 9100, 8900])
    assert found.value == 9000
    assert "plateau not checked" in found.reason


def test_unknown_currents_are_said() -> None:
    assert "current not known" in maximal_m_wave([math.nan] * 2, [9000, 9100]).reason


def test_no_m_wave_gives_nan() -> None:
    assert maximal_m_wave([], []).reason == "no M-wave"


def test_unequal_lengths_are_refused() -> None:
    with pytest.raises(UsageError, match="do not fit"):
        maximal_m_wave([1.0], [1.0, 2.0])
