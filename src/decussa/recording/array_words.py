"""What labs call things in files of arrays. Words are common practice, no source; they are compared as ``plain_name`` gives them.

Each entry gives the factor to the unit that is used inside, or 0 where the unit is not in the name and has to be told apart.
"""

from __future__ import annotations

#: Sampling rate; factor to Hz.
RATE: dict[str, float] = dict.fromkeys(
    (
        "fs", "sf", "sr", "srate", "sfreq", "rate", "rate_hz", "fs_hz", "sample_rate", "sample_rate_hz", "samplerate",
        "sampling_rate", "sampling_rate_hz", "samplingrate", "sampling_frequency", "sampling_frequency_hz",
        "samplingfrequency", "sampling_freq", "sample_freq", "sample_frequency", "fsample", "frequency", "freq",
        "freq_hz", "frequency_hz", "abtastrate", "abtastrate_hz",
    ),
    1.0,
) | dict.fromkeys(
    ("rate_khz", "fs_khz", "sampling_rate_khz", "sample_rate_khz", "sampling_frequency_khz", "frequency_khz"), 1e3
)  # fmt: skip

#: Time from one sample to the next; factor to seconds.
STEP: dict[str, float] = {
    "dt": 0, "delta_t": 0, "sampling_interval": 0, "sample_interval": 0, "sampling_period": 0, "dt_s": 1, "dt_ms": 1e-3,
    "dt_us": 1e-6, "sampling_interval_s": 1, "sampling_interval_ms": 1e-3, "sampling_interval_us": 1e-6,
    "sample_interval_s": 1, "sample_interval_ms": 1e-3, "sample_interval_us": 1e-6,
}  # fmt: skip

#: The time of every sample; factor to seconds.
TIME: dict[str, float] = {
    "t": 0, "time": 0, "times": 0, "timestamps": 0, "time_axis": 0, "timeaxis": 0, "time_vector": 0, "zeit": 0, "t_s": 1,
    "time_s": 1, "times_s": 1, "zeit_s": 1, "t_ms": 1e-3, "time_ms": 1e-3, "times_ms": 1e-3, "zeit_ms": 1e-3,
}  # fmt: skip

#: Time from the first sample of a sweep to the test pulse; factor to seconds.
BEFORE: dict[str, float] = {
    "pre_s": 1, "pretrigger_s": 1, "pre_trigger_s": 1, "prestim_s": 1, "pre_stim_s": 1, "prestimulus_s": 1,
    "before_s": 1, "pre_ms": 1e-3, "pretrigger_ms": 1e-3, "pre_trigger_ms": 1e-3, "prestim_ms": 1e-3,
    "pre_stim_ms": 1e-3, "prestimulus_ms": 1e-3, "before_ms": 1e-3, "pulse_at_ms": 1e-3, "pulse_at_s": 1,
    "stim_at_ms": 1e-3, "stim_at_s": 1,
}  # fmt: skip
#: Which sample the test pulse lies at; counted as the format counts.
AT_SAMPLE = frozenset({
    "onset_sample", "onset_index", "onset_idx", "stim_sample", "stim_index", "stim_idx", "pulse_sample", "pulse_index",
    "pulse_idx", "trigger_sample", "trigger_index", "trigger_idx", "stimulus_sample", "stimulus_index",
})  # fmt: skip
#: How many samples lie before the test pulse.
SAMPLES_BEFORE = frozenset({
    "pre_samples", "n_pre", "npre", "pretrigger_samples", "pre_trigger_samples", "prestim_samples", "samples_before",
})  # fmt: skip
#: Words that speak of the onset, but leave open in which unit: refused, not guessed.
BEFORE_UNCLEAR = frozenset({"pre", "pretrigger", "pre_trigger", "prestim", "pre_stim", "prestimulus", "pre_stimulus"})

UNIT = frozenset(
    {"unit", "units", "einheit", "physical_unit", "physical_dimension", "units_emg", "emg_unit", "emg_units"}
)
LABELS = frozenset({
    "labels", "label", "channels", "channel", "channel_names", "channel_name", "channel_labels", "ch_names", "chnames",
    "ch_labels", "muscles", "muscle_names", "names", "chan_names", "electrode_names", "kanal", "kanaele", "column_names",
    "columns",
})  # fmt: skip

