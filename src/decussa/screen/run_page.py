"""The Run page: draws one session for one window, again whenever it moves, and passes on what is meant."""

from __future__ import annotations

import time

from nicegui import run, ui

from decussa.screen.desk import Desk
from decussa.screen.hands import Act, Hands
from decussa.screen.language import phrase
from decussa.screen.marks import text
from decussa.screen.places import DEBRIEF, PREPARE, READ, REPORT, RUN, address, links_of
from decussa.screen.run_acts import act_as, carry_out, hold_for_event
from decussa.screen.run_foot import foot_of
from decussa.screen.run_forms import form_of, is_form
from decussa.screen.run_keys import keys_of
from decussa.screen.run_live import band_of, stream_words
from decussa.screen.run_panels import evidence_panels, sweep_head, sweep_numbers, tape_of
from decussa.screen.run_setting import last_of, wait_of
from decussa.screen.run_sheet import Mode, mode_of, sheet_of, spoken_of
from decussa.screen.running import LiveSession
from decussa.screen.shell import page_frame, who_words
from decussa.screen.sweep_view import SweepView
from decussa.screen.visitor import leads, visitor

#: How often a window looks whether the session has moved, and whether another program has written, in s.
LOOK_S = 0.05
CATCH_UP_S = 2.0
#: How often a contraction that is held is drawn, in s.
BAND_S = 0.2
#: Work that takes no longer is not mentioned, in s.
PATIENCE_S = 0.4


def add_pages(desk: Desk) -> None:
    """Add the page of each session."""

    @ui.page(RUN)
    def show(study: str, session: str) -> None:
        RunPage(desk, desk.session(study, session))


