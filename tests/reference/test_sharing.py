"""A shared study before the judges of the open formats.

Sources: bids-validator-deno, schema of BIDS 1.11; pynwb and nwbinspector; MNE and pyedflib as readers of BDF+.
"""

import warnings

import mne
import numpy as np
import pyedflib
import pytest
from nwbinspector import inspect_nwbfile
from pynwb import NWBHDF5IO, validate

from decussa.compose.exporting import Sharing, export_study
from decussa.compose.reviewing import ReviewRoom
from tests.compose.invented_session import MUSCLE, make_session
from tests.reference.test_bids_validator import NOT_OURS
from tests.reference.test_bids_validator import validate as validate_bids

#: What the inspector misses and a study by pseudonym must not say: names of those who measured, and where.
NOT_SHARED = {"check_experimenter_exists", "check_institution"}


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """A study of two people in BIDS, with everything that is optional, and in NWB; and the study."""
    folder = tmp_path_factory.mktemp("judged")
    make_session(folder / "study", 12)
    sharing = Sharing(
        bids=folder / "bids",
        nwb=folder / "nwb",
        draft_stimulation=True,
        authors=("First Author", "Second Author"),
        licence="CC0",
    )
    export_study(folder / "study", sharing, say=lambda _: None)
    return folder


def test_the_official_validator_has_nothing_to_say_that_we_could_have_answered(shared):
    issues = [issue for issue in validate_bids(shared / "bids") if issue.get("subCode") not in NOT_OURS]

    assert issues == []
    # The draft is there, and named as one.
    assert list((shared / "bids").rglob("*_nibs.tsv"))
    assert "draft 6.2" in (shared / "bids" / "README.md").read_text()


def test_the_validator_has_nothing_to_say_of_the_derivative(shared):
    issues = [
        issue
        for issue in validate_bids(shared / "bids" / "derivatives" / "decussa")
        if issue.get("subCode") not in {*NOT_OURS, "License", "Authors"} and issue["severity"] == "error"
    ]

    assert issues == []


def test_mne_and_pyedflib_read_the_same_samples_from_every_file(shared):
    for path in (shared / "bids").rglob("*.bdf"):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # MNE remarks on labels it does not know
            raw = mne.io.read_raw_bdf(path, preload=True, verbose="error")
        with pyedflib.EdfReader(str(path)) as file:
            samples_uv = file.readSignal(0)
            assert file.getSampleFrequency(0) == raw.info["sfreq"] == 2000
        # MNE gives volt where it reads uV.
        assert np.abs(raw.get_data()[0] * 1e6 - samples_uv).max() < 1e-3
        kept = ReviewRoom(shared / "study", "P07-1")
        sweeps = kept.sweeps(kept.of_muscle(MUSCLE))
        joined = np.concatenate([sweep.samples_uv[0] for sweep in sweeps])
        assert np.abs(samples_uv[: joined.size] - joined).max() < 1e-3
        assert not samples_uv[joined.size :].any()
        # Where sweeps meet, MNE is told not to filter across.
        assert sum(text == "EDGE boundary" for text in raw.annotations.description) == len(sweeps) - 1


def test_nwb_is_valid_and_the_inspector_misses_only_what_must_not_be_shared(shared):
    (path,) = (shared / "nwb").glob("*.nwb")

    assert validate(path=str(path)) == []
    said = {message.check_function_name for message in inspect_nwbfile(nwbfile_path=str(path))}
    assert said <= NOT_SHARED

    with NWBHDF5IO(str(path), "r") as file:
        held = file.read()
        kept = ReviewRoom(shared / "study", "P07-1")
        sweeps = kept.sweeps(kept.of_muscle(MUSCLE))
        series = held.acquisition["emg"]
        length = sweeps[0].samples_uv.shape[1]
        assert np.array_equal(series.data[length : 2 * length, 0], sweeps[1].samples_uv[0])
        trials = held.trials.to_dataframe()
        assert list(trials["condition"][:3]) == ["test", "SICI", "ICF"]
        assert np.diff(series.timestamps[:length]).max() == pytest.approx(1 / 2000)
