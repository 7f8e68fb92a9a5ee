"""The card of Prepare on which the signals are looked at: levels now, one look after the other, and what was found."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from decussa.compose import site_record
from decussa.model.errors import UsageError
from decussa.quality.finding import CheckState, Finding
from decussa.screen.language import phrase
from decussa.screen.marks import button, say, text
from decussa.screen.signal_desk import SIGNALS
from decussa.screen.study_board import set_up_words
from decussa.screen.study_forms import field, form_plate, submit
from decussa.screen.words import THIN, body_part

if TYPE_CHECKING:
    from decussa.compose.signal_bench import SignalBench
    from decussa.screen.prepare_page import PreparePage

#: Name of the source under which a check of live streams is kept.
STREAM = "stream"
_SIGNS: Mapping[CheckState, str] = {"good": "done", "doubtful": "doubtful", "bad": "halt", "unknown": "open"}


def signal_form(bench: SignalBench | None, problem: str, accepted: str, *, busy: bool) -> str:
    """Return the card: how to begin, or every look with what it found; ``accepted`` says which set-up is."""
    title = phrase("Signals")
    if bench is None:
        return form_plate(title, _closed(busy=busy) + accepted, problem)
    steps = f'<ol class="looks">{_at_rest()}{_contractions(bench)}{_trigger(bench)}</ol>'
    return form_plate(title, steps + _found(bench.found()) + (_keep() if bench.findings else "") + accepted, problem)


def accepted_words(folder: Path) -> str:
    """Return which set-up is accepted for a study; empty where none is."""
    said = set_up_words(site_record.accepted_site(folder))
    return f'<p class="under">{phrase("Set-up")}: {text(said)}</p>' if said else ""


def keys_of_signals(bench: SignalBench | None) -> dict[str, str]:
    """Return what keys mean while the card is open."""
    if bench is None:
        return {"O": "signals open"}
    muscles = {str(place): f"signals contraction {name}" for place, name in enumerate(bench.muscles[:9], start=1)}
    firing = {"T": "signals fire"} if bench.has_trigger and not bench.is_firing else {}
    return {"R": "signals rest", **muscles, **firing, "W": "signals keep"}


def _closed(*, busy: bool) -> str:
    if busy:
        return f'<p class="why">{phrase("Looking for the streams of this study.")}</p>'
    said = phrase(
        "Noise, mains, offset, leads, trigger and rate are looked at on the live signal, before anybody gives a pulse. Start the "
        "recorder’s stream first. Which streams are meant stands in streams.toml of the study’s folder; without it they are "
        "known by their channel labels."
    )
    act = button(phrase("Look for the streams"), "signals open", cap_="O", kind="go")
    return f'<p class="under">{text(said)}</p><div class="answers">{act}</div>'


def _at_rest() -> str:
    said = phrase("Participant at rest, limb supported, for five seconds.")
    return f"<li><span>{said}</span>{button(phrase('Look at rest'), 'signals rest', cap_='R', kind='small')}</li>"


def _contractions(bench: SignalBench) -> str:
    rows = []
    for place, name in enumerate(bench.muscles, start=1):
        said = phrase("Contract the {part} lightly against your hand, and hold.", part=body_part(name))
        act = button(
            phrase("Look"), f"signals contraction {text(name)}", cap_=str(place) if place < 10 else "", kind="small"
        )
        rows.append(f"<li><span>{text(said)}</span>{act}</li>")
    return "".join(rows)


def _trigger(bench: SignalBench) -> str:
    if not bench.has_trigger:
        return f"<li><span>{phrase('No trigger channel: pulses will be found from markers or from their artifact.')}</span></li>"
    if not bench.is_firing:
        said = phrase(
            "Trigger: coil away from everybody. Begin, then fire three pulses into the air, a few seconds apart."
        )
        return f"<li><span>{said}</span>{button(phrase('Begin'), 'signals fire', cap_='T', kind='small')}</li>"
    fired = field(
        "fired", phrase("Pulses fired"), kind="number", more='min="0" max="20" step="1" value="3" required', focus=True
    )
    return (
        f"<li><span>{phrase('Fire into the air now. Then type how many were fired.')}</span>"
        f'<form data-act="signals fired" class="inline">{fired}{submit(phrase("Fired"))}</form></li>'
    )


def _found(findings: Sequence[Finding]) -> str:
    if not findings:
        return ""
    good = sum(finding.state == "good" for finding in findings)
    head = phrase("{good} of {all} good", good=good, all=len(findings))
    order = sorted(findings, key=lambda one: ("bad", "doubtful", "unknown", "good").index(one.state))
    return f'<h3 class="foundhead">{head}</h3><ul class="findings">{"".join(_finding(one) for one in order)}</ul>'


def _finding(finding: Finding) -> str:
    about = f"{finding.channel}, {finding.check}" if finding.channel else finding.check
    more = f"<small>{text(finding.do)}</small>" if finding.do else ""
    sign = say(_SIGNS[finding.state], phrase(finding.state))
    return f'<li class="{finding.state}">{sign}<span><b>{text(about)}</b> {text(finding.words)} {more}</span></li>'


def _keep() -> str:
    words = field(
        "words", phrase("Accept as the set-up of this study: in what words"), most=400,
        note=phrase("Needed only where something is bad. Kept with the study and said in its reports."),
    )  # fmt: skip
    keep = button(phrase("Write into the journal"), "signals keep", cap_="W", kind="go")
    accept = f'<button type="submit" class="btn small">{phrase("Accept the set-up")}</button>'
    return f'<div class="answers">{keep}</div><form data-act="signals accept">{words}{accept}</form>'


def levels_of(bench: SignalBench) -> str:
    """Return what every muscle's level is now, and what is wrong with the stream."""
    levels = bench.glance()
    rows = "".join(
        f'<tr><th scope="row">{text(name)}</th><td class="r">{_uv(level)}</td></tr>' for name, level in levels.items()
    )
    wrong = "".join(f'<p class="mindbar">{text(words)}</p>' for words in bench.feed.health().words)
    head = phrase("Level now, RMS over half a second")
    return f'{wrong}<table class="found levels"><caption>{head}</caption><tbody>{rows}</tbody></table>'


