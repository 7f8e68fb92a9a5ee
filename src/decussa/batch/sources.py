"""Which recordings are meant: on this machine's disks and in stores, each with its site and an identity."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from pathlib import Path, PurePosixPath

from decussa.batch.one import Source
from decussa.batch.parts import IDENTITY_DIGITS
from decussa.model.errors import RecordingError
from decussa.recording.bids import find_root
from decussa.recording.places import beside, companions, is_pattern, is_remote, list_store, local_path, normal_url
from decussa.recording.read import choose_recordings, find_recordings


def find_sources(paths: Sequence[str | Path], site: str = "") -> tuple[Source, ...]:
    """Return the recordings that ``paths`` name (files, folders, BIDS roots, patterns, URLs of them), each once, in order.

    Parameters
    ----------
    paths : sequence of str or Path
        Where to look.
    site : str
        Where the recordings were made; the name of the BIDS data set they belong to where omitted.

    Raises
    ------
    RecordingError
        If a path names no recording.
    MachineError
        If a store does not answer.
    """
    found: dict[str, Source] = {}
    for path in paths:
        for source in _in_store(str(path), site) if is_remote(path) else _on_disk(local_path(path), site):
            found.setdefault(source.identity, source)
    return tuple(found.values())


def _on_disk(path: Path, site: str) -> Iterator[Source]:
    for file in find_recordings([path]):
        root = find_root(file)
        own = site or (root.name if root is not None else "")
        yield Source(place=str(file.absolute()), site=own, identity=_identity(str(file.resolve())))


def _in_store(url: str, site: str) -> Iterator[Source]:
    listing = list_store(url)
    base = normal_url(url).rstrip("/")
    if is_pattern(url) or base in listing:
        urls = list(listing) if is_pattern(url) else [base]
    else:
        below = {name: PurePosixPath(name.removeprefix(base).lstrip("/")) for name in listing}
        chosen = set(choose_recordings(list(below.values())))
        urls = [name for name in listing if below[name] in chosen]
    if not urls:
        raise RecordingError("no recording found", where=url, expected="recordings of a format that can be read")
    around: dict[str, tuple[str, ...]] = {}
    for name in urls:
        with_it = companions(name, listing)
        if not any(PurePosixPath(other).name == "dataset_description.json" for other in with_it):
            folder = name.rpartition("/")[0]
            around.setdefault(folder, beside(name))
            with_it = tuple(dict.fromkeys((*with_it, *companions(name, around[folder]))))
        root = [PurePosixPath(other).parent for other in with_it if other.endswith("/dataset_description.json")]
        own = site or (max(root, key=lambda folder: len(folder.parts)).name if root else "")
        yield Source(place=name, with_it=with_it, site=own, identity=_identity(name))


def _identity(place: str) -> str:
    return hashlib.sha256(place.encode()).hexdigest()[:IDENTITY_DIGITS]
