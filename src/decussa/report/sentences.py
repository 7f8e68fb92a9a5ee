"""What the session found, in plain sentences: number first, one thought each, nothing that reassures."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pandas as pd

from decussa.model.estimate import Estimate
from decussa.report import numbers, words
from decussa.report.content import Content, MusclePlace
from decussa.report.results import leading

#: From this share of a condition's trials on, what was rejected or doubtful is said on the first page.
MANY = 1 / 3
MOST_WARNINGS = 5
_KINDS = {"sici_ratio": "SICI", "icf_ratio": "ICF", "lici_ratio": "LICI", "paired_ratio": "pair"}


def brief(content: Content) -> list[tuple[str, str]]:
    """Return one paragraph for the session and one for each muscle: what it is about, and its sentences."""
    paragraphs = [("", _given(content))]
    for place in content.places:
        sentences = [*_status(place), *_size(place), *_silent(place), *_pairs(place)]
        paragraphs.append((place.name, " ".join(sentences) or "No value could be given."))
    return paragraphs


def _given(content: Content) -> str:
    stimuli = content.trials.drop_duplicates(["recording", "sweep"])
    pairs = int((stimuli["stim_type"] == "paired").sum())
    nerve = int((stimuli["stim_type"] == "nerve").sum())
    parts = (
        [f"{numbers.count(len(stimuli) - nerve, 'magnetic stimulus', 'magnetic stimuli')}"]
        if len(stimuli) > nerve
        else []
    )
    if parts and pairs:
        parts[0] += f" ({pairs} of them pairs)"
    if nerve:
        parts.append(numbers.count(nerve, "nerve stimulus", "nerve stimuli"))
    where = numbers.count(stimuli["recording"].nunique(), "recording")
    verdicts = content.trials["verdict"].replace("", "accept").value_counts()
    counted = ", ".join(
        f"{int(verdicts.get(kind, 0)):,} {said}"
        for kind, said in (("accept", "accepted"), ("doubtful", "doubtful"), ("reject", "rejected"))
    )
    trials = numbers.count(len(content.trials), "trial")
    return f"{numbers.listed(parts)} in {where} gave {trials}, one for each muscle: {counted}."


def _status(place: MusclePlace) -> Iterator[str]:
    for row in place.rows("mep_status"):
        found, level = row.estimate, row.intensity_mso
        state = found.method.partition(":")[0]
        at = f"{level:g}{numbers.THIN}%{numbers.THIN}MSO" if math.isfinite(level) else "an intensity not stated"
        if found.value == 1:
            yield f"Responses {state} from {at} on."
        elif found.value == 0:
            yield f"No response obtained {state} up to {at}, {numbers.count(found.n, 'trial')}."
        else:
            yield f"Whether it responds {state} is not known: {found.reason or 'too few trials'}."


def _size(place: MusclePlace) -> Iterator[str]:
    lead = leading(place)
    if lead is None:
        return
    size = place.estimate("mep_amplitude", lead)
    silent = [row.estimate.value == 0 for row in place.rows("mep_status")]
    if not math.isfinite(size.value) or (silent and all(silent)):
        return
    at = words.setting(lead.levels[0]) if len(lead.levels) == 1 else lead.name
    if lead.contraction_pct > 0:
        at += f" and {lead.contraction_pct:g}{numbers.THIN}%{numbers.THIN}MVC"
    text = f"At {at} the response measured {numbers.short(size.value, size.low, size.high, 'uV')}"
    share = place.estimate("mep_mmax_pct", lead)
    mmax = [row.estimate for row in place.rows("mmax")]
    if math.isfinite(share.value) and not any(one.reason for one in mmax):
        text += f", which is {numbers.short(share.value, share.low, share.high, '%')} of Mmax"
    latency = place.estimate("mep_latency", lead)
    if 2 * latency.n >= len(lead.kept) and math.isfinite(latency.value):
        text += f", and began after {numbers.short(latency.value, latency.low, latency.high, 'ms')}"
    yield f"{text}."


def _silent(place: MusclePlace) -> Iterator[str]:
    singles = [row.estimate for row in place.rows("silent_period") if math.isnan(row.isi_ms)]
    found = max((one for one in singles if math.isfinite(one.value)), key=lambda one: one.n, default=None)
    if found is None:
        return
    yield f"The silent period lasted {numbers.short(found.value, found.low, found.high, 'ms')}."


def _pairs(place: MusclePlace) -> Iterator[str]:
    said: dict[str, list[str]] = {"below 1": [], "above 1": [], "cannot be told from 1": [], "has no value": []}
    for row in sorted(place.rows(*_KINDS), key=lambda row: row.isi_ms):
        found = row.estimate
        name = f"{_KINDS[row.quantity]} at {numbers.quantity(row.isi_ms, 'ms')}"
        if not math.isfinite(found.value):
            said["has no value"].append(name)
            continue
        text = f"{name} {numbers.short(found.value, found.low, found.high, '')}"
        side = _side_of_one(found)
        said[side].append(text)
    for side in ("below 1", "above 1"):
        if said[side]:
            yield f"{numbers.listed(said[side])} {'lies' if len(said[side]) == 1 else 'lie'} {side}."
    if said["cannot be told from 1"]:
        yield f"{numbers.listed(said['cannot be told from 1'])} cannot be told from 1."
    if said["has no value"]:
        yield f"No ratio for {numbers.listed(said['has no value'])}."


def _side_of_one(ratio: Estimate) -> str:
    """Return on which side of 1 the interval lies, as it is printed: one that shows 1.00 is not told from 1."""
    if round(ratio.high, numbers.RATIO_DECIMALS) < 1:
        return "below 1"
    return "above 1" if round(ratio.low, numbers.RATIO_DECIMALS) > 1 else "cannot be told from 1"


def warnings(content: Content) -> list[str]:
    """Return what a reader must not overlook, the most serious first."""
    found = [*_many(content, "reject", "rejected"), *_many(content, "doubtful", "doubtful"), *_unbounded(content)]
    if len(found) > MOST_WARNINGS:
        found = [*found[:MOST_WARNINGS], f"{len(found) - MOST_WARNINGS} more: see the tables."]
    return [*found, review_sentence(content.trials)]


def review_sentence(trials: pd.DataFrame) -> str:
    """Return who looked at how many of the markings, and how many verdicts they changed."""
    seen = trials[trials["reviewed_by"] != ""]
    if seen.empty:
        return "Every value is unreviewed: no person has looked at the markings."
    changed = numbers.count(int((seen["rule"] == "review").sum()), "verdict")
    raters = numbers.listed(sorted(seen["reviewed_by"].unique()))
    said = f"{len(seen)} of {numbers.count(len(trials), 'sweep')} reviewed by {raters}"
    rest = "" if len(seen) == len(trials) else "; the rest is unreviewed, no person has looked at it"
    return f"{said}, {changed} changed{rest}."


def _many(content: Content, verdict: str, said: str) -> Iterator[str]:
    for place in content.places:
        for condition in place.conditions:
            chosen = condition.trials[condition.trials["verdict"] == verdict]
            if len(chosen) > MANY * len(condition.trials):
                yield (
                    f"{place.name}, {condition.name}: {len(chosen)} of {numbers.count(len(condition.trials), 'trial')} "
                    f"{said} ({counted_rules(chosen)})."
                )


def counted_rules(trials: pd.DataFrame) -> str:
    """Return ``clipped 6, background 2``: the rules that decided, the commonest first."""
    rules = trials["rule"].replace("", "no rule named").value_counts()
    return ", ".join(
        f"{rule} {count}" for rule, count in sorted(rules.items(), key=lambda item: (-item[1], str(item[0])))
    )


def _unbounded(content: Content) -> Iterator[str]:
    for place in content.places:
        open_ones = [
            row
            for row in place.rows(*_KINDS)
            if math.isfinite(row.estimate.value) and (math.isinf(row.estimate.low) or math.isinf(row.estimate.high))
        ]
        if open_ones:
            names = numbers.listed([_KINDS[row.quantity] for row in open_ones])
            yield f"{place.name}: the interval of {names} is open: the test response is not clearly above 0."