def _uv(level: float) -> str:
    return "—" if math.isnan(level) else f"<b>{level:.1f}</b>{THIN}µV"


# What keys, buttons and forms of the card do.


def act_on_signals(page: PreparePage, rest: str, fields: Mapping[str, str]) -> None:
    """Do what was meant on the card; what takes longer is done while the page stays free."""
    verb, _, about = rest.partition(" ")
    if verb == "open":
        page.in_background(lambda: SIGNALS.begin(page.prepared.folder, page.prepared.protocol))
        return
    bench = SIGNALS.bench(page.prepared.folder)
    if bench is None:
        raise UsageError("the streams are closed", do="look for the streams again")
    looks: Mapping[str, Callable[[], object]] = {
        "rest": bench.look_at_rest,
        "contraction": lambda: bench.look_at_contraction(about),
        "fired": lambda: bench.look_at_trigger(_count(fields.get("fired", ""))),
    }
    if verb in looks:
        page.in_background(looks[verb])
    elif verb == "fire":
        bench.begin_firing()
    elif verb == "keep":
        site_record.keep_check(page.prepared.folder, page.prepared.session, page.acting(), STREAM, bench.found())
        page.open_form("")
    elif verb == "accept":
        words = fields.get("words", "")
        site_record.accept_site(page.prepared.folder, page.acting(), STREAM, bench.found(), words)


def _count(typed: str) -> int:
    if not typed.strip().isdigit():
        raise UsageError("number of pulses cannot be read", expected="a whole number", found=repr(typed))
    return int(typed)
