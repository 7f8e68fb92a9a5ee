"""What the report is about: the muscles of one session, each with its trials and its rows of the summary."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

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
    """Trials of one muscle that are alike but for their intensity; ``label`` as in the tables, may be empty."""

    label: str
    stim_type: str
    isi_ms: float
    contraction_pct: float
    trials: pd.DataFrame

    @property
    def name(self) -> str:
        """What the lab calls it, or its type where it has no name."""
        return words.condition_name(self.label, self.stim_type)

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


@dataclass(frozen=True, slots=True)
class Found:
    """One row of the summary: what was estimated, of which condition, and how far its trials were reviewed."""

    quantity: str
    condition: str
    isi_ms: float
    intensity_mso: float
    contraction_pct: float
    estimate: Estimate
    review: str = "unreviewed"


@dataclass(frozen=True, slots=True, eq=False)
class MusclePlace:
    """One muscle of one side: its trials, its conditions with the paired ones by interval, its rows of the summary.

    ``apart`` says the time point or the side stimulated where the session has several. ``tests`` are the names of the
    single conditions that paired ones are held against.
    """

    key: str
    side: str
    apart: str
    trials: pd.DataFrame
    conditions: tuple[Condition, ...]
    tests: frozenset[str]
    summary: tuple[Found, ...]

    @property
    def name(self) -> str:
        """``FDI right``; with what tells it from another of the same muscle and side, where there is one."""
        return ", ".join(part for part in (words.place_name(self.key, self.side), self.apart) if part)

    def of_type(self, stim_type: str) -> list[Condition]:
        """Return the conditions of one type of stimulus."""
        return [condition for condition in self.conditions if condition.stim_type == stim_type]

    def rows(self, *quantities: str) -> list[Found]:
        """Return the rows of the summary for these quantities."""
        return [row for row in self.summary if row.quantity in quantities]

    def estimate(self, quantity: str, condition: Condition, intensity_mso: float = math.nan) -> Estimate:
        """Return an estimate of the summary for a condition; an empty one where there is none."""
        return self.found(quantity, condition, intensity_mso).estimate

    def found(self, quantity: str, condition: Condition, intensity_mso: float = math.nan) -> Found:
        """Return the row of the summary for a condition; one with an empty estimate where there is none."""
        rows = [
            row
            for row in self.rows(quantity)
            if row.condition == condition.label
            and _same(row.isi_ms, condition.isi_ms)
            and (math.isnan(intensity_mso) or row.intensity_mso == intensity_mso)
        ]
        # A row that does not say its contraction counts for every one.
        for contraction_pct in (condition.contraction_pct, math.nan):
            for row in rows:
                if _same(row.contraction_pct, contraction_pct):
                    return row
        return Found(quantity, condition.label, condition.isi_ms, intensity_mso, condition.contraction_pct, Estimate())


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
        return [_place(key, side, "", rows, own)]
    differ = [name for name in _APART if len({str(apart[name]) for apart, _ in given}) > 1]
    places = []
    for apart, magnetic in given:
        at_time = nerve & (rows["timepoint"] == apart["timepoint"])
        chosen = rows.loc[magnetic.index.union(rows.index[at_time])]
        same_side = (own["stim_side"] == apart["stim_side"]) | (own["quantity"] == "mmax")
        said = [_APART[name].format(apart[name] or "not said") for name in differ]
        places.append(
            _place(key, side, ", ".join(said), chosen, own[(own["timepoint"] == apart["timepoint"]) & same_side])
        )
    return places


def _place(key: str, side: str, apart: str, trials: pd.DataFrame, summary: pd.DataFrame) -> MusclePlace:
    conditions = [
        Condition(
            str(alike["condition"]),
            str(alike["stim_type"]),
            _float(alike["isi_ms"]),
            _float(alike["contraction_pct"]),
            rows,
        )
        for alike, rows in groups(trials, ALIKE)
    ]
    paired = sorted((one for one in conditions if one.stim_type == "paired"), key=_by_interval)
    others = [one for one in conditions if one.stim_type != "paired"]
    tests = {str(name) for pair in paired for name in unconditioned(pair, trials)["condition"].unique()}
    found = tuple(_found(row) for row in summary.to_dict("records"))
    return MusclePlace(key, side, apart, trials, (*others, *paired), frozenset(tests), found)


def unconditioned(paired: Condition, trials: pd.DataFrame) -> pd.DataFrame:
    """Return the single trials of the same muscle that the trials of a paired condition are held against."""
    return unconditioned_trials(paired.kept, trials)[0]


def _by_interval(condition: Condition) -> float:
    return condition.isi_ms if math.isfinite(condition.isi_ms) else math.inf


def _found(row: Mapping[Hashable, Any]) -> Found:
    estimate = Estimate(
        value=_float(row["value"]),
        low=_float(row["low"]),
        high=_float(row["high"]),
        level=_float(row["level"]),
        n=int(row["n"]) if math.isfinite(row["n"]) else 0,
        method=str(row["method"]),
        reason=str(row["reason"]),
    )
    return Found(
        str(row["quantity"]),
        str(row["condition"]),
        _float(row["isi_ms"]),
        _float(row["intensity_mso"]),
        _float(row["contraction_pct"]),
        estimate,
        str(row["review"]) or "unreviewed",
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


def _same(value: float, wanted: float) -> bool:
    return math.isnan(value) if math.isnan(wanted) else value == wanted


def _float(value: object) -> float:
    return float(value) if isinstance(value, float | int | np.floating | np.integer) else math.nan
