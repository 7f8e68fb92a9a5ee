"""The columns of the two tables, with unit and meaning: the one place that files, sidecars, manual and report read.

Missing is an empty cell in files and NaN in Python (an empty string in text columns), never 0 or None.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Column:
    """One column: name, kind of value, unit (empty for none) and meaning in one sentence."""

    name: str
    kind: Literal["text", "number", "count"]
    unit: str
    meaning: str


TRIAL_COLUMNS: tuple[Column, ...] = (
    Column("participant", "text", "", "Pseudonym of the participant"),
    Column("session", "text", "", "Label of the session"),
    Column("timepoint", "text", "", "Point in time within the study, such as before or after"),
    Column("task", "text", "", "What the participant did"),
    Column("run", "text", "", "Run of the task"),
    Column("recording", "text", "", "File the sweep was cut from"),
    Column("block", "text", "", "Block of trials that belong together"),
    Column("sweep", "count", "", "Number of the stimulus within the recording, from 1"),
    Column("onset_s", "number", "s", "Onset of the test pulse from the start of the recording"),
    Column("pulse_from", "text", "", "How the pulse was found: events, trigger, annotation or artifact"),
    Column("muscle", "text", "", "Muscle recorded from"),
    Column("side", "text", "", "Side of the muscle: left or right"),
    Column("stim_side", "text", "", "Side of the head, or of the nerve, that was stimulated"),
    Column("stim_type", "text", "", "single, paired or nerve"),
    Column("condition", "text", "", "Name of the condition"),
    Column("intensity_mso", "number", "% MSO", "Intensity of the test pulse"),
    Column("cond_intensity_mso", "number", "% MSO", "Intensity of the conditioning pulse"),
    Column("current_ma", "number", "mA", "Current of the nerve pulse"),
    Column("isi_ms", "number", "ms", "Interstimulus interval asked for, onset to onset"),
    Column("isi_measured_ms", "number", "ms", "Interstimulus interval between the two artifacts"),
    Column("contraction_pct", "number", "% MVC", "Contraction asked for"),
    Column("stop_within", "number", "", "Factor within which ratios had to be known for their block to end early"),
    Column("background_rms_uv", "number", "uV", "RMS of the EMG in the baseline before the first pulse"),
    Column("amplitude_uv", "number", "uV", "Raw peak-to-peak in the window"),
    Column("size_uv", "number", "uV", "Peak-to-peak corrected for what noise and background add; may be 0"),
    Column("size_low_uv", "number", "uV", "Lower end of the interval of size_uv"),
    Column("size_high_uv", "number", "uV", "Upper end of the interval of size_uv"),
    Column("noise_uv", "number", "uV", "Peak-to-peak that noise and background alone would give in the window"),
    Column("response_p", "number", "", "Probability that there is a response at all"),
    Column("area_uv_ms", "number", "uV ms", "Rectified area over the window, background not subtracted"),
    Column("latency_ms", "number", "ms", "Onset of the response after the test pulse"),
    Column("latency_low_ms", "number", "ms", "Lower end of the interval of latency_ms"),
    Column("latency_high_ms", "number", "ms", "Upper end of the interval of latency_ms"),
    Column("duration_ms", "number", "ms", "End minus onset of the response"),
    Column("silent_start_ms", "number", "ms", "Start of the silence: end of the response"),
    Column("silent_end_ms", "number", "ms", "End of the silence: start of the return of EMG"),
    Column("silent_low_ms", "number", "ms", "Lower end of the interval of silent_end_ms"),
    Column("silent_high_ms", "number", "ms", "Upper end of the interval of silent_end_ms"),
    Column("silent_period_ms", "number", "ms", "Silent period: end of the silence minus onset of the response"),
    Column("silent_from_pulse_ms", "number", "ms", "Silent period by another definition: from the test pulse to its end"),
    Column("silent_from_end_ms", "number", "ms", "Silent period by another definition: from the end of the response"),
    Column("first_amplitude_uv", "number", "uV", "Peak-to-peak of the first response of a long-interval pair"),
    Column("artifact_start_ms", "number", "ms", "Start of the stimulus artifact, from the mark of the test pulse"),
    Column("artifact_end_ms", "number", "ms", "Time after the test pulse up to which the stimulus artifact reaches"),
    Column("extra_artifact_ms", "number", "ms", "Time of a stimulus artifact that was not asked for"),
    Column("heartbeat_ms", "number", "ms", "Time of a heartbeat in baseline or window, seen or between beats that were seen"),
    Column("clipped_samples", "count", "", "Samples at the end of the converter's range, from the baseline to the window's end"),
    Column("window_start_ms", "number", "ms", "Start of the window the response was measured in"),
    Column("window_end_ms", "number", "ms", "End of the window the response was measured in"),
    Column("verdict", "text", "", "accept, doubtful or reject"),
    Column("rule", "text", "", "Name of the rule that decided, such as background, interval or clipped"),
    Column("reason", "text", "", "Why the trial is doubtful or rejected, with the number that decided"),
    Column("method", "text", "", "How the values were measured: methods, settings and version"),
    Column("reviewed_by", "text", "", "Rater whose verdict and marks the row holds; empty: automatic, unreviewed"),
)  # fmt: skip

SUMMARY_COLUMNS: tuple[Column, ...] = (
    Column("participant", "text", "", "Pseudonym of the participant"),
    Column("session", "text", "", "Label of the session"),
    Column("timepoint", "text", "", "Point in time within the study"),
    Column("muscle", "text", "", "Muscle recorded from"),
    Column("side", "text", "", "Side of the muscle"),
    Column("stim_side", "text", "", "Side that was stimulated"),
    Column("condition", "text", "", "Name of the condition"),
    Column("isi_ms", "number", "ms", "Interstimulus interval asked for"),
    Column("intensity_mso", "number", "% MSO", "Intensity of the test pulse"),
    Column("contraction_pct", "number", "% MVC", "Contraction asked for; empty: not said, or of several conditions"),
    Column("quantity", "text", "", "What was estimated"),
    Column("value", "number", "", "The estimate, in the unit of the column unit"),
    Column("low", "number", "", "Lower end of its interval"),
    Column("high", "number", "", "Upper end of its interval"),
    Column("level", "number", "", "Level of the interval"),
    Column("n", "count", "", "Number of trials behind it"),
    Column("unit", "text", "", "Unit of value, low and high"),
    Column("method", "text", "", "Method of the estimate and of its interval"),
    Column("reason", "text", "", "Why there is no value, or what limits it"),
    Column("review", "text", "", "How many of the trials a rater reviewed: reviewed, so many of so many, or unreviewed"),
)  # fmt: skip

TRIAL_NAMES: tuple[str, ...] = tuple(column.name for column in TRIAL_COLUMNS)
SUMMARY_NAMES: tuple[str, ...] = tuple(column.name for column in SUMMARY_COLUMNS)
