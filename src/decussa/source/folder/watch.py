"""Which files of a folder are new or changed, and stand still: a file is looked at only once nobody writes to it any more."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path

from decussa.model.errors import MachineError, UsageError

#: Beginnings and endings of what programs keep beside a file while they write it.
_UNFINISHED_STARTS, _UNFINISHED_ENDS = (".", "~"), (".tmp", ".part", ".partial", "~")


@dataclass(frozen=True, slots=True)
class _State:
    """What tells one state of a file from the next."""

    size: int
    changed_ns: int
    node: int


class FolderWatch:
    """Looks at a folder again and again.

    Parameters
    ----------
    folder : Path
        The folder itself; folders within it are not looked at.
    endings : collection of str
        Endings of the files that count, in lower case, such as ``.edf``.
    seconds : callable
        A clock that only goes forward, in seconds.
    settle_s : float
        How long a file must stand still.

    Raises
    ------
    UsageError
        If there is no such folder.
    """

    def __init__(self, folder: Path, endings: Collection[str], seconds: Callable[[], float], settle_s: float) -> None:
        if not folder.is_dir():
            raise UsageError(
                "folder to watch is not there",
                where=folder,
                expected="the folder into which the recorder saves",
                do="make it, or name another one",
            )
        self.folder, self._endings, self._seconds, self._settle_s = folder, tuple(endings), seconds, settle_s
        self._last: dict[Path, tuple[_State, float]] = {}
        self._handled: dict[Path, _State] = {}

    def look(self) -> list[Path]:
        """Return the files that stand still and were not handled in this state yet, oldest first.

        Raises
        ------
        MachineError
            If the folder cannot be read, as when a share is gone.
        """
        now = self._seconds()
        states = self._states()
        for path, state in states.items():
            before = self._last.get(path)
            if before is None or before[0] != state:
                self._last[path] = (state, now)
        self._last = {path: known for path, known in self._last.items() if path in states}
        ready = [path for path in self._waiting() if now - self._last[path][1] >= self._settle_s]
        return sorted((path for path in ready if self._last[path][0].size), key=self._written_ns)

    def _written_ns(self, path: Path) -> tuple[int, str]:
        """Return when a file was last written, by the clock of its disk, and its name: an order."""
        return (self._last[path][0].changed_ns, path.name)

    def handled(self, path: Path) -> None:
        """Do not name ``path`` again before it changes."""
        if path in self._last:
            self._handled[path] = self._last[path][0]

    def in_hand(self) -> frozenset[Path]:
        """Return the files that are new or changed by the last look, whether they stand still or not."""
        return frozenset(self._waiting())

    def _waiting(self) -> list[Path]:
        return [path for path, (state, _) in self._last.items() if self._handled.get(path) != state]

    def _states(self) -> dict[Path, _State]:
        found = {}
        try:
            for path in self.folder.iterdir():
                if not self._counts(path):
                    continue
                try:
                    seen = path.stat()
                except FileNotFoundError:
                    continue  # renamed or removed since it was listed
                found[path] = _State(seen.st_size, seen.st_mtime_ns, seen.st_ino)
        except OSError as error:
            raise MachineError(
                "folder cannot be looked at",
                where=self.folder,
                found=(error.strerror or str(error)).lower(),
                do="look whether the share or the disk is there; the session goes on where it stands",
            ) from error
        return found

    def _counts(self, path: Path) -> bool:
        name = path.name.lower()
        if name.startswith(_UNFINISHED_STARTS) or name.endswith(_UNFINISHED_ENDS):
            return False
        return path.suffix.lower() in self._endings and path.is_file()
