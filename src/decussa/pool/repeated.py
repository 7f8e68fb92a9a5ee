"""Which values of a summary were measured again: by session, rater or method; with their reliability."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from decussa.model.errors import RecordingError
from decussa.pool.reliability import Measures, measures
from decussa.pool.tidy import condition_words, places, summary_conditions, time_of

#: Fewest targets reliability is computed from.
FEWEST_TARGETS = 3
#: Units whose values are skewed and compared as ratios; an empty unit is a ratio.
LOG_UNITS = ("uV", "uV ms", "uV per % MSO", "")
#: Rows of a summary that are counts or yes and no.
_NOT_MEASURED = ("trials_", "rejected:", "mep_status")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reliability:
    """One quantity of one muscle over the ``levels`` (sessions, raters or methods) of ``by``.

    ``targets`` are complete; ``left_out`` are not, or cannot be compared as ratios (``scale`` "log"). ``measures`` is None
    where ``reason`` says why.
    """

    by: str
    muscle: str
    condition: str
    quantity: str
    unit: str
    scale: str
    levels: tuple[str, ...]
    targets: int
    left_out: int
    measures: Measures | None = None
    reason: str = ""


def reliabilities(summary: pd.DataFrame, *, by: str = "session") -> Iterator[Reliability]:
    """Yield the reliability of every quantity that occurs at two levels or more.

    Parameters
    ----------
    summary : DataFrame
        A summary table; for ``by`` other than "session" with a column of that name.
    by : str
        "session": participants are the targets, their sessions the levels. Otherwise sessions of participants are the
        targets and the values of that column the levels.

    Raises
    ------
    RecordingError
        If the table is no summary.
    """
    lacking = [name for name in ("participant", "quantity", "value", "muscle") if name not in summary.columns]
    if lacking:
        raise RecordingError("not a summary table", expected=f"the columns {', '.join(lacking)}")
    table = summary[summary["value"].notna() & ~summary["quantity"].str.startswith(_NOT_MEASURED)]
    for muscle, rows in places(table):
        rows = rows.assign(condition=summary_conditions(rows))
        for key, own in rows.groupby(["condition", "isi_ms", "quantity", "unit"], sort=False, dropna=False):
            frame = _long(own, by)
            if len(set(frame["level"])) > 1 and not frame.duplicated(["target", "level"]).any():
                yield _of(_place(by, muscle, key), frame)


def _long(own: pd.DataFrame, by: str) -> pd.DataFrame:
    if by == "session":
        return pd.DataFrame({"target": own["participant"], "level": time_of(own), "value": own["value"]})
    target = own[["participant", "session", "timepoint"]].agg(" ".join, axis=1)
    return pd.DataFrame({"target": target, "level": own[by], "value": own["value"]})


def _place(by: str, muscle: str, key: tuple[object, ...]) -> Reliability:
    condition, isi, quantity, unit = key
    return Reliability(
        by=by, muscle=muscle, condition=condition_words(condition, isi), quantity=str(quantity), unit=str(unit),
        scale="log" if unit in LOG_UNITS else "unit", levels=(), targets=0, left_out=0,
    )  # fmt: skip


def _of(place: Reliability, frame: pd.DataFrame) -> Reliability:
    wide = frame.pivot_table(index="target", columns="level", values="value", aggfunc="first", sort=False).dropna()
    values = wide.to_numpy(np.float64)
    if place.scale == "log":
        values = values[(values > 0).all(axis=1)]
    found = replace(
        place, levels=tuple(map(str, wide.columns)), targets=len(values), left_out=frame["target"].nunique() - len(values)
    )  # fmt: skip
    if len(values) < FEWEST_TARGETS:
        return replace(found, reason=f"{len(values)} complete targets; {FEWEST_TARGETS} are needed")
    if np.allclose(values, values[:, :1], rtol=1e-9, atol=0):
        return replace(found, reason="the levels never differ")
    return replace(found, measures=measures(values, found.levels, logs=place.scale == "log"))
