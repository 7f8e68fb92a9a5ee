"""From what is said over people back to sweeps: which trials of which recording stand behind every number."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from decussa.pool.pooled import Pooled
from decussa.report.tables import ranges

#: What a row of the table of origins is about; a block of a recording is told apart from the next.
_PLACE = [
    "muscle", "side", "stim_side", "participant", "session", "timepoint", "recording", "task", "run", "block", "condition",
    "stim_type", "isi_ms", "intensity_mso", "contraction_pct",
]  # fmt: skip
#: Which sweeps a row names, by column: those in the model, others that count, and those that do not.
_PARTS = ("in_model", "other_kept", "left_out")


def origins(pooled: Pooled) -> pd.DataFrame:
    """Return the sweeps behind every number of a pooled study.

    Returns
    -------
    DataFrame
        A row for each muscle, session, recording, block, condition, intensity and contraction, with ``named`` (the condition
        as the model names it; empty where it is in none) and, of each of ``in_model``, ``other_kept`` and ``left_out``, the
        numbers of the sweeps as in the trial table's column ``sweep`` (``3–7, 9``) and how many they are (``in_model_n``, …).
    """
    trials = pooled.table.copy()
    trials["part"] = trials["kept"].map({True: "other_kept", False: "left_out"})
    trials["named"] = ""
    for one in (each for each in pooled.muscles if each.fitted is not None):
        sizes = one.muscle.sizes.set_index("row")
        trials.loc[sizes.index, "part"] = "in_model"
        trials.loc[sizes.index, "named"] = sizes["condition"]
    rows = []
    for key, own in trials.groupby(_PLACE, sort=False, dropna=False):
        row = dict(zip(_PLACE, key, strict=True)) | {"named": own["named"].max()}
        for part in _PARTS:
            sweeps = own["sweep"][own["part"] == part]
            row |= {part: ranges(sweeps), f"{part}_n": len(sweeps)}
        rows.append(row)
    return pd.DataFrame(rows)


def origin_lines(inputs: Sequence[str]) -> list[str]:
    """Return how to follow a number back, for the page; ``inputs`` say which tables and studies were taken."""
    return [
        "## Where the numbers come from",
        "\n".join(f"- {one}" for one in inputs) or "- a table that was given in memory",
        "`sweeps.csv` names the sweeps behind every number, for each session, recording and condition, by the trial table's "
        "column `sweep`. `in_model`: those behind comparisons, variances, checks, sites, trials and people; `named` is the "
        "condition as the model calls it. `in_model` and `other_kept` together: those behind `summary.csv`, whose rows stand "
        "behind reliability and paired indices (the same muscle, session and condition; a ratio has those of its reference, "
        "too). `left_out`: rejected, and in no number.",
    ]
