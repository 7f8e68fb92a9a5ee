"""Named arrays, as MAT, HDF5, NWB and NumPy files hold them: what a file says, before anyone guesses what it means."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import RecordingError

#: Greatest array that is held in memory as a whole, as it leaves the file.
HELD_BYTES = 1 << 28
#: Greatest array that may be looked at as a column, a time vector or a list of onsets.
COLUMN_LENGTH = 10_000_000

Numbers = NDArray[Any]
#: Text (one or several) or numbers that stand beside an array.
Said = tuple[str, ...] | Numbers


class ArraySource(Protocol):
    """Where the numbers of an array are: in memory, or in a file that is opened again for each piece."""

    def take(self, name: str, where: tuple[slice, ...]) -> Numbers:
        """Return the piece ``where`` (a slice for each axis) of the array ``name``."""
        ...


@dataclass(frozen=True, slots=True)
class Held:
    """Arrays in memory."""

    arrays: Mapping[str, Numbers]

    def take(self, name: str, where: tuple[slice, ...]) -> Numbers:
        """Return the piece ``where`` of the array ``name``."""
        return self.arrays[name][where]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NamedArray:
    """An array of real numbers: its name, shape, what stands beside it, and where its numbers are.

    ``axes`` names its axes where the file itself tells them (``sweep``, ``sample``, ``channel``), else it is empty. ``place``
    is what the source calls it, where that is another name.
    """

    name: str
    shape: tuple[int, ...]
    itemsize: int
    source: ArraySource
    said: Mapping[str, Said] = field(default_factory=dict)
    axes: tuple[str, ...] = ()
    place: str = ""

    @property
    def size(self) -> int:
        """Number of elements."""
        return int(np.prod(self.shape, dtype=object))

    @property
    def length(self) -> int:
        """Number of elements of a vector (or a number); 0 for an array with two or more axes longer than 1."""
        return self.size if sum(extent > 1 for extent in self.shape) <= 1 else 0

    def take(self, where: tuple[slice, ...]) -> Numbers:
        """Return a piece, a slice for each axis."""
        return self.source.take(self.place or self.name, where)

    def vector(self) -> NDArray[np.float64]:
        """Return a short array whole, as floats of shape (n,)."""
        if self.size > COLUMN_LENGTH:
            raise RecordingError(
                f"array {self.name} is too long for a column", expected=f"up to {COLUMN_LENGTH}", found=str(self.size)
            )
        with np.errstate(all="ignore"):
            return self.take((slice(None),) * len(self.shape)).astype(np.float64).reshape(-1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArrayFile:
    """What a file of named arrays holds.

    Parameters
    ----------
    path : Path
        The file, for messages.
    form : str
        Its format by name, for messages.
    counts_from : int
        What the first sample is called where the file counts samples: 1 in MAT files, else 0. Common practice, no source.
    arrays : tuple of NamedArray
        All arrays of real numbers.
    texts : mapping of str to tuple of str
        All texts and lists of texts.
    said : mapping
        What is said about the file as a whole.
    """

    path: Path
    form: str
    counts_from: int
    arrays: tuple[NamedArray, ...]
    texts: Mapping[str, tuple[str, ...]]
    said: Mapping[str, Said] = field(default_factory=dict)

    @property
    def names(self) -> str:
        """What there is, with shapes, for messages."""
        shown = [f"{item.name} {'x'.join(map(str, item.shape))}".strip() for item in self.arrays]
        shown += [f"{name} (text)" for name in self.texts]
        return ", ".join(shown[:12]) + (", ..." if len(shown) > 12 else "") if shown else "nothing"


def held_file(path: Path, form: str, counts_from: int, found: Mapping[str, Numbers | tuple[str, ...]]) -> ArrayFile:
    """Return a file whose arrays are all in memory; complex numbers and empty arrays are left out."""
    numbers = {name: value for name, value in found.items() if isinstance(value, np.ndarray) and is_real(value.dtype)}
    source = Held(numbers)
    return ArrayFile(
        path=path,
        form=form,
        counts_from=counts_from,
        arrays=tuple(
            NamedArray(name=name, shape=value.shape, itemsize=value.dtype.itemsize, source=source)
            for name, value in numbers.items()
            if value.size
        ),
        texts={name: value for name, value in found.items() if isinstance(value, tuple)},
    )


def is_real(dtype: np.dtype[Any]) -> bool:
    """Return whether numbers of this type are real: whole, floating or truth values."""
    return dtype.kind in "iufb" and dtype.itemsize <= 8


def plain_name(name: str) -> str:
    """Return the last part of a name in small letters, words joined by ``_``: ``data.SamplingRate`` is ``sampling_rate``."""
    last = re.split(r"[./]", name.rstrip("./"))[-1].replace("kHz", "khz").replace("Hz", "hz")
    words = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", last).lower()
    return re.sub(r"[^0-9a-zµμ]+", "_", words).strip("_")


def check_held(path: Path, name: str, n_bytes: int) -> None:
    """Raise ``RecordingError`` where an array is too large to be held as a whole."""
    if n_bytes > HELD_BYTES:
        raise RecordingError(
            f"{name} is too large to be held in memory",
            where=path,
            expected=f"up to {HELD_BYTES >> 20} MB",
            found=f"{n_bytes / 2**20:.0f} MB",
            do="save it as HDF5 (MAT 7.3), which is read piece by piece, or in smaller parts",
        )


def as_texts(items: Iterable[str]) -> tuple[str, ...]:
    """Return texts without blanks and zeros around them; what is no Unicode is replaced."""
    return tuple(item.replace("\0", " ").strip().encode("utf-8", "replace").decode("utf-8") for item in items)
