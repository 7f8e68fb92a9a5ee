"""The statistics over a study in words: a short page of Markdown that names every model and says what limits each number."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

from decussa.model.estimate import Estimate
from decussa.model.version import VERSION
from decussa.pool.comparisons import Comparison
from decussa.pool.methods import Differences, QuantityChange
from decussa.pool.pooled import Pooled, PooledMuscle
from decussa.pool.repeated import Reliability
from decussa.report import numbers
from decussa.report.pool_methods import statistics_paragraph
from decussa.report.pool_origins import origin_lines

#: Quantities whose reliability stands on the page; all stand in the table.
SHOWN = (
    "mep_amplitude", "mep_latency", "silent_period", "rmt", "amt", "mmax", "mep_mmax_pct", "sici_ratio", "icf_ratio",
    "lici_ratio", "s50", "slope", "mep_max",
)  # fmt: skip
_LIMITS = """
## What these numbers are not

They describe the people, sessions and sites in these tables. An interval that excludes 1 is no proof, and one that includes it
no proof of the contrary. Comparisons nobody planned beforehand are suggestions for the next study. Nothing here says whether a
person may be stimulated or is ill.
"""


def ratio_words(estimate: Estimate) -> str:
    """Return ``0.48 [0.45, 0.52]``, or why there is none."""
    return (
        numbers.short(estimate.value, estimate.low, estimate.high, "")
        if math.isfinite(estimate.value)
        else estimate.reason
    )


def p_words(p: float) -> str:
    """Return a p value with three decimals, or that it is smaller."""
    return numbers.DASH if math.isnan(p) else "< 0.001" if p < 0.001 else f"{p:.3f}"


def question_words(one: Comparison) -> str:
    """Return a comparison in words."""
    return {
        "condition": f"{one.of} over {one.against}",
        "time": f"{one.of} over {one.against}, {one.within}",
        "group": f"{one.of} over {one.against}, {one.within}",
        "condition x time": f"change of {one.within}, {one.of} over {one.against}",
        "condition x group": f"{one.within}, {one.of} over {one.against}",
        "time x group": f"{one.within}, {one.of} over {one.against}",
    }[one.question]


def pool_page(
    pooled: Pooled, tables: Sequence[str], figures: Sequence[str], *, inputs: Sequence[str] = (), methods: str = ""
) -> str:
    """Return the page; ``inputs`` say what was taken, ``methods`` is the file that tells how sessions were measured."""
    parts = [
        "# Pooled results",
        f"{numbers.count(pooled.participants, 'participant')}, {numbers.count(pooled.sessions, 'session')}, "
        f"{numbers.count(pooled.trials, 'trial')}. Decussa {VERSION}. Intervals are 95 %. Sizes are compared as ratios of "
        "geometric means: 1 is no difference.",
        *(f"**Mind:** {warning}." for warning in pooled.warnings),
    ]
    for muscle in pooled.muscles:
        parts += _muscle(muscle)
    parts += _reliability(pooled.reliability)
    parts += _paired(pooled)
    parts += origin_lines(inputs)
    parts += ["## Methods, to paste", statistics_paragraph(pooled)]
    if methods:
        parts.append(f"How the sessions were measured, and the reporting checklist of the study: `{methods}`.")
    parts += ["## Files", "Tables: " + ", ".join(tables) + ".", "Figures: " + (", ".join(figures) or "none") + "."]
    return "\n\n".join([*parts, _LIMITS.strip()]) + "\n"


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join("| " + " | ".join(str(cell).replace("|", "/") for cell in line) + " |" for line in lines)


def _muscle(one: PooledMuscle) -> Iterator[str]:
    yield f"## {one.muscle.name or 'Muscle without a name'}"
    if one.fitted is None:
        yield f"No model: {one.reason}"
        return
    reference = one.muscle.reference or "none"
    yield f"Model: `{one.fitted.formula}`, by restricted maximum likelihood; reference condition {reference}."
    yield "".join(f"- {note}.\n" for note in (*one.muscle.notes, *one.notes)).rstrip() or "Every trial is in the model."
    if one.comparisons:
        yield _table(
            ("comparison", "ratio", "p", "p, Holm", "people", "trials", "without one person"),
            [_comparison_row(one, each) for each in one.comparisons],
        )
    odd = [check for check in one.checks if not check.fine]
    said = "; ".join(f"{check.name} {check.value:.2f}: {check.says}" for check in odd)
    yield f"Assumptions: {said}." if odd else "Assumptions: " + "; ".join(check.says for check in one.checks) + "."
    if one.sites:
        yield "### Over sites"
        yield "Every site has a model of its own; the answers are joined with the site as a random effect."
        yield _table(("comparison", "sites", "together", "spread between sites, factor", "a new site"), [
            (
                question_words(table.sites[0][1]), str(len(table.sites)), ratio_words(table.together), ratio_words(table.spread),
                ratio_words(table.prediction),
            )
            for table in one.sites
        ])  # fmt: skip
    yield from _trials(one)


def _comparison_row(one: PooledMuscle, each: Comparison) -> tuple[str, ...]:
    around = next((odd for odd in one.influences if odd.comparison is each), None)
    span = f"{around.least:.2f} to {around.greatest:.2f}" if around else numbers.DASH
    e = each.estimate
    limits = f" ({e.reason})" if e.reason and math.isfinite(e.value) else ""
    return (
        question_words(each), ratio_words(e) + limits, p_words(each.p), p_words(each.p_holm), str(e.n), str(each.trials), span,
    )  # fmt: skip


def _trials(one: PooledMuscle) -> Iterator[str]:
    if one.enough:
        yield "### How many trials are enough"
        rows = []
        for each in one.enough:
            factor, precise = each.precision[1]
            wanted, needed = each.for_reliability[0]
            rows.append((
                each.condition, f"{each.trials:.0f}", f"{each.trial_sd.value:.2f}", whole(precise), ratio_words(each.reliability),
                ratio_words(each.ceiling), whole(needed), whole(each.no_gain), each.note or numbers.DASH,
            ))  # fmt: skip
        heads = (
            "condition", "given", "SD of logs between trials", f"for a mean within a factor {factor:g}",
            "reliability of a session", "with endless trials", f"for reliability {wanted:g}",
            "beyond which more do not help", "mind",
        )  # fmt: skip
        yield _table(heads, rows)
    if one.planned:
        yield "### How many people the next study needs"
        first = one.planned[0]
        yield (
            f"To find a true ratio of {first.ratio:g} with {100 * first.power:g} % power at alpha 0.05, one session of each "
            "point in time; of each of two groups where groups are compared."
        )
        yield _table(("comparison", "trials of each condition", "people", "SD of one person's logarithm"), [
            (each.contrast, str(each.trials), whole(each.people), ratio_words(each.sd)) for each in one.planned
        ])  # fmt: skip


def whole(estimate: Estimate) -> str:
    """Return a number of trials or people with its interval; words where no number is enough."""
    if math.isnan(estimate.value):
        return estimate.reason or numbers.DASH

    def end(value: float) -> str:
        return "no number" if math.isinf(value) else numbers.DASH if math.isnan(value) else f"{value:,.0f}"

    return f"{end(estimate.value)} [{end(estimate.low)}, {end(estimate.high)}]"


def _reliability(found: Sequence[Reliability]) -> Iterator[str]:
    shown = [one for one in found if one.quantity in SHOWN]
    if not shown:
        return
    for by in dict.fromkeys(one.by for one in shown):
        yield f"## Reliability by {by}"
        if by == "session":
            yield "What sessions were meant to change counts as error here: read it for sessions that should be alike."
        rows: list[Sequence[str]] = []
        for one in (each for each in shown if each.by == by):
            name = " ".join(part for part in (one.muscle, one.quantity, one.condition) if part)
            if one.measures is None:
                rows.append((name, str(one.targets), one.reason, "", "", ""))
                continue
            form = next(each.estimate for each in one.measures.forms if each.form == "ICC(2,1)")
            unit = "%" if one.scale == "log" else one.unit
            found_by = (one.measures.sem_consistency, one.measures.change)
            printed = [f"{number.value:.3g} [{number.low:.3g}, {number.high:.3g}] {unit}" for number in found_by]
            variation = one.measures.variation[2]
            rows.append((name, str(one.targets), ratio_words(form), *printed, ratio_words(variation) + " %"))
        yield _table(
            ("quantity", "targets", "ICC(2,1)", "SEM (root of EMS)", "MDC95", "within-subject CV (logs)"), rows
        )


def _paired(pooled: Pooled) -> Iterator[str]:
    shown = [one for one in pooled.paired if not one.part]
    if not shown:
        return
    yield "## Paired indices over people"
    yield "Ratios of arithmetic means, every person's weighted by its own interval; the spread is a factor between people."
    yield _table(("index", "people", "ratio", "spread between people", "a new person", "inhibited, facilitated"), [
        (
            f"{one.muscle} {one.quantity} {one.condition}", str(len(one.people)), ratio_words(one.ratio), ratio_words(one.spread),
            ratio_words(one.prediction), f"{one.inhibitory}, {one.facilitatory}",
        )
        for one in shown
    ])  # fmt: skip


def difference_page(
    names: tuple[str, str], found: Differences, changes: Sequence[QuantityChange], both: Sequence[tuple[Comparison, Comparison]],
) -> str:  # fmt: skip
    """Return the page on two ways of measuring the same sweeps: what differs, and what would change in the study."""
    parts = [
        "# Two ways of measuring",
        f"First: {names[0]}. Second: {names[1]}. {numbers.count(found.sweeps, 'sweep')} in both, {found.only_first} in the first "
        f"only, {found.only_second} in the second only. Decussa {VERSION}.",
        "## What would change in the study", *change_sentences(changes, both),
        "## Sweep by sweep",
        _table(("column", "both", "differ", "bias", "95 % of differences lie between", "ICC(2,1)", "first only", "second only"), [
            (
                one.column, str(one.n), str(one.differ), _bias(one.limits.bias, one.unit, ratios=one.ratios),
                f"{one.limits.lower.value:.4g} and {one.limits.upper.value:.4g}", ratio_words(one.icc), str(one.only_first),
                str(one.only_second),
            )
            for one in found.columns
        ]),
        "Sizes, areas and background are compared as ratios (second over first), the rest as differences (second minus first).",
        "## Verdicts",
        _verdicts(found),
    ]  # fmt: skip
    return "\n\n".join(parts) + "\n"


def _bias(estimate: Estimate, unit: str, *, ratios: bool) -> str:
    if not math.isfinite(estimate.value):
        return estimate.reason
    span = "" if math.isnan(estimate.low) else f" [{estimate.low:.4g}, {estimate.high:.4g}]"
    return f"{estimate.value:.4g}{span}{'' if ratios else ' ' + unit}"


def _verdicts(found: Differences) -> str:
    total = sum(map(sum, found.verdicts))
    same = sum(row[place] for place, row in enumerate(found.verdicts))
    words = f"{same} of {total} sweeps have the same verdict; kappa {ratio_words(found.kappa)}."
    kinds = ("accept", "doubtful", "reject")
    return f"{words}\n\n" + _table(("first \\ second", *kinds), [
        (kind, *map(str, row)) for kind, row in zip(kinds, found.verdicts, strict=True)
    ])  # fmt: skip


def change_sentences(changes: Sequence[QuantityChange], both: Sequence[tuple[Comparison, Comparison]]) -> Iterator[str]:
    """Yield in plain words what would change: values of the summary, then comparisons over people."""
    moved = [one for one in changes if one.moved or one.lost or one.gained]
    if not moved:
        yield "Nothing: every value of the summary is the same."
    else:
        lines = []
        for one in moved:
            unit = "%" if one.relative else one.unit
            text = f"- {one.quantity}: {one.moved} of {one.n} values move, typically by {one.typical:.3g} {unit}"
            text += f", at most by {one.largest:.3g} {unit}"
            text += (
                f"; {one.outside} leave the first one's interval"
                if one.outside
                else "; none leaves the first one's interval"
            )
            text += f"; {one.lost} are lost" if one.lost else ""
            lines.append(text + (f"; {one.gained} appear" if one.gained else "") + ".")
        yield "\n".join(lines)
    if both:
        rows, turned = [], 0
        for first, second in both:
            clear = [_excludes_one(each.estimate) for each in (first, second)]
            turned += clear[0] != clear[1]
            rows.append((
                f"{first.muscle}: {question_words(first)}", ratio_words(first.estimate), ratio_words(second.estimate),
                "yes" if clear[0] != clear[1] else "no",
            ))  # fmt: skip
        yield f"Of {len(both)} comparisons over people, {turned} would be read differently (whether the interval excludes 1)."
        yield _table(("comparison", "first", "second", "read differently"), rows)


def _excludes_one(estimate: Estimate) -> bool:
    return estimate.low > 1 or estimate.high < 1
