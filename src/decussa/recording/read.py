"""The door: from a path to a recording, whatever its format.

A new format is one file and one line in ``FORMATS``.
"""

from __future__ import annotations

import glob
import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath

from decussa.model.errors import MachineError, RecordingError
from decussa.model.recording import Recording
from decussa.recording.edf import read_edf
from decussa.recording.edf_header import is_edf
from decussa.recording.given import complete, read_given_sheet
from decussa.recording.hdf5 import is_hdf5, read_hdf5
from decussa.recording.mapping import NO_MAPPING, Mapping
from decussa.recording.mat5 import is_mat5, read_mat5
from decussa.recording.numpy_file import is_npy, is_npz, read_npy, read_npz
from decussa.recording.sheet import Sheet
from decussa.recording.text import is_text, read_text_recording
from decussa.recording.xdf import is_xdf, read_xdf

_FIRST_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Format:
    """One format: how it is recognised by its first bytes, its usual endings, and its reader."""

    name: str
    endings: tuple[str, ...]
    matches: Callable[[bytes], bool]
    read: Callable[[Path, Sheet | None, Mapping], Recording]

    @property
    def in_folders(self) -> bool:
        """Whether files of a folder with such an ending are recordings: text may be anything."""
        return self.name != "text"


FORMATS: tuple[Format, ...] = (
    Format("EDF or BDF", (".edf", ".bdf"), is_edf, read_edf),
    Format("XDF", (".xdf",), is_xdf, read_xdf),
    Format("MAT", (".mat",), is_mat5, read_mat5),
    Format("HDF5, MAT 7.3 or NWB", (".h5", ".hdf5", ".nwb"), is_hdf5, read_hdf5),
    Format("NumPy archive", (".npz",), is_npz, read_npz),
    Format("NumPy array", (".npy",), is_npy, read_npy),
    Format("text", (".csv", ".tsv", ".txt"), is_text, read_text_recording),
)  # fmt: skip


def read(
    path: str | Path,
    *,
    events: str | Path | None = None,
    mapping: str | Path | None = None,
    find_artifacts: bool = False,
) -> Recording:
    """Read what a recording holds: channels and stimuli now, samples when sweeps are cut.

    Parameters
    ----------
    path : str or Path
        A file, or a BIDS folder that holds one recording.
    events : str or Path, optional
        A sheet of stimuli beside the recording: it tells what was given, and must fit the pulses that the recording shows.
    mapping : str or Path, optional
        A TOML file that says how another lab's names, units and labels are meant.
    find_artifacts : bool
        Whether to take stimulus artifacts for pulses where nothing else tells of them; else only unmistakable ones are.

    Raises
    ------
    RecordingError
        If the file cannot be believed as it is.
    MachineError
        If it cannot be read at all.
    """
    file = _single_file(Path(path))
    first = _first_bytes(file)
    if not first:
        raise RecordingError("file is empty", where=file, expected=_known(), do="copy the file again")
    chosen = next((entry for entry in FORMATS if entry.matches(first)), None)
    if chosen is None:
        raise RecordingError("format is not known", where=file, expected=_known(), found=repr(first[:8]))
    told = _read_mapping(mapping)
    sheet, said = read_given_sheet(Path(events), told) if events is not None else (None, ())
    try:
        recording = chosen.read(file, sheet, told if sheet is None else told.of_samples())
    except OSError as error:
        raise _unreadable(Path(error.filename or file), error) from error
    return complete(recording, sheet, said, find_artifacts=find_artifacts)


def find_recordings(paths: Sequence[str | Path]) -> tuple[Path, ...]:
    """Return the recordings that ``paths`` name (files, BIDS roots or folders, globs), each once, in order.

    A BIDS folder gives its ``*_emg`` files outside ``derivatives`` and ``sourcedata``; another folder every file with
    the ending of a binary format.

    Raises
    ------
    RecordingError
        If a path names no recording.
    """
    if isinstance(paths, (str, Path)):
        paths = [paths]
    found: dict[Path, None] = {}
    for path in paths:
        places = [Path(path)]
        if not places[0].exists() and glob.has_magic(str(path)):
            places = [Path(name) for name in sorted(glob.glob(str(path), recursive=True))]  # noqa: PTH207  absolute patterns
        files = [file for place in places for file in ([place] if not place.is_dir() else _in_folder(place))]
        if not files:
            raise RecordingError("no recording found", where=str(path), expected=_known())
        found |= dict.fromkeys(files)
    return tuple(found)


def fingerprint(path: str | Path) -> str:
    """Return the SHA-256 of a file as 64 hexadecimal digits."""
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise _unreadable(Path(path), error) from error


def choose_recordings(names: Sequence[PurePath]) -> list[PurePath]:
    """Return those of a folder's files, named relative to it, that are recordings; see ``find_recordings``."""
    apart = {"derivatives", "sourcedata", "code"}
    endings = {ending for entry in FORMATS if entry.in_folders for ending in entry.endings}
    files = [
        name
        for name in sorted(names)
        if name.suffix.lower() in endings and not any(part in apart or part.startswith(".") for part in name.parts)
    ]
    return [name for name in files if name.stem.endswith("_emg")] or files


def _in_folder(folder: Path) -> list[Path]:
    return [folder / name for name in choose_recordings([file.relative_to(folder) for file in folder.rglob("*")])]


def _single_file(path: Path) -> Path:
    if not path.is_dir():
        return path
    files = _in_folder(path)
    if len(files) != 1:
        names = ", ".join(file.name for file in files[:3]) + (", ..." if len(files) > 3 else "")
        raise RecordingError(
            "folder does not hold one recording",
            where=path,
            expected="a file, or a folder with one recording",
            found=f"{len(files)} recordings: {names}" if files else "none",
            do="name the file" if files else "",
        )
    return files[0]


def _first_bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_FIRST_BYTES)
    except OSError as error:
        raise _unreadable(path, error) from error


def _unreadable(path: Path, error: OSError) -> MachineError:
    return MachineError("file cannot be read", where=path, found=(error.strerror or str(error)).lower())


def _read_mapping(path: str | Path | None) -> Mapping:
    if path is None:
        return NO_MAPPING
    from decussa.recording.mapping_file import read_mapping  # what checks a mapping is loaded only where there is one

    return read_mapping(path)


def _known() -> str:
    endings = sorted({ending for entry in FORMATS for ending in entry.endings})
    return f"a recording in one of the formats {', '.join(endings)}"
