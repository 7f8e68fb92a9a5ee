"""A whole session over live streams on loopback: what it finds, what is kept of the streams, what a crash leaves."""

import hashlib
from datetime import UTC, datetime

import mne
import numpy as np
import pyedflib
import pytest

from decussa.compose.sessions import run_session
from decussa.compose.streams import listen
from decussa.model.dialogue import Trial
from decussa.protocol.schema import load_protocol
from decussa.recording.bdf_growing import GrowingBdf
from decussa.session.clock import VirtualClock
from decussa.source.virtual.amplifier import InventedAmplifier
from decussa.source.virtual.stream_faults import read_faults
from decussa.store.check import check_study
from decussa.store.codec import encode
from decussa.store.journal import open_journal
from decussa.store.records import RecordingKept
from decussa.store.study import open_study
from tests.compose.streamed import SEED, SESSION, Operator, make_study, person

pytest.importorskip("pylsl")

MORNING = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)


def run(folder, source="virtual", make=None):
    return run_session(
        folder,
        SESSION,
        source,
        operator=Operator(),
        clock=VirtualClock(MORNING),
        seed=SEED,
        make=make,
    )


def sender(folder, speed, *faults):
    return InventedAmplifier(
        person(),
        faults=read_faults(faults),
        speed=speed,
        reaction_s=0.4,
        name=f"EMG of {folder}",
        source_id=str(folder),
    )


def trials(entries):
    return [encode(entry.body) for entry in entries if isinstance(entry.body, Trial)]


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """The same person's whole session over streams, and without them: folders and outcomes."""
    from decussa.source.stream.library import stay_on_this_machine

    stay_on_this_machine()
    place = tmp_path_factory.mktemp("both")
    streamed = place / "streamed"
    with sender(streamed, 8.0) as amplifier:
        make_study(streamed, amplifier)
        over = run(streamed, "stream", lambda protocol: listen(streamed, SESSION, protocol))
    return streamed, over, make_study(place / "plain"), run(place / "plain")


def test_a_whole_session_over_streams_finds_what_the_same_person_shows_without_them(both):
    _, over, _, plain = both

    assert over.stopped == ""
    assert dict(over.found) == dict(plain.found)
    assert len(trials(over.entries)) > 100
    assert trials(over.entries) == trials(plain.entries)


def test_its_sweeps_are_the_same_sample_by_sample(both):
    streamed, over, plain_folder, _ = both
    kept = []
    for folder in (streamed, plain_folder):
        with open_study(folder, write=False) as study, open_journal(study, SESSION) as journal:
            kept.append([journal.sweep(entry.number) for entry in journal.entries() if entry.has_sweep])

    assert len(kept[0]) == sum(entry.has_sweep for entry in over.entries)
    assert kept[0] == kept[1]


def test_the_stream_is_kept_whole_with_its_hash_in_the_journal_and_is_read_elsewhere(both):
    streamed, over, _, _ = both
    with open_study(streamed, write=False) as study, open_journal(study) as journal:
        (kept,) = [entry.body for entry in journal.entries() if isinstance(entry.body, RecordingKept)]
    path = streamed / "recordings" / kept.file

    assert hashlib.sha256(path.read_bytes()).hexdigest() == kept.sha256
    assert [finding.what for finding in check_study(streamed) if finding.broken] == []
    raw = mne.io.read_raw_bdf(path, verbose="error")
    assert raw.ch_names == ["FCR left", "Trigger", "Torque"]
    stimuli = [one["onset"] for one in raw.annotations if one["description"].startswith("stimulus ")]
    assert len(stimuli) == len(trials(over.entries))
    with pyedflib.EdfReader(str(path)) as reader:
        assert reader.getSampleFrequency(0) == 5_000
        trigger = reader.readSignal(1)
    at = np.round(np.array(stimuli) * 5_000).astype(int)
    assert (trigger[at] > 4_000).all()
    assert (trigger[at - 1] < 1).all()


def test_what_a_killed_program_left_is_mended_and_taken_in(tmp_path):
    folder = make_study(tmp_path / "study")
    place = folder / "recordings" / "V-0007"
    place.mkdir()
    part = place / ".V-0007-1-EMG-20260302T140000.bdf.part"
    protocol, _ = load_protocol("forearm")
    left = GrowingBdf(part, person().channels, 5_000.0, start=MORNING)
    left.write(np.zeros((1, 5_500), dtype=np.float32))

    assert [finding.broken for finding in check_study(folder)] == [False]
    listen(folder, SESSION, protocol)

    assert check_study(folder) == []
    assert [path.name for path in place.iterdir()] == ["V-0007-1-EMG-20260302T140000.bdf"]
    with pyedflib.EdfReader(str(place / "V-0007-1-EMG-20260302T140000.bdf")) as reader:
        assert reader.getNSamples()[0] == 5_000
