"""Two ways of measuring the same recordings: settings, versions or raters; what differs, and what would change in a study."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from decussa.estimate.agreement import LimitsOfAgreement, cross_table, kappa, limits_of_agreement
from decussa.estimate.intraclass import intraclass
from decussa.model.errors import RecordingError
from decussa.model.estimate import Estimate
from decussa.model.trial import VERDICTS
from decussa.pool.reliability import as_ratios

#: What makes two rows the same sweep of the same muscle.
SWEEP = ["participant", "session", "timepoint", "task", "run", "recording", "sweep", "muscle", "side"]
#: Measured columns that are compared, whether as ratios, and the unit.
COMPARED = (
    ("size_uv", True, "uV"), ("amplitude_uv", True, "uV"), ("latency_ms", False, "ms"), ("silent_period_ms", False, "ms"),
    ("area_uv_ms", True, "uV ms"), ("background_rms_uv", True, "uV"), ("response_p", False, ""),
)  # fmt: skip
_SUMMARY = [
    *SWEEP[:3],
    "muscle",
    "side",
    "stim_side",
    "condition",
    "isi_ms",
    "intensity_mso",
    "contraction_pct",
    "quantity",
]
#: Differences, as a share, up to which two values are the same number.
_SAME = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColumnDifference:
    """One measured column over the sweeps that both tables hold.

    ``limits``: second minus first, or second over first where ``ratios``; ``pairs`` (n, 2): the values. ``differ`` counts
    unequal pairs, ``only_first`` and ``only_second`` the sweeps on which one alone has a value.
    """

    column: str
    unit: str
    ratios: bool
    n: int
    differ: int
    only_first: int
    only_second: int
    limits: LimitsOfAgreement
    icc: Estimate
    pairs: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Differences:
    """Two trial tables of the same sweeps: what both hold, what one alone holds, columns and verdicts."""

    sweeps: int
    only_first: int
    only_second: int
    columns: tuple[ColumnDifference, ...]
    verdicts: tuple[tuple[int, ...], ...]
    kappa: Estimate


def differences(first: pd.DataFrame, second: pd.DataFrame) -> Differences:
    """Return how two complete trial tables of the same sweeps differ.

    Raises
    ------
    RecordingError
        If a table holds a sweep twice, or the two have none in common.
    """
    for name, table in (("first", first), ("second", second)):
        if table.duplicated(SWEEP).any():
            raise RecordingError(
                "a sweep stands twice in the table", where=f"{name} table", expected="each sweep and muscle once"
            )
    both = first.merge(second, on=SWEEP, suffixes=("_1", "_2"))
    if both.empty:
        raise RecordingError(
            "the tables have no sweep in common", where="second table", expected="the same recordings, sweeps and muscles",
            found=f"{len(first)} and {len(second)} rows", do="measure the same recordings with both settings",
        )  # fmt: skip
    verdicts = [both[f"verdict_{side}"].replace("", VERDICTS[0]).to_list() for side in (1, 2)]
    counts = cross_table(verdicts[0], verdicts[1], VERDICTS)
    columns = [_column(both, name, unit, ratios=ratios) for name, ratios, unit in COMPARED]
    return Differences(
        sweeps=len(both), only_first=len(first) - len(both), only_second=len(second) - len(both),
        columns=tuple(one for one in columns if one.n or one.only_first or one.only_second),
        verdicts=tuple(tuple(round(count) for count in row) for row in counts.tolist()), kappa=kappa(counts),
    )  # fmt: skip


def _column(both: pd.DataFrame, name: str, unit: str, *, ratios: bool) -> ColumnDifference:
    values = both[[f"{name}_1", f"{name}_2"]].to_numpy(np.float64)
    known = np.isfinite(values)
    full = known.all(axis=1) & ((values > 0).all(axis=1) if ratios else True)
    pairs = values[full]
    scored = np.log(pairs) if ratios else pairs
    limits = limits_of_agreement(scored[:, 1], scored[:, 0])
    differ = int((np.abs(pairs[:, 1] - pairs[:, 0]) > _SAME * np.maximum(np.abs(pairs[:, 0]), 1e-12)).sum())
    icc = Estimate(n=len(pairs), method="ICC(2,1)", reason="too few sweeps with both")
    if len(pairs) > 2:
        icc = next(form.estimate for form in intraclass(scored) if form.form == "ICC(2,1)")
    return ColumnDifference(
        column=name, unit=unit, ratios=ratios, n=len(pairs), differ=differ, only_first=int((known[:, 0] & ~known[:, 1]).sum()),
        only_second=int((~known[:, 0] & known[:, 1]).sum()), limits=as_ratios(limits) if ratios else limits, icc=icc, pairs=pairs,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityChange:
    """One quantity of the summary: rows with both values, those that moved, and those moved out of the first one's interval.

    ``typical`` and ``largest``: median and greatest difference, relative in % where ``relative``. ``lost`` and ``gained``
    count rows whose value is there in one table only.
    """

    quantity: str
    unit: str
    n: int
    moved: int
    outside: int
    lost: int
    gained: int
    relative: bool
    typical: float
    largest: float


def summary_changes(first: pd.DataFrame, second: pd.DataFrame) -> tuple[QuantityChange, ...]:
    """Return what would change in the summary of a study, quantity by quantity; counts of trials are left out."""
    kept = [table[~table["quantity"].str.startswith(("trials_", "rejected:"))] for table in (first, second)]
    # A curve's row and one of a level may share their key; each is then met in order.
    numbered = [table.assign(_number=table.groupby(_SUMMARY, dropna=False).cumcount()) for table in kept]
    both = numbered[0].merge(numbered[1], on=[*_SUMMARY, "_number"], how="outer", suffixes=("_1", "_2"))
    return tuple(_change(str(name), rows) for name, rows in both.groupby("quantity", sort=False))


def _change(name: str, rows: pd.DataFrame) -> QuantityChange:
    one, other = rows["value_1"].to_numpy(float), rows["value_2"].to_numpy(float)
    full = np.isfinite(one) & np.isfinite(other)
    unit = next((str(unit) for side in (1, 2) for unit in rows[f"unit_{side}"].dropna()), "")
    off = other[full] - one[full]
    relative = unit != "1 yes, 0 no" and bool((one[full] > 0).all()) and unit not in ("ms", "% MSO", "cm")
    scaled = np.abs(100 * off / one[full]) if relative else np.abs(off)
    moved = np.abs(off) > _SAME * np.maximum(np.abs(one[full]), 1e-12)
    low, high = rows["low_1"].to_numpy(float)[full], rows["high_1"].to_numpy(float)[full]
    outside = moved & ((other[full] < low) | (other[full] > high))
    return QuantityChange(
        quantity=name, unit=unit, n=int(full.sum()), moved=int(moved.sum()), outside=int(outside.sum()),
        lost=int((np.isfinite(one) & ~np.isfinite(other)).sum()), gained=int((~np.isfinite(one) & np.isfinite(other)).sum()),
        relative=relative, typical=float(np.median(scaled)) if len(scaled) else math.nan,
        largest=float(scaled.max()) if len(scaled) else math.nan,
    )  # fmt: skip
