"""The results page: what a session found, with intervals, figures and the state of review."""

from __future__ import annotations

import math
from datetime import datetime

from nicegui import run, ui

from decussa.compose.results import MuscleResults, Quantity, SessionResults, read_results
from decussa.compose.reviewed_trials import AUTOMATIC, FIRST
from decussa.compose.reviewing import ReviewRoom
from decussa.model.errors import DecussaError
from decussa.report import numbers
from decussa.screen.hands import Hands, follow
from decussa.screen.language import phrase
from decussa.screen.marks import link, plate, say, sign, text
from decussa.screen.paired_figures import ratios
from decussa.screen.places import DEBRIEF, READ, REPORT, RUN, address, links_of
from decussa.screen.read_figures import curve_figure, m_wave_figure, silence_figure, strip
from decussa.screen.read_review import TABLE, place_with, review_address
from decussa.screen.reading import Reading, Shelf
from decussa.screen.shell import PATIENCE_S, page_frame, who_words
from decussa.screen.words import target_words, verdict_words
from decussa.session.evidence import RatioSoFar

AGREEMENT = "/read/{study}/{session}/agreement"


def add_pages(shelf: Shelf) -> None:
    """Add the results page."""

    @ui.page(READ, response_timeout=PATIENCE_S)
    async def show(study: str, session: str, rater: str = FIRST) -> None:
        reading = await run.io_bound(shelf.session, study, session)
        if reading is None:
            return
        before = await run.io_bound(_session_before, shelf, reading)
        results = await run.io_bound(read_results, reading.room, rater, before)
        if results is not None:
            _show(reading, results, before)


def _session_before(shelf: Shelf, reading: Reading) -> ReviewRoom | None:
    """Return the participant's session before, None where there is none or it cannot be read."""
    person, _, number = reading.session.rpartition("-")
    if not number.isdigit() or int(number) < 2:
        return None
    try:
        return shelf.session(reading.study, f"{person}-{int(number) - 1}").room
    except DecussaError:
        return None


def _show(reading: Reading, results: SessionResults, before: ReviewRoom | None) -> None:
    places = links_of(reading.study, reading.session, rehearsal=reading.rehearsal)
    to = _addresses(reading, results)
    with page_frame(phrase("Results"), "Read", places, rehearsal=reading.rehearsal) as head:
        entry = reading.room.entries[-1].number if reading.room.entries else 0
        written = phrase("entry {number} written", number=entry)
        head.set_content(who_words(reading.participant, reading.session, written, rehearsal=reading.rehearsal))
        page = _top(reading, results, to) + (
            f'<div class="halves"><div class="col">{_table(results, before)}{_mind(results)}</div>'
            f'<div class="col">{_figures(results)}</div></div>'
            if results.muscles
            else _empty(reading)
        )
        ui.html(page, sanitize=False).classes("leaf")
        keys = {"R": "review", "T": "table", "P": "report", "A": "agreement", "D": "debrief"}
        Hands(follow(to)).hold({cap: name for cap, name in keys.items() if name in to}, 0)


def _addresses(reading: Reading, results: SessionResults) -> dict[str, str]:
    """Return where each key of the page leads."""
    rater = "" if results.rater == AUTOMATIC else results.rater
    found = {
        "review": review_address(reading),
        "table": place_with(TABLE, reading, rater=rater),
        "report": place_with(REPORT, reading, rater=rater),
    }
    if len(reading.room.layers) > 1:
        found["agreement"] = place_with(AGREEMENT, reading)
    if reading.rehearsal:
        found["debrief"] = place_with(DEBRIEF, reading)
    return found


def _top(reading: Reading, results: SessionResults, to: dict[str, str]) -> str:
    person, _, number = reading.session.rpartition("-")
    muscles = ", ".join(target_words(muscle.name) for muscle in results.muscles)
    day = _day(results.began)
    lead = phrase("Session {number} of {person}", number=number, person=person)
    lead += f": {muscles}" if muscles else ""
    counts = ", ".join(
        f"{results.counts[kind]} {verdict_words(kind)}"
        for kind in ("accept", "doubtful", "reject")
        if kind in results.counts
    )
    events = {0: phrase("no adverse event"), 1: phrase("1 adverse event")}.get(
        results.events, phrase("{count} adverse events", count=results.events)
    )
    facts = [
        day,
        phrase("{count} stimuli, {pulses} pulses", count=results.stimuli, pulses=results.pulses),
        counts,
        phrase("{count} minutes", count=f"{results.minutes:.0f}"),
        events,
    ]
    names = {
        "review": (phrase("Review"), "R", "go"),
        "agreement": (phrase("Agreement"), "A", ""),
        "debrief": (phrase("Debrief"), "D", ""),
        "table": (phrase("Table"), "T", ""),
        "report": (phrase("Report"), "P", ""),
    }
    acts = "".join(
        link(said, to[name], name, cap_=cap, kind=kind) for name, (said, cap, kind) in names.items() if name in to
    )
    return (
        f'<div class="topline"><div><p class="lead">{text(lead)}</p>'
        f'<p class="under">{text(" · ".join(fact for fact in facts if fact))}</p></div><div class="ways">{acts}</div></div>'
    )


