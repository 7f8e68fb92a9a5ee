"""HDF5 files opened so that nothing outside them is touched: no links to other files, no storage elsewhere, no plug-ins.

References to objects stay within a file by the rules of the format; they are followed only where MAT 7.3 keeps cells.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from decussa.model.errors import MissingPartError, RecordingError
from decussa.recording.array_file import Numbers, Said, as_texts, is_real
from decussa.recording.hdf5_claims import TextClaims

#: What links may be found at, and where the signature of HDF5 may stand (a block of the user may come first).
SIGNATURE = b"\x89HDF\r\n\x1a\n"
_SIGNATURE_AT = (0, 512, 1024, 2048)
#: So many bytes hold any place of the signature.
FIRST_BYTES = _SIGNATURE_AT[-1] + len(SIGNATURE)
_MOST_OBJECTS = 100_000
_MOST_TEXTS = 1_000_000
_TEXT_BYTES = 1 << 26
_GREATEST_CHUNK = 1 << 27
_DEEPEST = 32
#: Deflate packs to a thousandth at best; what was never written takes no room at all.
_GREATEST_RATIO = 1100
_SMALL = 1 << 20
#: Filters that the library itself brings: deflate, shuffle, checksum, szip, n-bit, scale-offset, LZF. Others are plug-ins.
_OWN_FILTERS = frozenset({1, 2, 3, 4, 5, 6, 32000})


@dataclass(slots=True)
class Found:
    """What a walk through a file found: data sets by their path, and what is said beside each group and data set."""

    claims: TextClaims
    datasets: dict[str, Any] = field(default_factory=dict)
    said: dict[str, dict[str, Said]] = field(default_factory=dict)

    def texts(self, dataset: Any, column: str = "") -> tuple[str, ...]:
        """Return the texts of a data set, or of a column of a table, while the file is open.

        Raises
        ------
        RecordingError
            If one claims to be longer than the file.
        """
        self.claims.check_dataset(dataset.name, dataset)
        return texts_of(dataset.fields(column)[()] if column else dataset[()])


def is_hdf5(first_bytes: bytes) -> bool:
    """Return whether a file that starts with these bytes is HDF5."""
    return signature_at(first_bytes) >= 0


def signature_at(first_bytes: bytes) -> int:
    """Return where the signature stands; -1 where there is none."""
    return next((at for at in _SIGNATURE_AT if first_bytes[at : at + 8] == SIGNATURE), -1)


def load_h5py() -> ModuleType:
    """Return the library, or raise ``MissingPartError`` that names the group to install."""
    try:
        import h5py
    except ImportError as error:
        raise MissingPartError(
            "HDF5 needs a part that is not installed", do="in the program's folder: pip install '.[formats]'"
        ) from error
    return h5py  # type: ignore[no-any-return]


@contextlib.contextmanager
def open_hdf5(path: Path) -> Iterator[Any]:
    """Open a file for reading and turn what the library says of damage into ``RecordingError``."""
    h5py = load_h5py()
    try:
        with h5py.File(path, "r", locking=False) as file:
            yield file
    except (
        OSError,
        RuntimeError,
        KeyError,
        ValueError,
        TypeError,
        UnicodeError,
        NotImplementedError,
        OverflowError,
        SystemError,
    ) as error:
        raise RecordingError(
            "HDF5 file is damaged", where=path, expected="a whole HDF5 file", found=" ".join(str(error).split())[:200],
            do="save or copy the file again",
        ) from error  # fmt: skip


def walk(path: Path, file: Any, claims: TextClaims) -> Found:
    """Return all data sets and attributes of a file, each object once, by its first path; ``claims`` is the same file, open.

    Raises
    ------
    RecordingError
        If the file links to another, keeps numbers in another, or has more objects than can be meant.
    """
    h5py = load_h5py()
    found, seen = Found(claims), set()
    waiting: list[tuple[str, Any, int]] = [("", file, 0)]
    while waiting:
        name, node, depth = waiting.pop(0)
        place = h5py.h5o.get_info(node.id)
        if (place.fileno, place.addr) in seen:
            continue
        seen.add((place.fileno, place.addr))
        if len(seen) > _MOST_OBJECTS or depth > _DEEPEST:
            raise RecordingError(
                "HDF5 file has too many parts", where=path, expected=f"up to {_MOST_OBJECTS} objects, {_DEEPEST} deep"
            )
        claims.check_attributes(name, place.addr)
        found.said[name] = _attributes(path, name, node)
        if isinstance(node, h5py.Dataset):
            _check_dataset(path, name, node)
            found.datasets[name] = node
        elif isinstance(node, h5py.Group):
            for key in node:
                _check_name(path, key)
                link = node.get(key, getlink=True)
                if isinstance(link, h5py.HardLink):
                    waiting.append((f"{name}/{key}".strip("/"), node[key], depth + 1))
                elif not isinstance(link, h5py.SoftLink):
                    raise _leaves(path, f"{name}/{key}", "a link to another file")
    return found


def _check_name(path: Path, key: Any) -> None:
    """Refuse a name that is no text: the library gives it as bytes."""
    if not isinstance(key, str) or not key.isprintable():
        raise RecordingError(
            "HDF5 file is damaged",
            where=path,
            expected="names that are text",
            found=repr(key)[:100],
            do="save or copy the file again",
        )


def _leaves(path: Path, name: str, what: str) -> RecordingError:
    return RecordingError(
        "HDF5 file leads to another file", where=path, expected="a file that holds its own numbers",
        found=f"{what} at {name}", do="save the file again as a whole, with copies in place of links",
    )  # fmt: skip


def _check_dataset(path: Path, name: str, dataset: Any) -> None:
    """Refuse numbers that are kept elsewhere, need a plug-in, or come in pieces too large to be read."""
    h5py = load_h5py()
    how = dataset.id.get_create_plist()
    if how.get_external_count() or how.get_layout() == h5py.h5d.VIRTUAL:
        raise _leaves(path, name, "numbers kept in another file")
    foreign = [how.get_filter(index)[0] for index in range(how.get_nfilters())]
    foreign = [number for number in foreign if number not in _OWN_FILTERS]
    if foreign:
        raise RecordingError(
            f"data set {name} is packed by a plug-in", where=path, expected="no filter, gzip, shuffle, szip or lzf",
            found=f"filter {foreign[0]}", do="save it again with gzip",
        )  # fmt: skip
    promised = 0 if dataset.shape is None else int(np.prod(dataset.shape, dtype=object)) * dataset.dtype.itemsize
    if promised > _GREATEST_RATIO * dataset.id.get_storage_size() + _SMALL:
        raise RecordingError(
            f"data set {name} promises more than the file holds", where=path,
            expected=f"up to {_GREATEST_RATIO} times the {dataset.id.get_storage_size()} bytes that are stored",
            found=f"{promised} bytes", do="save the file again, as long as what was recorded",
        )  # fmt: skip
    if dataset.chunks is not None:
        size = int(np.prod(dataset.chunks, dtype=object)) * dataset.dtype.itemsize
        if size > _GREATEST_CHUNK:
            raise RecordingError(
                f"data set {name} is stored in pieces too large to be read", where=path,
                expected=f"chunks up to {_GREATEST_CHUNK >> 20} MB", found=f"{size / 2**20:.0f} MB",
                do="save it again in smaller chunks",
            )  # fmt: skip


def _attributes(path: Path, name: str, node: Any) -> dict[str, Said]:
    """Return texts and numbers that stand beside an object; references and others are left out."""
    h5py = load_h5py()
    said: dict[str, Said] = {}
    for key in node.attrs:
        _check_name(path, key)
        identity = node.attrs.get_id(key)
        if int(np.prod(identity.shape, dtype=object)) * identity.dtype.itemsize > _TEXT_BYTES:
            raise RecordingError(f"attribute {key} of {name or 'the file'} is too large", where=path)
        if h5py.check_string_dtype(identity.dtype) is not None:
            said[key] = texts_of(node.attrs[key])
        elif is_real(identity.dtype) and identity.dtype.subdtype is None:
            said[key] = np.atleast_1d(np.asarray(node.attrs[key], dtype=np.float64))
    return said


def is_text(dataset: Any) -> bool:
    """Return whether a data set holds text that is short enough to be looked at."""
    kind = load_h5py().check_string_dtype(dataset.dtype)
    size = 0 if dataset.shape is None else int(np.prod(dataset.shape, dtype=object))
    return kind is not None and size <= _MOST_TEXTS and size * dataset.dtype.itemsize <= _TEXT_BYTES


def texts_of(value: Any) -> tuple[str, ...]:
    """Return text from what the library gives: a text, bytes, or arrays of them."""
    items = np.asarray(value, dtype=object).reshape(-1)
    return as_texts(item.decode("utf-8", "replace") if isinstance(item, bytes) else str(item) for item in items)


@dataclass(frozen=True, slots=True)
class Hdf5Source:
    """Arrays in a file that is opened again for each piece. ``reverse``: axes run the other way round, as in MAT 7.3."""

    path: Path
    reverse: bool = False

    def take(self, name: str, where: tuple[slice, ...]) -> Numbers:
        """Return the piece ``where`` of the data set ``name``; ``group/table.column`` is a column of a table."""
        with open_hdf5(self.path) as file:
            place, _, column = name.partition("\0")
            dataset = file[place]
            chosen = where[::-1] if self.reverse else where
            taken = np.asarray(dataset.fields(column)[chosen] if column else dataset[chosen])
        return taken.transpose() if self.reverse else taken
