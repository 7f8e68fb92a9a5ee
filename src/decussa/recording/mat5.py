"""A recording from a MAT file of version 5 (written as -v6 or -v7), read as a whole by SciPy once it has been checked."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np

from decussa.model.errors import RecordingError
from decussa.model.recording import Recording
from decussa.recording.array_file import Numbers, as_texts, held_file, is_real
from decussa.recording.arrays import read_arrays
from decussa.recording.mapping import NO_MAPPING, Mapping
from decussa.recording.mat5_check import check_mat5
from decussa.recording.sheet import Sheet


def is_mat5(first_bytes: bytes) -> bool:
    """Return whether a file that starts with these bytes is a MAT file of version 5."""
    return first_bytes[124:128] in {b"\x00\x01IM", b"\x01\x00MI"}


def read_mat5(path: Path, events: Sheet | None = None, mapping: Mapping = NO_MAPPING) -> Recording:
    """Read a MAT file of version 5.

    Raises
    ------
    RecordingError
        If the file is damaged, too large to be held, holds objects or functions, or cannot be understood.
    """
    from scipy.io import loadmat

    check_mat5(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            content = loadmat(path, struct_as_record=True, chars_as_strings=True, verify_compressed_data_integrity=True)
    except (ValueError, TypeError, KeyError, IndexError, NotImplementedError, UnicodeError, ArithmeticError) as error:
        raise RecordingError(
            "MAT file cannot be read", where=path, expected="a MAT file of version 5", found=str(error)[:200],
            do="save or copy the file again",
        ) from error  # fmt: skip
    found: dict[str, Numbers | tuple[str, ...]] = {}
    for name, value in content.items():
        if not name.startswith("__"):
            _flatten(name, value, found)
    return read_arrays(held_file(path, "MAT", 1, found), events, mapping)


def _flatten(name: str, value: Any, found: dict[str, Numbers | tuple[str, ...]]) -> None:
    """Put numbers and texts into ``found``: ``name.field`` of a struct, ``name(2).field`` of several, ``name{2}`` of a cell."""
    if not isinstance(value, np.ndarray):
        return
    if value.dtype.names is not None:
        for number, item in enumerate(value.reshape(-1, order="F"), start=1):
            whole = name if value.size == 1 else f"{name}({number})"
            for field in value.dtype.names:
                _flatten(f"{whole}.{field}", item[field], found)
    elif value.dtype.kind == "U":
        found[name] = as_texts(str(item) for item in value.reshape(-1))
    elif value.dtype == object:
        items = [item for item in value.reshape(-1, order="F") if isinstance(item, np.ndarray)]
        if items and all(item.dtype.kind == "U" and item.size <= 1 for item in items):
            found[name] = as_texts(str(item.reshape(-1)[0]) if item.size else "" for item in items)
            return
        for number, item in enumerate(items, start=1):
            _flatten(f"{name}{{{number}}}", item, found)
    elif is_real(value.dtype):
        found[name] = value
