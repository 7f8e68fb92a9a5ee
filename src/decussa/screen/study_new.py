"""A new study: a shipped protocol, edited as text; faults stand at their line, and what the plan comes to beside it."""

from __future__ import annotations

import re
from collections.abc import Mapping

from nicegui import background_tasks, run, ui

from decussa.compose.keeping import start_study
from decussa.compose.looking import studies_in
from decussa.compose.preview import Preview, preview_protocol
from decussa.model.errors import DecussaError, ProtocolError, UsageError
from decussa.protocol.feasible import WAYS_OUT
from decussa.protocol.schema import SHIPPED, Protocol, protocol_text, read_protocol
from decussa.screen.desk import Desk
from decussa.screen.hands import LONGEST_FIELD, Act, Hands
from decussa.screen.language import phrase
from decussa.screen.marks import cap, key, plate, text
from decussa.screen.places import STUDY
from decussa.screen.shell import page_frame
from decussa.screen.study_board import NEW_STUDY, study_address
from decussa.screen.study_forms import choice, field
from decussa.screen.words import without_paths
from decussa.store.study import STUDY_FILE

_LINE = re.compile(r"line (\d+)")
#: Threshold to preview with, in % MSO; outside nothing can be planned.
_THRESHOLDS = (10.0, 100.0)


def add_pages(desk: Desk) -> None:
    """Add the page of a new study."""

    @ui.page(NEW_STUDY)
    def show() -> None:
        NewStudyPage(desk)


