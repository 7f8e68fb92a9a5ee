"""From trials to the summary: one row per muscle, session, condition and quantity, each with interval, n and method.

Rejected trials never enter a value; doubtful ones enter and are counted in the method. Values of trials that differ in
intensity are not averaged together: a condition with several intensities has its rows per intensity, and a curve.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decussa.batch.ratios import ratio_rows
from decussa.batch.rows import Row, Rows, counted, review_words
from decussa.batch.trials import ALIKE, KEYS, complete, groups, size_column, sizes
from decussa.estimate.average import arithmetic_mean, exponential, geometric_mean, median
from decussa.estimate.mmax import maximal_m_wave
from decussa.estimate.recruitment import FEWEST_LEVELS, RecruitmentCurve, fit_recruitment
from decussa.model.estimate import Estimate
from decussa.model.table import SUMMARY_NAMES

#: Probability from which a single trial counts as a response when its presence is the question.
RESPONSE_P = 0.95
#: Raw peak-to-peak that counts as a response where the table has no probabilities (Rossini 1994, doi
#: 10.1016/0013-4694(94)90029-9).
RESPONSE_UV = 50.0
#: Fewest responses that show a muscle to be reachable (common practice, no source).
FEWEST_RESPONSES = 2

_MUSCLE = ["participant", "session", "timepoint", "muscle", "side"]


def summarise(trials: pd.DataFrame) -> pd.DataFrame:
    """Return the summary table of a trial table.

    Parameters
    ----------
    trials : DataFrame
        As ``measure`` writes it; of several recordings, sessions and participants if so wished. Columns that are missing
        count as empty, but for ``stim_type`` and a size.

    Returns
    -------
    DataFrame with the columns of ``decussa.model.table.SUMMARY_COLUMNS``; no row for a table without trials. A value
    that cannot be given is NaN and has a reason.

    Raises
    ------
    RecordingError
        If columns are missing or hold what they cannot hold.
    """
    table = complete(trials)
    source = size_column(table)
    mmax = _maximal_m_waves(table)
    rows: list[Row] = []
    for key, muscle in groups(table, KEYS):
        rows += _muscle_rows(key, muscle, mmax.get(tuple(key[name] for name in _MUSCLE)), source)
    return pd.DataFrame([row.as_dict() for row in rows], columns=list(SUMMARY_NAMES))


def _maximal_m_waves(table: pd.DataFrame) -> dict[tuple[object, ...], Estimate]:
    """Return Mmax by muscle; the side of the nerve does not matter, the side of the muscle does."""
    nerve = table[(table["stim_type"] == "nerve") & table["amplitude_uv"].notna()]
    found = {}
    for key, rows in groups(nerve, _MUSCLE):
        kept = rows[rows["kept"]]
        if len(kept):
            largest = maximal_m_wave(kept["current_ma"].to_numpy(), kept["amplitude_uv"].to_numpy())
            found[tuple(key.values())] = _bounded_by_clipping(largest, rows)
    return found


def _bounded_by_clipping(mmax: Estimate, rows: pd.DataFrame) -> Estimate:
    """Return Mmax, or only its lower bound where larger M-waves ran out of the converter's range."""
    clipped = rows.loc[~rows["kept"] & (rows["rule"] == "clipped"), "amplitude_uv"]
    if clipped.empty or clipped.max() <= mmax.value:
        return mmax
    reason = f"{len(clipped)} M-waves ran out of the converter's range: Mmax is above {clipped.max():.0f} uV"
    return Estimate(low=float(clipped.max()), high=math.inf, n=mmax.n, method=mmax.method, reason=reason)


def _muscle_rows(key: Mapping[str, object], muscle: pd.DataFrame, mmax: Estimate | None, source: str) -> Iterator[Row]:
    yield from _status_rows(Rows(key, review=review_words(muscle)), muscle[muscle["stim_type"] == "single"])
    for alike, trials in groups(muscle, ALIKE):
        levels = trials["intensity_mso"].dropna().unique()
        place = Rows(
            key,
            condition=str(alike["condition"]),
            isi_ms=_number(alike["isi_ms"]),
            contraction_pct=_number(alike["contraction_pct"]),
            review=review_words(trials),
        )
        if len(levels) == 1:
            place = replace(place, intensity_mso=float(levels[0]))
        yield from _count_rows(place, trials)
        kept = trials[trials["kept"]]
        if alike["stim_type"] == "nerve":
            if mmax is not None:
                yield place.row("mmax", counted(mmax, kept), "uV")
            else:
                yield place.row("mmax", Estimate(method="Mmax", reason="no M-wave was kept"), "uV")
            continue
        if len(levels) <= 1:
            yield from _size_rows(place, kept, mmax, source)
        else:
            for level, given in groups(kept, ["intensity_mso"]):
                at_level = replace(place, intensity_mso=_number(level["intensity_mso"]), review=review_words(given))
                yield from _size_rows(at_level, given, mmax, source)
        if alike["stim_type"] == "single" and len(levels) >= FEWEST_LEVELS:
            yield from _curve_rows(place, kept, source)
        if alike["stim_type"] == "paired":
            yield from ratio_rows(place, kept, muscle, source)


