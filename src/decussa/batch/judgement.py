"""Verdicts over a whole recording: gathers the facts that single sweeps cannot know, then judges each trial."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decussa.model.trial import Verdict
from decussa.quality.verdict import ARTIFACT_SHARE, Limits, judge_all

#: Trials of one condition from which on a missing response is worth a remark, and trials of a block that make it one.
FEWEST_ALIKE = 8
FEWEST_IN_BLOCK = 5

_CONDITION = ("muscle", "side", "block", "condition", "stim_type", "intensity_mso", "isi_ms", "contraction_pct")

_AS_MEASURED = (
    "contraction_pct", "background_rms_uv", "window_start_ms", "artifact_start_ms", "extra_artifact_ms", "heartbeat_ms",
    "isi_ms", "isi_measured_ms", "response_p",
)  # fmt: skip

Columns = Mapping[str, NDArray[Any]]
Array = NDArray[np.float64]
Groups = NDArray[np.int64]


def judge_trials(trials: Columns, limits: Limits) -> list[Verdict]:
    """Return the verdict on each trial.

    Parameters
    ----------
    trials : mapping of str to array, shape (n_trials,)
        Measured trials of one recording, with the private columns that ``measure`` adds (``_active``, ``_sample_ms``, and
        ``_verdict``, which holds where the events bring one).
    limits : Limits
        What trials are held against.
    """
    return [
        said or verdict for said, verdict in zip(trials["_verdict"], judge_all(_gather(trials), limits), strict=True)
    ]


def _gather(trials: Columns) -> dict[str, NDArray[Any]]:
    """Return the facts on each trial, by the names of ``TrialFacts``."""
    magnetic = trials["stim_type"] != "nerve"
    seen = ~np.isnan(trials["artifact_start_ms"])
    codes = {name: pd.factorize(trials[name], use_na_sentinel=False)[0] for name in _CONDITION}
    by_channel = _group(codes, "muscle", "side", "stim_type")
    alike = _group(codes, *_CONDITION)
    held = _group(codes, "muscle", "side", "block", "contraction_pct")
    told = ~np.isnan(trials["response_p"])
    share = _mean(trials["response_p"] >= 0.5, alike, told)
    expected_uv = _median(trials["background_rms_uv"], held)
    return {
        **{name: trials[name] for name in _AS_MEASURED},
        "complete": ~np.isnan(trials["amplitude_uv"]),
        "active": trials["_active"],
        "expected_background_uv": np.where(trials["_active"], expected_uv, np.nan),
        "clipped_in_window": trials["clipped_samples"],
        "artifact_seen": seen,
        "artifact_expected": _mean(seen, by_channel) >= ARTIFACT_SHARE,
        "artifact_end_ms": np.where(magnetic, trials["artifact_end_ms"], np.nan),
        "sample_ms": trials["_sample_ms"],
        "lag_ms": trials["artifact_start_ms"] - _median(trials["artifact_start_ms"], by_channel),
        "responding_share": np.where(np.bincount(alike)[alike] >= FEWEST_ALIKE, share, np.nan),
        "first_of_block": _first_of_block(trials, _group(codes, "muscle", "side", "block")) & magnetic,
    }


def _first_of_block(trials: Columns, blocks: Groups) -> NDArray[np.bool_]:
    size = np.bincount(blocks)
    first = np.full(size.size, np.iinfo(np.int64).max)
    np.minimum.at(first, blocks, trials["sweep"])
    whole = (size[blocks] >= FEWEST_IN_BLOCK) & (trials["block"] != "")
    return np.asarray((trials["sweep"] == first[blocks]) & whole)


def _group(codes: Mapping[str, Groups], *names: str) -> Groups:
    """Return the number of the group of each trial: trials of a group have the same code in all of ``names``."""
    group = np.zeros(len(codes[names[0]]), dtype=np.int64)
    for name in names:
        if codes[name].any():
            group, _ = pd.factorize(group * (codes[name].max() + 1) + codes[name])
    return group


def _mean(yes: NDArray[np.bool_], group: Groups, known: NDArray[np.bool_] | None = None) -> Array:
    """Return for each trial the share of ``yes`` among those of its group that are ``known``; NaN where none is."""
    known = np.ones(yes.size, dtype=bool) if known is None else known
    of = np.bincount(group, known)
    share = np.divide(np.bincount(group, yes & known), of, out=np.full(of.size, np.nan), where=of > 0)
    return np.asarray(share[group])


def _median(values: Array, group: Groups) -> Array:
    """Return for each trial the median of its group, missing values left out; NaN where all are."""
    medians = np.full(group.max() + 1, np.nan)
    there = ~np.isnan(values)
    for number in np.unique(group[there]):
        medians[number] = np.median(values[there & (group == number)])
    return np.asarray(medians[group])
