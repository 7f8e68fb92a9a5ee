"""Every quantity read off a sweep: its unit, definition, default and source, and the function that gives it."""

from __future__ import annotations

from dataclasses import dataclass

from decussa.measuring.times import OnsetMethod

VERSION = "measure 3"


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity: column of the trial table, unit, definition, defaults, source, and where its function lives."""

    name: str
    unit: str
    definition: str
    default: str
    source: str
    function: str


@dataclass(frozen=True, slots=True)
class Method:
    """A published method under its own name, for repeating old studies and for comparison."""

    name: str
    quantity: str
    definition: str
    source: str
    function: str


#: Values that are times from the sample of the test pulse: where the pulse lay between samples, that is taken off.
TIMES: tuple[str, ...] = (
    "latency_ms", "latency_low_ms", "latency_high_ms", "silent_start_ms", "silent_end_ms", "silent_low_ms",
    "silent_high_ms", "silent_from_pulse_ms", "artifact_start_ms", "artifact_end_ms", "extra_artifact_ms",
)  # fmt: skip

_PRACTICE = "common practice, no source"
_OURS = "this project; see the page of the quantity"

QUANTITIES: tuple[Quantity, ...] = (
    Quantity(
        "background_rms_uv", "uV", "RMS about the mean of the baseline before the first pulse",
        "-100 to -5 ms", "limit of 10 uV at rest: preprint 2025 on very low amplitude activity", "background.background_rms",
    ),
    Quantity(
        "amplitude_uv", "uV", "largest minus smallest recorded sample in the window that is not artifact",
        "window of the muscle", _PRACTICE, "amplitude.peak_to_peak",
    ),
    Quantity(
        "noise_uv", "uV", "mean peak-to-peak that the noise of the baseline would give in the window on its own",
        "noise counted as independent Gaussian samples", "Tippett 1925, doi 10.1093/biomet/17.3-4.364", "noise.mean_range",
    ),
    Quantity(
        "size_uv", "uV", "size of a response for which the observed peak-to-peak is the median, given the noise; may be 0",
        "smoothed over 3.6 ms below 30 noise RMS, not at all above 100", _OURS, "size.estimate_sizes",
    ),
    Quantity(
        "size_low_uv", "uV", "smallest size for which the observed peak-to-peak lies within the central 95 %",
        "95 %", _OURS, "size.estimate_sizes",
    ),
    Quantity(
        "size_high_uv", "uV", "largest size for which the observed peak-to-peak lies within the central 95 %",
        "95 %", _OURS, "size.estimate_sizes",
    ),
    Quantity(
        "response_p", "", "probability of a response, by its size; by its shape in time too where the size leaves it open",
        "1 to 1000 noise RMS, even in the logarithm; as likely as none", _OURS, "size.estimate_sizes",
    ),
    Quantity(
        "area_uv_ms", "uV ms", "rectified area over the window (trapezoid), mean of the baseline removed, background kept",
        "window of the muscle", _PRACTICE, "area.rectified_area",
    ),
    Quantity(
        "latency_ms", "ms", "onset of the response after the test pulse",
        "median of the posterior under a model of its start", _OURS, "latency.model_onsets",
    ),
    Quantity(
        "duration_ms", "ms", "end minus onset of the response", "both from the model", _OURS, "latency.model_onsets"
    ),
    Quantity(
        "silent_end_ms", "ms", "start of the return of EMG after the response", "median of the posterior", _OURS,
        "silent_period.model_silences",
    ),
    Quantity(
        "silent_period_ms", "ms", "end of the silence minus onset of the response", "",
        "definitions: Hupfeld 2020, doi 10.1016/j.jneumeth.2020.108950", "silent_period.model_silences",
    ),
    Quantity(
        "silent_from_pulse_ms", "ms", "test pulse to the end of the silence", "",
        "definitions: Hupfeld 2020, doi 10.1016/j.jneumeth.2020.108950", "silent_period.model_silences",
    ),
    Quantity(
        "silent_from_end_ms", "ms", "end of the response to the end of the silence", "",
        "definitions: Hupfeld 2020, doi 10.1016/j.jneumeth.2020.108950", "silent_period.model_silences",
    ),
    Quantity(
        "first_amplitude_uv", "uV", "peak-to-peak in the window after the first pulse of a pair of at least 50 ms",
        "window of the muscle", _PRACTICE, "amplitude.peak_to_peak",
    ),
    Quantity(
        "isi_measured_ms", "ms", "lag at which the artifact of the first pulse comes again", "", _OURS, "artifact.clean"
    ),
    Quantity(
        "artifact_end_ms", "ms", "first sample after the stimulus artifact", "at most 8 ms are bridged; nerve 1 ms",
        _PRACTICE, "artifact.clean",
    ),
    Quantity(
        "clipped_samples", "", "samples at the end of the converter's range, artifact left out",
        "from the baseline to the window's end", _PRACTICE, "kernel.count_clipped",
    ),
)  # fmt: skip

METHODS: tuple[Method, ...] = (
    Method(
        "mean + k SD of the rectified baseline", "latency_ms", "first run of at least 1 ms above mean + 3 SD",
        "Hodges and Bui 1996, doi 10.1016/S0921-884X(96)95190-5", "classical_onsets.rectified_threshold_onset",
    ),
    Method(
        "median + k MAD", "latency_ms", "the same with median and 1.4826 times the median absolute deviation",
        "J Neurosci Methods 2011, PMCID PMC3010493", "classical_onsets.median_threshold_onset",
    ),
    Method(
        "energy threshold", "latency_ms", "hard threshold on the squared signal",
        "after Soda 2020, doi 10.1109/ACCESS.2020.3033075", "classical_onsets.energy_onset",
    ),
    Method(
        "cumulative sum", "latency_ms", "last turning point before the summed deviation leaves its band",
        _PRACTICE, "classical_onsets.cumulative_sum_onset",
    ),
    Method(
        "generalised likelihood ratio", "latency_ms", "most likely change of variance",
        "Staude 2001, EURASIP J Appl Signal Process 2001:67", "classical_onsets.variance_change_onset",
    ),
    Method(
        "mean consecutive difference", "silent_end_ms", "control chart of the rectified average at 1 kHz, limit mean - 2.66 MCD",
        "Garvey 2001, doi 10.1016/S1388-2457(01)00581-8", "classical_silences.control_chart_silence",
    ),
    Method(
        "percentage of the mean", "silent_end_ms", "below a share of the mean rectified baseline",
        _PRACTICE, "classical_silences.percent_of_mean_silence",
    ),
    Method(
        "mean - k SD", "silent_end_ms", "below the mean less k SD of the rectified baseline",
        _PRACTICE, "classical_silences.mean_less_sd_silence",
    ),
    Method(
        "cumulative sum", "silent_end_ms", "turning points of the summed deviation from the baseline",
        "King 2005, J Physiol 565P:C21", "classical_silences.cumulative_sum_silence",
    ),
)  # fmt: skip


def describe_method(*, onset: OnsetMethod, silent: bool, intervals: bool, rate_hz: float, nerve: bool) -> str:
    """Return in one line how a trial is measured with these settings; goes into the column ``method``."""
    onsets = {
        "model": "onset from a model of the start",
        "threshold": "onset by mean + 3 SD of the rectified baseline (Hodges and Bui 1996)",
        None: "no onset",
    }
    silences = (
        "silence by the control chart (Garvey 2001)" if onset == "threshold" else "silence from a model of the return"
    )
    parts = [
        VERSION,
        f"{rate_hz:g} Hz",
        "artifact bridged, at most 1 ms" if nerve else "artifact bridged",
        "raw peak-to-peak",
        "size from the range of the noise",
        onsets[onset],
        *([silences] if silent else []),
        *([] if intervals else ["no intervals"]),
    ]
    return ", ".join(parts)
