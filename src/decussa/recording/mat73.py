"""MAT files of version 7.3: HDF5 with habits of its own. Axes run the other way round, text is stored as numbers, cells and
arrays of structs as references within the file.

The layout is not published by its maker; what is relied on here is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from decussa.model.errors import RecordingError
from decussa.recording.array_file import ArrayFile, NamedArray, as_texts, is_real
from decussa.recording.hdf5_file import Found, Hdf5Source, load_h5py

_BEGINNING = b"MATLAB 7.3 MAT-file"
_NUMERIC = frozenset({
    "double", "single", "logical", "int8", "int16", "int32", "int64", "uint8", "uint16", "uint32", "uint64",
})  # fmt: skip
_REFERENCES = "#refs#"
_MOST_PARTS = 100_000
_LONGEST_TEXT = 1_000_000


def is_mat73(first_bytes: bytes) -> bool:
    """Return whether an HDF5 file that starts with these bytes is a MAT file of version 7.3."""
    return first_bytes.startswith(_BEGINNING)


def mat73_arrays(path: Path, file: Any, found: Found) -> ArrayFile:
    """Return what a MAT file of version 7.3 holds, with axes and names as its writer sees them.

    Raises
    ------
    RecordingError
        If it holds objects or functions, or refers to what is not there.
    """
    for name, said in found.said.items():
        if not name.startswith(_REFERENCES):
            _refuse_objects(path, name, said)
    source = Hdf5Source(path, reverse=True)
    arrays: list[NamedArray] = []
    texts: dict[str, tuple[str, ...]] = {}
    for name, dataset in found.datasets.items():
        if name.startswith((_REFERENCES, "#subsystem#")) or "MATLAB_empty" in found.said[name]:
            continue
        shown = name.replace("/", ".")
        if load_h5py().check_ref_dtype(dataset.dtype) is not None:
            _add_parts(path, file, shown, dataset, found, source, arrays, texts)
        else:
            _add(shown, dataset, _class(found, name), source, arrays, texts)
    return ArrayFile(path=path, form="MAT 7.3", counts_from=1, arrays=tuple(arrays), texts=texts)


def _class(found: Found, name: str) -> str:
    said = found.said.get(name, {}).get("MATLAB_class", ())
    return said[0] if isinstance(said, tuple) and said else ""


def _refuse_objects(path: Path, name: str, said: dict[str, Any]) -> None:
    kind = said.get("MATLAB_class", ("",))[0]
    if "MATLAB_object_decode" in said or (kind and kind not in {*_NUMERIC, "char", "cell", "struct"}):
        raise RecordingError(
            "MAT file holds an object or a function handle", where=path, expected="numbers, text, cells and structs",
            found=f"{name.replace('/', '.')} of class {kind or 'unknown'}",
            do="save the file again without it; strings as char or cell arrays of char, tables as structs",
        )  # fmt: skip


def _add(
    name: str, dataset: Any, kind: str, source: Hdf5Source, arrays: list[NamedArray], texts: dict[str, tuple[str, ...]]
) -> None:
    """Add one data set as numbers or text under ``name``."""
    if dataset.shape is None or 0 in dataset.shape or not is_real(dataset.dtype) or dataset.dtype.subdtype is not None:
        return
    if kind == "char":
        if dataset.size <= _LONGEST_TEXT and len(dataset.shape) <= 2 and dataset.dtype.kind == "u":
            units = np.atleast_2d(np.asarray(dataset[()])).transpose()
            texts[name] = as_texts("".join(map(chr, row)) for row in units.tolist() if max(row) < 0xD800)
        return
    arrays.append(
        NamedArray(
            name=name,
            shape=dataset.shape[::-1],
            itemsize=dataset.dtype.itemsize,
            source=source,
            place=dataset.name.strip("/"),
        )
    )


def _add_parts(
    path: Path, file: Any, name: str, dataset: Any, found: Found, source: Hdf5Source,
    arrays: list[NamedArray], texts: dict[str, tuple[str, ...]],
) -> None:  # fmt: skip
    """Add what a cell or a field of an array of structs refers to: a list of texts, or its parts one by one."""
    h5py = load_h5py()
    if h5py.check_ref_dtype(dataset.dtype) is not h5py.Reference or dataset.size > _MOST_PARTS:
        raise RecordingError(f"MAT file holds references that cannot be followed, in {name}", where=path)
    places = [
        h5py.h5r.get_name(part, file.id) for part in np.asarray(dataset[()]).transpose().reshape(-1, order="F") if part
    ]
    parts = [place.decode("utf-8", "replace").strip("/") for place in places if place]
    if any(part not in found.datasets and part not in found.said for part in parts):
        raise RecordingError(f"MAT file refers to what is not there, in {name}", where=path, do="save the file again")
    for part in parts:
        _refuse_objects(path, name, found.said[part])
    held = [part for part in parts if part in found.datasets]
    if held and all(_class(found, part) == "char" for part in held):
        inside: dict[str, tuple[str, ...]] = {}
        for number, part in enumerate(held):
            _add(str(number), found.datasets[part], "char", source, [], inside)
        texts[name] = tuple((inside.get(str(number)) or ("",))[0] for number in range(len(held)))
        return
    struct, _, field = name.rpartition(".")
    of_structs = _class(found, struct.replace(".", "/")) == "struct" and not _class(found, name.replace(".", "/"))
    for number, part in enumerate(held, start=1):
        shown = f"{struct}({number}).{field}" if of_structs else f"{name}{{{number}}}"
        _add(shown, found.datasets[part], _class(found, part), source, arrays, texts)
