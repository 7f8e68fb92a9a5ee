"""Real voluntary contractions of a real recording: the channel rises, rest and contraction are told apart.

The recording is example data of the BioSPPy library (BSD licence), surface EMG at 1 kHz in converter counts; it is found by the
environment variable DECUSSA_DATA and the tests are passed over without it.
"""

import os
from pathlib import Path

import numpy as np
import pytest

from decussa.quality.contraction_check import check_contraction
from decussa.quality.signal_check import CONTACT, NOISE, RANGE, Lead, check_rest

FILE = Path(os.environ.get("DECUSSA_DATA", "")) / "voluntary-emg" / "emg.txt"
RATE = 1000.0

pytestmark = pytest.mark.skipif(
    not os.environ.get("DECUSSA_DATA") or not FILE.exists(), reason="no recordings of others on this machine"
)


@pytest.fixture(scope="module")
def seconds():
    """The recording as whole seconds, in counts about their median, ordered from the quietest to the loudest."""
    counts = np.loadtxt(FILE, comments="#")
    counts = counts - np.median(counts)
    whole = counts[: counts.size // 1000 * 1000].reshape(-1, 1000)
    return whole[np.argsort(whole.std(axis=1))]


def test_the_loud_seconds_are_a_rise_of_the_channel_and_of_no_other(seconds):
    rest, burst = seconds[:6].ravel(), seconds[-6:].ravel()
    names = ["EMG", "other"]
    other = np.random.default_rng(1).normal(0, rest.std(), (2, rest.size))
    there = check_contraction(np.array([rest, other[0]]), np.array([burst, other[1]]), RATE, names, "EMG")
    swapped = check_contraction(np.array([rest, other[0]]), np.array([burst, other[1]]), RATE, names, "other")

    assert there.state == "good"
    assert there.low > 2
    assert swapped.state == "bad"
    assert "swapped" in swapped.words


def test_a_contraction_is_not_taken_for_rest(seconds):
    scale = 4.0 / seconds[:6].ravel().std()  # counts become about 4 µV at rest; the gain is not told
    rest = {one.check: one.state for one in check_rest([scale * seconds[:6].ravel()], RATE, [Lead(name="EMG")])}
    loud = {one.check: one.state for one in check_rest([scale * seconds[-6:].ravel()], RATE, [Lead(name="EMG")])}

    assert rest[CONTACT] == rest[RANGE] == "good"
    assert rest[NOISE] != "bad"
    assert loud[NOISE] in ("doubtful", "bad")
