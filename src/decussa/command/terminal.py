"""A session in the terminal: what to set and why, what came back, questions and commands."""

from __future__ import annotations

import math
from collections.abc import Sequence

import typer

from decussa.model.dialogue import Ask, Deliver, Lost, Refused, Request, Rest, Show, Trial
from decussa.model.estimate import Estimate
from decussa.model.trial import Verdict
from decussa.session.live_view import LiveView, fold
from decussa.session.operator import Command, Hold, LeaveStep, Stop, Write
from decussa.store.chain import Entry
from decussa.store.records import AdverseEvent, Remark

_UNITS = {
    "rmt": "% MSO",
    "amt": "% MSO",
    "base": "% MSO",
    "trunk_test": "% MSO",
    "rmt_recheck": "% MSO",
    "test_intensity": "% MSO",
    "hotspot_x": "cm",
    "hotspot_y": "cm",
    "mmax": "µV",
    "mvc": "µV RMS",
}
_HELP = "Enter: go on. p hold, s skip step, r redo step, n note, a adverse event, q stop."


def estimate_text(name: str, estimate: Estimate) -> str:
    """Return an estimate in words: value, interval, unit, or why there is none."""
    unit = _UNITS.get(name.rpartition("/")[2], "")
    if math.isnan(estimate.value):
        return f"— {estimate.reason or 'not measured'}"
    digits = 0 if abs(estimate.value) >= 100 else 1
    text = f"{estimate.value:.{digits}f}"
    if math.isfinite(estimate.low) and math.isfinite(estimate.high):
        text += f" [{estimate.low:.{digits}f}, {estimate.high:.{digits}f}]"
    text += f" {unit}" if unit else ""
    return f"{text} ({estimate.reason})" if estimate.reason else text


def setting_text(request: Deliver) -> str:
    """Return what to set, in the order in which it is done."""
    stimulus = request.stimulus
    if stimulus.stim_type == "nerve":
        what = f"Set {stimulus.current_ma:g} mA. Nerve pulse."
    elif stimulus.stim_type == "paired":
        what = f"Set {stimulus.cond_intensity_mso:g} % and {stimulus.intensity_mso:g} %, {stimulus.isi_ms:g} ms apart. Pair."
    else:
        what = f"Set {stimulus.intensity_mso:g} %. Single pulse."
    held = f"at {request.contraction_pct:g} % of maximum" if request.contraction_pct else "at rest"
    site = f" Coil {request.site_cm[0]:+g} cm right, {request.site_cm[1]:+g} cm front." if request.site_cm else ""
    return f"{what} {request.muscle} {held}.{site}"


class Transcript:
    """Writes a session down on the screen, a line for each thing that matters."""

    def __init__(self) -> None:
        self.view = LiveView()

    def show(self, entry: Entry) -> None:
        """Show one entry."""
        before, self.view = self.view, fold(self.view, entry)
        body = entry.body
        if entry.kind == "asked" and self.view.step != before.step:
            typer.echo(f"\n{self.view.step}")
        if isinstance(body, Trial) and before.setting is not None:
            typer.echo(self._trial(before.setting, body))
        elif isinstance(body, Refused):
            typer.echo(f"  not given: {body.reason}")
        elif isinstance(body, Lost):
            typer.echo(f"  {body.given}: {body.reason}")
        elif isinstance(body, Rest):
            typer.echo(f"  rest {body.seconds:g} s. {body.why}")
        elif isinstance(body, Show) and entry.kind == "asked" and body.text:
            typer.echo(f"  {body.text}")
        elif isinstance(body, Show) and body.final:
            for name, estimate in body.results.items():
                typer.echo(f"  found {name}: {estimate_text(name, estimate)}")

    def _trial(self, request: Deliver, trial: Trial) -> str:
        size = trial.value(request.muscle, "amplitude_uv")
        verdict = trial.verdict.kind + (f": {trial.verdict.reason}" if trial.verdict.reason else "")
        known = "  ".join(f"{name} {estimate_text(name, estimate)}" for name, estimate in self.view.running.items())
        return f"  {trial.number:4d}  {setting_text(request)}  {size:6.0f} µV  {verdict}  {known}".rstrip()


