"""Trial tables as Parquet: one row group for each recording, with where its rows come from written beside it.

Published source of the format: Apache Parquet. Provenance stands in the file's key-value metadata, one JSON object for each
row group, under ``ROW_GROUPS``. Nothing written depends on the clock, so that the same rows give the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Any

import pandas as pd

from decussa.model.errors import MissingPartError, RecordingError
from decussa.model.table import TRIAL_COLUMNS, Column

#: Metadata key: a JSON list with the provenance of each row group, in order.
ROW_GROUPS = b"decussa.row_groups"
#: Stands first in tables of many sites.
SITE = Column("site", "text", "", "Where the recording was made, or the data set it belongs to")

Provenance = Mapping[str, Any]


def need_parquet(where: str | Path) -> None:
    """Refuse to go on where the group that reads and writes Parquet is not installed.

    Raises
    ------
    MissingPartError
    """
    if find_spec("pyarrow") is None:
        raise MissingPartError(
            "Parquet needs a part that is not installed",
            where=str(where),
            do="in the program's folder: pip install '.[parquet]'",
        )


class ParquetWriter:
    """Writes a trial table piece by piece; each piece becomes a row group with its provenance.

    ``same`` holds columns that the tables themselves lack, with the text that stands in every row.
    """

    def __init__(
        self, path: Path, columns: Sequence[Column] = TRIAL_COLUMNS, same: Mapping[str, str] = MappingProxyType({})
    ) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        kinds = {"text": pa.string(), "number": pa.float64(), "count": pa.int64()}
        self._schema = pa.schema([(column.name, kinds[column.kind]) for column in columns])
        self._same = same
        # Text comes again and again; numbers hardly ever do, and nobody looks for a recording by their least and greatest.
        texts = [column.name for column in columns if column.kind == "text"]
        self._writer = pq.ParquetWriter(
            path, self._schema, compression="snappy", use_dictionary=texts, write_statistics=texts
        )
        self._provenance: list[Provenance] = []

    def add(self, trials: pd.DataFrame, provenance: Provenance) -> None:
        """Write the rows of one recording; an empty table writes nothing."""
        import pyarrow as pa

        if trials.empty:
            return
        arrays = [
            pa.repeat(pa.scalar(self._same[field.name], field.type), len(trials))
            if field.name in self._same
            else pa.array(trials[field.name], type=field.type, from_pandas=True)
            for field in self._schema
        ]
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self._schema), row_group_size=len(trials))
        self._provenance.append(provenance)

    def __enter__(self) -> ParquetWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            text = json.dumps(self._provenance, sort_keys=True, ensure_ascii=False)
            self._writer.add_key_value_metadata({ROW_GROUPS: text})
        self._writer.close()


def read_provenance(path: str | Path) -> list[dict[str, Any]]:
    """Return the provenance of each row group of a trial table, in order; an empty list where none is written.

    Raises
    ------
    RecordingError
        If the file is no Parquet file that ``measure`` wrote.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        held = pq.read_metadata(path).metadata or {}
        said = json.loads(held.get(ROW_GROUPS, b"[]"))
    except (pa.ArrowInvalid, ValueError) as error:
        raise RecordingError("part of a data set cannot be read", where=path, found=str(error)) from error
    return list(said)
