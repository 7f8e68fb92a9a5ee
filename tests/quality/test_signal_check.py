"""Channels before the first pulse: what is wrong with each invented one is said, what is right is left alone."""

import math

import numpy as np
import pytest
from scipy import signal, stats

from decussa.quality.clock_check import check_rate, check_trigger
from decussa.quality.contraction_check import check_contraction
from decussa.quality.finding import worst
from decussa.quality.mains import fit_mains
from decussa.quality.signal_check import ALIKE, CONTACT, MAINS, NOISE, OFFSET, RANGE, CheckLimits, Lead, check_rest
from decussa.quality.stretches import median_with_interval, rise_with_interval, stretch_rms
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.recorder import lose_contact

RATE = 2000.0
SECONDS = 5.0
RNG = np.random.default_rng(11)
TIME = np.arange(round(SECONDS * RATE)) / RATE


def quiet(rms=3.0):
    return RNG.normal(0, rms, TIME.size)


def states(trace, lead=None, rate=RATE):
    """The states of one channel by check."""
    found = check_rest(np.atleast_2d(trace), rate, [lead or Lead(name="FCR left", low_uv=-5000, high_uv=5000)])
    return {finding.check: finding.state for finding in found}


def test_a_quiet_channel_raises_nothing():
    assert states(quiet()) == {CONTACT: "good", RANGE: "good", OFFSET: "good", NOISE: "good", MAINS: "good"}


@pytest.mark.parametrize("seed", range(1, 6))
def test_channels_of_a_virtual_person_at_rest_are_not_called_bad(seed):
    person = VirtualParticipant(seed, "forearm")
    from decussa.model.stimulus import Stimulus

    sweeps = [person.deliver(Stimulus.single(0.0)).samples_uv[:, :700] for _ in range(20)]
    leads = [Lead(name=one.name, low_uv=one.low_uv, high_uv=one.high_uv) for one in person.channels]

    assert worst(check_rest(np.concatenate(sweeps, axis=1), 5000.0, leads)) != "bad"


def test_noise_is_told_with_the_interval_in_which_it_was_invented():
    found = check_rest(np.atleast_2d(quiet(6.0)), RATE, [Lead(name="FCR left")])
    noise = next(finding for finding in found if finding.check == NOISE)

    assert noise.low <= 6.0 <= noise.high
    assert noise.n == 52


@pytest.mark.parametrize(("rms", "state"), [(4.0, "good"), (8.8, "doubtful"), (14.0, "bad")])
def test_noise_is_held_against_the_limit_of_a_trials_background(rms, state):
    # A wide margin for single stretches, so that the median alone decides here.
    lead = Lead(name="FCR left", limits=CheckLimits(loud_share=0.5))

    assert states(quiet(rms), lead)[NOISE] == state


def test_a_muscle_that_twitches_now_and_then_is_doubtful_though_its_median_is_low():
    trace = quiet()
    trace[::400] = 0
    for start in range(0, TIME.size, 2000):
        trace[start : start + 400] += RNG.normal(0, 30, 400)

    assert states(trace)[NOISE] == "doubtful"


@pytest.mark.parametrize("hz", [50.0, 49.87, 60.0, 60.11])
def test_mains_are_found_with_frequency_and_size(hz):
    wave = 6 * np.sqrt(2) * np.sin(2 * np.pi * hz * TIME + 0.3) + 2 * np.sqrt(2) * np.sin(6 * np.pi * hz * TIME)
    found = fit_mains(wave + quiet(), RATE)

    # The sum of two waves has the root of the sum of their squares.
    assert found.rms_uv == pytest.approx(math.hypot(6, 2), rel=0.03)
    assert found.hz == pytest.approx(hz, abs=0.02)
    assert found.share == pytest.approx(40 / 49, abs=0.02)
    assert states(wave + quiet())[MAINS] == "doubtful"


def test_mains_agree_with_a_line_of_the_spectrum_by_another_library():
    trace = 5 * np.sqrt(2) * np.sin(2 * np.pi * 50 * TIME) + quiet()
    # scipy's spectrum with a flat-top window reads the amplitude of a line.
    freqs, spectrum = signal.welch(trace, RATE, window="flattop", nperseg=TIME.size, scaling="spectrum")
    line = math.sqrt(spectrum[np.abs(freqs - 50).argmin()])

    assert fit_mains(trace, RATE).rms_uv == pytest.approx(line, rel=0.02)


def test_noise_alone_is_no_mains():
    sizes = [fit_mains(RNG.normal(0, 5, TIME.size), RATE).rms_uv for _ in range(15)]

    assert np.median(sizes) < 0.5


def test_an_electrode_that_came_off_is_bad():
    trace = lose_contact(quiet() * 1.0, np.random.default_rng(3))

    assert states(trace, Lead(name="FCR left", low_uv=-5000, high_uv=5000), rate=5000.0)[MAINS] == "bad"


def test_a_flat_channel_is_dead_and_nothing_else_is_said_of_it():
    assert states(np.full(TIME.size, 12.0)) == {CONTACT: "bad"}


def test_a_channel_in_another_unit_is_doubtful():
    assert states(quiet() / 1000)[CONTACT] == "doubtful"


def test_lost_samples_are_said():
    trace = quiet()
    trace[1000:1200] = math.nan

    assert states(trace)[CONTACT] == "doubtful"


def test_too_little_signal_is_not_judged():
    assert states(quiet()[:500]) == {CONTACT: "unknown"}


@pytest.mark.parametrize(("offset", "state"), [(100, "good"), (1500, "doubtful"), (-3000, "bad")])
def test_an_offset_is_held_against_the_room_that_is_left(offset, state):
    assert states(quiet() + offset)[OFFSET] == state


