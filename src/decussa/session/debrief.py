"""The debrief of a rehearsal: what was found against what was true, in plain words with figures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from decussa.model.dialogue import Ask, Deliver, Lost, Refused, Trial
from decussa.model.estimate import Estimate
from decussa.session.live_view import LiveView
from decussa.session.noticing import Noticed, notice
from decussa.session.operator import verdict_said
from decussa.store.chain import Entry
from decussa.store.preparing import Waived
from decussa.store.records import Correction, StepMark

#: Pulses that adaptive threshold hunting needs for an error of about 2.5 % of threshold (Ah Sen 2017,
#: doi 10.1371/journal.pone.0186007, saved 15 pulses against counting; the figure is that of a monograph, Springer 2013).
NEEDED_FOR_THRESHOLD = 17
#: Mean distance between two hotspots found by one examiner (8.1 mm, SD 3.3: Sollmann 2013, BMC Neurosci 14:94).
REPEATABILITY_MM = 8.1
#: Share of doubtful trials from which on it is worth a word (common practice, no source).
_MANY_DOUBTFUL = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One quantity: what was found, what was true, and whether the interval held it; ``quantity`` is its name in tables."""

    name: str
    found: Estimate
    truth: float
    unit: str
    quantity: str = ""

    @property
    def held(self) -> bool | None:
        """Whether the interval holds the truth; None where there is no interval or no truth."""
        if math.isnan(self.truth) or math.isnan(self.found.low) or math.isnan(self.found.high):
            return None
        return self.found.low <= self.truth <= self.found.high

    def sentence(self) -> str:
        """Return the comparison in words."""
        truth = _number(self.truth, self.unit)
        if math.isnan(self.found.value):
            return f"{self.name}: not found ({self.found.reason or 'no value'}); true is {truth}."
        off = self.found.value - self.truth
        words = f"{self.name}: found {_number(self.found.value, self.unit)}, true {truth}, off by {_number(abs(off), self.unit)}"
        if self.held is None:
            return f"{words}."
        return f"{words}; the interval {'holds' if self.held else 'misses'} it."


@dataclass(frozen=True, slots=True, kw_only=True)
class Debrief:
    """Comparisons with the truth, and remarks on how the session was run."""

    comparisons: tuple[Comparison, ...]
    remarks: tuple[str, ...]

    def sentences(self) -> tuple[str, ...]:
        """Return everything in words."""
        return (*(comparison.sentence() for comparison in self.comparisons), *self.remarks)


def debrief(
    comparisons: Sequence[Comparison],
    entries: Sequence[Entry],
    view: LiveView,
    *,
    rest_limit_uv: float,
    mishaps: Mapping[int, str] = MappingProxyType({}),
) -> Debrief:
    """Return the debrief of a rehearsal.

    Parameters
    ----------
    comparisons : sequence of Comparison
        What was found against what was true.
    entries : sequence of Entry
        The session's journal.
    view : LiveView
        What the screen showed last.
    rest_limit_uv : float
        Background RMS from which a trial at rest is doubtful, µV.
    mishaps : mapping of int to str
        What was scripted to go wrong, by number of the stimulus.
    """
    remarks = [*_hotspot(comparisons), _pulses(view), *_threshold_pulses(view), *_verdicts(view)]
    remarks += [*_refusals(entries), *_overruled(entries), *_discomfort(entries)]
    remarks += [*_mishaps(notice(entries, mishaps)), *_warnings(entries, rest_limit_uv)]
    return Debrief(comparisons=tuple(comparisons), remarks=tuple(remarks))


def _hotspot(comparisons: Sequence[Comparison]) -> list[str]:
    """How far the hotspot was found from the true one, beside how far the same examiner finds it from day to day."""
    by_axis = {one.quantity: one.found.value - one.truth for one in comparisons}
    off_cm = math.hypot(by_axis.get("hotspot_x", math.nan), by_axis.get("hotspot_y", math.nan))
    if math.isnan(off_cm):
        return []
    within = "within" if 10 * off_cm <= REPEATABILITY_MM else "more than"
    return [
        f"The hotspot was found {10 * off_cm:.0f} mm from the true one, {within} the {REPEATABILITY_MM:g} mm by which one "
        "examiner's hotspots differ."
    ]


def _mishaps(noticed: Sequence[Noticed]) -> list[str]:
    if not noticed:
        return []
    met = [one for one in noticed if one.verdict]
    missed = sum(not one.how for one in met)
    lead = f"Things that went wrong by script: {len(met)}; noticed: {len(met) - missed}; missed: {missed}."
    return [lead, *(one.sentence() for one in noticed)]


