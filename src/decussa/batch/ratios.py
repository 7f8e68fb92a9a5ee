"""Paired trials against the unconditioned trials of the same block, and second against first response."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from decussa.batch.rows import Row, Rows, counted
from decussa.batch.trials import BLOCK, sizes
from decussa.estimate.average import mean
from decussa.estimate.ratio import paired_ratio, ratio
from decussa.estimate.ratio_stopping import widened
from decussa.model.estimate import Estimate

#: What a pair of pulses is called, by interval in ms. SICI 1-6 ms: Kujirai 1993, doi 10.1113/jphysiol.1993.sp019912;
#: the other ranges are common practice, no source.
KINDS = (("sici", 1.0, 6.0), ("icf", 8.0, 30.0), ("lici", 50.0, 200.0))
#: Unconditioned size for which ratios are comparable (common practice, no source).
TEST_SIZE_UV = (500.0, 1000.0)


def kind_of(isi_ms: float) -> str:
    """Return ``sici``, ``icf`` or ``lici`` from the interval between the pulses, ``paired`` outside their ranges."""
    return next((name for name, least, most in KINDS if least <= isi_ms <= most), "paired")


def ratio_rows(place: Rows, kept: pd.DataFrame, muscle: pd.DataFrame, source: str) -> Iterator[Row]:
    """Yield the ratio rows of one paired condition; ``muscle`` holds all trials of the same muscle and session."""
    kind = kind_of(place.isi_ms)
    against = _as_stopped(_against_unconditioned(kept, muscle), kept)
    if kind == "paired" and math.isfinite(place.isi_ms):
        against = _with_note(against, f"{place.isi_ms:g} ms is none of the usual intervals")
    against = replace(against, method=f"{against.method}; {source}")
    yield place.row(f"{kind}_ratio", counted(against, kept), "")
    if kind == "lici":
        yield place.row("lici_second_first", counted(_as_stopped(_second_over_first(kept), kept), kept), "")


def unconditioned_trials(kept: pd.DataFrame, muscle: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Return the single trials that paired ones are held against, and how many single trials their block has at all.

    Of the same block, and of the same test intensity and contraction where both are known; rejected trials never.
    """
    singles = muscle[muscle["kept"] & (muscle["stim_type"] == "single")]
    same_block = singles[_blocks(singles).isin(_blocks(kept))]
    alike = _same(same_block, kept, "intensity_mso") & _same(same_block, kept, "contraction_pct")
    return same_block[alike], len(same_block)


def _against_unconditioned(kept: pd.DataFrame, muscle: pd.DataFrame) -> Estimate:
    alone, same_block = unconditioned_trials(kept, muscle)
    conditioned, unconditioned = sizes(kept).uv, sizes(alone).uv
    estimate = ratio(conditioned, unconditioned)
    if len(kept) and not unconditioned.size:
        if not same_block:
            return replace(estimate, reason="no unconditioned trial in the same block")
        return replace(
            estimate, reason="no unconditioned trial of the same intensity and contraction in the same block"
        )
    if not unconditioned.size:
        return estimate
    test_uv = mean(unconditioned)
    if not TEST_SIZE_UV[0] <= test_uv <= TEST_SIZE_UV[1]:
        estimate = _with_note(estimate, f"test size {test_uv / 1e3:.3g} mV is outside 0.5 to 1 mV")
    doubtful = int((alone["verdict"] == "doubtful").sum())
    if doubtful:
        estimate = replace(estimate, method=f"{estimate.method}; {doubtful} doubtful unconditioned trials included")
    return estimate


def _as_stopped(found: Estimate, kept: pd.DataFrame) -> Estimate:
    """Return a ratio with the wider interval of a block that could end early, where it could."""
    factors = kept["stop_within"].dropna().unique()
    if not len(factors):
        return found
    said = f"block could end within a factor of {', '.join(f'{factor:g}' for factor in factors)}"
    return widened(replace(found, method=f"{found.method}; {said}"))


def _blocks(trials: pd.DataFrame) -> pd.MultiIndex:
    return pd.MultiIndex.from_frame(trials[BLOCK])


def _same(singles: pd.DataFrame, kept: pd.DataFrame, name: str) -> pd.Series[bool]:
    """Return which single trials share the value with the paired ones; where either does not say, they may."""
    given = kept[name].dropna().unique()
    if not len(given):
        return pd.Series(True, index=singles.index, dtype=bool)
    return singles[name].isna() | singles[name].isin(given)


def _second_over_first(kept: pd.DataFrame) -> Estimate:
    """Return raw second over raw first response: the first has no corrected size, so neither is corrected."""
    both = kept[kept["first_amplitude_uv"].notna() & kept["amplitude_uv"].notna()]
    estimate = paired_ratio(both["amplitude_uv"].to_numpy(np.float64), both["first_amplitude_uv"].to_numpy(np.float64))
    return replace(estimate, method=f"{estimate.method}; raw peak-to-peak of both")


def _with_note(estimate: Estimate, note: str) -> Estimate:
    return replace(estimate, reason=f"{estimate.reason}; {note}" if estimate.reason else note)
