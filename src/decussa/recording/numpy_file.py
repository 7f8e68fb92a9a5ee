"""A recording from NumPy files: one array (``.npy``, mapped from disk) or several (``.npz``). Nothing is ever unpickled."""

from __future__ import annotations

import math
import struct
import sys
import tokenize
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy

from decussa.model.errors import RecordingError
from decussa.model.recording import Recording
from decussa.recording.array_file import ArrayFile, NamedArray, Numbers, as_texts, check_held, held_file, is_real
from decussa.recording.arrays import read_arrays
from decussa.recording.mapping import NO_MAPPING, Mapping
from decussa.recording.sheet import Sheet

_MOST_MEMBERS = 10_000
_GREATEST_HEADER = 10_000
#: What NumPy raises where the text of a header is damaged: it is parsed as a Python literal.
_UNREADABLE = (
    ValueError, TypeError, KeyError, IndexError, AttributeError, SyntaxError, tokenize.TokenError, RecursionError, MemoryError,
    OverflowError,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mapped:
    """The one array of a ``.npy`` file, opened again for each piece."""

    path: Path

    def take(self, name: str, where: tuple[slice, ...]) -> Numbers:  # noqa: ARG002  the file holds one array
        """Return the piece ``where``."""
        return np.array(np.load(self.path, mmap_mode="r", allow_pickle=False)[where])


def is_npy(first_bytes: bytes) -> bool:
    """Return whether a file that starts with these bytes is a NumPy array."""
    return first_bytes[:6] == b"\x93NUMPY"


def is_npz(first_bytes: bytes) -> bool:
    """Return whether a file that starts with these bytes is an archive of NumPy arrays."""
    return first_bytes[:4] == b"PK\x03\x04" and b".npy" in first_bytes[30:512]


def read_npy(path: Path, events: Sheet | None = None, mapping: Mapping = NO_MAPPING) -> Recording:
    """Read a file of one array; rate and unit come from a mapping.

    Raises
    ------
    RecordingError
        If the file is damaged, holds Python objects, or cannot be understood.
    """
    with path.open("rb") as file:
        shape, dtype, _ = _header(path, path.name, file)
        left = path.stat().st_size - file.tell()
    if not is_real(dtype) or not shape:
        raise _no_numbers(path, path.name, dtype)
    if left != math.prod(shape) * dtype.itemsize:
        raise _cut_short(path, path.name, math.prod(shape) * dtype.itemsize, left)
    array = NamedArray(name=path.stem, shape=shape, itemsize=dtype.itemsize, source=Mapped(path))
    return read_arrays(ArrayFile(path=path, form="NumPy", counts_from=0, arrays=(array,), texts={}), events, mapping)


def read_npz(path: Path, events: Sheet | None = None, mapping: Mapping = NO_MAPPING) -> Recording:
    """Read an archive of arrays.

    Raises
    ------
    RecordingError
        If the file is damaged, holds Python objects, unpacks to too much, or cannot be understood.
    """
    found: dict[str, Numbers | tuple[str, ...]] = {}
    total = 0
    try:
        with zipfile.ZipFile(path) as archive:
            members = [member for member in archive.infolist() if member.filename.endswith(".npy")]
            if len(members) > _MOST_MEMBERS:
                raise RecordingError("archive has too many parts", where=path, found=f"{len(members)} arrays")
            for member in members:
                total += member.file_size
                check_held(path, "the archive", total)
                with archive.open(member) as file:
                    found[member.filename.removesuffix(".npy")] = _member(path, member.filename, file, member.file_size)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, struct.error) as error:
        raise RecordingError(
            "archive is damaged", where=path, expected="a file that numpy.savez wrote", found=str(error)[:200],
            do="save or copy the file again",
        ) from error  # fmt: skip
    return read_arrays(held_file(path, "NumPy", 0, found), events, mapping)


def _member(path: Path, name: str, file: IO[bytes], n_bytes: int) -> Numbers | tuple[str, ...]:
    shape, dtype, by_column = _header(path, name, file)
    wanted = math.prod(shape) * dtype.itemsize
    if wanted > n_bytes:
        raise _cut_short(path, name, wanted, n_bytes)
    if dtype.kind not in "iufbcUS":
        raise _no_numbers(path, name, dtype)
    data = file.read(wanted)
    if len(data) != wanted:
        raise _cut_short(path, name, wanted, len(data))
    array = np.frombuffer(data, dtype=dtype).reshape(shape, order="F" if by_column else "C")
    if dtype.kind == "S":
        return as_texts(item.decode("utf-8", "replace") for item in array.reshape(-1))
    if dtype.kind == "U":
        letters = np.frombuffer(data, dtype=np.dtype("u4").newbyteorder(dtype.byteorder))
        if letters.size and letters.max() > sys.maxunicode:
            raise _no_numbers(path, name, dtype)
        return as_texts(str(item) for item in array.reshape(-1))
    return array


def _header(path: Path, name: str, file: IO[bytes]) -> tuple[tuple[int, ...], np.dtype[Any], bool]:
    """Return shape, type and whether the first axis runs fastest; the header's text is parsed, never run."""
    try:
        version = npy.read_magic(file)
        if version == (1, 0):
            shape, by_column, dtype = npy.read_array_header_1_0(file, max_header_size=_GREATEST_HEADER)
        elif version == (2, 0):
            shape, by_column, dtype = npy.read_array_header_2_0(file, max_header_size=_GREATEST_HEADER)
        else:
            raise ValueError(f"version {version}")
    except _UNREADABLE as error:
        raise RecordingError(
            f"header of {name} cannot be read", where=path, expected="a NumPy array, version 1 or 2",
            found=str(error).splitlines()[0][:200] if str(error) else "nothing", do="save or copy the file again",
        ) from error  # fmt: skip
    if dtype.hasobject:
        raise RecordingError(
            f"{name} holds Python objects, which could run as a program", where=path, expected="plain numbers or text",
            do="save it again as plain arrays: text as an array of strings",
        )  # fmt: skip
    if any(extent < 0 for extent in shape):
        raise _cut_short(path, name, -1, 0)
    return shape, dtype, by_column


def _cut_short(path: Path, name: str, wanted: int, found: int) -> RecordingError:
    return RecordingError(
        f"{name} does not fit its header", where=path, expected=f"{wanted} bytes of numbers", found=str(found),
        do="save or copy the file again",
    )  # fmt: skip


def _no_numbers(path: Path, name: str, dtype: np.dtype[Any]) -> RecordingError:
    return RecordingError(
        f"{name} holds no plain numbers", where=path, expected="real numbers or text", found=f"type {dtype}"[:100],
        do="save each field as an array of its own",
    )  # fmt: skip
