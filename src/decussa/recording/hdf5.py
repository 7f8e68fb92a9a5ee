"""A recording from an HDF5 file of any layout: data sets by name, attributes beside them, columns of tables."""

from __future__ import annotations

from pathlib import Path

from decussa.model.recording import Recording
from decussa.recording.array_file import ArrayFile, NamedArray, Said, is_real
from decussa.recording.arrays import read_arrays
from decussa.recording.hdf5_check import check_heaps
from decussa.recording.hdf5_claims import TextClaims
from decussa.recording.hdf5_file import (
    FIRST_BYTES,
    Found,
    Hdf5Source,
    is_hdf5,
    is_text,
    open_hdf5,
    signature_at,
    walk,
)
from decussa.recording.mapping import NO_MAPPING, Mapping
from decussa.recording.mat73 import is_mat73, mat73_arrays
from decussa.recording.nwb import nwb_recording
from decussa.recording.nwb_content import NwbContent, is_nwb, read_nwb_content
from decussa.recording.sheet import Sheet

__all__ = ["is_hdf5", "read_hdf5"]

#: Longest table whose texts are looked at.
TABLE_LENGTH = 100_000


def read_hdf5(path: Path, events: Sheet | None = None, mapping: Mapping = NO_MAPPING) -> Recording:
    """Read an HDF5 file: NWB where it says so, MAT 7.3 where it begins so, else by names; samples stay on disk.

    Raises
    ------
    RecordingError
        If the file is damaged, leads to other files, or cannot be understood.
    MissingPartError
        If the group that reads HDF5 is not installed.
    """
    with path.open("rb") as beginning:
        first = beginning.read(FIRST_BYTES)
    start = signature_at(first)
    check_heaps(path, start)
    with open_hdf5(path) as file, TextClaims(path, start) as claims:
        found = walk(path, file, claims)
        if is_nwb(found):
            content: ArrayFile | NwbContent = read_nwb_content(path, found)
        elif is_mat73(first):
            content = mat73_arrays(path, file, found)
        else:
            content = _plain_arrays(path, found)
    if isinstance(content, ArrayFile):
        return read_arrays(content, events, mapping)
    return nwb_recording(content, events, mapping)


def _plain_arrays(path: Path, found: Found) -> ArrayFile:
    source = Hdf5Source(path)
    arrays: list[NamedArray] = []
    texts: dict[str, tuple[str, ...]] = {}
    for name, dataset in found.datasets.items():
        if dataset.shape is None:
            continue
        if is_text(dataset):
            texts[name] = found.texts(dataset)
        elif is_real(dataset.dtype) and dataset.dtype.subdtype is None:
            if 0 not in dataset.shape:
                arrays.append(
                    NamedArray(
                        name=name,
                        shape=dataset.shape,
                        itemsize=dataset.dtype.itemsize,
                        source=source,
                        said=said_near(found, name),
                    )
                )
        elif dataset.dtype.names is not None and len(dataset.shape) == 1 and dataset.size:
            _add_table(found, name, source, arrays, texts)
    return ArrayFile(
        path=path, form="HDF5", counts_from=0, arrays=tuple(arrays), texts=texts, said=found.said.get("", {})
    )


def said_near(found: Found, name: str) -> dict[str, Said]:
    """Return what is said beside a data set and the groups it lies in, the nearest first; not what the file says as a whole."""
    said: dict[str, Said] = {}
    parts = name.split("/")
    for depth in range(len(parts), 0, -1):
        for key, value in found.said.get("/".join(parts[:depth]), {}).items():
            said.setdefault(key, value)
    return said


def _add_table(
    found: Found, name: str, source: Hdf5Source, arrays: list[NamedArray], texts: dict[str, tuple[str, ...]]
) -> None:
    """Add the columns of a table: one axis of rows, each of which has named cells."""
    dataset = found.datasets[name]
    for column in dataset.dtype.names:
        kind = dataset.dtype[column]
        if is_real(kind) and kind.subdtype is None:
            arrays.append(
                NamedArray(
                    name=f"{name}/{column}",
                    shape=dataset.shape,
                    itemsize=kind.itemsize,
                    source=source,
                    place=f"{name}\0{column}",
                )
            )
        elif (kind.kind == "S" or kind.metadata) and dataset.size <= TABLE_LENGTH:
            texts[f"{name}/{column}"] = found.texts(dataset, column)
