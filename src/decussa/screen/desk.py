"""The desk: every session of the folder that is served, each opened once and shared by all windows."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from decussa.compose.looking import rehearsals_home, studies_in
from decussa.compose.rehearsals import VIRTUAL_MORNING, new_rehearsal
from decussa.model.errors import UsageError
from decussa.screen.running import LiveSession
from decussa.session.clock import to_text


class Desk:
    """All sessions of the folder that is served."""

    def __init__(self, root: Path) -> None:
        self.root = root.absolute()
        self._open: dict[tuple[str, str], LiveSession] = {}

    def session(self, study: str, session: str) -> LiveSession:
        """Return a session by the names of its study's folder and its own.

        Raises
        ------
        UsageError
            If there is no such session.
        """
        if (study, session) not in self._open:
            self._open[study, session] = LiveSession(self.folder(study), session)
        return self._open[study, session]

    def folder(self, study: str) -> Path:
        """Return the folder of a study by its name, which is compared with those that are there.

        Raises
        ------
        UsageError
            If there is no such study.
        """
        folder = next((folder for folder in studies_in(self.root) if folder.name == study), None)
        if folder is None:
            raise UsageError("there is no such study here", found=repr(study), do="go back to the study page")
        return folder

    def new_rehearsal(self, protocol: str, seed: int, *, quick: bool) -> LiveSession:
        """Make a rehearsal of a protocol with the virtual participant of ``seed``; a name that is taken gets a number."""
        base = f"rehearsal-{Path(protocol).stem.removesuffix('protocol') or 'study'}-{seed}"
        home = rehearsals_home(self.root)
        names = (base, *(f"{base}-{again}" for again in range(2, 1000)))
        name = next(name for name in names if not (home / name).exists())
        at = VIRTUAL_MORNING if quick else datetime.now(UTC)
        new_rehearsal(protocol, home / name, seed=seed, at=to_text(at))
        return self.session(name, f"V-{seed:04d}-1")

    def rehearse_again(self, live: LiveSession, seed: int) -> LiveSession:
        """Make a rehearsal of the same protocol and pace with the virtual participant of ``seed``."""
        return self.new_rehearsal(str(live.folder / "protocol.toml"), seed, quick=live.quick)
