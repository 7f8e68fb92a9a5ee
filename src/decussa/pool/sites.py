"""Several sites: the same comparison at each, joined with the site as a random effect, and what sites did differently."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from decussa.estimate.average import from_logs
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate
from decussa.pool.comparisons import Comparison, compare
from decussa.pool.meta import Joined, join, without_each
from decussa.pool.models import fit_muscle
from decussa.pool.tidy import Muscle

#: What errors call the table that describes the sites, where no file is known.
PROFILE = "site profile"
#: What a site's people and settings are described by: column of the trial table, name in the profile.
_PROFILE = (
    ("background_rms_uv", "background_median_uv"),
    ("noise_uv", "noise_median_uv"),
    ("_size_uv", "size_median_uv"),
    ("intensity_mso", "intensity_median_mso"),
    ("isi_measured_ms", "isi_measured_median_ms"),
)
#: Settings that must be alike for sizes to be one quantity.
_SETTINGS = ("window_start_ms", "window_end_ms", "method")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SiteTable:
    """One comparison at every site, and together.

    ``sites`` are the rows; ``joined`` is on the log scale; ``together``, ``spread`` (a factor: e to the standard deviation)
    and ``prediction`` are ratios; ``without`` holds the ratio with each site left out, in the order of ``sites``.
    """

    comparison: tuple[str, str, str, str, str]
    sites: tuple[tuple[str, Comparison], ...]
    joined: Joined
    together: Estimate
    spread: Estimate
    prediction: Estimate
    without: tuple[Estimate, ...]


def site_tables(muscle: Muscle, *, seed: int = 0) -> tuple[tuple[SiteTable, ...], tuple[str, ...]]:
    """Return every comparison that two sites or more can answer, and notes on those that cannot.

    Every site has a model of its own, so sites may differ in everything; only their answers are joined.
    """
    found: dict[tuple[str, str, str, str, str], list[tuple[str, Comparison]]] = {}
    notes: list[str] = []
    for site, sizes in muscle.sizes.groupby("site", sort=True):
        try:
            answers = compare(fit_muscle(replace(muscle, sizes=sizes.reset_index(drop=True)), seed=seed))
        except UsageError as error:
            notes.append(f"site {site} is not in the tables over sites: {error}")
            continue
        for one in answers:
            if math.isfinite(one.estimate.value) and one.log_error > 0:
                found.setdefault(one.key, []).append((str(site), one))
    return tuple(_table(key, rows) for key, rows in found.items() if len(rows) > 1), tuple(notes)


def _table(key: tuple[str, str, str, str, str], rows: Sequence[tuple[str, Comparison]]) -> SiteTable:
    logs = [math.log(one.estimate.value) for _, one in rows]
    errors = [one.log_error for _, one in rows]
    joined = join(logs, errors)
    factor = replace(from_logs(joined.spread), method=f"factor between sites: e to the {joined.spread.method}")
    without = tuple(from_logs(one) for one in without_each(logs, errors)) if len(rows) > 2 else ()
    return SiteTable(
        comparison=key, sites=tuple(rows), joined=joined, together=from_logs(joined.mean), spread=factor,
        prediction=from_logs(joined.prediction), without=without,
    )  # fmt: skip


def site_profiles(trials: pd.DataFrame, described: pd.DataFrame | None = None) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return one row per site and muscle with what was done and found there, and warnings where sizes are not comparable.

    Trials of one site have no profile; ``described`` is checked all the same.

    Parameters
    ----------
    trials : DataFrame
        A complete trial table with ``kept``, ``_size_uv`` and ``site``.
    described : DataFrame, optional
        The site profile: a column ``site`` and any others, which are joined as they are.

    Raises
    ------
    UsageError
        If ``described`` has no column ``site``, or has a site twice.
    """
    if described is not None:
        _refuse_if_not_of_sites(described)
    if trials["site"].nunique() < 2:
        return pd.DataFrame(), ()
    rows, warnings = [], []
    for (site, muscle), own in trials.groupby(["site", "muscle"], sort=True):
        singles = own[own["kept"] & (own["stim_type"] == "single")]
        row: dict[str, object] = {
            "site": site, "muscle": muscle, "participants": own["participant"].nunique(),
            "sessions": len(own[["participant", "session", "timepoint"]].drop_duplicates()), "trials": len(own),
            "kept_pct": 100 * float(own["kept"].mean()),
        }  # fmt: skip
        for column, name in _PROFILE:
            values = singles[column].dropna()
            row[name] = float(values.median()) if len(values) else math.nan
        rows.append(row | {name: _listed(singles[name]) for name in _SETTINGS})
    profile = pd.DataFrame(rows)
    for muscle, own in profile.groupby("muscle"):
        for name in _SETTINGS:
            if len(set(own[name])) > 1:
                said = "; ".join(own["site"].astype(str) + ": " + own[name].astype(str))
                warnings.append(f"{muscle!s}: {name} differs between sites, so sizes are not one quantity ({said})")
    return (profile if described is None else _described(profile, described)), tuple(warnings)


def _listed(values: pd.Series[str] | pd.Series[float]) -> str:
    return " | ".join(sorted({_plain(value) for value in values.dropna()} - {""}))


def _plain(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _refuse_if_not_of_sites(described: pd.DataFrame) -> None:
    if "site" not in described.columns:
        found = f"columns {', '.join(map(str, described.columns))}" if len(described.columns) else "no columns"
    else:
        names = described["site"].astype(str)
        twice = names[names.duplicated()].unique()
        if not len(twice):
            return
        found = f"several rows for {', '.join(twice[:5])}"
    raise UsageError(
        "the site profile cannot be joined", where=PROFILE, expected="a column site, each site once", found=found,
        do="call the column of the sites site, and leave one row for each",
    )  # fmt: skip


def _described(profile: pd.DataFrame, described: pd.DataFrame) -> pd.DataFrame:
    own = described.assign(site=described["site"].astype(str)).rename(
        columns={name: f"profile_{name}" for name in described.columns if name in profile.columns and name != "site"}
    )
    return profile.merge(own, on="site", how="left")
