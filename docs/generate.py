"""Writes the pages that are made from the code. Run: python docs/generate.py

A test compares the pages with what this makes, so they cannot drift from the code.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from decussa.model.table import SUMMARY_COLUMNS, TRIAL_COLUMNS, Column

HERE = Path(__file__).parent


def columns_page() -> str:
    """Return the page that explains every column of both tables."""
    return f"""# The two tables

Missing is an empty cell in files and NaN in Python, never 0. Times are milliseconds from the onset of the test pulse (the
last one); the baseline counts back from the first pulse. Amplitudes are microvolt.

## Trial table

One row per sweep and muscle, written by `decussa measure` and `decussa.measure`.

{_rows(TRIAL_COLUMNS)}

## Summary table

One row per participant, session, muscle and quantity, written by `decussa summarise` and `decussa.summarise`.

{_rows(SUMMARY_COLUMNS)}
"""


def _rows(columns: Sequence[Column]) -> str:
    lines = ["| column | unit | meaning |", "| --- | --- | --- |"]
    lines += [f"| `{column.name}` | {column.unit} | {column.meaning} |" for column in columns]
    return "\n".join(lines)


PAGES = {"tables.md": columns_page}

if __name__ == "__main__":
    for name, page in PAGES.items():
        (HERE / name).write_text(page(), encoding="utf-8")
