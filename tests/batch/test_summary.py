"""The summary: what is averaged, against what it is held, and what is said where there is nothing to say."""

import math

import numpy as np
import pandas as pd
import pytest

from decussa.batch.summary import summarise
from decussa.model.errors import RecordingError
from decussa.model.table import SUMMARY_NAMES


def trials(**columns):
    """A trial table of one muscle; what is not given is the same for all."""
    length = max(len(value) for value in columns.values() if isinstance(value, list))
    base = {
        "participant": "P1", "session": "1", "muscle": "FDI", "side": "right", "stim_type": "single", "condition": "single",
        "intensity_mso": 60.0, "isi_ms": math.nan, "current_ma": math.nan, "contraction_pct": 0.0, "block": "b",
        "background_rms_uv": 3.0, "noise_uv": 15.0, "response_p": 1.0, "latency_ms": 22.0, "area_uv_ms": 2000.0,
        "verdict": "accept", "rule": "",
    }  # fmt: skip
    table = pd.DataFrame({**{name: [value] * length for name, value in base.items()}, **columns})
    if "amplitude_uv" not in columns:
        table["amplitude_uv"] = table["size_uv"]
    return table


def value(summary, quantity, **where):
    rows = summary[summary["quantity"] == quantity]
    for name, wanted in where.items():
        rows = rows[rows[name] == wanted]
    assert len(rows) == 1, rows
    return rows.iloc[0]


def test_the_columns_are_those_of_the_summary_table():
    assert list(summarise(trials(size_uv=[500.0, 1000.0, 2000.0])).columns) == list(SUMMARY_NAMES)


def test_sizes_are_averaged_geometrically_and_arithmetically():
    """0.5, 1, 2, 4 mV: geometric mean 1.41421, arithmetic mean 1.875 (exact)."""
    summary = summarise(trials(size_uv=[500.0, 1000.0, 2000.0, 4000.0]))

    assert value(summary, "mep_amplitude").value == pytest.approx(1414.214, abs=1e-2)
    assert value(summary, "mep_amplitude_arithmetic").value == pytest.approx(1875.0)
    assert value(summary, "mep_amplitude").low < 1414 < value(summary, "mep_amplitude").high


def test_rejected_trials_never_enter_and_are_counted_by_rule():
    summary = summarise(
        trials(
            size_uv=[1000.0, 1000.0, 9000.0, 1000.0],
            verdict=["accept", "doubtful", "reject", "accept"],
            rule=["", "background", "clipped", ""],
        )
    )

    assert value(summary, "mep_amplitude").value == pytest.approx(1000)
    assert value(summary, "mep_amplitude").n == 3
    counts = {
        name: value(summary, name).value
        for name in ("trials_planned", "trials_kept", "trials_doubtful", "trials_rejected")
    }
    assert counts == {"trials_planned": 4, "trials_kept": 3, "trials_doubtful": 1, "trials_rejected": 1}
    assert value(summary, "rejected: clipped").value == 1


def paired_table():
    rng = np.random.default_rng(2)
    alone, sici, lici = (size * np.exp(rng.normal(0, 0.3, 12)) for size in (800, 300, 200))
    return (
        trials(
            size_uv=[*alone, *sici, *lici],
            stim_type=["single"] * 12 + ["paired"] * 24,
            condition=["test"] * 12 + ["SICI"] * 12 + ["LICI"] * 12,
            isi_ms=[math.nan] * 12 + [3.0] * 12 + [100.0] * 12,
            first_amplitude_uv=[math.nan] * 24 + list(alone),
        ),
        alone,
        sici,
        lici,
    )


def test_ratios_are_held_against_the_unconditioned_trials_of_the_same_block():
    table, alone, sici, lici = paired_table()
    summary = summarise(table)

    assert value(summary, "sici_ratio").value == pytest.approx(sici.mean() / alone.mean())
    assert value(summary, "lici_ratio").value == pytest.approx(lici.mean() / alone.mean())
    assert value(summary, "lici_second_first").value == pytest.approx(lici.mean() / alone.mean())


