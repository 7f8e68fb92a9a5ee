"""What time stamps say, on invented senders: exact, by packets, shaking, lossy, drifting, lying."""

import math

import numpy as np
import pytest

from decussa.source.stream.stamps import Rate, Stamps

RATE = 5_000.0
PACKET = 50


def follow(stamps, arrivals=None, *, packet=PACKET, follower=None):
    """Feed stamps packet by packet; return gaps (place in the stream, missing), jumps and the follower."""
    follower, gaps, jumps = follower or Stamps(RATE), [], []
    for number, start in enumerate(range(0, stamps.size, packet)):
        piece = stamps[start : start + packet]
        arrived = piece[-1] + 0.005 if arrivals is None else arrivals[number]
        taken = follower.take(piece, arrived)
        gaps += [(start + gap.at, gap.missing) for gap in taken.gaps]
        jumps += [(start, taken.jump_s)] if taken.jump_s else []
    return gaps, jumps, follower


def steady(seconds=10.0, rate=RATE):
    return 100.0 + np.arange(round(seconds * RATE)) / rate


def by_packets(times):
    """What a sender that stamps the last sample of each packet makes of true times, as the library deduces the rest."""
    last = times[PACKET - 1 :: PACKET]
    return (last[:, None] - np.arange(PACKET)[::-1] / RATE).ravel()


def test_a_steady_stream_has_nothing_to_say():
    gaps, jumps, follower = follow(steady())

    assert (gaps, jumps) == ([], [])
    assert follower.rate().value == pytest.approx(RATE, rel=1e-9)


def test_lost_packets_are_counted_to_the_sample():
    rng = np.random.default_rng(1)
    kept = np.ones(1_000, bool)
    kept[rng.choice(np.arange(250, 1_000), 10, replace=False)] = False
    whole = steady().reshape(-1, PACKET)

    gaps, jumps, follower = follow(whole[kept].ravel())

    assert sum(missing for _, missing in gaps) == 10 * PACKET
    assert jumps == []
    assert follower.rate().value == pytest.approx(RATE, rel=1e-9)


def test_single_lost_samples_are_counted_where_every_sample_is_stamped():
    rng = np.random.default_rng(2)
    kept = np.ones(50_000, bool)
    lost = rng.choice(np.arange(12_000, 50_000), 400, replace=False)
    kept[lost] = False

    gaps, _, _ = follow(steady()[kept])

    assert sum(missing for _, missing in gaps) == 400


def test_losses_of_the_first_seconds_count_once_it_is_known_how_the_clock_shakes():
    kept = np.ones(50_000, bool)
    kept[[500, 30_000]] = False
    first, _, follower = follow(steady()[kept])

    assert first == [(29_999, 1)]
    assert follow(steady()[kept], follower=follower.again())[0] == [(500, 1), (29_999, 1)]


def test_a_clock_that_shakes_loses_nothing_at_a_second_look_either():
    times = steady(20.0)
    times[PACKET - 1 :: PACKET] += np.random.default_rng(5).normal(0, 0.002, times.size // PACKET)
    follower = follow(by_packets(times[: round(2.0 * RATE)]))[2]

    assert follow(by_packets(times), follower=follower.again())[:2] == ([], [])


def test_a_clock_that_shakes_loses_nothing():
    rng = np.random.default_rng(3)
    times = steady(20.0)
    times[PACKET - 1 :: PACKET] += rng.normal(0, 0.002, times.size // PACKET)

    gaps, jumps, _ = follow(by_packets(times))

    assert (gaps, jumps) == ([], [])


def test_the_interval_of_the_rate_holds_it_as_often_as_it_says():
    held = 0
    for seed in range(60):
        times = steady()
        times[PACKET - 1 :: PACKET] += np.random.default_rng(seed).normal(0, 0.002, times.size // PACKET)
        rate = follow(by_packets(times))[2].rate()
        held += rate.low < RATE < rate.high
        assert rate.high - rate.low < 6.0

    assert held >= 51  # 95 % of 60 is 57; fewer than 51 has probability 0.0007 (binomial)


def test_a_packet_lost_is_seen_beyond_the_shaking():
    rng = np.random.default_rng(4)
    times = steady(20.0)
    times[PACKET - 1 :: PACKET] += rng.uniform(-0.001, 0.001, times.size // PACKET)
    stamps = by_packets(times).reshape(-1, PACKET)
    kept = np.delete(stamps, 1_000, axis=0).ravel()

    gaps, _, _ = follow(kept)

    assert len(gaps) == 1
    assert gaps[0][1] == pytest.approx(PACKET, abs=10)


@pytest.mark.parametrize("stamped", [lambda times: times, by_packets])
def test_a_rate_that_lies_by_one_percent_is_measured_and_is_no_loss(stamped):
    gaps, jumps, follower = follow(stamped(steady(20.0, rate=0.99 * RATE)))

    assert (gaps, jumps) == ([], [])
    assert follower.rate().value == pytest.approx(0.99 * RATE, rel=1e-4)


def test_a_drift_of_fifty_millionths_is_neither_loss_nor_jump():
    gaps, jumps, follower = follow(by_packets(steady(60.0, rate=RATE * (1 - 50e-6))))

    assert (gaps, jumps) == ([], [])
    assert follower.rate().value == pytest.approx(RATE * (1 - 50e-6), rel=5e-6)


@pytest.mark.parametrize("jump", [0.1, -0.1])
def test_a_clock_that_was_set_is_no_loss_and_times_stay_straight(jump):
    true = steady()
    arrivals = true[PACKET - 1 :: PACKET] + 0.004
    stamps = true.copy()
    stamps[25_000:] += jump

    gaps, jumps, follower = follow(stamps, arrivals)

    assert gaps == []
    assert jumps == [(25_000, pytest.approx(jump))]
    assert follower.rate().value == pytest.approx(RATE, rel=1e-9)


def test_a_hundred_milliseconds_that_were_lost_are_no_clock_that_was_set():
    true = np.delete(steady(), np.s_[25_000:25_500])
    arrivals = true[PACKET - 1 :: PACKET] + 0.004

    gaps, jumps, _ = follow(true, arrivals)

    assert gaps == [(25_000, 500)]
    assert jumps == []


def test_what_is_lost_in_a_stream_that_is_pushed_faster_than_time_is_lost():
    true = np.delete(steady(), np.s_[25_000:25_500])

    gaps, jumps, _ = follow(true, 100.0 + np.arange(true.size // PACKET) * 0.0005)

    assert gaps == [(25_000, 500)]
    assert jumps == []


def test_packets_lost_before_the_stream_settled_leave_the_rate_alone():
    whole = steady(2.5).reshape(-1, PACKET)

    _, _, follower = follow(np.delete(whole, [20, 90, 140], axis=0).ravel())

    assert follower.rate().value == pytest.approx(RATE, rel=1e-6)


def test_the_rate_is_not_known_before_two_seconds():
    assert math.isnan(follow(steady(1.0))[2].rate().value)


def test_a_rate_is_reckoned_with_as_finely_as_its_interval_knows_it():
    assert Rate(4949.93, 4949.6, 4950.3).roundest == 4950
    assert Rate(4949.93, 4949.91, 4949.95).roundest == 4949.93
    assert Rate(2048.4, 2047.0, 2049.8).roundest == 2048