def _number(value: object) -> float:
    return float(value) if isinstance(value, float | int | np.floating | np.integer) else math.nan


def _finite(trials: pd.DataFrame, name: str) -> NDArray[np.float64]:
    values = trials[name].to_numpy(np.float64)
    return np.asarray(values[np.isfinite(values)])


def _count_rows(place: Rows, trials: pd.DataFrame) -> Iterator[Row]:
    counts = {
        "trials_planned": len(trials),
        "trials_kept": int(trials["kept"].sum()),
        "trials_doubtful": int((trials["verdict"] == "doubtful").sum()),
        "trials_rejected": int((~trials["kept"]).sum()),
    }
    for quantity, count in counts.items():
        method = "trials in the table" if quantity == "trials_planned" else "counted by verdict"
        yield place.row(quantity, Estimate(value=float(count), n=len(trials), method=method), "trials")
    rules = trials.loc[~trials["kept"], "rule"].replace("", "no rule named").value_counts(sort=False)
    for rule, count in rules.items():
        estimate = Estimate(value=float(count), n=len(trials), method="counted by the rule that decided")
        yield place.row(f"rejected: {rule}", estimate, "trials")


def _size_rows(place: Rows, kept: pd.DataFrame, mmax: Estimate | None, source: str) -> Iterator[Row]:
    """Yield size, latency, area, silent period and background of trials of one condition and intensity."""
    measured = sizes(kept)
    usual = _from(geometric_mean(measured.uv, measured.noise_uv), source)
    yield place.row("mep_amplitude", counted(usual, kept), "uV")
    yield place.row("mep_amplitude_arithmetic", counted(_from(arithmetic_mean(measured.uv), source), kept), "uV")
    if mmax is not None:
        yield place.row("mep_mmax_pct", counted(_share_of_mmax(usual, mmax), kept), "%")
    yield place.row("mep_latency", counted(_of_those_with(kept, "latency_ms", "a latency"), kept), "ms")
    yield place.row("mep_area", counted(arithmetic_mean(_finite(kept, "area_uv_ms")), kept), "uV ms")
    if kept["silent_period_ms"].notna().any() or kept["contraction_pct"].gt(0).any():
        silent = _of_those_with(kept, "silent_period_ms", "a silent period")
        silent = replace(silent, method=f"{silent.method}; from response onset to return of activity")
        yield place.row("silent_period", counted(silent, kept), "ms")
    yield place.row("background_rms", counted(arithmetic_mean(_finite(kept, "background_rms_uv")), kept), "uV")
    if kept["isi_measured_ms"].notna().any():
        yield place.row("isi_measured", counted(arithmetic_mean(_finite(kept, "isi_measured_ms")), kept), "ms")


def _from(estimate: Estimate, source: str) -> Estimate:
    return replace(estimate, method=f"{estimate.method}; {source}")


def _of_those_with(kept: pd.DataFrame, name: str, what: str) -> Estimate:
    """Return the median over the trials that have the value, and say how many have none."""
    values = _finite(kept, name)
    centre = median(values)
    if values.size == 0:
        return replace(
            centre, reason=f"none of {len(kept)} kept trials has {what}" if len(kept) else "no trial was kept"
        )
    lacking = len(kept) - values.size
    if not lacking:
        return centre
    note = f"{lacking} of {len(kept)} kept trials without {what}"
    return replace(centre, reason=f"{centre.reason}; {note}" if centre.reason else note)


