"""The sessions that pages show: each in one place, run by a thread of its own, read by any number of windows."""

from __future__ import annotations

import sys
import threading
import traceback
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Literal, get_args

from decussa.compose.live_sessions import go_on_live
from decussa.compose.looking import (
    MeanSweep,
    SweepShown,
    is_quick,
    is_rehearsal,
    read_later,
    read_mean_sweeps,
    read_session,
    read_shown_sweep,
)
from decussa.compose.preparing import read_preparation
from decussa.compose.preview import StepPreview, preview
from decussa.compose.rehearsals import go_on_rehearsing
from decussa.compose.sessions import go_on_by_hand
from decussa.model.errors import DecussaError, UsageError
from decussa.plan.session import step_name
from decussa.protocol.steps import PairedBlock, StepBase
from decussa.screen.operator import BrowserOperator, Turn
from decussa.screen.run_bench import RunBench
from decussa.screen.signal_desk import SIGNALS
from decussa.session.evidence import Evidence, evidence_of
from decussa.session.live_view import LiveView, fold, view_of
from decussa.session.recovery import PlanChangedError, last_start
from decussa.store.chain import Entry

#: Sources whose sessions can be run from a page; others are run in the terminal and looked on at.
_RUN_HERE = ("", "virtual", "hand", "folder", "stream")
#: Ways by which the sweeps of a session with a person come.
Way = Literal["hand", "folder", "stream"]
WAYS: tuple[Way, ...] = get_args(Way)


