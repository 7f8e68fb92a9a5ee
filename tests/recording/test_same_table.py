"""The same session, whatever the format: the same trial table. Written by other libraries, see ``foreign``."""

import mne
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from decussa.batch.measure import measure_recording
from decussa.batch.settings import MeasureSettings
from decussa.recording.read import read
from tests.recording.foreign import RANGE_UV, STEP_UV, WRITERS, make_session

QUICK = MeasureSettings(onset="threshold", intervals=False)
#: What the formats tell differently, or not at all.
APART = ["participant", "session", "recording", "pulse_from", "condition"]


def table_of(path) -> pd.DataFrame:
    table = measure_recording(read(path), QUICK).drop(columns=APART)
    return table.sort_values(["sweep", "muscle"], ignore_index=True)


@settings(
    max_examples=4,
    deadline=None,
    phases=(
        Phase.explicit,
        Phase.reuse,
        Phase.generate,
    ),  # each example writes thirteen files: shrinking would take minutes
    suppress_health_check=[HealthCheck.too_slow],
)
@given(
    seed=st.integers(0, 2**32 - 1),
    labels=st.sampled_from([("FDI_R", "ADM_R"), ("FCR_L",), ("FDI_L", "FDI_R", "APB_L")]),
    rate_hz=st.sampled_from([1000, 2000, 5000]),
    n_stimuli=st.integers(4, 6),  # as many sweeps as channels cannot be told apart, see test_arrays,
)
def test_every_format_gives_the_same_trial_table(tmp_path_factory, seed, labels, rate_hz, n_stimuli):
    session = make_session(seed, labels=labels, rate_hz=rate_hz, n_stimuli=n_stimuli)
    folder = tmp_path_factory.mktemp("same")

    tables = {name: table_of(write(folder, session)) for name, write in WRITERS.items()}

    first = tables.pop("edf")
    assert len(first) == n_stimuli * len(labels)
    assert first["amplitude_uv"].notna().all()
    for name, table in tables.items():
        # Samples lie on steps that every format holds exactly; what is left is the rounding of times and of unit factors.
        pd.testing.assert_frame_equal(table, first, check_exact=False, rtol=1e-6, atol=1e-6, obj=name)


def test_a_format_that_rounds_samples_changes_sizes_by_its_own_step_only(tmp_path):
    session = make_session(11)
    info = mne.create_info([f"EMG {label}" for label in session.labels], session.rate_hz, "eeg")
    raw = mne.io.RawArray(session.samples_uv * 1e-6, info, verbose="error")
    raw.set_annotations(mne.Annotations(session.column("onset_s"), 0, [stim.text for stim in session.stimuli]))
    mne.export.export_raw(tmp_path / "a.edf", raw, physical_range=(-10_000, 10_000), verbose="error")
    step_uv = 20_000 / 65_535

    ours = table_of(tmp_path / "a.edf")

    exact = table_of(WRITERS["npz"](tmp_path, session))
    assert (ours["amplitude_uv"] - exact["amplitude_uv"]).abs().max() <= step_uv
    assert (ours["amplitude_uv"] - exact["amplitude_uv"]).abs().max() > 0
    np.testing.assert_array_equal(ours["intensity_mso"], exact["intensity_mso"])


def test_the_invented_samples_lie_on_the_steps_of_sixteen_bits():
    samples = make_session(1).samples_uv

    np.testing.assert_array_equal(np.round(samples / STEP_UV) * STEP_UV, samples)
    assert (RANGE_UV[1] - RANGE_UV[0]) / STEP_UV == pytest.approx(2**16 - 1)
