"""A whole session over live streams on loopback, from the check of the signals to its report; what a crash leaves."""

import hashlib
import time
from datetime import UTC, datetime

import mne
import numpy as np
import pyedflib
import pypdf
import pytest

from decussa.compose.feeds import open_streams
from decussa.compose.preparing import NOBODY
from decussa.compose.reporting import report_sessions
from decussa.compose.sessions import run_session
from decussa.compose.signal_bench import SignalBench
from decussa.compose.site_record import keep_check
from decussa.compose.streams import listen
from decussa.model.dialogue import Deliver, Trial
from decussa.model.stimulus import Stimulus
from decussa.protocol.schema import load_protocol
from decussa.recording.bdf_growing import GrowingBdf
from decussa.session.clock import VirtualClock
from decussa.source.virtual.amplifier import InventedAmplifier
from decussa.source.virtual.stream_faults import read_faults
from decussa.store.check import check_study
from decussa.store.codec import encode
from decussa.store.journal import open_journal
from decussa.store.preparing import SignalChecked
from decussa.store.records import RecordingKept
from decussa.store.study import open_study
from tests.compose.streamed import SEED, SESSION, Operator, make_study, person

pytest.importorskip("pylsl")

#: How much faster than life the invented amplifier sends.
SPEED = 8.0
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


def wait(stream_s):
    time.sleep(stream_s / SPEED)


def check_signals(folder, amplifier):
    """Look at rest, a contraction and the trigger of the streams, as Prepare does before the first pulse, and keep it."""
    protocol, _ = load_protocol("forearm")
    with open_streams(folder, protocol) as feed:
        bench = SignalBench(feed, protocol, lambda: SPEED * time.monotonic())
        for _ in range(40):
            bench.glance()
            wait(0.2)
        bench.look_at_rest()
        feed.hold(30.0)
        wait(5.0)
        bench.look_at_contraction("FCR left")
        feed.hold(0.0)
        bench.begin_firing()
        for _ in range(3):
            amplifier.signal.give(
                Deliver(stimulus=Stimulus.single(30), step="air"), 1, amplifier.signal.position + 2_500
            )
            wait(3.0)
        bench.look_at_trigger(3)
        keep_check(folder, SESSION, NOBODY, "stream", bench.found())


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """The same person's whole session over streams, and without them: folders and outcomes."""
    from decussa.source.stream.library import stay_on_this_machine

    stay_on_this_machine()
    place = tmp_path_factory.mktemp("both")
    streamed = place / "streamed"
    with sender(streamed, SPEED) as amplifier:
        make_study(streamed, amplifier)
        check_signals(streamed, amplifier)
        over = run(streamed, "stream", lambda protocol: listen(streamed, SESSION, protocol))
    return streamed, over, make_study(place / "plain"), run(place / "plain")


def test_a_whole_session_over_streams_finds_what_the_same_person_shows_without_them(both):
    _, over, _, plain = both

    assert over.stopped == ""
    assert dict(over.found) == dict(plain.found)
    assert len(trials(over.entries)) > 100
    assert trials(over.entries) == trials(plain.entries)


def test_its_signals_were_found_good_before_and_its_report_says_so_and_holds_what_was_found(both, tmp_path):
    streamed, over, _, _ = both
    kinds = [entry.kind for entry in over.entries]
    (checked,) = [entry.body for entry in over.entries if isinstance(entry.body, SignalChecked)]
    (path,) = report_sessions(streamed, out=tmp_path)
    words = " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())
    found = {finding.check: finding for finding in checked.findings}
    rate, rmt = found.pop("sampling rate"), over.found["FCR left/rmt"]

    assert kinds.index("signal checked") < kinds.index("started")
    assert {"contact", "noise at rest", "mains", "rises with its muscle", "trigger"} <= set(found)
    assert {finding.state for finding in found.values()} == {"good"}
    # On a machine that is at work, a stream eight times faster than life leaves its rate open.
    assert rate.low <= 5_000 <= rate.high
    assert "Signals looked at:" in words
    assert f"Resting motor threshold {rmt.value:.1f} [{rmt.low:.1f}, {rmt.high:.1f}] % MSO" in words
    assert f"{len(trials(over.entries))} trials" in words


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
