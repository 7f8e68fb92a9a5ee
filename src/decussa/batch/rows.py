"""Rows of the summary: where they belong, and the estimate they carry."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace

import pandas as pd

from decussa.model.estimate import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of the summary."""

    keys: Mapping[str, object]
    condition: str
    isi_ms: float
    intensity_mso: float
    contraction_pct: float
    quantity: str
    estimate: Estimate
    unit: str
    review: str

    def as_dict(self) -> dict[str, object]:
        """Return the row by column."""
        return {
            **self.keys,
            "condition": self.condition,
            "isi_ms": self.isi_ms,
            "intensity_mso": self.intensity_mso,
            "contraction_pct": self.contraction_pct,
            "quantity": self.quantity,
            "unit": self.unit,
            "review": self.review,
            **asdict(self.estimate),
        }


@dataclass(frozen=True, slots=True)
class Rows:
    """A place in the summary: whose muscle, which condition, interval, intensity and contraction (NaN: none or several).

    ``review`` says how far its trials were reviewed.
    """

    keys: Mapping[str, object]
    condition: str = ""
    isi_ms: float = field(default=math.nan, kw_only=True)
    intensity_mso: float = field(default=math.nan, kw_only=True)
    contraction_pct: float = field(default=math.nan, kw_only=True)
    review: str = field(default="unreviewed", kw_only=True)

    def row(self, quantity: str, estimate: Estimate, unit: str) -> Row:
        """Return the row of ``quantity`` at this place."""
        return Row(
            keys=self.keys,
            condition=self.condition,
            isi_ms=self.isi_ms,
            intensity_mso=self.intensity_mso,
            contraction_pct=self.contraction_pct,
            quantity=quantity,
            estimate=estimate,
            unit=unit,
            review=self.review,
        )


def review_words(trials: pd.DataFrame) -> str:
    """Return how far trials were reviewed: ``unreviewed``, ``12 of 30 reviewed``, or by whom all were."""
    raters = trials["reviewed_by"][trials["reviewed_by"] != ""]
    if raters.empty:
        return "unreviewed"
    if len(raters) < len(trials):
        return f"{len(raters)} of {len(trials)} reviewed"
    return f"reviewed by {', '.join(sorted(raters.unique()))}"


def counted(estimate: Estimate, kept: pd.DataFrame) -> Estimate:
    """Return ``estimate`` with what its trials have in common said in ``method``, and a reason where none was kept."""
    notes = [estimate.method]
    doubtful = int((kept["verdict"] == "doubtful").sum())
    if doubtful:
        notes.append(f"{doubtful} doubtful trials included")
    conditioning = kept["cond_intensity_mso"].dropna()
    if len(conditioning) and conditioning.min() < conditioning.max():
        notes.append(f"conditioning pulses of {conditioning.min():g} to {conditioning.max():g} % MSO taken together")
    reason = "no trial was kept" if kept.empty else estimate.reason
    return replace(estimate, method="; ".join(notes), reason=reason)
