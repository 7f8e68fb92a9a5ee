"""Which trials a paired condition is held against, and what the pair is called."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from decussa.batch.ratios import kind_of
from decussa.batch.summary import summarise
from decussa.estimate.ratio import paired_ratio, ratio

PAIRED = {"stim_type": "paired", "condition": "any name", "cond_intensity_mso": 40.0}
TEST = list(np.random.default_rng(1).lognormal(math.log(700), 0.5, 12))
CONDITIONED = list(np.random.default_rng(2).lognormal(math.log(250), 0.5, 12))


def _trials(sizes: list[float], **columns: object) -> pd.DataFrame:
    usual = {"muscle": "FDI", "stim_type": "single", "condition": "test", "intensity_mso": 60.0, "block": "1"}
    amplitudes = [size + 5 for size in sizes]
    return pd.DataFrame({"size_uv": sizes, "amplitude_uv": amplitudes, **usual, **columns})


def _value(trials: list[pd.DataFrame], quantity: str) -> pd.Series:
    summary = summarise(pd.concat(trials))
    rows = summary[summary["quantity"] == quantity]
    assert len(rows) == 1
    return rows.iloc[0]


@pytest.mark.parametrize(
    ("isi_ms", "kind"), [(1, "sici"), (3, "sici"), (6, "sici"), (12, "icf"), (30, "icf"), (100, "lici"), (40, "paired")]
)
def test_the_interval_and_not_the_name_decides_what_a_pair_is_called(isi_ms: float, kind: str) -> None:
    assert kind_of(isi_ms) == kind
    row = _value([_trials(TEST), _trials(CONDITIONED, **PAIRED, isi_ms=isi_ms)], f"{kind}_ratio")
    assert row["value"] == pytest.approx(ratio(CONDITIONED, TEST).value)
    assert ("none of the usual intervals" in row["reason"]) == (kind == "paired")


def test_trials_of_another_block_intensity_or_contraction_stay_out() -> None:
    others = [
        _trials([90.0, 80.0, 70.0], block="2"),
        _trials([30.0, 40.0, 50.0], intensity_mso=50.0),
        _trials([9000.0, 8000.0], contraction_pct=15.0),
    ]
    paired = _trials(CONDITIONED, **PAIRED, isi_ms=3.0, contraction_pct=0.0)
    row = _value([_trials(TEST, contraction_pct=0.0), *others, paired], "sici_ratio")
    expected = ratio(CONDITIONED, TEST)
    assert (row["value"], row["low"], row["high"]) == pytest.approx((expected.value, expected.low, expected.high))
    assert row["n"] == 24


def test_a_block_of_the_same_name_in_another_recording_is_another_block() -> None:
    paired = _trials(CONDITIONED, **PAIRED, isi_ms=3.0, recording="b")
    row = _value([_trials(TEST, recording="a"), paired], "sici_ratio")
    assert math.isnan(row["value"])
    assert row["reason"] == "no unconditioned trial in the same block"


def test_unconditioned_trials_of_another_intensity_only_are_named_as_the_reason() -> None:
    row = _value([_trials(TEST, intensity_mso=50.0), _trials(CONDITIONED, **PAIRED, isi_ms=3.0)], "sici_ratio")
    assert "of the same intensity and contraction" in row["reason"]


def test_long_intervals_also_give_second_over_first_response() -> None:
    first = np.random.default_rng(3).lognormal(math.log(800), 0.5, 12)
    second = 0.3 * first * np.random.default_rng(4).lognormal(0, 0.3, 12)
    paired = _trials(list(second), **PAIRED, isi_ms=100.0, first_amplitude_uv=first)
    row = _value([_trials(TEST), paired], "lici_second_first")
    expected = paired_ratio(second + 5, first)
    assert (row["value"], row["low"], row["high"]) == pytest.approx((expected.value, expected.low, expected.high))


def test_doubtful_trials_on_either_side_are_counted_in_the_method() -> None:
    trials = [
        _trials(TEST, verdict=["accept"] * 10 + ["doubtful"] * 2),
        _trials(CONDITIONED, **PAIRED, isi_ms=3.0, verdict=["doubtful"] + ["accept"] * 11),
    ]
    method = _value(trials, "sici_ratio")["method"]
    assert "2 doubtful unconditioned trials included" in method
    assert "1 doubtful trials included" in method