def _overruled(entries: Sequence[Entry]) -> list[str]:
    """Rules that were broken or set aside: items of the preparation waived, steps skipped, rejected trials taken back."""
    rejected = {e.number for e in entries if isinstance(e.body, Trial) and e.body.verdict.kind == "reject"}
    taken = {
        e.body.entry for e in entries if isinstance(e.body, Correction) and e.body.text == verdict_said("accept")
    } & rejected
    waived = [entry.body.item for entry in entries if isinstance(entry.body, Waived)]
    skipped = [e.body.step for e in entries if e.kind == "step skipped" and isinstance(e.body, StepMark)]
    said = []
    if waived:
        said.append(f"Waived in the preparation: {', '.join(waived)}.")
    if skipped:
        said.append(f"Steps left out: {', '.join(skipped)}.")
    if taken:
        said.append(f"Trials that the rules rejected and the operator accepted: {len(taken)}.")
    return said


def _pulses(view: LiveView) -> str:
    unasked = f", {view.unasked} of them unasked" if view.unasked else ""
    return f"{view.stimuli} stimuli, {view.pulses} pulses were given (a pair is two){unasked}."


def _threshold_pulses(view: LiveView) -> list[str]:
    said = []
    for step, counts in view.by_step.items():
        if "threshold" in step:
            used = sum(counts.values())
            compared = "no more than" if used <= NEEDED_FOR_THRESHOLD else "more than"
            said.append(
                f"Step {step}: {used} pulses, {compared} the {NEEDED_FOR_THRESHOLD} that adaptive hunting is known to need."
            )
    return said


def _verdicts(view: LiveView) -> list[str]:
    doubtful, rejected, lost = (view.counts.get(kind, 0) for kind in ("doubtful", "reject", "lost"))
    said = []
    if rejected or lost:
        told = "1 trial was" if rejected == 1 else f"{rejected} trials were"
        said.append(f"{told} rejected and {lost} lost; repeats cost as many pulses.")
    if view.stimuli and doubtful / view.stimuli > _MANY_DOUBTFUL:
        said.append(f"{doubtful} of {view.stimuli} trials were doubtful: look at what their reasons have in common.")
    return said


def _refusals(entries: Sequence[Entry]) -> list[str]:
    reasons = [f"{entry.body.limit} ({entry.body.reason})" for entry in entries if isinstance(entry.body, Refused)]
    return (
        [f"Limits held {len(reasons)} times; first: {reasons[0]}."]
        if reasons
        else ["Nothing that was asked for was refused."]
    )


def _discomfort(entries: Sequence[Entry]) -> list[str]:
    ratings: list[float] = []
    asked: Ask | None = None
    for entry in entries:
        if isinstance(entry.body, Ask):
            asked = entry.body
        elif asked is not None and asked.key == "discomfort" and entry.kind == "answered":
            value = getattr(entry.body, "value", math.nan)
            if isinstance(value, float | int) and math.isfinite(value):
                ratings.append(float(value))
            asked = None
    return [f"Highest discomfort said: {max(ratings):g} of 10."] if ratings else []


def _warnings(entries: Sequence[Entry], rest_limit_uv: float) -> list[str]:
    """Runs of trials with background above the limit that nobody held the session for."""
    run = longest = 0
    request: Deliver | None = None
    for entry in entries:
        if isinstance(entry.body, Deliver):
            request = entry.body
        elif entry.kind == "paused":
            run = 0
        elif isinstance(entry.body, Trial) and request is not None and not request.contraction_pct:
            tense = entry.body.value(request.muscle, "background_rms_uv") > rest_limit_uv
            run = run + 1 if tense else 0
            longest = max(longest, run)
        elif isinstance(entry.body, Lost):
            run = 0
    if longest < 3:
        return []
    return [f"{longest} trials in a row had background above {rest_limit_uv:g} µV and the session was not held."]


def truth_pairs(
    found: Mapping[str, Estimate], truth: Mapping[str, Mapping[str, float]], names: Mapping[str, tuple[str, str, str]]
) -> tuple[Comparison, ...]:
    """Pair what was found with what was true.

    ``found`` is by ``"label/quantity"``, ``truth`` by label and name; ``names`` maps a quantity to (name of the truth, words,
    unit).
    """
    pairs = []
    for key, estimate in found.items():
        label, _, quantity = key.rpartition("/")
        if quantity in names and label in truth:
            true_name, words, unit = names[quantity]
            value = truth[label].get(true_name, math.nan)
            pairs.append(
                Comparison(name=f"{label}, {words}", found=estimate, truth=value, unit=unit, quantity=quantity)
            )
    return tuple(pairs)


def _number(value: float, unit: str) -> str:
    if math.isnan(value):
        return "not there"
    digits = 2 if unit == "ratio" else 0 if abs(value) >= 100 else 1
    return f"{value:.{digits}f}" + ("" if unit == "ratio" else f" {unit}")
