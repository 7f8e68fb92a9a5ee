"""What the report is about: the muscles of one session, each with its trials and its rows of the summary."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from decussa.batch.ratios import unconditioned_trials
from decussa.batch.trials import ALIKE, complete, groups
from decussa.estimate.recruitment import FEWEST_LEVELS
from decussa.model.estimate import Estimate
from decussa.model.recording import Recording
from decussa.model.table import SUMMARY_COLUMNS
from decussa.report import words

_PLACE = ["muscle", "side"]
_APART = {"timepoint": "{}", "stim_side": "stimulated {}"}


@dataclass(frozen=True, slots=True, eq=False)
class Condition:
    """Trials of one muscle that are alike but for their intensity."""

    name: str
    stim_type: str
    isi_ms: float
    contraction_pct: float
    trials: pd.DataFrame

    @property
    def kept(self) -> pd.DataFrame:
        """The trials that were not rejected."""
        return self.trials[self.trials["kept"]]

    @property
    def levels(self) -> list[float]:
        """The known intensities in % MSO, rising."""
        return sorted(float(level) for level in self.trials["intensity_mso"].dropna().unique())

    @property
    def active(self) -> bool:
        """Whether the muscle was contracted, as asked for or, where nobody said, as a silence in the trials shows."""
        return bool(self.contraction_pct > 0 or self.trials["silent_end_ms"].notna().any())


@dataclass(frozen=True, slots=True, eq=False)
class MusclePlace:
    """One muscle of one side: its trials, conditions, and rows of the summary.

    ``apart`` says the time point or the side stimulated where the session has several.
    """

    key: str
    side: str
    apart: str
    trials: pd.DataFrame
    summary: pd.DataFrame

    @property
    def name(self) -> str:
        """``FDI right``; with what tells it from another of the same muscle and side, where there is one."""
        return ", ".join(part for part in (words.place_name(self.key, self.side), self.apart) if part)

    @property
    def conditions(self) -> list[Condition]:
        """All conditions, in order of first appearance."""
        return [
            Condition(
                words.condition_name(str(alike["condition"]), str(alike["stim_type"])),
                str(alike["stim_type"]),
                _float(alike["isi_ms"]),
                _float(alike["contraction_pct"]),
                trials,
            )
            for alike, trials in groups(self.trials, ALIKE)
        ]

    def of_type(self, stim_type: str) -> list[Condition]:
        """Return the conditions of one type of stimulus."""
        return [condition for condition in self.conditions if condition.stim_type == stim_type]

    def unconditioned(self, paired: Condition) -> pd.DataFrame:
        """Return the single trials that the trials of a paired condition are held against."""
        return unconditioned_trials(paired.kept, self.trials)[0]

    def tests(self) -> set[str]:
        """Return the names of the single conditions that paired ones are held against."""
        alone = [self.unconditioned(paired) for paired in self.of_type("paired")]
        return {str(name) for trials in alone for name in trials["condition"].unique()}

    def rows(self, quantity: str) -> pd.DataFrame:
        """Return the rows of the summary for one quantity."""
        return self.summary[self.summary["quantity"] == quantity]

    def estimate(self, quantity: str, condition: Condition, intensity_mso: float = np.nan) -> Estimate:
        """Return an estimate of the summary for a condition; an empty one where there is none."""
        rows = self.rows(quantity)
        name = str(condition.trials["condition"].iloc[0])
        rows = rows[(rows["condition"] == name) & _equal(rows["isi_ms"], condition.isi_ms)]
        if np.isfinite(intensity_mso):
            rows = rows[_equal(rows["intensity_mso"], intensity_mso)]
        # Conditions of one name that differ in contraction have one row each, told apart by their method.
        if len(rows) > 1 and condition.contraction_pct > 0:
            rows = rows[rows["method"].str.contains(f"contraction {condition.contraction_pct:g} %", regex=False)]
        return to_estimate(rows.iloc[0]) if len(rows) else Estimate()


@dataclass(frozen=True, slots=True, eq=False)
class Content:
    """One session: recordings by name, and muscles with those of one name together."""

    recordings: Mapping[str, Recording]
    trials: pd.DataFrame
    places: tuple[MusclePlace, ...]

    @property
    def by_muscle(self) -> dict[str, list[MusclePlace]]:
        """The sides of each muscle, in order of first appearance."""
        found: dict[str, list[MusclePlace]] = {}
        for place in self.places:
            found.setdefault(place.key, []).append(place)
        return found


def gather(recordings: Sequence[Recording], trials: pd.DataFrame, summary: pd.DataFrame) -> Content:
    """Return what the report is about.

    Raises
    ------
    RecordingError
        If the trial table cannot be read as one.
    """
    table = complete(trials)
    summed = _complete_summary(summary)
    places = [place for _, rows in groups(table, _PLACE) for place in _places(rows, summed)]
    return Content({recording.name: recording for recording in recordings}, table, tuple(places))


def _places(rows: pd.DataFrame, summed: pd.DataFrame) -> list[MusclePlace]:
    """Return one place, or one for each time point and side stimulated where there are several.

    A nerve is not a side of the head: its trials belong to every place of their time point.
    """
    key, side = str(rows["muscle"].iloc[0]), str(rows["side"].iloc[0])
    own = summed[(summed["muscle"] == key) & (summed["side"] == side)]
    nerve = rows["stim_type"] == "nerve"
    given = list(groups(rows[~nerve], list(_APART)))
    if len(given) <= 1:
        return [MusclePlace(key, side, "", rows, own)]
    differ = [name for name in _APART if len({str(apart[name]) for apart, _ in given}) > 1]
    places = []
    for apart, magnetic in given:
        at_time = nerve & (rows["timepoint"] == apart["timepoint"])
        chosen = rows.loc[magnetic.index.union(rows.index[at_time])]
        same_side = (own["stim_side"] == apart["stim_side"]) | (own["quantity"] == "mmax")
        said = [_APART[name].format(apart[name] or "not said") for name in differ]
        places.append(
            MusclePlace(key, side, ", ".join(said), chosen, own[(own["timepoint"] == apart["timepoint"]) & same_side])
        )
    return places


def to_estimate(row: pd.Series[object]) -> Estimate:  # type: ignore[type-var]
    """Return a row of the summary as an estimate."""
    return Estimate(
        value=_float(row["value"]),
        low=_float(row["low"]),
        high=_float(row["high"]),
        level=_float(row["level"]),
        n=int(_float(row["n"])) if np.isfinite(_float(row["n"])) else 0,
        method=str(row["method"]),
        reason=str(row["reason"]),
    )


def has_curve(condition: Condition) -> bool:
    """Return whether the condition has intensities enough for a recruitment curve."""
    return condition.stim_type == "single" and len(condition.levels) >= FEWEST_LEVELS


def _complete_summary(summary: pd.DataFrame) -> pd.DataFrame:
    """Return the summary with every column, text as text and numbers as numbers, however it was read."""
    table = summary.reset_index(drop=True).copy()
    for column in SUMMARY_COLUMNS:
        if column.kind == "text":
            given = table[column.name] if column.name in table else pd.Series("", index=table.index, dtype=object)
            table[column.name] = given.astype(object).where(given.notna(), "").astype(str)
        else:
            given = table[column.name] if column.name in table else pd.Series(np.nan, index=table.index)
            table[column.name] = pd.to_numeric(given, errors="coerce").astype(np.float64)
    return table


def _equal(values: pd.Series[float], wanted: float) -> pd.Series[bool]:
    return values.isna() if np.isnan(wanted) else values == wanted


def _float(value: object) -> float:
    return float(value) if isinstance(value, float | int | np.floating | np.integer) else float("nan")
