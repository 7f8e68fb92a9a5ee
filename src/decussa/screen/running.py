"""The sessions that pages show: each in one place, run by a thread of its own, read by any number of windows."""

from __future__ import annotations

import sys
import threading
import traceback
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path

from decussa.compose.looking import (
    SweepShown,
    is_quick,
    is_rehearsal,
    read_debrief,
    read_session,
    read_shown_sweep,
    rehearsals_home,
    sessions_in,
    studies_in,
)
from decussa.compose.sessions import VIRTUAL_MORNING, go_on_rehearsing, new_rehearsal
from decussa.model.errors import DecussaError, UsageError
from decussa.plan.session import step_name
from decussa.protocol.schema import Protocol
from decussa.protocol.steps import StepBase
from decussa.screen.operator import BrowserOperator, Turn
from decussa.session.clock import to_text
from decussa.session.debrief import Debrief
from decussa.session.evidence import Evidence, evidence_of
from decussa.session.live_view import LiveView, fold, view_of
from decussa.session.recovery import PlanChangedError
from decussa.store.chain import Entry


class LiveSession:
    """One session: what is known of it, and the thread that runs it where it is running here."""

    def __init__(self, folder: Path, session: str, *, quick: bool) -> None:
        self.folder, self.session = folder, session
        self.protocol, entries = read_session(folder, session)
        self.quick = is_quick(entries) if entries else quick
        self.rehearsal = is_rehearsal(session, entries)
        self.view: LiveView = view_of(entries)
        self.operator = BrowserOperator(quick=self.quick)
        self.error: DecussaError | None = None
        self._folding = LiveView()
        self._thread: threading.Thread | None = None
        self._starting = threading.Lock()
        self._evidence: tuple[int, Evidence] = (-1, Evidence())
        self._sweep: tuple[int, SweepShown | None] = (-1, None)
        self._debrief: Debrief | None = None

    @property
    def running(self) -> bool:
        """Whether the engine of this session runs in this program."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def turn(self) -> Turn:
        """What the engine waits for."""
        return self.operator.turn

    @cached_property
    def steps(self) -> Mapping[str, StepBase]:
        """The protocol's steps by name."""
        return {step_name(step): step for step in self.protocol.steps}

    def go_on(self, *, fresh: bool = False) -> None:
        """Start the engine where the session stands, unless it runs."""
        with self._starting:
            if self.running or self.view.state == "finished":
                return
            self.error = None
            self._folding = LiveView()
            self.operator = BrowserOperator(quick=self.quick)
            self._thread = threading.Thread(target=self._run, args=(fresh,), daemon=True, name=self.session)
            self._thread.start()

    def catch_up(self) -> None:
        """Read what another program wrote since; nothing to do while the engine runs here."""
        if not self.running:
            _, entries = read_session(self.folder, self.session)
            if len(entries) != self.view.entry:
                self.view = view_of(entries)

    def evidence(self) -> Evidence:
        """Return what the running step's stimuli come to."""
        view = self.view
        if self._evidence[0] != view.entry:
            self._evidence = (view.entry, evidence_of(view))
        return self._evidence[1]

    def sweep(self) -> SweepShown | None:
        """Return the last sweep of the running step, None where there is none, or it was typed."""
        given = self.view.given
        if not given:
            return None
        if self._sweep[0] != given[-1].entry:
            try:
                shown = read_shown_sweep(self.folder, self.session, given[-1], self.protocol)
            except DecussaError:
                shown = None  # sizes typed by hand have no sweep
            self._sweep = (given[-1].entry, shown)
        return self._sweep[1]

    def debrief(self) -> Debrief | None:
        """Return what the truth says about a finished rehearsal."""
        if self._debrief is None and self.rehearsal and self.view.state == "finished":
            self._debrief = read_debrief(self.folder, self.session)
        return self._debrief

    def _hear(self, entry: Entry) -> None:
        """Fold an entry; what was shown before the engine started stays until the engine has passed it."""
        self._folding = fold(self._folding, entry)
        if self._folding.entry >= self.view.entry:
            self.view = self._folding

    def _run(self, fresh: bool) -> None:
        try:
            go_on_rehearsing(
                self.folder,
                self.session,
                self.operator,
                real_pace=not self.quick,
                fresh=fresh,
                listeners=(self._hear,),
            )
        except DecussaError as error:
            self.error = error
        except Exception as error:  # noqa: BLE001 the thread's border: a fault of ours is said on the page
            traceback.print_exc(file=sys.stderr)
            self.error = DecussaError(f"fault in the program: {type(error).__name__}", do="go on from what is written")
        finally:
            self.operator.end()


class Desk:
    """All sessions of the folder that is served."""

    def __init__(self, root: Path) -> None:
        self.root = root.absolute()
        self._open: dict[tuple[str, str], LiveSession] = {}

    def cards(self) -> tuple[object, ...]:
        """Return the sessions of the folder, newest study first."""
        return sessions_in(self.root)

    def session(self, study: str, session: str, *, quick: bool = False) -> LiveSession:
        """Return a session by the names of its study's folder and its own.

        Raises
        ------
        UsageError
            If there is no such session.
        """
        if (study, session) not in self._open:
            folder = next((folder for folder in studies_in(self.root) if folder.name == study), None)
            if folder is None:
                raise UsageError("there is no such study here", found=repr(study), do="go back to the study page")
            self._open[study, session] = LiveSession(folder, session, quick=quick)
        return self._open[study, session]

    def new_rehearsal(self, protocol: str, seed: int, *, quick: bool) -> LiveSession:
        """Make a rehearsal of a protocol with the virtual participant of ``seed``; a name that is taken gets a number."""
        base = f"rehearsal-{Path(protocol).stem}-{seed}"
        home = rehearsals_home(self.root)
        names = (base, *(f"{base}-{again}" for again in range(2, 1000)))
        name = next(name for name in names if not (home / name).exists())
        at = VIRTUAL_MORNING if quick else datetime.now(UTC)
        new_rehearsal(protocol, home / name, seed=seed, at=to_text(at))
        return self.session(name, f"V-{seed:04d}-1", quick=quick)

    def protocol_of(self, live: LiveSession) -> Protocol:
        """Return the protocol a session follows."""
        return live.protocol


def is_plan_change(error: DecussaError | None) -> bool:
    """Whether a session cannot go on as it was, but with a fresh plan."""
    return isinstance(error, PlanChangedError)
