"""Verdicts over a whole recording: gathers the facts that single sweeps cannot know, then judges each trial."""

from __future__ import annotations

import numpy as np
import pandas as pd

from decussa.quality.verdict import ARTIFACT_SHARE, Limits, TrialFacts, judge

#: Trials of one condition from which on a missing response is worth a remark, and trials of a block that make it one.
FEWEST_ALIKE = 8
FEWEST_IN_BLOCK = 5

_CONDITION = ["muscle", "side", "block", "condition", "stim_type", "intensity_mso", "isi_ms", "contraction_pct"]


def judge_trials(trials: pd.DataFrame, limits: Limits) -> pd.DataFrame:
    """Return ``trials`` with the columns verdict, rule and reason filled.

    Parameters
    ----------
    trials : DataFrame
        Measured trials of one recording, with the private columns that ``measure`` adds (``_active``, ``_sample_ms``, and
        ``_verdict``, which holds where the events bring one).
    limits : Limits
        What trials are held against.
    """
    facts = _gather(trials)
    columns = [str(name) for name in facts.columns]
    verdicts = [
        said or judge(TrialFacts(**dict(zip(columns, row, strict=True))), limits)
        for said, row in zip(trials["_verdict"], facts.itertuples(index=False), strict=True)
    ]
    return trials.assign(
        verdict=[verdict.kind for verdict in verdicts],
        rule=[verdict.rule for verdict in verdicts],
        reason=[verdict.reason for verdict in verdicts],
    )


def _gather(trials: pd.DataFrame) -> pd.DataFrame:
    magnetic = trials["stim_type"] != "nerve"
    seen = trials["artifact_start_ms"].notna()
    by_channel = trials.groupby(["muscle", "side", "stim_type"], sort=False)
    alike = trials.groupby(_CONDITION, sort=False, dropna=False)
    held = trials.groupby(["muscle", "side", "block", "contraction_pct"], sort=False, dropna=False)
    responds = trials["response_p"].ge(0.5).where(trials["response_p"].notna())
    count = alike["sweep"].transform("size")
    share = (
        responds.astype(float)
        .groupby([trials[name] for name in _CONDITION], sort=False, dropna=False)
        .transform("mean")
    )
    lag = trials["artifact_start_ms"] - by_channel["artifact_start_ms"].transform("median")
    return pd.DataFrame(
        {
            "complete": trials["amplitude_uv"].notna(),
            "active": trials["_active"],
            "background_rms_uv": trials["background_rms_uv"],
            "expected_background_uv": held["background_rms_uv"].transform("median").where(trials["_active"]),
            "contraction_pct": trials["contraction_pct"],
            "clipped_in_window": trials["clipped_samples"].fillna(0).astype(int),
            "artifact_seen": seen,
            "artifact_expected": seen.groupby([trials[k] for k in ("muscle", "side", "stim_type")]).transform("mean")
            >= ARTIFACT_SHARE,
            "artifact_end_ms": trials["artifact_end_ms"].where(magnetic),
            "window_start_ms": trials["window_start_ms"],
            "artifact_start_ms": trials["artifact_start_ms"],
            "extra_artifact_ms": trials["extra_artifact_ms"],
            "heartbeat_ms": trials["heartbeat_ms"],
            "isi_ms": trials["isi_ms"],
            "isi_measured_ms": trials["isi_measured_ms"],
            "sample_ms": trials["_sample_ms"],
            "lag_ms": lag,
            "response_p": trials["response_p"],
            "responding_share": share.where(count >= FEWEST_ALIKE),
            "first_of_block": _first_of_block(trials) & magnetic,
        }
    )


def _first_of_block(trials: pd.DataFrame) -> pd.Series[bool]:
    blocks = trials.groupby(["muscle", "side", "block"], sort=False)
    first = trials["sweep"] == blocks["sweep"].transform("min")
    return first & (blocks["sweep"].transform("size") >= FEWEST_IN_BLOCK) & np.array(trials["block"] != "")