def _day(began: str) -> str:
    try:
        return f"{datetime.fromisoformat(began):%Y-%m-%d}"
    except ValueError:
        return ""


def _table(results: SessionResults, before: ReviewRoom | None) -> str:
    ring = (
        f'<th class="scale">{text(phrase("ring: session before"))}</th>'
        if before
        else f'<th class="scale"><span class="vh">{text(phrase("on a scale of its own"))}</span></th>'
    )
    head = (
        f"<tr><th>{text(phrase('Quantity'))}</th><th class='v'>{text(phrase('Value'))}</th><th>{text(phrase('Interval'))}</th>"
        f"<th>{text(phrase('Unit'))}</th>{ring}<th class='how'>{text(phrase('From'))}</th><th>{text(phrase('Review'))}</th></tr>"
    )
    rows = "".join(_muscle_rows(muscle, several=len(results.muscles) > 1) for muscle in results.muscles)
    whose = phrase("automatic") if results.rater == AUTOMATIC else phrase("as reviewed by {rater}", rater=results.rater)
    note = phrase("value and 95 % interval, {whose}", whose=whose)
    return plate(
        phrase("Results"),
        text(note),
        f'<div class="scroll"><table class="results"><thead>{head}</thead><tbody>{rows}</tbody></table></div>',
    )


def _muscle_rows(muscle: MuscleResults, *, several: bool) -> str:
    head = (
        f'<tr class="muscle"><th colspan="7" scope="rowgroup">{text(target_words(muscle.name))}</th></tr>'
        if several
        else ""
    )
    responses = "".join(
        f'<tr><td>{text(one.name)}</td><td class="v">{text(one.value)}</td><td class="said" colspan="2">{text(one.origin)}</td>'
        f'<td class="scale"></td><td class="how"></td><td>{review_mark(one.review)}</td></tr>'
        for one in muscle.responses
    )
    rows = responses + "".join(_row(one) for one in muscle.quantities)
    if not rows:
        none = phrase("No value: no step measured this muscle but searches.")
        rows = f'<tr><td class="how" colspan="7">{text(none)}</td></tr>'
    return head + rows


def _row(one: Quantity) -> str:
    found = one.found
    value, interval, unit = numbers.estimate(found.value, found.low, found.high, one.unit)
    how = text(one.origin) if math.isfinite(found.value) else text(found.reason)
    if math.isfinite(found.value):
        how = f"{found.n}, {how}" if how else str(found.n)
    return (
        f'<tr><td>{text(one.name)}</td><td class="v">{value}</td><td class="iv">{interval}</td>'
        f'<td class="unit">{text(_tied(unit))}</td>'
        f'<td class="scale">{strip(found, one.earlier, is_ratio=not one.unit)}</td><td class="how">{how}</td>'
        f"<td>{review_mark(one.review)}</td></tr>"
    )


def _tied(unit: str) -> str:
    """Return a unit that is not broken between percent and of what."""
    return unit.replace("% MSO", "%\u00a0MSO")


def review_mark(said: str) -> str:
    """Return how far a value was reviewed, shape and word."""
    kind = "accept" if said.startswith("reviewed") else "doubtful" if " of " in said else "open"
    return f'<span class="say {kind}">{sign(kind, 14)}<span class="small">{text(said)}</span></span>'


def _mind(results: SessionResults) -> str:
    said = " ".join([*results.warnings, results.review, phrase("Automatic markings are proposals.")])
    return f'<p class="mindbar"><b>{text(phrase("Mind."))}</b> {text(said)}</p>'


def _figures(results: SessionResults) -> str:
    drawn = []
    for muscle in results.muscles:
        name = f", {muscle.name}" if len(results.muscles) > 1 else ""
        if muscle.curve and muscle.curve.points:
            note = phrase("{count} sweeps, size on a log scale", count=len(muscle.curve.points))
            drawn.append(plate(phrase("Recruitment curve") + name, text(note), curve_figure(muscle.curve)))
        if muscle.ratios:
            shown = [RatioSoFar(said, found, (), found.n) for said, found in muscle.ratios]
            note = phrase("ratio to the test pulse alone, log scale")
            drawn.append(plate(phrase("Paired pulses") + name, text(note), ratios(shown)))
        if muscle.silence:
            held = phrase(
                "at {pct} % of maximum, rectified mean of {count}",
                pct=f"{muscle.silence.contraction_pct:g}",
                count=muscle.silence.n,
            )
            drawn.append(plate(phrase("Silent period") + name, text(held), silence_figure(muscle.silence)))
        if len(muscle.m_waves) > 1:
            note = phrase("{count} nerve pulses", count=len(muscle.m_waves))
            drawn.append(plate(phrase("M-wave by current") + name, text(note), m_wave_figure(muscle.m_waves)))
    return "".join(drawn)


def _empty(reading: Reading) -> str:
    run_there = address(RUN, reading.study, reading.session)
    return (
        f'<p class="why">{say("open", phrase("No stimulus was answered in this session yet."))}</p>'
        f'<p class="answers"><a class="btn go" href="{text(run_there)}">{text(phrase("Run"))}</a></p>'
    )
