"""The bright sheet of Run where no engine runs: before the beginning, after the end, after an error, for an onlooker."""

from __future__ import annotations

from decussa.screen.language import phrase
from decussa.screen.marks import button, link, say, text
from decussa.screen.places import DEBRIEF, PREPARE, READ, REPORT, address
from decussa.screen.run_live import ways_form
from decussa.screen.running import LiveSession
from decussa.screen.words import error_words, gate_sentence, minutes_words, spoken, step_title


def idle(live: LiveSession) -> str:
    """Return the sheet of what the session is, where it stands and how it begins; for a person, what is still open."""
    waiting = live.still_open()
    begun = bool(live.view.step)
    words = phrase("Go on") if begun else phrase("Begin")
    act = button(words, "begin", cap_="Enter", kind="go") if live.rehearsal else ways_form(live)
    if waiting:
        to = address(PREPARE, live.study, live.session)
        act = link(phrase("Prepare"), to, "see prepare", cap_="Enter", kind="go")
    return (
        f'<p class="kick"><b>{text(live.participant)}</b> · {text(live.session)}</p>'
        f'<p class="do">{text(live.protocol.study.name)}</p><p class="why">{_kind(live)}</p>'
        f'{_open(waiting) if waiting else f"""<p class="why">{text(_stands(live, begun=begun))}</p>"""}'
        f'<div class="answers">{act}</div>'
    )


def _kind(live: LiveSession) -> str:
    if not live.rehearsal:
        kind = phrase("You give each pulse at the stimulator.")
        return f"{kind} {phrase('The program fires nothing.')}"
    kind = phrase("Rehearsal on a virtual participant. Nobody is stimulated; nothing of it enters a study.")
    quick = phrase("Intervals are written down, not waited for.")
    return f"{kind} {quick if live.quick else phrase('Intervals are waited for.')}"


def _stands(live: LiveSession, *, begun: bool) -> str:
    view = live.view
    if begun:
        step = step_title(view.step)
        return phrase(
            "It stands in “{step}” after {count} pulses; everything is written.", step=step, count=view.stimuli
        )
    if live.rehearsal:
        return phrase("Nothing has happened yet. Five things are confirmed first, then the plan begins.")
    return phrase("Everything before the first pulse is done. The plan begins.")


def _open(waiting: tuple[str, ...]) -> str:
    rows = "".join(f"<li>{say('open', phrase('open'))}<span>{text(title)}</span></li>" for title in waiting)
    return f'<p class="why"><b>{text(gate_sentence(len(waiting)))}</b></p><ul class="gates short">{rows}</ul>'


def stopped(live: LiveSession) -> str:
    """Return the sheet of why the engine stopped and how to go on."""
    head, more = error_words(live.error)
    said = phrase("All {count} entries before this are written.", count=live.view.entry)
    if live.can_run_fresh:
        again = button(phrase("Go on with a fresh plan"), "begin fresh", cap_="Enter", kind="go")
        why = phrase(
            "The plan now asks something else than what is stored. A fresh plan starts from what the finished steps found; "
            "the step that was running begins anew."
        )
    else:
        # With a person the way may be what is wrong: another can be chosen.
        again = button(phrase("Try again"), "begin", cap_="Enter", kind="go") if live.rehearsal else ways_form(live)
        why = ""
    return (
        f'<p class="do halt">{say("halt", head, 30)}</p><p class="why">{text(said)} {text(more)}</p>'
        f'<p class="why">{text(why)}</p><div class="answers">{again}</div>'
    )


def watched(live: LiveSession) -> str:
    """Return the sheet of a session that another program runs."""
    view = live.view
    setting = f'<p class="why">{text(spoken(view.setting, view.stimuli + 1))}</p>' if view.setting else ""
    return (
        f'<p class="do">{phrase("Session {name}: {state}.", name=text(live.session), state=text(view.state))}</p>'
        f'<p class="why">{phrase("It is run in the terminal; this page looks on.")}</p>{setting}'
    )


def finished(live: LiveSession) -> str:
    """Return the sheet of what was done, and where to read it."""
    view = live.view
    said = phrase(
        "{count} pulses in {minutes} min. Every step is written.",
        count=view.pulses,
        minutes=minutes_words(view.minutes),
    )
    study, session = live.study, live.session
    links = link(phrase("Read"), address(READ, study, session), "see read") + link(
        phrase("Report"), address(REPORT, study, session), "see report", cap_="P"
    )
    if live.rehearsal:
        links = (
            link(phrase("Debrief"), address(DEBRIEF, study, session), "see debrief", cap_="Enter", kind="go")
            + links
            + button(phrase("Rehearse again"), "again", cap_="R")
            + button(phrase("Same person"), "same", cap_="S")
        )
    return f'<p class="do">{phrase("Finished.")}</p><p class="why">{said}</p><div class="answers">{links}</div>'
