"""Tables of measured values beside the raw data, as a derivative data set.

Published source: the Brain Imaging Data Structure specification 1.11, derivatives. It has no form for evoked responses yet, so
the tables stand at the root of the derivative, described column by column, and are listed in its ``.bidsignore``.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from decussa.model.table import SUMMARY_COLUMNS, TRIAL_COLUMNS
from decussa.recording.bids_files import describe_columns, write_json
from decussa.recording.tables import write_table

#: Where the derivative lies in the data set.
FOLDER = Path("derivatives") / "decussa"


def write_derivative(
    root: Path, *, name: str, bids_version: str, version: str, trials: pd.DataFrame, summary: pd.DataFrame, methods: str
) -> Path:
    """Write trial and summary tables below the data set at ``root``; return the derivative's folder.

    Parameters
    ----------
    name : str
        Title of the raw data set.
    methods : str
        How the values were made, in sentences.
    """
    folder = root / FOLDER
    folder.mkdir(parents=True)
    description = {
        "Name": f"{name}: measured responses",
        "BIDSVersion": bids_version,
        "DatasetType": "derivative",
        "GeneratedBy": [{"Name": "decussa", "Version": version}],
        "SourceDatasets": [{"URL": "../.."}],
    }
    write_json(folder / "dataset_description.json", description)
    for stem, table, columns in (("trials", trials, TRIAL_COLUMNS), ("summary", summary, SUMMARY_COLUMNS)):
        write_table(table, folder / f"{stem}.tsv")
        write_json(folder / f"{stem}.json", describe_columns(columns))
    (folder / "README.md").write_text(f"# Measured responses\n\n{methods.rstrip()}\n", encoding="utf-8")
    (folder / ".bidsignore").write_text("trials.*\nsummary.*\n", encoding="utf-8")
    return folder
