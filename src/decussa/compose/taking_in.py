"""Recordings taken into a study through a page: kept as they are, measured, and written as sessions that can be reviewed."""

from __future__ import annotations

import re
import tempfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from decussa.model.errors import DecussaError, RecordingError, UsageError
from decussa.model.recording import Recording
from decussa.recording.read import FORMATS, read
from decussa.session.clock import to_text
from decussa.store.recordings import keep_recording
from decussa.store.study import Study, open_study

#: Endings of the recordings that can be taken in; what is inside must be one, too.
ENDINGS: tuple[str, ...] = tuple(ending for entry in FORMATS for ending in entry.endings)
#: Largest file that is taken in through a page; larger ones are measured where they lie, by the command line.
LARGEST_BYTES = 256 * 1024 * 1024
_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,100}")


def check_file_name(name: str) -> str:
    """Return an uploaded file's name where it may stand in a folder.

    Raises
    ------
    UsageError
        If it holds a path, unusual letters, or an ending that no recording has.
    """
    if not _FILE_NAME.fullmatch(name) or ".." in name:
        raise UsageError(
            "name of the file is not usable",
            expected="letters, digits, space, . _ -",
            do="rename the file",
            found=repr(name[:80]),
        )
    if not name.lower().endswith(ENDINGS):
        raise UsageError("file is no recording that can be read", where=name, expected=", ".join(ENDINGS))
    return name


def take_in(folder: Path, pseudonym: str, name: str, content: BinaryIO) -> str:
    """Take an uploaded recording into the study as it is, after reading it once; return what it holds in a sentence.

    Raises
    ------
    UsageError
        If the name is not usable, the file is too large, or a file of that name was taken in before.
    RecordingError
        If it cannot be read as a recording.
    """
    check_file_name(name)
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / name
        with path.open("wb") as file:
            _copy(content, file)
        try:
            recording = read(path)
        except DecussaError as error:
            raise RecordingError(
                error.what, where=name, expected=error.expected, found=error.found, do="nothing was taken in"
            ) from error
        with open_study(folder, write=True) as study:
            kept = keep_recording(study, path, pseudonym, at=to_text(datetime.now(UTC)))
            held = _as_session(study, replace(recording, path=str(kept)), pseudonym)
    return f"{name}: {len(recording.channels)} channels, {len(recording.events)} stimuli. Taken in, untouched. {held}"


def _as_session(study: Study, recording: Recording, pseudonym: str) -> str:
    """Write a recording as a session that can be reviewed; return what became of it in a sentence."""
    # What measures recordings takes long to load; a page that shows a study does not need it.
    from decussa.compose.importing import measure_in, write_session

    try:
        session = write_session(study, recording, measure_in(study, recording), pseudonym)
    except DecussaError as error:
        return f"There is nothing to review in it: {error.what}."
    return f"Its sweeps can be reviewed as session {session}."


def _copy(content: BinaryIO, file: BinaryIO) -> None:
    left = LARGEST_BYTES
    while chunk := content.read(1 << 20):
        left -= len(chunk)
        if left < 0:
            raise UsageError(
                "file is too large", expected=f"at most {LARGEST_BYTES >> 20} MB", do="use decussa measure"
            )
        file.write(chunk)
