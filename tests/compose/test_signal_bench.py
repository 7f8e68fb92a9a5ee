"""The bench in front of a live feed: looks, keeps the last of each check, and writes it down with who looked."""

import math
from dataclasses import replace

import numpy as np
import pytest

from decussa.compose.keeping import enrol
from decussa.compose.preparing import NOBODY, read_preparation
from decussa.compose.sessions import new_study
from decussa.compose.signal_bench import SignalBench, level_uv
from decussa.compose.site_record import accept_site, accepted_site, keep_check, told
from decussa.model.errors import UsageError
from decussa.model.recording import Channel
from decussa.protocol.schema import read_protocol
from decussa.quality.finding import worst
from decussa.source.live import FeedHealth
from decussa.source.virtual.bench_feed import VirtualFeed
from decussa.source.virtual.montage import montage_for
from decussa.source.virtual.person import VirtualParticipant
from decussa.store.check import check_study
from decussa.store.codec import encode
from decussa.store.journal import open_journal
from decussa.store.preparing import SignalChecked
from decussa.store.study import open_study
from tests.session.stage import SHORT

LABELS = ["FCR left", "FDI left"]
PROTOCOL = read_protocol(SHORT, where="short")


class Wired:
    """A virtual person's feed with a trigger channel, whose leads and rate can be spoilt."""

    def __init__(self, clock, *, swapped=False, rate_share=1.0, seed=4):
        self.clock, self.swapped, self.rate_share = clock, swapped, rate_share
        self.inner = VirtualFeed(VirtualParticipant(seed, montage_for(LABELS)), clock)
        self.marks = []

    @property
    def channels(self):
        return (*self.inner.channels, Channel(name="trigger", kind="trigger", rate_hz=5000.0, unit="V"))

    @property
    def rate_hz(self):
        return self.inner.rate_hz

    def recent_uv(self, seconds):
        emg = self.inner.recent_uv(seconds)
        if self.swapped:
            emg = emg[::-1]
        line = np.zeros((1, max(round(seconds * self.rate_hz), emg.shape[1])), dtype=np.float32)
        for mark in self.marks:
            at = line.shape[1] - round((self.clock.now - mark) * self.rate_hz)
            if 0 <= at < line.shape[1]:
                line[0, at : at + 10] = 5.0
        return np.concatenate([emg, line[:, -emg.shape[1] :]])

    def health(self):
        return FeedHealth(samples=round(self.rate_share * self.inner.health().samples))


class Clock:
    def __init__(self):
        self.now = 100.0

    def __call__(self):
        return self.now


def bench_of(**spoilt):
    clock = Clock()
    bench = SignalBench(Wired(clock, **spoilt), PROTOCOL, clock)
    for _ in range(40):
        clock.now += 0.5
        bench.glance()
    return bench, clock


def test_a_good_set_up_is_good_throughout():
    bench, clock = bench_of()
    bench.look_at_rest()
    for muscle in LABELS:
        bench.feed.inner.contract(20.0, only=muscle)
        clock.now += 3
        bench.look_at_contraction(muscle)
    bench.begin_firing()
    for _ in range(3):
        clock.now += 2
        bench.feed.marks.append(clock.now - 1)
    bench.look_at_trigger(3)

    assert worst(bench.found()) == "good", told(bench.found())
    assert {finding.check for finding in bench.found()} >= {"noise at rest", "mains", "trigger", "sampling rate"}
    assert told(bench.found()).startswith("all ")


def test_swapped_leads_and_a_rate_that_lies_are_said():
    bench, clock = bench_of(swapped=True, rate_share=0.99)
    bench.look_at_rest()
    bench.feed.inner.contract(20.0, only=LABELS[0])
    clock.now += 3
    swapped = bench.look_at_contraction(LABELS[0])
    rate = next(finding for finding in bench.found() if finding.check == "sampling rate")

    assert "look swapped" in swapped.words
    assert rate.state == "bad"


def test_a_pulse_without_a_mark_is_said():
    bench, clock = bench_of()
    bench.begin_firing()
    clock.now += 3
    bench.feed.marks.append(clock.now - 1)

    assert bench.look_at_trigger(2).state == "bad"


def test_a_check_out_of_order_is_refused_with_words():
    bench, _ = bench_of()
    with pytest.raises(UsageError, match=r"(?i)rest was not looked at"):
        bench.look_at_contraction(LABELS[0])
    with pytest.raises(UsageError, match=r"(?i)no such channel"):
        bench.look_at_contraction("TA left")
    with pytest.raises(UsageError, match=r"(?i)firing begins"):
        bench.look_at_trigger(1)


def test_looking_at_rest_again_forgets_what_was_found_of_the_leads():
    bench, clock = bench_of()
    bench.look_at_rest()
    bench.feed.inner.contract(20.0, only=LABELS[0])
    clock.now += 3
    bench.look_at_contraction(LABELS[0])
    bench.feed.inner.contract(0.0)
    clock.now += 8
    bench.look_at_rest()

    assert not [finding for finding in bench.found() if "rises" in finding.check]


def test_a_level_is_that_of_the_last_half_second():
    bench, clock = bench_of()
    before = level_uv(bench.feed, LABELS[0])
    bench.feed.inner.contract(30.0)
    clock.now += 2

    assert level_uv(bench.feed, LABELS[0]) > 5 * before
    assert math.isnan(level_uv(bench.feed, "TA left"))


@pytest.fixture
def study(tmp_path):
    """A study with one participant and a session."""
    path = tmp_path / "short.toml"
    path.write_text(SHORT, encoding="utf-8")
    folder = new_study(tmp_path / "study", str(path))
    enrol(folder, "P-014")
    return folder


def test_what_was_found_is_kept_with_the_session_and_the_study(study):
    bench, _ = bench_of()
    found = bench.look_at_rest()
    keep_check(study, "P-014-1", NOBODY, "stream", found)
    accept_site(study, NOBODY, "stream", found, "two amplifiers compared")
    with open_study(study, write=False) as opened, open_journal(opened, "P-014-1") as journal:
        (kept,) = [entry for entry in journal.entries() if isinstance(entry.body, SignalChecked)]

    # The records hold NaN, which is not equal to itself: compared as they are stored.
    assert encode(kept.body) == encode(replace(kept.body, findings=found))
    assert accepted_site(study).body.words == "two amplifiers compared"
    assert len(accepted_site(study).body.findings) == len(found)
    assert not check_study(study)
    item = next(item for item in read_preparation(study, "P-014-1").preparation.items if item.key == "signals")
    assert item.state == "done"
    assert item.optional


def test_a_bad_check_does_not_count_as_done_and_is_accepted_with_words_only(study):
    bench, clock = bench_of(swapped=True)
    bench.look_at_rest()
    bench.feed.inner.contract(20.0, only=LABELS[0])
    clock.now += 3
    bench.look_at_contraction(LABELS[0])
    keep_check(study, "P-014-1", NOBODY, "stream", bench.found())
    item = next(item for item in read_preparation(study, "P-014-1").preparation.items if item.key == "signals")

    assert item.state == "open"
    assert "swapped" in item.note
    with pytest.raises(UsageError, match="with words only"):
        accept_site(study, NOBODY, "stream", bench.found(), " ")
    assert accepted_site(study) is None


def test_nothing_looked_at_is_nothing_to_keep(study):
    with pytest.raises(UsageError, match=r"(?i)nothing was looked at"):
        keep_check(study, "P-014-1", NOBODY, "stream", ())