class LiveSession:
    """One session: what is known of it, and the thread that runs it where it is running here."""

    def __init__(self, folder: Path, session: str) -> None:
        self.folder, self.session = folder, session
        self.protocol, entries = read_session(folder, session)
        self.rehearsal = is_rehearsal(session, entries)
        self.quick = self.rehearsal and is_quick(folder)
        started = last_start(entries)
        self.source = started.source if started else ""
        self.view: LiveView = view_of(entries)
        self.way: Way = next((way for way in WAYS if way == self.source), "hand")
        self.watched: Path | None = None
        self.bench = RunBench(self)
        self.operator = BrowserOperator(quick=self.quick)
        self.error: DecussaError | None = None
        self._folding = LiveView()
        self._thread: threading.Thread | None = None
        self._starting = threading.Lock()
        self._evidence: tuple[int, Evidence] = (-1, Evidence())
        self._sweep: tuple[int, SweepShown | None] = (-1, None)
        self.planned: Mapping[str, StepPreview] = {}
        self._means: tuple[int, tuple[MeanSweep, ...]] = (-1, ())
        threading.Thread(target=self._preview, daemon=True, name=f"{session}, preview").start()

    @property
    def study(self) -> str:
        """The name of the study's folder."""
        return self.folder.name

    @property
    def participant(self) -> str:
        """The pseudonym: a session is named after it, with its number behind."""
        return self.session.rpartition("-")[0]

    @property
    def running(self) -> bool:
        """Whether the engine of this session runs in this program."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def can_run_here(self) -> bool:
        """Whether a page can run this session; others are looked on at."""
        return self.source in _RUN_HERE

    @property
    def can_run_fresh(self) -> bool:
        """Whether the session stopped because its plan changed: a fresh plan can go on from what was found."""
        return isinstance(self.error, PlanChangedError)

    @property
    def turn(self) -> Turn:
        """What the engine waits for."""
        return self.operator.turn

    @cached_property
    def steps(self) -> Mapping[str, StepBase]:
        """The protocol's steps by name."""
        return {step_name(step): step for step in self.protocol.steps}

    @property
    def kind(self) -> str:
        """The kind of the running step, empty before the first."""
        return str(getattr(self.steps.get(self.view.step), "kind", ""))

    def go_on(self, *, fresh: bool = False) -> None:
        """Start the engine where the session stands, unless it runs."""
        with self._starting:
            if self.running or self.view.state == "finished" or not self.can_run_here:
                return
            self.error = None
            self._folding = LiveView()
            by_itself = not self.rehearsal and self.way != "hand"
            self.operator = BrowserOperator(quick=self.quick, may_ask=self.bench.may_ask if by_itself else None)
            if not self.rehearsal and not self._take_preparation():
                return
            self._thread = threading.Thread(target=self._run, args=(fresh,), daemon=True, name=self.session)
            self._thread.start()

    def choose(self, way: str, watched: str) -> None:
        """Choose how sweeps come, before the engine starts.

        Raises
        ------
        UsageError
            If the way is not known, or no folder is named to watch.
        """
        if self.running or self.rehearsal:
            return
        chosen = next((one for one in WAYS if one == way), None)
        if chosen is None:
            raise UsageError("way is not known", expected=", ".join(WAYS), found=repr(way))
        if chosen == "folder":
            if not watched.strip():
                raise UsageError("no folder is named to watch", do="type the folder into which the recorder saves")
            self.watched = Path(watched.strip())
        self.way = chosen

    def still_open(self) -> tuple[str, ...]:
        """Return what keeps a session with a person closed, by title; a rehearsal needs no preparing."""
        if self.rehearsal:
            return ()
        return tuple(item.title for item in read_preparation(self.folder, self.session).preparation.open_items)

    def _take_preparation(self) -> bool:
        """Pass the gates that were confirmed when the session was prepared; False while something is open."""
        prepared = read_preparation(self.folder, self.session).preparation
        if prepared.open_items:
            return False
        self.operator.code = self.operator.acting = prepared.prepared_by or self.operator.code
        for gate in prepared.gates_that_hold:
            self.operator.pass_gate(gate)
        return True

    def catch_up(self) -> None:
        """Read what another program wrote since; nothing to do while the engine runs here."""
        if not self.running:
            for entry in read_later(self.folder, self.session, self.view.entry):
                self.view = fold(self.view, entry)

    def work_out(self) -> None:
        """Work out what a window is about to draw; may take a while, and is done once for all windows."""
        self.evidence()
        self.means()

    def evidence(self) -> Evidence:
        """Return what the running step's stimuli come to."""
        view = self.view
        if self._evidence[0] != view.entry:
            step = self.steps.get(view.step)
            may_stop = isinstance(step, PairedBlock) and step.within is not None
            with_curve = self.kind == "recruitment curve"
            self._evidence = (view.entry, evidence_of(view, with_curve=with_curve, may_stop=may_stop))
        return self._evidence[1]

    def means(self) -> tuple[MeanSweep, ...]:
        """Return the mean sweeps of a paired block that is running, none elsewhere or where sizes are typed."""
        view = self.view
        if self.kind != "paired" or not view.given or self.source == "hand":
            return ()
        if self._means[0] != view.given[-1].entry:
            self._means = (view.given[-1].entry, read_mean_sweeps(self.folder, self.session, view.given, self.protocol))
        return self._means[1]

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

    def _preview(self) -> None:
        """Learn what the protocol asks for, against a usual person; takes seconds, so pages do not wait for it."""
        try:
            steps = preview(str(self.folder / "protocol.toml")).steps
        except DecussaError as error:
            print(f"no preview of {self.study}: {error}", file=sys.stderr)
        else:
            self.planned = {step.name: step for step in steps}

    def _hear(self, entry: Entry) -> None:
        """Fold an entry; what was shown before the engine started stays until the engine has passed it."""
        self._folding = fold(self._folding, entry)
        if self._folding.entry >= self.view.entry:
            self.view = self._folding

    def _run(self, fresh: bool) -> None:
        try:
            self._begin(fresh)
        except DecussaError as error:
            self.error = error
        except Exception as error:  # noqa: BLE001 the thread's border: a fault of ours is said on the page
            traceback.print_exc(file=sys.stderr)
            self.error = DecussaError(f"fault in the program: {type(error).__name__}", do="go on from what is written")
        finally:
            self.operator.end()

    def _begin(self, fresh: bool) -> None:
        listeners = (self._hear,)
        if self.rehearsal:
            with self.bench.following():
                go_on_rehearsing(
                    self.folder,
                    self.session,
                    self.operator,
                    real_pace=not self.quick,
                    fresh=fresh,
                    listeners=listeners,
                )
        elif self.way != "hand":
            SIGNALS.end(self.folder)
            self.source = self.way
            with self.bench.following():
                go_on_live(
                    self.folder,
                    self.session,
                    self.way,
                    self.operator,
                    self.operator,
                    fresh=fresh,
                    watched=self.watched,
                    tell=self.bench.hear,
                    show_feed=self.bench.show,
                    listeners=listeners,
                )
        else:
            reads = self.operator.read_size
            go_on_by_hand(self.folder, self.session, self.operator, reads, fresh=fresh, listeners=listeners)
