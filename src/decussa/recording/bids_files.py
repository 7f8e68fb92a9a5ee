"""The text files of a BIDS data set: tab-separated lines, JSON, and what stands in a cell."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from decussa.model.table import Column


def to_cell(value: str | float) -> str:
    """Return the text of a cell; n/a where nothing is said."""
    if isinstance(value, str):
        return " ".join(value.split()) or "n/a"
    return "n/a" if math.isnan(value) else str(plain(value))


def plain(value: float) -> float | int:
    """Return whole numbers without a decimal point."""
    return int(value) if float(value).is_integer() else float(value)


def describe_columns(columns: Sequence[Column]) -> dict[str, Any]:
    """Return what a sidecar says of each column."""
    return {
        column.name: {"Description": column.meaning} | ({"Units": column.unit} if column.unit else {})
        for column in columns
    }


def write_lines(path: Path, lines: Sequence[str]) -> None:
    """Write lines of text, making the folder where needed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_json(path: Path, content: Mapping[str, Any]) -> None:
    """Write a JSON file."""
    path.write_text(json.dumps(content, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
