"""Where recordings lie and tables go: the disks of this machine, or a store that is named by a URL.

Stores (``s3://``, ``gs://``, ``https://``, ``memory://`` and others) are reached through fsspec, which takes credentials and
options from its own configuration; none is taken from a command. Readers need files on a disk: a recording from a store is
fetched, with the files beside it that belong to it, to a scratch folder, and removed when it is measured.
"""

from __future__ import annotations

import secrets
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import unquote, urlsplit

from decussa.model.errors import DecussaError, MachineError, MissingPartError
from decussa.recording.bids import belongs_to

#: How many folders above a single file of a store are searched for the data set it belongs to.
_LEVELS = 5


def is_remote(place: str | Path) -> bool:
    """Return whether ``place`` is a URL of a store and not a path of this machine."""
    return "://" in str(place) and not str(place).startswith("file://")


def local_path(place: str | Path) -> Path:
    """Return the path of a place on this machine; ``file://`` is a way to write one."""
    text = str(place)
    return Path(unquote(urlsplit(text).path)) if text.startswith("file://") else Path(text)


def open_store(url: str) -> tuple[Any, str]:
    """Return the file system of a URL and the path within it.

    Raises
    ------
    MissingPartError
        If the library for such stores is not installed.
    MachineError
        If the store cannot be used.
    """
    if find_spec("fsspec") is None:
        raise MissingPartError(
            "stores need a part that is not installed",
            where=url,
            do="in the program's folder: pip install '.[cluster]'",
        )
    import fsspec

    try:
        store, path = fsspec.core.url_to_fs(url)
    except ImportError as error:
        scheme = urlsplit(url).scheme
        raise MissingPartError(
            f"stores of the kind {scheme}:// need a library of their own", where=url, do=f"install it: {error}"
        ) from error
    except Exception as error:  # every store's library has errors of its own
        raise _unreachable(url, error) from error
    return store, str(path)


def normal_url(url: str) -> str:
    """Return a URL as its store writes it, so that names in one store can be compared."""
    store, path = open_store(url)
    return str(store.unstrip_protocol(path))


def list_store(url: str) -> tuple[str, ...]:
    """Return the URLs of all files that ``url`` names: a file, all in a folder, or those that fit a pattern; sorted.

    Raises
    ------
    MachineError
        If the store does not answer.
    """
    store, path = open_store(url)
    try:
        found = store.glob(path) if is_pattern(url) else store.find(path)
    except FileNotFoundError:
        found = []
    except Exception as error:
        raise _unreachable(url, error) from error
    return tuple(sorted(str(store.unstrip_protocol(name)) for name in found))


def is_pattern(url: str) -> bool:
    """Return whether a URL is a pattern; a question mark is none, it starts the query of an address."""
    return any(sign in url for sign in "*[")


def beside(url: str) -> tuple[str, ...]:
    """Return the files around one recording of a store that may belong to it, up to the root of its data set."""
    store, path = open_store(url)
    folder = path
    found: list[str] = []
    for _ in range(_LEVELS):
        folder = folder.rpartition("/")[0]
        if not folder.strip("/"):
            break
        try:
            names = [str(name) for name in store.ls(f"{folder}/", detail=False)]
        except Exception:  # noqa: BLE001  many servers list nothing; then the file stands alone
            return ()
        found += [str(store.unstrip_protocol(name)) for name in names]
        if any(name.endswith("/dataset_description.json") for name in names):
            return tuple(found)
    return ()


def companions(url: str, listing: Sequence[str]) -> tuple[str, ...]:
    """Return those files of a listing that belong to the recording at ``url`` by the rules of BIDS."""
    own = PurePosixPath(url)
    return tuple(name for name in listing if name != url and belongs_to(PurePosixPath(name), own))


@contextmanager
def at_hand(url: str, with_it: Sequence[str] = ()) -> Iterator[Path]:
    """Give a path on this machine's disk to read a recording from; what was fetched for it is gone afterwards.

    Raises
    ------
    MachineError
        If it cannot be fetched.
    """
    if not is_remote(url):
        yield local_path(url)
        return
    with tempfile.TemporaryDirectory(prefix="decussa-") as scratch:
        base = _top_folder([url, *with_it])
        for name in (url, *with_it):
            _fetch(name, Path(scratch) / name.removeprefix(base))
        try:
            yield Path(scratch) / url.removeprefix(base)
        except DecussaError as error:
            error.move(f"{scratch}/", base)
            raise


def send(path: Path, url: str) -> None:
    """Put a file into a store under another name, then give it its own: nobody sees half of it.

    Raises
    ------
    MachineError
        If the store refuses.
    """
    store, target = open_store(url)
    partial = str(PurePosixPath(target).with_name(f".{secrets.token_hex(6)}-{PurePosixPath(target).name}"))
    try:
        store.makedirs(str(PurePosixPath(target).parent), exist_ok=True)
        store.put_file(str(path), partial)
        store.mv(partial, target)
    except Exception as error:
        raise MachineError("cannot write to this store", where=url, found=_said(error)) from error


def discard(place: str) -> None:
    """Remove a file that was written before; nothing happens where it is gone already.

    Raises
    ------
    MachineError
        If the store or the machine refuses.
    """
    try:
        if not is_remote(place):
            local_path(place).unlink(missing_ok=True)
            return
        store, path = open_store(place)
        store.rm_file(path)
    except FileNotFoundError:
        return
    except Exception as error:
        raise MachineError("file cannot be removed", where=place, found=_said(error)) from error


def rename(place: str, other: str) -> bool:
    """Give a file another name in the same folder; return whether it was there.

    Raises
    ------
    MachineError
        If the store or the machine refuses.
    """
    try:
        if not is_remote(place):
            local_path(place).replace(local_path(other))
        else:
            store, path = open_store(place)
            store.mv(path, open_store(other)[1])
    except FileNotFoundError:
        return False
    except Exception as error:
        raise MachineError("file cannot be renamed", where=place, found=_said(error)) from error
    return True


def _fetch(url: str, target: Path) -> None:
    store, path = open_store(url)
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        store.get_file(path, str(target))
    except Exception as error:
        raise _unreachable(url, error) from error


def _top_folder(urls: Sequence[str]) -> str:
    """Return the folder that holds all: what belongs to a recording lies in its folder or above."""
    return min((url.rpartition("/")[0] + "/" for url in urls), key=len)


def _unreachable(url: str, error: Exception) -> MachineError:
    return MachineError("cannot be fetched", where=url, found=_said(error), do="check the address and the credentials")


def _said(error: Exception) -> str:
    return " ".join(f"{type(error).__name__} {error}".split())[:300]