class NewStudyPage:
    """One window on a study that is being made; nothing is written before it is started."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.chosen = SHIPPED[0]
        self.problem = ""
        self.faults: tuple[str, ...] = ()
        self._wanted: tuple[Protocol, float | None] | None = None
        self._previewing = False
        self._client = ui.context.client
        with page_frame(phrase("New study"), "Study", {"Study": STUDY}):
            with ui.element("div").classes("pad study new"):
                self._said = ui.html("", sanitize=False)
                with ui.element("div").classes("editing"):
                    with ui.element("section").props(f'aria-label="{phrase("Protocol as text")}"'):
                        self._editor = ui.html(self._form(), sanitize=False)
                        self._faults = ui.html("", sanitize=False)
                    with ui.element("section").props(f'aria-label="{phrase("What it asks for")}"'):
                        self._plan = ui.html("", sanitize=False)
            self._spoken = ui.html("", sanitize=False).classes("vh").props('role="status" aria-live="polite"')
            foot = key("Esc", phrase("back to the studies"), "close")
            ui.html(foot, sanitize=False, tag="footer").classes("deskfoot")
            self._hands = Hands(self._act)
        self._hands.hold({"Escape": "close"}, 0)
        self._said.set_content(_lead())
        self._judge({"text": protocol_text(self.chosen)})

    def _form(self) -> str:
        written = protocol_text(self.chosen)
        first = choice("protocol", phrase("Begin from"), [(name, name) for name in SHIPPED], chosen=self.chosen)
        folder_note = phrase("1 to 40 letters, digits, - or _")
        folder = field("name", phrase("Name of the study’s folder"), most=40, more="required", note=folder_note)
        threshold_label = phrase("Preview with a resting threshold, % MSO")
        threshold = field("threshold", threshold_label, kind="number", more=_SPAN)
        return (
            f'<form data-act="choose" data-live="choose" class="inline">{first}</form>'
            f'<form data-act="start" data-live="judge" class="editor"><label for="text">{phrase("Protocol")}</label>'
            f'<textarea id="text" name="text" rows="24" spellcheck="false" maxlength="{LONGEST_FIELD - 1000}" '
            f'aria-describedby="faults">{text(written)}</textarea>'
            f'<div class="pair2"><div>{folder}</div><div>{threshold}</div></div>'
            f'<button type="submit" class="btn go">{phrase("Start the study")} {cap("Enter")}</button></form>'
        )

    def _act(self, act: Act) -> None:
        self.problem = ""
        try:
            if act.name == "close":
                self._client.open(STUDY)
            elif act.name == "choose":
                self._choose(act.fields)
            elif act.name == "judge":
                self._judge(act.fields)
            elif act.name == "start":
                self._start(act.fields)
        except DecussaError as error:
            self.problem = without_paths(error.sentence())
        self._said.set_content(_lead() + (_bar(self.problem) if self.problem else ""))

    def _choose(self, fields: Mapping[str, str]) -> None:
        chosen = fields.get("protocol", "")
        if chosen not in SHIPPED:
            raise UsageError("protocol is not known", expected=", ".join(SHIPPED), found=repr(chosen))
        if chosen != self.chosen:
            self.chosen = chosen
            self._editor.set_content(self._form())
            self._judge({"text": protocol_text(chosen)})

    def _judge(self, fields: Mapping[str, str]) -> None:
        """Say what is wrong with the text, or have the plan previewed."""
        written = fields.get("text", "")
        try:
            protocol = read_protocol(written, where="protocol")
        except ProtocolError as error:
            self.faults = error.problems
            self._faults.set_content(_faults(written, error.problems))
            self._plan.set_content(plate(phrase("What it asks for"), "", f'<p class="under">{_waiting()}</p>'))
            self._spoken.set_content(text(f"{len(error.problems)} faults. {error.problems[0]}"))
            return
        self.faults = ()
        self._faults.set_content(f'<p class="under" id="faults">{phrase("No fault found.")}</p>')
        self._wanted = (protocol, _threshold(fields.get("threshold", "")))
        background_tasks.create(self._preview())

    async def _preview(self) -> None:
        """Run the plan through in the background, one at a time; of what is typed meanwhile only the last is run."""
        if self._previewing:
            return
        self._previewing = True
        try:
            while self._wanted is not None:
                (protocol, threshold), self._wanted = self._wanted, None
                try:
                    shown = await run.io_bound(preview_protocol, protocol, self.chosen, rmt=threshold)
                except DecussaError as error:
                    self._plan.set_content(_bar(without_paths(error.sentence())))
                    continue
                if shown is not None and self._wanted is None and not self.faults:
                    self._show(shown)
        finally:
            self._previewing = False

    def _show(self, shown: Preview) -> None:
        self._plan.set_content(plan_plate(shown))
        said = phrase("{count} pulses, about {minutes} minutes.", count=shown.pulses, minutes=f"{shown.minutes:.0f}")
        self._spoken.set_content(text(said))

    def _start(self, fields: Mapping[str, str]) -> None:
        name = fields.get("name", "").strip()
        if (self.desk.root / STUDY_FILE).exists():
            raise UsageError("this folder is a study itself", do="serve a folder of studies to start another one")
        if any(folder.name == name for folder in studies_in(self.desk.root)):
            raise UsageError("a study of this name is here already", found=repr(name), do="choose another name")
        try:
            start_study(self.desk.root, name, self.chosen, fields.get("text", ""))
        except ProtocolError as error:
            raise UsageError(
                "the protocol has faults", found=error.problems[0], do="see the list under the text"
            ) from error
        self._client.open(study_address(name))


_SPAN = f'min="{_THRESHOLDS[0]:g}" max="{_THRESHOLDS[1]:g}" step="1"'


def _threshold(typed: str) -> float | None:
    try:
        value = float(typed)
    except ValueError:
        return None
    return value if _THRESHOLDS[0] <= value <= _THRESHOLDS[1] else None


def _lead() -> str:
    said = phrase(
        "The protocol is locked when the study is started: its fingerprint is the first entry of the journal."
    )
    return f'<p class="lead">{phrase("New study")}</p><p class="under">{text(said)}</p>'


def _bar(problem: str) -> str:
    return f'<p class="mindbar" role="alert">{text(problem)}</p>'


def _waiting() -> str:
    return phrase("The plan is shown again when the faults are gone.")


def _faults(written: str, problems: tuple[str, ...]) -> str:
    """Return each fault under the line it is about, as it was typed."""
    lines = written.splitlines()
    rows = []
    for problem in problems:
        found = _LINE.search(problem)
        number = int(found[1]) if found else 0
        line = lines[number - 1] if 0 < number <= len(lines) else ""
        shown = f"<code><b>{number}</b> {text(line.strip()[:120])}</code>" if line else ""
        rows.append(f"<li>{shown}<span>{text(problem)}</span></li>")
    title = phrase("1 fault") if len(problems) == 1 else phrase("{count} faults", count=len(problems))
    return f'<div class="faults" id="faults"><h2>{title}</h2><ol>{"".join(rows)}</ol></div>'


def plan_plate(shown: Preview) -> str:
    """Return what a protocol asks for, step by step, and what does not fit under the ceiling."""
    rows = "".join(
        f'<tr><th scope="row">{text(step.name)}</th><td class="r">{step.pulses}</td><td class="r">{step.minutes:.1f}</td>'
        f"<td>{text(' · '.join(dict.fromkeys(step.order)))}</td></tr>"
        for step in shown.steps
    )
    names = (phrase("Step"), phrase("Pulses"), phrase("Minutes"), phrase("Order begins"))
    head = "".join(
        f'<th scope="col"{" class=r" if place in (1, 2) else ""}>{text(name)}</th>' for place, name in enumerate(names)
    )
    total = phrase("{count} pulses, about {minutes} min", count=shown.pulses, minutes=f"{shown.minutes:.0f}")
    origin = (
        phrase("a usual threshold of {rmt} % MSO", rmt=f"{shown.rmt:g}") if shown.assumed else f"{shown.rmt:g} % MSO"
    )
    refused = [fit.sentence() for fit in shown.fits if fit.possible is False]
    fits = (
        f'<div class="mindbar"><p>{phrase("Not possible:")}</p>{"".join(f"<p>{text(one)}</p>" for one in refused)}'
        f"<ol>{''.join(f'<li>{text(way)}</li>' for way in WAYS_OUT)}</ol></div>"
        if refused
        else f'<p class="under">{phrase("Every planned intensity fits under the ceiling.")}</p>'
    )
    more = phrase("Preparation, electrodes and closing talk come on top. Adaptive steps vary from person to person.")
    table = f'<table class="plan"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>'
    wide = f'<div class="wider" role="region" tabindex="0" aria-label="{phrase("Table of steps")}">{table}</div>'
    return plate(
        phrase("What it asks for"), text(origin), f'<p class="lead">{total}</p>{wide}{fits}<p class="under">{more}</p>'
    )
