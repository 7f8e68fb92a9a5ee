"""A virtual person can be looked at between pulses, and shows the contraction that is asked for."""

import numpy as np
import pytest

from decussa.model.stimulus import Stimulus
from decussa.quality.contraction_check import check_contraction
from decussa.source.virtual.bench_feed import VirtualFeed
from decussa.source.virtual.montage import montage_for
from decussa.source.virtual.person import VirtualParticipant


class Hands:
    """A clock that is turned by hand."""

    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


@pytest.fixture
def feed():
    return VirtualFeed(VirtualParticipant(4, montage_for(["FCR left", "FDI left"])), Hands())


def rms(feed, seconds=3.0):
    recent = feed.recent_uv(seconds)
    return np.sqrt(np.mean((recent - recent.mean(axis=1, keepdims=True)) ** 2, axis=1))


def test_rest_is_quiet_and_a_contraction_has_the_level_that_is_asked_for(feed):
    feed._seconds.now = 5.0
    rest = rms(feed)
    feed.contract(20.0)
    feed._seconds.now = 9.0
    held = rms(feed)
    most = np.array([feed.person.truth.muscles[one.name].mvc_uv for one in feed.channels])

    assert rest.max() < 10
    assert (held / most)[0] == pytest.approx(0.2, abs=0.07)


def test_one_muscle_can_be_contracted_alone(feed):
    feed._seconds.now = 5.0
    rest = feed.recent_uv(4.0)
    names = [one.name for one in feed.channels]
    feed.contract(20.0, only=names[1])
    feed._seconds.now = 9.0

    assert check_contraction(rest, feed.recent_uv(3.0), feed.rate_hz, names, names[1]).state == "good"


def test_looking_changes_nothing_of_what_a_stimulus_brings(feed):
    alone = VirtualParticipant(4, montage_for(["FCR left", "FDI left"])).deliver(Stimulus.single(70))
    feed.contract(20.0)
    feed._seconds.now = 9.0
    feed.recent_uv(2.0)

    assert feed.person.deliver(Stimulus.single(70)) == alone


def test_no_more_is_kept_than_is_looked_at(feed):
    feed._seconds.now = 3600.0

    assert feed.recent_uv(600.0).shape[1] <= 30 * feed.rate_hz
    assert feed.health().samples == pytest.approx(3600 * feed.rate_hz, abs=2 * feed.rate_hz)