class TerminalOperator:
    """A person at the keyboard."""

    code = "terminal"

    def __init__(self) -> None:
        self._told = self._formed = False

    def confirm_gate(self, gate: str) -> bool:
        """Ask."""
        return typer.confirm(f"{gate[:1].upper()}{gate[1:]}?")

    def answer(self, request: Ask) -> str | float:
        """Ask until the answer is of the right kind."""
        while True:
            if request.kind == "confirm":
                return "yes" if typer.confirm(request.text, default=True) else "no"
            choices = f" ({', '.join(request.choices)})" if request.choices else ""
            text = typer.prompt(f"{request.text}{choices}", default=str(request.default))
            if request.kind == "choice":
                fits = [choice for choice in request.choices if choice.startswith(text)]
                if len(fits) == 1:
                    return fits[0]
            elif (value := _read_number(text)) is not None and (request.kind != "rating" or 0 <= value <= 10):
                return value
            typer.echo("  That is not an answer to this question.")

    def commands(self, request: Request, due_s: float) -> Sequence[Command]:
        """Say what to set, or that a rest is on, and wait for Enter or a letter; a question speaks for itself."""
        if isinstance(request, Ask):
            return self._form(request)
        if not self._told:
            typer.echo(_HELP)
            self._told = True
        said = setting_text(request) if isinstance(request, Deliver) else ""
        wait = f" In {due_s:.0f} s." if due_s >= 1 else ""
        key = typer.prompt(f"{said}{wait}", default="", show_default=False, prompt_suffix=" > ").strip().lower()
        if key == "q":
            return (Stop(typer.prompt("Why", default="")),)
        if key == "p":
            return (Hold(typer.prompt("Why", default="")),)
        if key in ("s", "r"):
            return (LeaveStep("skip" if key == "s" else "redo", typer.prompt("Why", default="")),)
        if key == "n":
            return (Write(Remark(text=typer.prompt("Note"), operator=self.code)),)
        if key == "a":
            return (Write(self._adverse_event()),)
        return ()

    def _form(self, request: Ask) -> Sequence[Command]:
        """Have an adverse event written down, once, where the plan asks whether it is."""
        if request.key != "adverse event" or self._formed:
            return ()
        self._formed = True
        return (Write(self._adverse_event()),)

    def _adverse_event(self) -> AdverseEvent:
        typer.echo("Stop. Coil away. Care for the person first; log later. Call the emergency number when in doubt.")
        severity = typer.prompt("How bad (mild, moderate, severe)", default="mild")
        return AdverseEvent(
            event=typer.prompt("What happened"),
            severity=severity if severity in ("mild", "moderate", "severe") else "severe",
            action=typer.prompt("What was done"),
            operator=self.code,
        )

    def wait_to_go_on(self) -> Command | None:
        """Wait for Enter."""
        typer.prompt("On hold. No pulse is asked for. Enter to go on", default="", show_default=False)
        return None

    def say_outcome(self, request: Deliver, number: int) -> Lost | Trial:
        """Ask what became of the stimulus."""
        typer.echo(f"{setting_text(request)}\nNothing is stored of stimulus {number}. Was it given?")
        said = ""
        while said not in ("1", "2", "3"):
            said = typer.prompt("1 given and seen, 2 given and lost, 3 not given")
        if said == "1" and (size := _read_number(typer.prompt("Peak-to-peak in µV"))) is not None:
            verdict = Verdict("doubtful", "typed", "size typed by the operator, the sweep is lost")
            return Trial(number=number, values={request.muscle: {"amplitude_uv": size}}, verdict=verdict)
        return Lost(given="not given" if said == "3" else "given and lost", reason="said by the operator")


def type_size(request: Deliver, label: str) -> float | None:
    """Have a size typed that was read elsewhere; empty where nothing was seen."""
    text = typer.prompt(f"{setting_text(request)}\n  {label}, peak-to-peak in µV", default="", show_default=False)
    return _read_number(text)


def _read_number(text: str) -> float | None:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None
