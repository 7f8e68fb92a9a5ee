"""Who, when, with what, and from which files: the facts of the recordings, told once where they agree."""

from __future__ import annotations

import math
import platform
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib import metadata

import matplotlib as mpl
import numpy as np
import pandas as pd
import scipy

from decussa.model.recording import Recording
from decussa.model.version import VERSION
from decussa.report import numbers, words

#: Facts about the person; the rest is about the set-up.
PERSON = ("Age", "Sex", "Handedness", "Height (cm)")
_CONDITION = "Condition "
#: Longest fact that is printed; the whole text is in the data set.
LONGEST = 420
MOST_FACTS = 24
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Fact:
    """A name and what is said about it."""

    name: str
    text: str


def start_of(recording: Recording) -> datetime | None:
    """Return when the recording began; None where the file does not say."""
    try:
        return datetime.fromisoformat(recording.start)
    except ValueError:
        return None


def day_and_time(recordings: Sequence[Recording]) -> str:
    """Return ``4 March 2026, 09:30 to 09:50``; what is not known is left out."""
    starts = [(start, recording.duration_s) for recording in recordings if (start := start_of(recording))]
    if not starts:
        return "date not known"
    first, last = min(starts)[0], max(starts)
    end = last[0] + timedelta(seconds=last[1] if math.isfinite(last[1]) else 0)
    day = f"{first.day}{numbers.THIN}{_MONTHS[first.month - 1]} {first.year}"
    return f"{day}, {first:%H:%M} to {end:%H:%M}" if end > first else f"{day}, {first:%H:%M}"


def recording_rows(recordings: Sequence[Recording], trials: pd.DataFrame) -> list[list[str]]:
    """Return for each recording: name, start, length, stimuli and how they were found, channels, fingerprint."""
    rows = []
    for recording in recordings:
        own = trials[trials["recording"] == recording.name]
        found = ", ".join(str(way) for way in own["pulse_from"].unique() if way) or "not said"
        start = start_of(recording)
        rows.append(
            [
                words.breakable(words.shortened(recording.name, 160)),
                f"{start:%H:%M}" if start else numbers.DASH,
                f"{int(recording.duration_s // 60)}:{int(recording.duration_s % 60):02d}"
                if math.isfinite(recording.duration_s)
                else numbers.DASH,
                f"{len(recording.events):,}, from {found}",
                _channels(recording),
                recording.sha256 or "not computed",
            ]
        )
    return rows


def _channels(recording: Recording) -> str:
    emg = [recording.channels[index] for index in recording.emg_channels]
    names = ", ".join(words.breakable(words.shortened(channel.name, 40)) for channel in emg[:8])
    if len(emg) > 8:
        names += f" and {len(emg) - 8} more"
    rates = sorted({channel.rate_hz for channel in emg})
    return f"{names}; {', '.join(f'{rate:g}' for rate in rates)}{numbers.THIN}Hz" if emg else "no EMG channel"


def person_facts(recordings: Sequence[Recording]) -> str:
    """Return what is said about the person, such as ``age 23, sex M``; empty where nothing is."""
    parts = []
    for name in PERSON:
        values = _values(recordings, name)
        if values:
            label, _, unit = name.partition(" (")
            parts.append(f"{label.lower()} {' or '.join(values)}{numbers.THIN + unit.rstrip(')') if unit else ''}")
    return ", ".join(parts)


def setup_facts(recordings: Sequence[Recording]) -> list[Fact]:
    """Return the facts of the set-up: once where all recordings agree, by task where they differ."""
    names = dict.fromkeys(name for recording in recordings for name in recording.facts)
    chosen = [name for name in names if name not in PERSON and not name.startswith(_CONDITION)]
    facts = [Fact(name, _told(recordings, name)) for name in chosen]
    notes = dict.fromkeys(note for recording in recordings for note in recording.notes)
    facts += [Fact("While reading", words.shortened(words.in_print(note), LONGEST)) for note in notes]
    return [*facts[:MOST_FACTS], *_left_out(len(facts) - MOST_FACTS)]


def condition_facts(recordings: Sequence[Recording]) -> list[Fact]:
    """Return what the data set says about each condition."""
    names = dict.fromkeys(name for recording in recordings for name in recording.facts if name.startswith(_CONDITION))
    facts = [Fact(name.removeprefix(_CONDITION), _told(recordings, name)) for name in names]
    return [*facts[:MOST_FACTS], *_left_out(len(facts) - MOST_FACTS)]


def _left_out(number_of: int) -> list[Fact]:
    return [Fact("And more", f"{number_of} further facts stand in the data set.")] if number_of > 0 else []


def _values(recordings: Sequence[Recording], name: str) -> list[str]:
    return list(dict.fromkeys(recording.facts[name] for recording in recordings if recording.facts.get(name)))


def _told(recordings: Sequence[Recording], name: str) -> str:
    values = _values(recordings, name)
    if len(values) <= 1:
        return words.shortened(words.in_print("".join(values)), LONGEST)
    told = []
    for value in values:
        tasks = dict.fromkeys(_task(recording) for recording in recordings if recording.facts.get(name) == value)
        told.append(f"{', '.join(tasks)}: {value.rstrip('.')}")
    return words.shortened(words.in_print("; ".join(told)), LONGEST * len(values))


def _task(recording: Recording) -> str:
    return recording.task or recording.name


def versions() -> Fact:
    """Return what the report was made with."""
    parts = (
        ("Decussa", VERSION),
        ("Python", platform.python_version()),
        ("numpy", np.__version__),
        ("scipy", scipy.__version__),
        ("pandas", pd.__version__),
        ("matplotlib", mpl.__version__),
        ("typst", metadata.version("typst")),
    )
    return Fact("Made with", ", ".join(f"{name}{numbers.THIN}{version}" for name, version in parts))