def test_a_pair_without_unconditioned_trials_has_a_reason_and_no_ratio():
    table, *_ = paired_table()
    ratio = value(summarise(table[table["condition"] == "SICI"]), "sici_ratio")

    assert math.isnan(ratio.value)
    assert ratio.reason


def test_a_test_size_outside_the_usual_range_is_said():
    table, *_ = paired_table()
    table["size_uv"] *= 3
    table["amplitude_uv"] *= 3

    assert "outside 0.5 to 1 mV" in value(summarise(table), "sici_ratio").reason


def nerve_table(**columns):
    return trials(
        size_uv=[800.0] * 4 + [2000.0, 9000.0, 9400.0, 9500.0],
        stim_type=["single"] * 4 + ["nerve"] * 4,
        condition=["single"] * 4 + ["Mmax"] * 4,
        intensity_mso=[60.0] * 4 + [math.nan] * 4,
        current_ma=[math.nan] * 4 + [8.0, 14.0, 16.0, 18.0],
        **columns,
    )


def test_a_size_is_given_as_a_share_of_mmax():
    share = value(summarise(nerve_table()), "mep_mmax_pct")

    assert 100 * 800 / 9500 - 0.1 <= share.value <= 100 * 800 / 9000


def test_where_the_largest_m_waves_clip_mmax_is_only_a_bound_and_gives_no_share():
    summary = summarise(nerve_table(verdict=["accept"] * 5 + ["reject"] * 3, rule=[""] * 5 + ["clipped"] * 3))
    mmax = value(summary, "mmax")

    assert math.isnan(mmax.value)
    assert mmax.low == 9500
    assert "converter's range" in mmax.reason
    assert math.isnan(value(summary, "mep_mmax_pct").value)
    assert "converter's range" in value(summary, "mep_mmax_pct").reason


def test_varying_intensities_give_a_curve():
    levels = np.repeat([40.0, 45.0, 50.0, 55.0, 60.0, 65.0, 70.0], 6)
    rng = np.random.default_rng(5)
    sizes = 4000 / (1 + np.exp((55 - levels) / 3)) * np.exp(rng.normal(0, 0.2, levels.size))
    summary = summarise(
        trials(size_uv=sizes.tolist(), intensity_mso=levels.tolist(), condition=["curve"] * levels.size)
    )
    half = value(summary, "s50")

    assert half.low <= 55 <= half.high
    assert half.value == pytest.approx(55, abs=2)


def test_no_response_is_a_result():
    status = value(
        summarise(trials(size_uv=[0.0] * 6, amplitude_uv=[14.0] * 6, response_p=[0.02] * 6, latency_ms=[math.nan] * 6)),
        "mep_status",
    )

    assert status.value == 0
    assert "no response obtained up to 60 % MSO" in status.reason


def test_sizes_below_the_noise_are_censored_not_logged():
    summary = summarise(trials(size_uv=[0.0, 0.0, 0.0, 900.0, 1100.0, 1000.0]))

    assert "noise" in value(summary, "mep_amplitude").reason


def test_every_row_without_a_value_says_why():
    summary = summarise(nerve_table())
    empty = summary[summary["value"].isna()]

    assert (empty["reason"] != "").all()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda table: table.drop(columns="stim_type"), "stim_type"),
        (lambda table: table.drop(columns=["size_uv", "amplitude_uv"]), "size_uv"),
        (lambda table: table.assign(stim_type="tickle"), "tickle"),
        (lambda table: table.assign(size_uv="large"), "large"),
        (lambda table: table.assign(size_uv=-3.0), "0 or more"),
    ],
)
def test_a_table_that_cannot_be_meant_is_refused_by_column(change, said):
    with pytest.raises(RecordingError, match=said):
        summarise(change(trials(size_uv=[1.0, 2.0])))


def test_a_table_without_trials_gives_a_summary_without_rows():
    assert summarise(trials(size_uv=[1.0]).iloc[:0]).empty