def _share_of_mmax(size: Estimate, mmax: Estimate) -> Estimate:
    """Return size in % of Mmax; interval ends combined on the log scale from those of both (MOVER).

    Zou and Donner 2008, doi 10.1002/sim.3095: the distances of the ends from the estimates add as squares.
    """
    method = "geometric mean size over Mmax, ends of both intervals combined (MOVER)"
    reason = "; ".join(part for part in (size.reason, mmax.reason) if part)
    if not (size.value > 0 and mmax.value > 0):
        return Estimate(n=size.n, method=method, reason=reason or "no size or no Mmax above 0")
    share = math.log(size.value) - math.log(mmax.value)
    above = math.log(size.high) - math.log(size.value)
    # A size whose interval reaches down to 0 is open below; one without an interval (NaN) stays without.
    below = math.inf if size.low == 0 else math.log(size.value) - math.log(size.low)
    if mmax.low > 0 and mmax.high > 0:
        low = share - math.hypot(below, math.log(mmax.high) - math.log(mmax.value))
        high = share + math.hypot(above, math.log(mmax.value) - math.log(mmax.low))
    else:
        low, high = share - below, share + above
        method = "geometric mean size over Mmax, interval of the size alone"
    return Estimate(
        value=100 * exponential(share),
        low=100 * exponential(low),
        high=100 * exponential(high),
        n=size.n,
        method=method,
        reason=reason,
    )


def fit_curve(kept: pd.DataFrame) -> RecruitmentCurve:
    """Return the recruitment curve of kept trials of one condition, as the summary gives its values."""
    usable = kept[kept["intensity_mso"].notna() & kept["_size_uv"].notna()]
    measured = sizes(usable)
    noise = measured.noise_uv if np.isfinite(measured.noise_uv).any() else None
    return fit_recruitment(usable["intensity_mso"].to_numpy(), measured.uv, noise_uv=noise)


def _curve_rows(place: Rows, kept: pd.DataFrame, source: str) -> Iterator[Row]:
    curve = fit_curve(kept)
    for quantity, estimate, unit in (
        ("s50", curve.s50, "% MSO"),
        ("slope", curve.slope, "uV per % MSO"),
        ("mep_max", curve.mep_max, "uV"),
        ("curve_threshold", curve.threshold, "% MSO"),
    ):
        yield place.row(quantity, counted(_from(estimate, source), kept), unit)


def _status_rows(place: Rows, singles: pd.DataFrame) -> Iterator[Row]:
    """Yield for rest and contraction: is a response obtainable, and which threshold is known."""
    states = {
        "at rest": singles["contraction_pct"].eq(0),
        "during contraction": singles["contraction_pct"].gt(0),
        "contraction not stated": singles["contraction_pct"].isna(),
    }
    for state, chosen in states.items():
        trials = singles[chosen]
        if trials.empty:
            continue
        level_mso, status = _status(trials[trials["kept"]], state)
        yield replace(place, intensity_mso=level_mso).row("mep_status", status, "1 yes, 0 no")
        quantity = "amt" if state == "during contraction" else "rmt"
        reason = "not estimated: the trials of a threshold search are not yet told apart from others"
        yield place.row(quantity, Estimate(method=state, reason=reason), "% MSO")


def _status(kept: pd.DataFrame, state: str) -> tuple[float, Estimate]:
    """Return 1 where at least half the trials of some intensity, and two at least, show a response; else 0.

    Beside it the lowest intensity that shows responses, or the highest that was tried without.
    """
    known = kept[kept["response_p"].notna() | kept["_size_uv"].notna()]
    method = f"{state}: responses in at least half the trials of one intensity, and in {FEWEST_RESPONSES} at least"
    if len(known) < FEWEST_RESPONSES:
        return math.nan, Estimate(n=len(known), method=method, reason=f"{len(known)} kept trials cannot tell")
    if known["response_p"].notna().any():
        responds = known["response_p"].ge(RESPONSE_P)
        method += f"; a response has a probability of {RESPONSE_P:g} or more"
    else:
        responds = known["_size_uv"].ge(RESPONSE_UV)
        method += f"; a response has {RESPONSE_UV:g} uV or more"
    by_level = responds.groupby(known["intensity_mso"], dropna=False).agg(["sum", "size"])
    enough = by_level[(by_level["sum"] >= FEWEST_RESPONSES) & (2 * by_level["sum"] >= by_level["size"])]
    if enough.empty:
        highest = known["intensity_mso"].max()
        up_to = f"up to {highest:g} % MSO" if math.isfinite(highest) else "at unknown intensities"
        reason = f"no response obtained {up_to}: {int(responds.sum())} of {len(known)} trials responded"
        return float(highest), Estimate(value=0.0, n=len(known), method=method, reason=reason)
    level, (count, of) = next(iter(enough.iterrows()))
    where = f"{level:g} % MSO" if isinstance(level, float) and math.isfinite(level) else "an intensity not stated"
    reason = f"responses in {count} of {of} trials at {where}, the lowest intensity that shows them"
    return _number(level), Estimate(value=1.0, n=len(known), method=method, reason=reason)