def test_samples_at_the_end_of_the_range_are_counted():
    trace = quiet() + 3000 * (np.arange(TIME.size) % 4000 < 10)

    assert states(np.clip(trace, -2000, 2000), Lead(name="a", low_uv=-2000, high_uv=2000))[RANGE] == "bad"
    assert states(np.clip(trace, -2000, 2000), Lead(name="a"))[RANGE] == "bad"
    assert states(trace, Lead(name="a", low_uv=-20000, high_uv=20000))[RANGE] == "good"


def test_two_channels_with_one_signal_are_seen_and_shared_mains_are_not():
    first, mains = quiet(), 8 * np.sin(2 * np.pi * 50 * TIME)
    leads = [Lead(name="FCR left"), Lead(name="ECR left")]
    same = check_rest(np.array([first, 1.2 * first + quiet(0.05)]), RATE, leads)
    own = check_rest(np.array([first + mains, quiet() + mains]), RATE, leads)

    assert [finding.state for finding in same if finding.check == ALIKE] == ["bad"]
    assert not [finding for finding in own if finding.check == ALIKE]


def contracted(first, second, rest=3.0):
    return np.array([RNG.normal(0, rest * first, TIME.size), RNG.normal(0, rest * second, TIME.size)])


@pytest.mark.parametrize(
    ("first", "second", "state"),
    [(8, 1, "good"), (1, 8, "bad"), (1, 1, "bad"), (8, 7, "doubtful"), (3, 9, "doubtful"), (8, 2, "good")],
)
def test_the_channel_of_the_contracted_muscle_must_rise_most(first, second, state):
    names = ["FCR left", "ECR left"]
    found = check_contraction(contracted(1, 1), contracted(first, second), RATE, names, "FCR left")

    assert found.state == state


def test_swapped_leads_are_called_so():
    names = ["FCR left", "ECR left"]
    found = check_contraction(contracted(1, 1), contracted(1, 9), RATE, names, "FCR left")

    assert "swapped" in found.words


def test_a_dead_channel_is_not_called_swapped():
    names = ["FCR left", "ECR left"]
    flat = np.zeros((2, TIME.size))

    assert check_contraction(flat, flat, RATE, names, "FCR left").state == "unknown"


def arrivals(rate, seconds=20.0, jitter=0.004):
    clock = np.arange(0, seconds, 0.05)
    return clock + RNG.exponential(jitter, clock.size), np.floor(clock * rate)


@pytest.mark.parametrize(
    ("true_hz", "state"), [(5000.0, "good"), (5000.25, "good"), (4950.0, "bad"), (5050.0, "bad"), (5010.0, "doubtful")]
)
def test_a_rate_that_lies_by_one_percent_is_bad_and_a_usual_drift_is_not(true_hz, state):
    found = check_rate(*arrivals(true_hz), 5000.0)

    assert found.state == state
    assert found.low <= true_hz * 1.0001
    assert found.high >= true_hz * 0.9999


def test_a_stall_does_not_bend_the_rate():
    clock, count = arrivals(5000.0)
    clock[150:190] = clock[190]

    assert check_rate(clock, count, 5000.0).state == "good"


def test_a_signal_that_comes_in_large_pieces_for_a_short_time_leaves_the_rate_open():
    clock = np.arange(0, 6, 0.45)
    count = np.floor(clock / 0.5) * 2500

    assert check_rate(clock, count, 5000.0).state == "unknown"


def test_a_rate_is_not_told_from_a_moment():
    assert check_rate([0.0, 0.1], [0, 500], 5000.0).state == "unknown"


@pytest.mark.parametrize(
    ("onsets", "fired", "state"),
    [
        ([1.0, 6.0, 11.0], 3, "good"),
        ([1.0, 6.0], 3, "bad"),
        ([], 3, "bad"),
        ([1.0, 1.004, 6.0, 11.0], 3, "bad"),
        ([1.0, 1.004, 6.0], 3, "bad"),
        ([], 0, "good"),
        ([4.0], 0, "bad"),
    ],
)
def test_every_pulse_leaves_one_mark(onsets, fired, state):
    assert check_trigger(onsets, fired).state == state


def test_the_interval_of_a_median_covers_as_often_as_it_says():
    # Skewed values whose median is known: exp of a normal has the median 1.
    covered = [
        low <= 1 <= high for _, low, high in (median_with_interval(np.exp(RNG.normal(size=21))) for _ in range(2000))
    ]
    # The ranks for n = 21 are 6 and 16, covering 97.3 % (binomial, as in tables of the sign test).
    expected = 1 - 2 * stats.binom.cdf(5, 21, 0.5)

    assert np.mean(covered) == pytest.approx(expected, abs=4 * math.sqrt(expected * (1 - expected) / 2000))


def test_few_values_have_no_interval_for_their_median():
    assert median_with_interval(np.array([1.0, 2.0, 3.0, 4.0, 5.0])) == (3.0, -math.inf, math.inf)


def test_a_rise_is_told_with_an_interval_that_covers():
    covered = 0
    for _ in range(300):
        rest = stretch_rms(RNG.normal(0, 1, 4000), 1000.0)
        after = stretch_rms(RNG.normal(0, 3, 4000), 1000.0)
        _, low, high = rise_with_interval(rest, after)
        covered += low <= 3 <= high

    assert covered / 300 == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 300))


def test_from_eight_microvolt_on_noise_alone_passes_the_criterion_in_one_of_twenty():
    # The range of independent normal samples is the studentised range with infinitely many degrees of freedom.
    assert stats.studentized_range.sf(50 / CheckLimits().careful_uv, 150, np.inf) == pytest.approx(0.06, abs=0.02)
