"""EDF+ and BDF+ against two libraries of other hands, MNE-Python and pyEDFlib, and edfio, which writes the files."""

import math

import mne
import numpy as np
import pyedflib
import pytest

from decussa.model.recording import StimulusEvent
from decussa.model.stimulus import Stimulus
from decussa.recording.edf_header import read_header
from decussa.recording.edf_stamps import read_stamps
from decussa.recording.read import read
from tests.recording.files import RATE_HZ, noise, write_edf

SECONDS = 12
NOTES = [(1.2345, "TMS 52% single"), (4.5, "Rücken, µV ≥ 50"), (7.75, "PNS 12 mA")]


@pytest.fixture(scope="module", params=["edf", "bdf"])
def path(request, tmp_path_factory):
    signals = {"EMG FDI R": noise(SECONDS * RATE_HZ), "ES_L": noise(SECONDS * RATE_HZ, seed=1)}
    return write_edf(tmp_path_factory.mktemp("edf") / f"a.{request.param}", signals, notes=NOTES, ends=(-1234.5, 987.6))


def whole(path, channel):
    """Every sample, cut as one sweep around the middle."""
    recording = read(path)
    middle = StimulusEvent(sweep=1, onset_s=SECONDS / 2, stimulus=Stimulus.single(50), pulse_from="events")
    batch = recording.signals.cut(channel, [middle], SECONDS / 2 * 1e3, SECONDS / 2 * 1e3)
    return batch.samples_uv[0, : SECONDS * RATE_HZ]


@pytest.mark.parametrize("channel", [0, 1])
def test_samples_are_the_microvolts_mne_reads(path, channel):
    read_raw = mne.io.read_raw_edf if path.suffix == ".edf" else mne.io.read_raw_bdf
    theirs = read_raw(path, preload=True, verbose="error").get_data()[channel] * 1e6

    # float32 holds 24 bits: half a unit in the last place of 1024 uV.
    np.testing.assert_allclose(whole(path, channel), theirs, rtol=0, atol=1024 * 2**-24)


@pytest.mark.parametrize("channel", [0, 1])
def test_samples_are_the_microvolts_pyedflib_reads(path, channel):
    with pyedflib.EdfReader(str(path)) as reader:
        theirs = reader.readSignal(channel)

    np.testing.assert_allclose(whole(path, channel), theirs, rtol=0, atol=1024 * 2**-24)


def test_annotations_are_those_other_libraries_read(path):
    ours, _ = read_stamps(read_header(path))
    with pyedflib.EdfReader(str(path)) as reader:
        onsets, _, texts = reader.readAnnotations()
    read_raw = mne.io.read_raw_edf if path.suffix == ".edf" else mne.io.read_raw_bdf
    theirs = read_raw(path, verbose="error").annotations

    np.testing.assert_allclose([note.onset_s for note in ours], onsets, atol=1e-6)
    np.testing.assert_allclose([note.onset_s for note in ours], theirs.onset, atol=1e-6)
    assert [note.text for note in ours] == list(texts) == list(theirs.description)


def test_rates_and_rails_are_those_pyedflib_reads(path):
    channels = read(path).channels
    with pyedflib.EdfReader(str(path)) as reader:
        for index, channel in enumerate(channels):
            assert channel.rate_hz == reader.getSampleFrequency(index)
            assert math.isclose(channel.low_uv, reader.getPhysicalMinimum(index), rel_tol=1e-7)
            assert math.isclose(channel.high_uv, reader.getPhysicalMaximum(index), rel_tol=1e-7)


def test_a_file_that_starts_within_a_second_counts_from_its_first_sample(tmp_path):
    import datetime

    import edfio

    signal = edfio.EdfSignal(noise(20_000), RATE_HZ, label="FDI", physical_dimension="uV", physical_range=(-1000, 1000))
    edfio.Edf(
        [signal], starttime=datetime.time(10, 0, 0, 250_000), annotations=[edfio.EdfAnnotation(3.0, None, "TMS 52%")]
    ).write(tmp_path / "a.edf")
    theirs = edfio.read_edf(tmp_path / "a.edf").annotations[0].onset

    assert read(tmp_path / "a.edf").events[0].onset_s == theirs == 3.0
