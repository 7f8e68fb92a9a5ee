"""A population of virtual participants shows the published figures; limits are four standard errors of the sample."""

import numpy as np
import pytest

from decussa.model.stimulus import Stimulus
from decussa.source.virtual.person import VirtualParticipant

N = 150


@pytest.fixture(scope="module")
def hands():
    return [VirtualParticipant(seed, "hand") for seed in range(N)]


def truths(people, name):
    return np.array([getattr(person.truth.muscles[person.truth.target], name) for person in people])


def agrees(values, mean, sd):
    """Mean within four standard errors; SD too, with the error of a normal sample's SD."""
    error = sd / np.sqrt(values.size)
    return abs(values.mean() - mean) < 4 * error and abs(values.std(ddof=1) - sd) < 4 * error / np.sqrt(2)


def mean_size(person, stimulus, times):
    found = []
    for _ in range(times):
        person.deliver(stimulus)
        found.append(person.last_truth.responses[person.truth.target].size_uv)
    return np.array(found)


def test_hand_latency_in_contraction_is_that_of_cantone_2019(hands):
    # FDI 19.5 (1.45) ms in mild tonic contraction: Cantone 2019, Front Hum Neurosci 13:185, doi 10.3389/fnhum.2019.00185.
    delivered = []
    for person in hands:
        threshold = person.truth.muscles["FDI right"].rest_threshold_mso
        for _ in range(3):
            person.deliver(Stimulus.single(min(1.2 * threshold, 100.0)), contraction_pct=15.0)
            delivered.append(person.last_truth.responses["FDI right"].latency_ms)

    assert agrees(np.array(delivered).reshape(N, 3).mean(axis=1), 19.5, 1.45)


def test_hand_threshold_is_that_of_jitsakulchaidej_2022_and_skewed_as_in_wassermann_2002(hands):
    # 47.3 (8.1) % MSO: doi 10.1186/s12883-022-02977-8; right-skewed, normal after a logarithm: doi 10.1016/S1388-2457(02)00144-X.
    thresholds = truths(hands, "rest_threshold_mso")

    assert agrees(thresholds, 47.3, 8.1)
    assert np.mean(thresholds) > np.median(thresholds)


def test_lumbar_latency_is_that_of_taniguchi_1999():
    # Erector spinae L4-L5 20.8 (1.5) ms, a round coil over the vertex: doi 10.1097/00007632-199901150-00014.
    people = [VirtualParticipant(seed, "lumbar") for seed in range(80)]
    sides = np.array([[truth.latency_active_ms for truth in person.truth.muscles.values()] for person in people])

    assert agrees(sides.mean(axis=1), 20.8, 1.5)


def test_hand_m_wave_is_10_to_20_millivolt_in_most_people(hands):
    # From memory, no source.
    mmax = truths(hands, "mmax_uv")

    assert np.mean((mmax > 10_000) & (mmax < 20_000)) > 0.85


def test_resting_response_at_120_percent_is_5_to_20_percent_of_mmax_on_average(hands):
    # From memory, no source.
    share = truths(hands, "mep_uv") / truths(hands, "mmax_uv")

    assert 0.05 < np.mean(share) < 0.20


def test_active_maximum_is_40_to_80_percent_of_mmax_on_average(hands):
    # From memory, no source.
    share = truths(hands, "mep_max_uv") / truths(hands, "mmax_uv")

    assert 0.40 < np.mean(share) < 0.80


def test_size_varies_by_40_to_80_percent_near_threshold_and_less_with_intensity(hands):
    # CV 0.4 to 0.8 at 110 to 120 %, falling with intensity: from memory, no source.
    spread = []
    for person in hands[:12]:
        threshold = person.truth.muscles["FDI right"].rest_threshold_mso
        found = [mean_size(person, Stimulus.single(share * threshold), 60) for share in (1.1, 1.2, 1.5)]
        spread.append([sizes.std() / sizes.mean() for sizes in found])
    near, usual, strong = np.mean(spread, axis=0)

    assert 0.4 < usual < near < 0.8
    assert strong < 0.6 * usual


