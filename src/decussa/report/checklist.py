"""The thirty topics that a report of single- and paired-pulse stimulation should cover: reported, controlled, or missing.

Topics after Chipchase 2012, doi 10.1016/j.clinph.2012.05.003, in words of our own: 25 on people and method, three on pairs,
two on analysis. Each is asked twice there: was it reported, was it controlled. What the record answers stands here with its
evidence; nothing is guessed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import pandas as pd

from decussa.report import numbers, words
from decussa.report.content import Content
from decussa.report.method_record import MethodRecord, Said

#: Stimuli further apart than this have a pause between them, not an interval.
_PAUSE_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """One topic: number, key, name, whether it applies, and what the record says; empty where it says nothing."""

    number: int
    key: str
    name: str
    applies: bool
    reported: str
    controlled: str


def checklist(content: Content, record: MethodRecord) -> tuple[Topic, ...]:
    """Return the topics in order, filled from the record and the trials."""
    pairs = bool((content.trials["stim_type"] == "paired").any())
    topics = []
    for number, (key, name) in enumerate(_TOPICS, start=1):
        found = _SEEN[key](content) if key in _SEEN else Said()
        told = record.of(key)
        topics.append(
            Topic(
                number=number,
                key=key,
                name=name,
                applies=pairs or key not in _PAIRS,
                reported=words.in_print("; ".join(part for part in (told.reported, found.reported) if part)),
                controlled=words.in_print("; ".join(part for part in (told.controlled, found.controlled) if part)),
            )
        )
    return tuple(topics)


def score(topics: Sequence[Topic]) -> str:
    """Return how many of the topics that apply are reported and controlled."""
    applying = [topic for topic in topics if topic.applies]
    reported = sum(bool(topic.reported) for topic in applying)
    controlled = sum(bool(topic.controlled) for topic in applying)
    return f"{reported} of {len(applying)} reported, {controlled} controlled"


def _kept(content: Content) -> pd.DataFrame:
    return content.trials[content.trials["kept"] & (content.trials["stim_type"] != "nerve")]


def _contraction(content: Content) -> Said:
    trials = _kept(content)
    parts = []
    for active, name in ((False, "at rest"), (True, "contracted")):
        rows = trials[(trials["contraction_pct"] > 0) == active]
        levels = rows["background_rms_uv"].dropna()
        if len(levels):
            asked = sorted(rows["contraction_pct"].dropna().unique())
            of = f" to {numbers.listed([f'{one:g}' for one in asked])} % MVC" if active else ""
            parts.append(f"{name}{of}: background {levels.median():.1f} uV RMS (median of {len(levels)})")
    out = content.trials[content.trials["rule"] == "background"]["verdict"].value_counts()
    held = f"every trial against a limit: {int(out.get('doubtful', 0))} doubtful, {int(out.get('reject', 0))} rejected"
    return Said(reported="; ".join(parts), controlled=held if parts else "")


def _others(content: Content) -> Said:
    muscles = len(content.places)
    return Said(reported=f"EMG of {muscles} muscles, background of each in every trial" if muscles > 1 else "")


def _intensity(content: Content) -> Said:
    levels = _kept(content)["intensity_mso"].dropna()
    if not len(levels):
        return Said()
    span = f"{levels.min():g} to {levels.max():g}" if levels.min() < levels.max() else f"{levels.min():g}"
    threshold = next(
        (
            row.estimate.value
            for place in content.places
            for row in place.rows("rmt")
            if math.isfinite(row.estimate.value)
        ),
        math.nan,
    )
    of = (
        f", {100 * levels.min() / threshold:.0f} to {100 * levels.max() / threshold:.0f} % of the resting threshold"
        if math.isfinite(threshold)
        else ""
    )
    return Said(reported=f"{span} % MSO{of}, by condition in the table")


def _spacing(content: Content) -> Said:
    stimuli = content.trials.drop_duplicates(["recording", "sweep"]).sort_values(["recording", "onset_s"])
    gaps = stimuli.groupby(["recording", "block"], sort=False)["onset_s"].diff().dropna()
    gaps = gaps[(gaps > 0) & (gaps < _PAUSE_S)]
    if len(gaps) < 2:
        return Said()
    return Said(reported=f"{gaps.mean():.1f} s (SD {gaps.std():.1f}, least {gaps.min():.1f}) within blocks")


def _threshold(content: Content) -> Said:
    told = [
        f"{place.name}, {'at rest' if row.quantity == 'rmt' else 'active'}: {row.estimate.value:.1f} % MSO from {row.estimate.n} "
        f"pulses, {row.estimate.method}"
        for place in content.places
        for row in place.rows("rmt", "amt")
        if math.isfinite(row.estimate.value)
    ]
    return Said(reported="; ".join(told))


def _counts(content: Content) -> Said:
    kept = [
        (int(condition.trials["kept"].sum()), len(condition.trials))
        for place in content.places
        for condition in place.conditions
    ]
    if not kept:
        return Said()
    least, most = min(n for n, _ in kept), max(n for n, _ in kept)
    given, all_kept = sum(n for _, n in kept), sum(n for n, _ in kept)
    span = f"{least} to {most}" if least < most else f"{least}"
    text = f"{span} a condition; {all_kept} of {given} kept"
    return Said(reported=text, controlled="each trial judged by rules named in the table; every value with its n")


def _pairs(column: str, unit: str) -> Callable[[Content], Said]:
    def said(content: Content) -> Said:
        pairs = content.trials[content.trials["stim_type"] == "paired"]
        values = sorted(pairs[column].dropna().unique())
        if not values:
            return Said()
        text = f"{numbers.listed([f'{value:g}' for value in values[:8]])} {unit}"
        if column != "isi_ms":
            return Said(reported=text)
        off = (pairs["isi_measured_ms"] - pairs["isi_ms"]).abs().dropna()
        seen = f"measured in {len(off)} of {len(pairs)} pairs, off by at most {off.max():.2f} ms" if len(off) else ""
        return Said(reported=text, controlled=seen)

    return said


def _size(content: Content) -> Said:
    windows = content.trials[["muscle", "stim_type", "window_start_ms", "window_end_ms"]].dropna()
    told = dict.fromkeys(
        f"{row.muscle}{' (M-wave)' if row.stim_type == 'nerve' else ''} {row.window_start_ms:g} to {row.window_end_ms:g} ms"
        for row in windows.itertuples()
    )
    corrected = "corrected for noise" if content.trials["size_uv"].notna().any() else "raw"
    text = f"peak-to-peak, {corrected}, in a window after the pulse ({'; '.join(list(told)[:6])}); geometric mean of trials"
    return Said(reported=text if told else "", controlled="method and version with every value")


def _unconditioned(content: Content) -> Said:
    told = []
    for place in content.places:
        for condition in place.of_type("single"):
            size = place.estimate("mep_amplitude", condition)
            if (condition.label in place.tests or not place.tests) and math.isfinite(size.value):
                told.append(f"{place.name}, {condition.name}: {numbers.short(size.value, size.low, size.high, 'uV')}")
    return Said(reported="; ".join(told[:4]) + ("; more in the table" if len(told) > 4 else ""))


#: Key and name of each topic, in order.
_TOPICS: tuple[tuple[str, str], ...] = (
    ("age", "Age"),
    ("sex", "Sex or gender"),
    ("hand", "Preferred hand or leg"),
    ("medicines", "Prescribed medicines"),
    ("nervous drugs", "Drugs that act on the nervous system"),
    ("illness", "Neurological or psychiatric illness"),
    ("conditions", "Other medical conditions"),
    ("skill", "Practised movements: music, sport, work"),
    ("electrodes", "Electrodes: place and contact"),
    ("contraction", "Target muscle: relaxed, or how far contracted"),
    ("before", "Target muscle: what it did shortly before"),
    ("others", "Other muscles: relaxed"),
    ("coil", "Coil: kind, size, shape"),
    ("orientation", "Coil: orientation"),
    ("current", "Direction of the current in the brain"),
    ("place", "Coil: place, and how it was kept there"),
    ("stimulator", "Stimulator"),
    ("intensity", "Intensity of the stimuli"),
    ("pulse", "Shape of the pulse"),
    ("hotspot", "How the best site was found"),
    ("spacing", "Time between stimuli"),
    ("days", "Time between sessions"),
    ("attention", "Attention and wakefulness"),
    ("threshold", "Threshold: method, at rest or active"),
    ("counts", "Number of responses behind a value"),
    ("test", "Pairs: intensity of the test pulse"),
    ("conditioning", "Pairs: intensity of the conditioning pulse"),
    ("interval", "Pairs: interval"),
    ("size", "How size was computed"),
    ("unconditioned", "Size of the unconditioned response"),
)
_PAIRS = frozenset({"test", "conditioning", "interval"})
#: Topics that the trials themselves answer.
_SEEN: dict[str, Callable[[Content], Said]] = {
    "contraction": _contraction,
    "others": _others,
    "intensity": _intensity,
    "spacing": _spacing,
    "threshold": _threshold,
    "counts": _counts,
    "test": _pairs("intensity_mso", "% MSO"),
    "conditioning": _pairs("cond_intensity_mso", "% MSO"),
    "interval": _pairs("isi_ms", "ms"),
    "size": _size,
    "unconditioned": _unconditioned,
}
