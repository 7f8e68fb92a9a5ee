"""Joins a watched folder with the readers of recordings: the one place that knows both."""

from __future__ import annotations

from pathlib import Path

from decussa.model.errors import UsageError
from decussa.model.recording import Recording
from decussa.protocol.schema import Protocol
from decussa.recording.read import FORMATS, read
from decussa.source.folder.source import FolderSettings, FolderSource, Time


def watch_folder(
    folder: Path | None,
    protocol: Protocol,
    *,
    mapping: Path | None = None,
    settings: FolderSettings | None = None,
    clock: Time | None = None,
) -> FolderSource:
    """Return the source of a folder into which a recorder saves files of the protocol's muscles.

    ``mapping`` says how another lab's names, units and labels are meant.

    Raises
    ------
    UsageError
        If no folder is named, or it is not there.
    """
    if folder is None:
        raise UsageError(
            "no folder is named to watch", where="--folder", expected="the folder into which the recorder saves"
        )

    def open_file(path: Path) -> Recording:
        return read(path, mapping=mapping)

    labels = [muscle.label for muscle in protocol.muscles]
    endings = [ending for form in FORMATS for ending in form.endings]
    return FolderSource(
        folder, labels, open_file, endings, settings=settings or FolderSettings(), clock=clock or Time()
    )
