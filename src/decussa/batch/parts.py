"""A data set of trial tables: a folder with one Parquet file for each recording, by site and participant.

    OUT/by_site=LAB/by_participant=P07/NAME-IDENTITY-STATE.parquet

IDENTITY follows from where the recording lies, STATE from all that its rows follow from: the bytes of its files, settings,
version. So one listing tells what is measured already, a changed recording takes the place of its older self, and whatever
order the work was done in, and however often it was broken off, the same recordings give the same files, byte for byte.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pandas as pd

from decussa.model.errors import DecussaError, MachineError
from decussa.model.table import TRIAL_COLUMNS
from decussa.recording.parquet import SITE, ParquetWriter, read_provenance
from decussa.recording.places import at_hand, discard, is_remote, list_store, local_path, rename, send
from decussa.recording.whole_file import whole_file

#: Hexadecimal digits of the two hashes in a part's name.
IDENTITY_DIGITS, STATE_DIGITS = 16, 24
#: Stands where nobody said who or where, as other programs that partition by folder write it.
NOBODY = "__HIVE_DEFAULT_PARTITION__"

_NAME = re.compile(rf"-([0-9a-f]{{{IDENTITY_DIGITS}}})-([0-9a-f]{{{STATE_DIGITS}}})\.parquet$")
#: A part under the name it has while it is written.
_HALF = re.compile(rf"/\.[^/]*-([0-9a-f]{{{IDENTITY_DIGITS}}})-[0-9a-f]{{{STATE_DIGITS}}}(?:-[0-9a-f]{{8}})?\.parquet$")


@dataclass(frozen=True, slots=True)
class Part:
    """The files that hold the rows of one recording: one, or several where a run was killed in between."""

    places: tuple[str, ...]
    state: str


@dataclass(frozen=True, slots=True)
class PartStore:
    """The folder of a data set, on disk or in a store.

    ``elsewhere`` holds, by state, parts of recordings that are not among those asked for: they may have been moved.
    """

    root: str
    elsewhere: Mapping[str, str] = field(default_factory=dict)

    def list_parts(self) -> dict[str, Part]:
        """Return the parts that are there, by identity."""
        found: dict[str, list[tuple[str, str]]] = {}
        for place in self._files():
            match = _NAME.search(place)
            if match is not None and not _is_hidden(place):
                found.setdefault(match.group(1), []).append((place, match.group(2)))
        return {
            identity: Part(tuple(place for place, _ in held), held[0][1] if len(held) == 1 else "")
            for identity, held in found.items()
        }

    def tidy(self, identities: Set[str]) -> None:
        """Remove what killed workers left half written of these recordings, when nobody works on them any more."""
        for place in self._files():
            match = _HALF.search(place)
            if match is not None and match.group(1) in identities:
                discard(place)

    def find(self, known: Part | None, identity: str, state: str) -> dict[str, Any] | None:
        """Return the provenance of rows that are there already for a recording in this state, else None.

        Rows that lie under another identity, because the recording was moved, are taken over under its new one.
        """
        if known is not None and known.state == state[:STATE_DIGITS]:
            return _provenance(known.places[0])
        moved = self.elsewhere.get(state[:STATE_DIGITS])
        if moved is None or known is not None:
            return None
        place = _NAME.sub(f"-{identity}-\\2.parquet", moved)
        said = _provenance(moved)
        return said if said is not None and rename(moved, place) else None

    def keep(
        self, trials: pd.DataFrame, provenance: Mapping[str, Any], identity: str, state: str, older: Part | None
    ) -> None:
        """Write the rows of one recording whole or not at all, in the place of an older part.

        Raises
        ------
        MachineError
            If the disk or the store refuses.
        """
        participant = str(trials["participant"].iloc[0])
        stem = re.sub(r"[^A-Za-z0-9_.+-]", "_", Path(str(provenance["recording"])).stem)[:80]
        name = f"{stem}-{identity}-{state[:STATE_DIGITS]}.parquet"
        folder = f"by_site={_folder(provenance['site'])}/by_participant={_folder(participant)}"
        place = f"{self.root.rstrip('/')}/{folder}/{name}"
        gone = tuple(name for name in older.places if name != place) if older is not None else ()
        if is_remote(place):
            with tempfile.TemporaryDirectory(prefix="decussa-") as scratch:
                _write(Path(scratch) / name, trials, provenance)
                _discard_all(gone)
                send(Path(scratch) / name, place)
            return
        target = local_path(place)
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise MachineError("folder cannot be made", where=target.parent, found=str(error.strerror)) from error
        with whole_file(target) as partial:
            _write(partial, trials, provenance)
            # Older rows go before the new ones are seen: killed in between, a recording is measured again, never there twice.
            _discard_all(gone)

    def drop(self, part: Part) -> None:
        """Remove the rows of a recording that can no longer be believed."""
        _discard_all(part.places)

    def _files(self) -> Iterable[str]:
        if is_remote(self.root):
            return list_store(self.root)
        return (str(path) for path in sorted(local_path(self.root).rglob("*.parquet")))


def _provenance(place: str) -> dict[str, Any] | None:
    """Return what is written in a part about its rows, or None where it cannot be read: then it is made anew."""
    try:
        with at_hand(place) as path:
            (said,) = read_provenance(path)
    except (DecussaError, OSError, ValueError):
        return None
    return said


def _write(path: Path, trials: pd.DataFrame, provenance: Mapping[str, Any]) -> None:
    with ParquetWriter(path, (SITE, *TRIAL_COLUMNS), same={SITE.name: str(provenance["site"])}) as writer:
        writer.add(trials, provenance)


def _discard_all(places: Iterable[str]) -> None:
    for place in places:
        discard(place)


def _folder(name: str) -> str:
    return quote(name, safe="") or NOBODY


def _is_hidden(place: str) -> bool:
    return place.rpartition("/")[2].startswith(".")