def test_sizes_are_skewed_to_the_right_and_their_logarithm_is_less_so(hands):
    # Right-skewed, not normal: Goetz 2014, doi 10.1016/j.brs.2014.03.002.
    def skew(values):
        return np.mean((values - values.mean()) ** 3) / values.std() ** 3

    raw, logarithm = [], []
    for person in hands[:12]:
        sizes = mean_size(person, Stimulus.single(1.2 * person.truth.muscles["FDI right"].rest_threshold_mso), 80)
        raw.append(skew(sizes))
        logarithm.append(skew(np.log(sizes)))

    assert np.mean(raw) > 0.3
    assert abs(np.mean(logarithm)) < np.mean(raw)


@pytest.mark.parametrize(
    ("isi_ms", "cond", "low", "high"), [(3.0, 0.75, 0.3, 0.6), (12.0, 0.75, 1.2, 1.6), (100.0, 1.2, 0.2, 0.6)]
)
def test_pairs_inhibit_and_facilitate_by_their_typical_ratios_on_average(hands, isi_ms, cond, low, high):
    # SICI 0.3 to 0.6, ICF 1.2 to 1.6, LICI 0.2 to 0.6: from memory, no source.
    ratios = []
    for person in hands[:25]:
        threshold = person.truth.muscles["FDI right"].rest_threshold_mso
        alone = mean_size(person, Stimulus.single(1.2 * threshold), 25)
        conditioned = mean_size(person, Stimulus.paired(cond * threshold, 1.2 * threshold, isi_ms), 25)
        ratios.append(conditioned.mean() / alone.mean())

    assert low < np.mean(ratios) < high


@pytest.mark.parametrize(
    ("isi_ms", "cond", "name"), [(3.0, 0.75, "sici_ratio"), (12.0, 0.75, "icf_ratio"), (100.0, 1.2, "lici_ratio")]
)
def test_a_persons_true_ratio_is_the_mean_of_what_that_person_shows(hands, isi_ms, cond, name):
    differences = []
    for person in hands[:25]:
        truth = person.truth.muscles["FDI right"]
        alone = mean_size(person, Stimulus.single(1.2 * truth.rest_threshold_mso), 30)
        pair = Stimulus.paired(cond * truth.rest_threshold_mso, 1.2 * truth.rest_threshold_mso, isi_ms)
        conditioned = mean_size(person, pair, 30)
        differences.append(np.log(conditioned.mean() / alone.mean() / getattr(truth, name)))

    assert abs(np.mean(differences)) < 4 * np.std(differences, ddof=1) / 5


def test_silent_period_at_150_percent_is_that_of_a_published_series(hands):
    # APB at 1.5 times threshold, n = 30: 201.7 (33.3) ms from the pulse, Rev Neurol 1999, 28(3), doi 10.33588/rn.2803.98238.
    ends = []
    for person in hands[:60]:
        threshold = person.truth.muscles["FDI right"].rest_threshold_mso
        person.deliver(Stimulus.single(min(1.5 * threshold, 100.0)), contraction_pct=15.0)
        ends.append(person.last_truth.responses["FDI right"].silent_end_ms)

    assert agrees(np.array(ends), 201.7, 33.3)


def test_trunk_responses_at_rest_are_often_absent_and_appear_during_light_extension():
    # Common practice, no source.
    rest, active = [], []
    for seed in range(60):
        person = VirtualParticipant(seed, "lumbar")
        person.deliver(Stimulus.single(80.0))
        rest.append(person.last_truth.responses["LES right"].size_uv >= 50)
        person.deliver(Stimulus.single(80.0), contraction_pct=12.0)
        active.append(person.last_truth.responses["LES right"].size_uv >= 50)

    assert np.mean(rest) < 0.5
    assert np.mean(active) > np.mean(rest) + 0.25
