"""What a virtual participant says is true of it is what it shows; the differences are held against their own standard error."""

import numpy as np
import pytest

from decussa.model.stimulus import Stimulus
from decussa.source.virtual.person import VirtualParticipant

FDI = "FDI right"


@pytest.fixture(scope="module")
def hands():
    return [VirtualParticipant(seed, "hand") for seed in range(25)]


def shown(person, stimulus, times, contraction_pct=0.0):
    """Sizes that a stimulus brings, µV."""
    found = []
    for _ in range(times):
        person.deliver(stimulus, contraction_pct=contraction_pct)
        found.append(person.last_truth.responses[FDI].size_uv)
    return np.array(found)


def centred(differences):
    return abs(np.mean(differences)) < 4 * np.std(differences, ddof=1) / np.sqrt(len(differences))


@pytest.mark.parametrize(
    ("isi_ms", "cond", "name"), [(3.0, 0.75, "sici_ratio"), (12.0, 0.75, "icf_ratio"), (100.0, 1.2, "lici_ratio")]
)
def test_a_persons_true_ratio_is_the_mean_of_what_that_person_shows(hands, isi_ms, cond, name):
    differences = []
    for person in hands:
        truth = person.truth.muscles[FDI]
        alone = shown(person, Stimulus.single(1.2 * truth.rest_threshold_mso), 30)
        pair = Stimulus.paired(cond * truth.rest_threshold_mso, 1.2 * truth.rest_threshold_mso, isi_ms)
        conditioned = shown(person, pair, 30)
        differences.append(np.log(conditioned.mean() / alone.mean() / getattr(truth, name)))

    assert centred(differences)


def test_at_the_true_threshold_every_second_response_reaches_50_microvolt(hands):
    reached = [np.mean(shown(p, Stimulus.single(p.truth.muscles[FDI].rest_threshold_mso), 40) >= 50) for p in hands]

    # 1000 trials of probability a half with a slow drift in common: 0.08 is some four standard errors.
    assert abs(np.mean(reached) - 0.5) < 0.08


def test_at_the_true_active_threshold_every_second_response_reaches_200_microvolt(hands):
    reached = [
        np.mean(shown(p, Stimulus.single(p.truth.muscles[FDI].active_threshold_mso), 20, 15.0) >= 200) for p in hands
    ]

    assert abs(np.mean(reached) - 0.5) < 0.12


def test_the_strongest_pulse_in_a_strong_contraction_brings_the_true_plateau(hands):
    reached = [shown(p, Stimulus.single(100.0), 10, 35.0).mean() / p.truth.muscles[FDI].mep_max_uv for p in hands]

    assert 0.95 < np.mean(reached) < 1.05