#: Onsets of the stimuli of a continuous recording; factor to seconds, 0: told apart by what fits, -1: sample numbers.
ONSETS: dict[str, float] = {
    "onset": 0, "onsets": 0, "pulse_times": 0, "stim_times": 0, "stimulus_times": 0, "trigger_times": 0, "event_times": 0,
    "pulses": 0, "triggers": 0, "onset_s": 1, "onsets_s": 1, "pulse_times_s": 1, "stim_times_s": 1, "trigger_times_s": 1,
    "start_time": 1, "onset_ms": 1e-3, "onsets_ms": 1e-3, "pulse_times_ms": 1e-3, "stim_times_ms": 1e-3,
    "trigger_times_ms": 1e-3, "onset_sample": -1, "onset_samples": -1, "pulse_samples": -1, "stim_samples": -1,
    "trigger_samples": -1, "pulse_indices": -1, "stim_indices": -1, "trigger_indices": -1, "onset_indices": -1,
}  # fmt: skip

#: Columns of the stimuli, by the names of ``docs/formats.md`` and by what labs write in their place.
COLUMNS: dict[str, str] = {
    name: name
    for name in (
        "stim_type", "condition", "intensity_mso", "cond_intensity_mso", "isi_ms", "muscle", "current_ma",
        "contraction_pct", "block", "timepoint", "stim_side", "trial_type",
    )
} | {
    "mso": "intensity_mso", "intensity_pct_mso": "intensity_mso", "test_mso": "intensity_mso", "ts_mso": "intensity_mso",
    "mso_pct": "intensity_mso", "stim_mso": "intensity_mso", "test_intensity_mso": "intensity_mso",
    "cond_mso": "cond_intensity_mso", "cs_mso": "cond_intensity_mso", "conditioning_mso": "cond_intensity_mso",
    "isi": "isi_ms", "interval_ms": "isi_ms", "interstimulus_interval_ms": "isi_ms", "conditions": "condition",
    "current": "current_ma", "contraction_pct_mvc": "contraction_pct", "mvc_pct": "contraction_pct",
    "stimtype": "stim_type", "stimulus_type": "stim_type",
}  # fmt: skip
#: Who and when, said once for the whole file.
KEYS: dict[str, str] = {
    "participant": "participant", "participant_id": "participant", "subject": "participant", "subject_id": "participant",
    "sub": "participant", "proband": "participant", "session": "session", "ses": "session", "session_id": "session",
    "task": "task", "run": "run",
}  # fmt: skip

#: Names of the array that holds the signal; the first group goes before the second.
SIGNAL: tuple[frozenset[str], ...] = (
    frozenset({"emg", "mep", "meps", "emg_data", "emg_sweeps", "emg_uv", "emg_mv", "emg_v", "mep_data"}),
    frozenset({
        "data", "signal", "signals", "sweeps", "trials", "epochs", "samples", "traces", "raw", "wave", "waveform",
        "waveforms", "frames", "y", "values", "recording",
    }),
)  # fmt: skip
#: Words that say: what is numbered are sweeps.
SWEEP_WORDS = frozenset(
    {"trial", "trials", "sweep", "sweeps", "epoch", "epochs", "frame", "frames", "stim", "rep", "mep", "pulse"}
)
#: Words for the axes of an array, where a file names them.
AXES: dict[str, str] = {
    "sweep": "sweep", "sweeps": "sweep", "trial": "sweep", "trials": "sweep", "epoch": "sweep", "epochs": "sweep",
    "stimulus": "sweep", "sample": "sample", "samples": "sample", "time": "sample", "times": "sample", "t": "sample",
    "channel": "channel", "channels": "channel", "muscle": "channel", "muscles": "channel", "ch": "channel",
}  # fmt: skip
AXES_NAMES = frozenset({"axes", "dims", "dimensions", "axis_names", "dim_names", "dimension_labels", "order"})
