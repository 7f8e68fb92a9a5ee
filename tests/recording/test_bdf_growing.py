"""A file that is being recorded is read by libraries that are not ours, at every moment, also after a kill."""

import signal
import subprocess
import sys
import textwrap
import time
import warnings
from datetime import UTC, datetime

import mne
import numpy as np
import pyedflib
import pytest

from decussa.model.errors import MachineError
from decussa.model.recording import Channel
from decussa.recording.bdf_growing import RANGE, GrowingBdf, mend_bdf
from decussa.recording.read import read

RATE = 5_000.0
START = datetime(2026, 3, 2, 14, 0, 5, tzinfo=UTC)
CHANNELS = (
    Channel(name="FCR left", kind="emg", rate_hz=RATE, low_uv=-20_000, high_uv=20_000),
    Channel(name="Trigger", kind="trigger", rate_hz=RATE, unit="uV"),
)


def samples(count=7_300, seed=1):
    made = np.random.default_rng(seed).normal(0, 500, (2, count)).astype(np.float32)
    made[1] = 0
    made[1, 3_000:3_005] = 5_000
    return made


def grow(path, made, pieces=(1, 999, 2_500, 3_800), notes=()):
    file = GrowingBdf(path, CHANNELS, RATE, participant="P07", start=START)
    at = 0
    for size in pieces:
        file.write(made[:, at : at + size])
        at += size
    for sample, text in notes:
        file.note(sample, text)
    return file


def by_mne(path):
    return mne.io.read_raw_bdf(path, preload=True, verbose="error")


def test_what_was_written_is_read_by_two_libraries(tmp_path):
    made = samples()
    path = tmp_path / "s.bdf"
    grow(path, made, notes=[(3_000, "stimulus 1")]).close()

    with pyedflib.EdfReader(str(path)) as reader:
        assert reader.getSampleFrequency(0) == RATE
        assert reader.getSignalLabels() == ["FCR left", "Trigger"]
        assert np.allclose(reader.readSignal(0)[:7_300], made[0], atol=40_000 / 2**24)
        assert np.allclose(reader.readSignal(1)[:7_300], made[1], atol=2 * RANGE / 2**24)
        onsets, _, texts = reader.readAnnotations()
        assert (list(onsets), list(texts)) == ([0.6], ["stimulus 1"])
        assert reader.getStartdatetime() == START.replace(tzinfo=None)
        assert reader.getPatientCode() == "P07"
    raw = by_mne(path)
    assert raw.info["sfreq"] == RATE
    assert np.allclose(raw.get_data(units="uV")[0, :7_300], made[0], atol=40_000 / 2**24)
    assert [(one["onset"], one["description"]) for one in raw.annotations] == [(0.6, "stimulus 1")]


def test_our_own_reader_finds_the_pulse(tmp_path):
    path = tmp_path / "s.bdf"
    grow(path, samples()).close()

    recording = read(path)

    assert [channel.name for channel in recording.channels] == ["FCR left", "Trigger"]
    assert recording.duration_s == pytest.approx(1.6)


def test_a_file_that_is_still_open_holds_all_whole_records(tmp_path):
    made = samples()
    path = tmp_path / "s.bdf"
    file = grow(path, made)

    with pyedflib.EdfReader(str(path)) as reader:
        assert np.allclose(reader.readSignal(0), made[0, :7_000], atol=40_000 / 2**24)
    assert by_mne(path).n_times == 7_000
    file.close()


def test_lost_samples_are_zero_and_said(tmp_path):
    made = samples()
    made[:, 4_000:4_040] = np.nan
    path = tmp_path / "s.bdf"
    grow(path, made).close()

    raw = by_mne(path)
    assert (raw.get_data(units="uV")[0, 4_000:4_040] < 0.01).all()
    assert [(one["onset"], one["description"]) for one in raw.annotations] == [(0.8, "samples lost: 40")]


def test_words_that_do_not_fit_a_record_go_into_later_ones(tmp_path):
    made = samples()
    path = tmp_path / "s.bdf"
    notes = [(10 * number, f"marker {number} " + "ä" * 60) for number in range(20)]
    grow(path, made, notes=notes).close()

    texts = [one["description"] for one in by_mne(path).annotations]
    assert texts == [text for _, text in notes]


@pytest.mark.parametrize("seed", range(3))
def test_a_killed_program_leaves_a_file_that_can_be_read(tmp_path, seed):
    path = tmp_path / "s.bdf"
    code = f"""
        import numpy as np
        from datetime import UTC, datetime
        from pathlib import Path
        from decussa.model.recording import Channel
        from decussa.recording.bdf_growing import GrowingBdf
        channels = [Channel(name=f"EMG {{n}}", kind="emg", rate_hz=5000.0) for n in range(4)]
        file = GrowingBdf(Path({str(path)!r}), channels, 5000.0, start=datetime(2026, 3, 2, tzinfo=UTC))
        number = 0
        while True:
            file.write(np.tile(np.arange(number, number + 50, dtype=np.float32) % 100_000, (4, 1)))
            number += 50
    """
    child = subprocess.Popen([sys.executable, "-c", textwrap.dedent(code)])
    while not path.exists() or path.stat().st_size < 3_000_000:
        time.sleep(0.005)
    time.sleep(0.01 * np.random.default_rng(seed).random())
    child.send_signal(signal.SIGKILL)
    child.wait()

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        as_it_was_left = by_mne(path).n_times
    records = mend_bdf(path)
    assert abs(as_it_was_left - records * 1_000) <= 1_000
    with pyedflib.EdfReader(str(path)) as reader:
        read_back = reader.readSignal(3)
    assert read_back.size == records * 1_000
    assert np.allclose(read_back, np.arange(read_back.size) % 100_000, atol=2 * RANGE / 2**24)
    assert by_mne(path).n_times == read_back.size


def test_mending_takes_away_half_a_record_and_counts_one_too_many(tmp_path):
    path = tmp_path / "s.bdf"
    grow(path, samples()).close()
    whole = path.read_bytes()
    record = (len(whole) - 256 * 4) // 8

    path.write_bytes(whole[:236] + b"7       " + whole[244:] + whole[-record // 2 :])

    assert mend_bdf(path) == 8
    assert path.read_bytes() == whole


def test_a_file_is_never_written_over(tmp_path):
    path = tmp_path / "s.bdf"
    path.write_text("mine", encoding="utf-8")

    with pytest.raises(MachineError, match="stream cannot be kept"):
        grow(path, samples())
    assert path.read_text(encoding="utf-8") == "mine"
