"""Tables by another hand: what is missing, what cannot be, and any table at all."""

from __future__ import annotations

import math
from collections.abc import Callable

import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.extra.pandas import column, data_frames, range_indexes

from decussa.batch.summary import summarise
from decussa.batch.trials import complete
from decussa.model.errors import RecordingError
from decussa.model.table import SUMMARY_NAMES, TRIAL_NAMES

LEAST = {"stim_type": ["single", "Single", "PAIRED"], "amplitude_uv": [400, 500, 600]}


def test_a_stimulus_and_a_size_are_enough() -> None:
    table = complete(pd.DataFrame(LEAST))
    assert set(TRIAL_NAMES) <= set(table.columns)
    assert list(table["stim_type"]) == ["single", "single", "paired"]
    assert (table["participant"] == "").all()
    assert table["latency_ms"].isna().all()
    assert table["kept"].all()


def test_numbers_that_a_spreadsheet_kept_as_text_are_numbers() -> None:
    table = complete(pd.DataFrame({**LEAST, "intensity_mso": ["60", "", " 65 "], "session": [1.0, 2.0, math.nan]}))
    assert list(table["intensity_mso"].fillna(-1)) == [60, -1, 65]
    assert list(table["session"]) == ["1", "2", ""]


def test_the_table_that_was_given_is_left_as_it_was() -> None:
    given_table = pd.DataFrame(LEAST)
    before = given_table.copy(deep=True)
    summarise(given_table)
    pd.testing.assert_frame_equal(given_table, before)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.drop(columns="stim_type"), "lacks columns; expected stim_type"),
        (lambda t: t.drop(columns="amplitude_uv"), "expected size_uv or amplitude_uv"),
        (lambda t: t.assign(amplitude_uv="large"), "row 1: column amplitude_uv cannot be read; expected a number"),
        (lambda t: t.assign(size_uv=[3.0, -3.0, 2.0]), "row 2: column size_uv"),
        (lambda t: t.assign(noise_uv=math.inf), "row 1: column noise_uv"),
        (lambda t: t.assign(verdict="fine"), "row 1: column verdict cannot be read; expected accept, doubtful, reject"),
        (lambda t: t.assign(stim_type="train"), "row 1: column stim_type"),
    ],
)
def test_what_cannot_be_read_is_refused_by_row_and_column(
    change: Callable[[pd.DataFrame], pd.DataFrame], message: str
) -> None:
    with pytest.raises(RecordingError, match=message):
        summarise(change(pd.DataFrame(LEAST)))


def test_sizes_at_the_end_of_what_floats_hold_give_a_summary() -> None:
    trials = pd.DataFrame({"stim_type": "single", "size_uv": [1e-300, 1e5], "amplitude_uv": [1.0, 1e5]})
    nerve = pd.DataFrame({"stim_type": "nerve", "size_uv": [0.0], "amplitude_uv": [5e-324]})
    summary = summarise(pd.concat([trials, nerve]))
    assert summary.loc[summary["quantity"] == "mep_amplitude", "high"].item() == math.inf


_NUMBER = st.one_of(st.just(math.nan), st.just(0.0), st.floats(1e-6, 1e5))


# Not shrunk: a table is too large a thing to shrink in the time a test may take.
@settings(
    deadline=None,
    max_examples=40,
    suppress_health_check=[HealthCheck.too_slow],
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
)
@given(
    data_frames(
        [
            column("stim_type", elements=st.sampled_from(["single", "paired", "nerve"])),
            column("verdict", elements=st.sampled_from(["accept", "doubtful", "reject", ""])),
            column("rule", elements=st.sampled_from(["", "clipped"])),
            column("condition", elements=st.sampled_from(["", "a", "b"])),
            column("size_uv", elements=_NUMBER, dtype=float),
            column("amplitude_uv", elements=_NUMBER, dtype=float),
            column("noise_uv", elements=_NUMBER, dtype=float),
            column("first_amplitude_uv", elements=_NUMBER, dtype=float),
            column("latency_ms", elements=_NUMBER, dtype=float),
            column("response_p", elements=st.one_of(st.just(math.nan), st.floats(0, 1)), dtype=float),
            column("intensity_mso", elements=st.sampled_from([math.nan, 40.0, 50.0, 60.0, 70.0, 80.0]), dtype=float),
            column("isi_ms", elements=st.sampled_from([math.nan, 3.0, 12.0, 100.0]), dtype=float),
            column("current_ma", elements=_NUMBER, dtype=float),
            column("contraction_pct", elements=st.sampled_from([math.nan, 0.0, 15.0]), dtype=float),
        ],
        index=range_indexes(max_size=30),
    )
)
def test_any_readable_table_has_a_summary_and_every_gap_a_reason(trials: pd.DataFrame) -> None:
    summary = summarise(trials)
    assert tuple(summary.columns) == SUMMARY_NAMES
    assert (summary.loc[summary["value"].isna(), "reason"] != "").all()
    bounded = summary[summary["low"].notna() & summary["value"].notna()]
    assert (bounded["low"] <= bounded["value"] * (1 + 1e-9) + 1e-9).all()
    assert (bounded["value"] <= bounded["high"] * (1 + 1e-9) + 1e-9).all()