class RunPage:
    """One window on a session. What it shows follows from the session alone, but for the form that is open in it."""

    def __init__(self, desk: Desk, live: LiveSession) -> None:
        self.desk, self.live = desk, live
        self._visitor = visitor()
        self.sheet = ""
        self.message = ""
        self._message_turn = 0
        self._drawn: tuple[object, ...] = ()
        self._seen: tuple[object, ...] = ()
        self._worked_from = time.monotonic()
        title = phrase("Run: {session}", session=live.session)
        links = links_of(live.study, live.session, rehearsal=live.rehearsal)
        with page_frame(title, "Run", links, rehearsal=live.rehearsal) as self._who:
            self._build()
        self._draw(mode_of(live))
        ui.timer(LOOK_S, self._look)
        ui.timer(LOOK_S, self._look_closely)
        ui.timer(BAND_S, self._look_at_signal)
        ui.timer(CATCH_UP_S, self._catch_up)

    def _build(self) -> None:
        self._spoken = ui.html("", sanitize=False).classes("vh").props('role="status" aria-live="polite"')
        with ui.element("div").classes("run") as self._run:
            with ui.element("section").classes("far").props(f'aria-label="{phrase("What to do now")}"'):
                self._far = ui.html("", sanitize=False).classes("sheet")
                self._message = ui.html("", sanitize=False).classes("message").props('role="status"')
                self._last = ui.html("", sanitize=False)
                self._wait = ui.html("", sanitize=False)
                self._band = ui.html("", sanitize=False).classes("holdbox")
                self._stream = ui.html("", sanitize=False).props('role="status"')
            with ui.element("section").classes("near").props(f'aria-label="{phrase("What is known")}" tabindex="0"'):
                self._form = ui.html("", sanitize=False)
                with ui.element("div").classes("paper") as self._paper:
                    self._head = ui.html("", sanitize=False)
                    self._sweep = SweepView()
                    self._numbers = ui.html("", sanitize=False)
                    self._evidence = ui.html("", sanitize=False)
        self._tape = (
            ui.html("", sanitize=False, tag="section")
            .classes("tape")
            .props(f'aria-label="{phrase("Order of the block")}" tabindex="0"')
        )
        self._foot = ui.html("", sanitize=False, tag="footer").classes("foot")
        self._hands = Hands(self._act)

    def _act(self, act: Act) -> None:
        """Do what was meant: what concerns this window alone here, the rest in the session."""
        self.message = ""
        verb, _, rest = act.name.partition(" ")
        if verb == "sheet":
            self.sheet = rest if is_form(rest) else ""
            if self.sheet == "adverse":
                hold_for_event(self.live)
        elif verb == "close":
            self.sheet = ""
        elif verb == "see":
            self._see(rest)
        elif act.name in ("again", "same"):
            self._rehearse_again(same=act.name == "same")
        else:
            self.message, self._message_turn = self._carry_out(act), self.live.turn.number
            if not self.message:
                self.sheet = ""
        self._drawn = ()

    def _carry_out(self, act: Act) -> str:
        """Have the session do what was meant, under the code of whoever entered this window; return what was wrong."""
        who = self._visitor
        folder = act.fields.get("folder", "").strip() if act.fields.get("way") == "folder" else ""
        if folder and folder != str(self.live.watched or "") and not leads(who):
            return phrase("A folder of this machine is named by a principal investigator, or at the machine itself.")
        if who is not None:
            act_as(self.live, who)
        problem = carry_out(self.live, act)
        if who is not None:
            act_as(self.live, who)  # the act may have begun the session
        return problem

    def _see(self, what: str) -> None:
        places = {"debrief": DEBRIEF, "report": REPORT, "read": READ, "prepare": PREPARE}
        if what in places:
            ui.navigate.to(address(places[what], self.live.study, self.live.session))

    def _rehearse_again(self, *, same: bool) -> None:
        live = self.live
        if not live.rehearsal or mode_of(live) != "finished":
            return
        seed = int(live.participant.rpartition("-")[2])
        again = self.desk.rehearse_again(live, seed if same else seed + 1)
        ui.navigate.to(address(RUN, again.study, again.session))

    def _look(self) -> None:
        """Draw anew what has changed since; the countdown moves once a second."""
        live = self.live
        mode = mode_of(live)
        if self._is_moment(mode):
            return
        if live.turn.number != self._message_turn:
            self.message = ""
        moved = (mode, live.turn.number, live.view.entry, live.error, len(live.planned))
        state = (*moved, self.sheet, self.message)
        if state != self._drawn:
            self._drawn = state
            self._draw(mode)
        self._wait.set_content(wait_of(live, mode))

    async def _look_closely(self) -> None:
        """Draw the last sweep and what it all comes to; that may take longer to work out, and nothing waits for it."""
        live = self.live
        state = (live.view.entry, live.turn.number, len(live.planned))
        if state != self._seen:
            self._seen = state
            sweep = await run.io_bound(live.sweep)
            await run.io_bound(live.work_out)
            self._sweep.show(sweep, for_silence=live.kind == "silent period")
            self._head.set_content(sweep_head(live))
            self._numbers.set_content(sweep_numbers(live))
            self._evidence.set_content(evidence_panels(live))

    def _look_at_signal(self) -> None:
        """Draw the contraction that is held, and what is wrong with a stream."""
        live = self.live
        self._band.set_content(band_of(live) if mode_of(live) in ("set", "pulse", "question") else "")
        self._stream.set_content(stream_words(live) if live.running else "")

    def _is_moment(self, mode: Mode) -> bool:
        """Whether the engine has been at work for so short a time that what is shown may stay."""
        if mode != "working":
            self._worked_from = time.monotonic()
        return time.monotonic() - self._worked_from < PATIENCE_S and mode == "working"

    def _draw(self, mode: Mode) -> None:
        live = self.live
        view = live.view
        written = phrase("entry {number} written", number=view.entry) if view.entry else phrase("nothing written yet")
        more = f"{written} · {live.operator.acting}" if live.operator.is_named else written
        self._who.set_content(who_words(live.participant, live.session, more, rehearsal=live.rehearsal))
        self._far.set_content(sheet_of(live, mode))
        self._message.set_content(
            f'<p class="mindbar">{text(self.message)}</p>' if self.message and not self.sheet else ""
        )
        self._last.set_content(last_of(live) if mode in ("set", "pulse", "rest", "question", "held", "working") else "")
        self._form.set_content(form_of(live, self.sheet, self.message))
        self._paper.set_visibility(not self.sheet)
        self._sweep.set_visibility(bool(view.given) and live.source != "hand")
        tape = tape_of(live) if mode in ("set", "pulse", "rest", "held", "working") else ""
        self._tape.set_content(tape)
        self._tape.set_visibility(bool(tape))
        self._run.classes(
            replace=f"run mode-{mode} kind-{live.kind.replace(' ', '-') or 'none'}{' with-form' if self.sheet else ''}"
        )
        self._foot.set_content(foot_of(live, mode))
        self._spoken.set_content(text(spoken_of(live, mode)))
        self._hands.hold(keys_of(live, mode, self.sheet), live.turn.number)

    async def _catch_up(self) -> None:
        if not self.live.running:
            await run.io_bound(self.live.catch_up)
