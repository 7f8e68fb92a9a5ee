"""The paper on the right of Run, for half a metre: the last sweep's numbers, what is known so far, what was found."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from decussa.model.dialogue import Deliver
from decussa.model.estimate import Estimate
from decussa.protocol.steps import PairedBlock, TestIntensity
from decussa.screen.figures import funnel
from decussa.screen.language import phrase
from decussa.screen.level_figures import contraction_band, efforts, silences
from decussa.screen.map_figure import hotspot_map
from decussa.screen.marks import plate, say, text
from decussa.screen.paired_figures import mean_sweeps, order_tape, ratios, series_of
from decussa.screen.running import LiveSession
from decussa.screen.size_figures import sizes_by_current, sizes_by_setting, sizes_in_order
from decussa.screen.words import (
    THIN,
    body_part,
    in_millivolt,
    interval,
    minutes_words,
    ms,
    quantity,
    step_title,
    threshold_title,
    uv,
    value_of,
    verdict_words,
)
from decussa.session.evidence import Evidence, verdict_of


def sweep_head(live: LiveSession) -> str:
    """Return the heading of the last sweep: which pulse, at which setting, its verdict; empty where there is none."""
    if not live.view.given:
        return ""
    given = live.view.given[-1]
    stimulus = given.request.stimulus
    at = f"{stimulus.current_ma:g}{THIN}mA" if stimulus.stim_type == "nerve" else f"{stimulus.intensity_mso:g}{THIN}%"
    if stimulus.stim_type == "paired":
        at = f"{stimulus.cond_intensity_mso:g}{THIN}% → {stimulus.isi_ms:g}{THIN}ms → {at}"
    head = phrase("Pulse {number}, at {setting}", number=given.trial.number, setting=at)
    kind = verdict_of(given)
    return plate(head, say(kind, verdict_words(kind)), "")


def sweep_numbers(live: LiveSession) -> str:
    """Return what was measured of the last sweep, with what noise alone would give."""
    if not live.view.given:
        return ""
    given = live.view.given[-1]
    values = given.trial.values.get(given.request.muscle, {})
    low, high = (values.get(name, math.nan) for name in ("latency_low_ms", "latency_high_ms"))
    span = f" [{ms(low).removesuffix(f'{THIN}ms')}, {ms(high).removesuffix(f'{THIN}ms')}]" if math.isfinite(low) else ""
    shown = (
        (phrase("onset"), ms(values.get("latency_ms", math.nan)), span),
        (phrase("noise alone"), uv(values.get("noise_uv", math.nan)), ""),
        (phrase("background"), uv(values.get("background_rms_uv", math.nan)), ""),
        (phrase("silent period"), ms(values.get("silent_period_ms", math.nan)), ""),
    )
    parts = [f"<span>{name} <b>{value}</b>{more}</span>" for name, value, more in shown if value != "—"]
    return f'<p class="meas">{"".join(parts)}</p>' if parts else ""


def evidence_panels(live: LiveSession) -> str:
    """Return what the running step has come to, then what earlier steps found."""
    evidence = live.evidence()
    draw = _BY_KIND.get(live.kind, _in_order)
    parts = [_said(live), _contraction(live, evidence), draw(live, evidence)]
    return "".join(part for part in parts if part) + _found(live) + plan_panel(live)


def plan_panel(live: LiveSession) -> str:
    """Return the steps of the session: which are done, which runs, what each takes."""
    if not live.planned:
        return ""
    rows = []
    for name in live.steps:
        step = live.planned.get(name)
        kind, word = _step_state(live, name, step.stimuli if step is not None else 0)
        title = step_title(name) if name != "threshold" else threshold_title(live.steps[name])
        count = f"{step.stimuli}" if step is not None and step.stimuli else "—"
        minutes = minutes_words(step.minutes) if step is not None else "—"
        rows.append(
            f'<tr><th scope="row">{text(title)}</th><td>{say(kind, word)}</td><td class="r">{count}</td>'
            f'<td class="r">{minutes}</td></tr>'
        )
    head = "".join(
        f'<th scope="col"{place}>{words}</th>'
        for place, words in (
            ("", phrase("Step")),
            ("", phrase("State")),
            (' class="r"', phrase("stimuli")),
            (' class="r"', phrase("minutes")),
        )
    )
    note = phrase("about, for a usual person")
    table = f'<table class="steps"><thead><tr>{head}</tr></thead><tbody>{"".join(rows)}</tbody></table>'
    return plate(phrase("Plan"), note, table)


def _step_state(live: LiveSession, name: str, planned: int) -> tuple[str, str]:
    """Return the shape and the word for where a step stands; one that ended without a stimulus did not do what it was for."""
    view = live.view
    given = sum(count for kind, count in view.by_step.get(name, {}).items() if kind != "refused")
    if name in view.ended:
        return ("done", phrase("done")) if given or not planned else ("incomplete", phrase("nothing given"))
    if name in view.skipped:
        return "refused", phrase("skipped")
    return ("incomplete", phrase("now")) if name == view.step else ("open", phrase("to come"))


def tape_of(live: LiveSession) -> str:
    """Return the order of a paired block, empty in any other step."""
    planned = live.planned.get(live.view.step)
    if live.kind != "paired" or not any(one.request.condition != "climb" for one in live.view.given):
        return ""
    head = phrase("Order")
    note = phrase("bars: conditioning and test pulse · outlined: still to come · struck square: rejected, comes again")
    drawn = order_tape(live.view.given, planned.stimuli if planned else 0)
    return f'<div class="tapehead"><b>{head}</b><span class="small">{note}</span></div>{drawn}'


def found_so_far(results: Mapping[str, Estimate], head: str) -> str:
    """Return what the finished steps found, as a table."""
    if not results:
        return ""
    muscles = dict.fromkeys(quantity(key)[2] for key in results)
    note = phrase("95 % interval")
    if len(muscles) == 1:
        note = f"{text(body_part(next(iter(muscles))))} · {note}"
    return plate(head, note, _found_table(results, name_muscles=len(muscles) > 1))


def _found_table(results: Mapping[str, Estimate], *, name_muscles: bool) -> str:
    """Return findings as rows: what, value with interval, unit; a reason where there is no value."""
    rows, before = [], ""
    for key, estimate in results.items():
        name, unit, label = quantity(key)
        shown, unit = in_millivolt(estimate, unit)
        where = f'<br><span class="fine">{text(body_part(label))}</span>' if name_muscles else ""
        rows.append(
            f'<tr><th scope="row">{text(name)}{where}</th><td class="r nb"><b>{value_of(shown)}</b> {interval(shown)}</td>'
            f'<td class="nb">{text(unit)}</td></tr>'
        )
        if estimate.reason and estimate.reason != before:
            rows.append(f'<tr class="reason"><td colspan="3">{text(estimate.reason)}</td></tr>')
        before = estimate.reason
    return f'<table class="found"><tbody>{"".join(rows)}</tbody></table>'


def _found(live: LiveSession) -> str:
    head = phrase("Found") if live.view.state == "finished" else phrase("Found so far")
    return found_so_far(live.view.results, head)


def _said(live: LiveSession) -> str:
    """Return what the plan had to say, such as what cannot be done and the ways out."""
    return f'<p class="mindbar">{text(live.view.text)}</p>' if live.view.text else ""


def _contraction(live: LiveSession, evidence: Evidence) -> str:
    request = live.view.setting or live.view.last_request
    if request is None or not request.contraction_pct or request.step != live.view.step:
        return ""
    asked, band = request.contraction_pct, evidence.band_pct
    note = phrase("asked for {asked} % of maximum, ±{band}", asked=f"{asked:g}", band=f"{band:g}")
    if not evidence.held or not any(math.isfinite(one.level_pct) for one in evidence.held):
        last = f"{uv(evidence.held[-1].background_uv)} RMS" if evidence.held else "—"
        said = phrase("No maximal contraction is known to compare with. Background of the last: {last}.", last=last)
        return plate(phrase("Contraction"), text(note), f'<p class="small">{text(said)}</p>')
    return plate(phrase("Contraction"), text(note), contraction_band(evidence.held, asked_pct=asked, band_pct=band))


def _funnel(live: LiveSession, evidence: Evidence) -> str:
    view = live.view
    name = next((name for name in ("rmt", "amt") if name in view.running), "")
    if not name:
        return _in_order(live, evidence)
    request = live.turn.request
    ahead = request.stimulus.intensity_mso if isinstance(request, Deliver) and request.condition == name else math.nan
    criterion = live.protocol.criterion.active_size_uv if name == "amt" else live.protocol.criterion.size_uv
    drawn = funnel(view.given, name, view.curve, criterion_uv=criterion, next_mso=ahead)
    known = view.running[name]
    legend = phrase(
        "Line: 95 % interval after that pulse. Full dot: {size} µV or more. Ring: less.", size=f"{criterion:g}"
    )
    note = f"{value_of(known)} {interval(known)} % MSO"
    return plate(phrase("Threshold so far"), text(note), f'{drawn}<p class="fine">{legend}</p>')


def _map(live: LiveSession, evidence: Evidence) -> str:
    view = live.view
    request = live.turn.request
    ahead = request.site_cm if isinstance(request, Deliver) else None
    drawn = hotspot_map(view.curve, evidence.sites, ahead)
    if not drawn:
        return _in_order(live, evidence)
    x, y = view.running.get("hotspot_x"), view.running.get("hotspot_y")
    best = ""
    if x is not None and y is not None and math.isfinite(x.value):
        best = phrase(
            "Best spot so far {x} {x_span} cm to the right, {y} {y_span} cm forward.",
            x=value_of(x), x_span=interval(x), y=value_of(y), y_span=interval(y),
        )  # fmt: skip
    note = phrase("mean size in µV at each site · dots: pulses")
    hatched = phrase("Hatched: nothing known yet.")
    return plate(phrase("Map so far"), note, f'{drawn}<p class="fine">{text(best)} {hatched}</p>', kind="map")


def _ratios(live: LiveSession, evidence: Evidence) -> str:
    if not evidence.ratios:
        return _in_order(live, evidence)
    step = live.steps.get(live.view.step)
    names = [one.name for one in step.conditions] if isinstance(step, PairedBlock) else []
    shown = sorted(evidence.ratios, key=lambda one: names.index(one.name) if one.name in names else len(names))
    legend = phrase(
        "Grey lines: the interval earlier in the block. Ratio of means, against test alone of the same block."
    )
    drawn = f'{ratios(shown)}<p class="fine">{legend}</p>'
    means = live.means()
    sweeps = plate(phrase("Mean sweeps"), phrase("dashed: test alone"), mean_sweeps(means, series_of(shown)))
    return plate(phrase("Ratio to test alone, so far"), phrase("95 % interval"), drawn) + (sweeps if means else "")


def _by_current(live: LiveSession, evidence: Evidence) -> str:  # noqa: ARG001 drawn from the evidence alone
    drawn = sizes_by_current(next(iter(evidence.sizes.values()), ()))
    legend = phrase("Each dot an M-wave. The plateau is reached when three rises add less than 5 %.")
    return plate(phrase("M-wave by current"), "", f'{drawn}<p class="fine">{legend}</p>') if drawn else ""


def _by_setting(live: LiveSession, evidence: Evidence) -> str:
    step = live.steps.get(live.view.step)
    aim = (step.low_uv, step.high_uv) if isinstance(step, TestIntensity) else None
    curve = evidence.curve
    drawn = sizes_by_setting(next(iter(evidence.sizes.values()), ()), unit="%", curve=curve, aim_uv=aim)
    if not drawn:
        return ""
    note = ""
    if curve is not None:
        note = phrase(
            "plateau {plateau}, half of it at {s50} % MSO", plateau=uv(curve.mep_max.value), s50=_known(curve.s50)
        )
    elif (known := live.view.running.get("test_intensity")) is not None:
        note = f"{_known(known)} % MSO"
    legend = phrase("Bar: geometric mean. Ring: doubtful or rejected.")
    if aim is not None:
        legend += " " + phrase("Band: the sizes aimed at.")
    return plate(phrase("Sizes so far"), text(note), f'{drawn}<p class="fine">{legend}</p>')


def _known(estimate: Estimate) -> str:
    return f"{value_of(estimate)} {interval(estimate)}".strip()


def _both_sides(live: LiveSession, evidence: Evidence) -> str:  # noqa: ARG001 drawn from the evidence alone
    return "".join(
        plate(body_part(muscle)[:1].upper() + body_part(muscle)[1:], text(muscle), sizes_by_setting(points, unit="%"))
        for muscle, points in evidence.sizes.items()
    )


def _silences(live: LiveSession, evidence: Evidence) -> str:
    drawn = silences(evidence.silences)
    return (
        plate(phrase("Silent periods so far"), phrase("end minus onset"), drawn) if drawn else _in_order(live, evidence)
    )


def _efforts(live: LiveSession, evidence: Evidence) -> str:  # noqa: ARG001 drawn from the evidence alone
    drawn = efforts(evidence.efforts)
    return plate(phrase("Efforts so far"), phrase("best half second, µV RMS"), drawn) if drawn else ""


def _in_order(live: LiveSession, evidence: Evidence) -> str:  # noqa: ARG001 drawn from the evidence alone
    return "".join(
        plate(phrase("Sizes in order"), text(muscle), sizes_in_order(points))
        for muscle, points in evidence.sizes.items()
    )


_BY_KIND: Mapping[str, Callable[[LiveSession, Evidence], str]] = {
    "threshold": _funnel,
    "hotspot": _map,
    "paired": _ratios,
    "mmax": _by_current,
    "mvc": _efforts,
    "test intensity": _by_setting,
    "recruitment curve": _by_setting,
    "familiarisation": _by_setting,
    "trunk levels": _both_sides,
    "silent period": _silences,
}
