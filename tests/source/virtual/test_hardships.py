"""What makes a person hard to record, what goes wrong, what the person answers, and where the coil is."""

import numpy as np
import pytest

from decussa.measuring.sweeps import measure_sweeps
from decussa.model.dialogue import Ask, Deliver
from decussa.model.errors import UsageError
from decussa.model.stimulus import Stimulus
from decussa.source.virtual.character import FREQUENCY, HARD, draw_hard
from decussa.source.virtual.coil import Coil, Spot, reach
from decussa.source.virtual.mishap import MISHAPS
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.source import VirtualSource

FDI = "FDI right"
SEEDS = range(8)


def truth_of(seed, hard=""):
    return VirtualParticipant(seed, "hand", hard=hard).truth.muscles[FDI]


def measured(person, stimulus, times=1, **how):
    """Columns measured on sweeps of a hand."""
    sweeps = [person.deliver(stimulus, **how) for _ in range(times)]
    isi_ms = stimulus.isi_ms if stimulus.stim_type == "paired" else None
    samples = np.concatenate([sweep.samples_uv for sweep in sweeps])
    rate_hz, onset = sweeps[0].rate_hz, sweeps[0].onset_sample
    return measure_sweeps(samples, rate_hz, onset, window_ms=(15, 50), isi_ms=isi_ms, onset=None, intervals=False)


def strong(person, share=1.3):
    return Stimulus.single(min(share * person.truth.muscles[FDI].rest_threshold_mso, 100.0))


def mean_sizes(hard, share=1.3, **how):
    found = []
    for seed in SEEDS:
        person = VirtualParticipant(seed, "hand", hard=hard)
        found.append(measured(person, strong(person, share), 12, **how)["size_uv"].mean())
    return np.array(found)


def test_every_kind_of_hard_person_has_a_frequency_and_is_met_about_as_often():
    drawn = [draw_hard(seed) for seed in range(4000)]

    assert set(FREQUENCY) == set(HARD)
    for name, share in FREQUENCY.items():
        # Four standard errors of a binomial share.
        assert abs(drawn.count(name) / 4000 - share) < 4 * np.sqrt(share * (1 - share) / 4000)


def test_a_kind_of_person_that_is_not_known_is_refused_with_the_list():
    with pytest.raises(UsageError, match="high threshold"):
        VirtualParticipant(1, "hand", hard="grumpy")


def test_a_high_threshold_needs_stronger_pulses():
    easy, hard = ([truth_of(seed, kind).rest_threshold_mso for seed in SEEDS] for kind in ("", "high threshold"))

    assert np.all(np.array(hard) > 1.3 * np.array(easy))


def test_without_response_at_rest_the_strongest_pulse_gives_none_and_contraction_does():
    silent, seen = 0, 0
    for seed in SEEDS:
        person = VirtualParticipant(seed, "hand", hard="no response at rest")
        silent += np.mean(measured(person, Stimulus.single(100.0), 5)["size_uv"]) < 100
        seen += np.mean(measured(person, Stimulus.single(100.0), 5, contraction_pct=15.0)["size_uv"]) > 500
    assert silent >= 7
    assert seen >= 7


def test_who_has_no_inhibition_shows_the_same_size_after_a_conditioning_pulse():
    ratios = {"": [], "no inhibition": []}
    for hard, found in ratios.items():
        for seed in SEEDS:
            person = VirtualParticipant(seed, "hand", hard=hard)
            mso = person.truth.muscles[FDI].rest_threshold_mso
            alone = measured(person, Stimulus.single(1.2 * mso), 20)["size_uv"].mean()
            pair = measured(person, Stimulus.paired(0.75 * mso, 1.2 * mso, 3.0), 20)["size_uv"].mean()
            found.append(pair / alone)

    assert np.mean(ratios[""]) < 0.7
    # Eight ratios of means of 20 trials that vary by half: the mean's standard error is about 0.06.
    assert abs(np.mean(ratios["no inhibition"]) - 1) < 0.25


def test_noisy_electrodes_show_more_background():
    easy, noisy = (
        [
            measured(VirtualParticipant(seed, "hand", hard=hard), Stimulus.single(30.0), 3)["background_rms_uv"].mean()
            for seed in SEEDS
        ]
        for hard in ("", "noisy")
    )

    assert np.all(np.array(noisy) > 1.8 * np.array(easy))


def test_a_drowsy_person_responds_less_and_less():
    shares = []
    for seed in SEEDS:
        person = VirtualParticipant(seed, "hand", hard="drowsy")
        early = measured(person, strong(person, 1.2), 20)["size_uv"].mean()
        person.number = 300
        shares.append(measured(person, strong(person, 1.2), 20)["size_uv"].mean() / early)

    assert np.mean(shares) < 0.5


def test_a_tense_person_is_often_above_the_limit_of_a_resting_muscle():
    def above(hard):
        trials = [measured(VirtualParticipant(seed, "hand", hard=hard), Stimulus.single(40.0), 15) for seed in SEEDS]
        return np.mean([trial["background_rms_uv"] > 10 for trial in trials])

    assert above("") < 0.05
    assert above("tense") > 0.15


def discomfort(person, at_mso):
    asked = Ask(key="discomfort", text=f"at {at_mso}?", kind="rating", step="s", intensity_mso=at_mso)
    return VirtualSource(person).answer(asked)


def test_discomfort_rises_with_intensity_from_0_to_10_and_is_said_again_when_asked_again():
    person = VirtualParticipant(3, "hand")
    ratings = [discomfort(person, at_mso) for at_mso in (0.0, 30.0, 60.0, 100.0)]

    assert ratings == sorted(ratings)
    assert 0 <= ratings[0] < ratings[-1] <= 10
    assert [discomfort(VirtualParticipant(3, "hand"), at_mso) for at_mso in (0.0, 30.0, 60.0, 100.0)] == ratings


def test_a_person_of_low_tolerance_rates_the_same_pulse_higher():
    gentle, touchy = (
        np.mean([discomfort(VirtualParticipant(seed, "hand", hard=hard), 60.0) for seed in SEEDS])
        for hard in ("", "low tolerance")
    )

    assert touchy > gentle + 2


def test_an_effort_shows_at_most_what_the_person_can_and_a_confirmation_is_left_to_the_operator():
    source = VirtualSource(VirtualParticipant(4, "hand"))
    most_uv = source.person.truth.muscles[FDI].mvc_uv
    effort = source.answer(Ask(key="mvc", text="?", kind="number", step="s", muscle=FDI))

    assert 0.8 * most_uv < effort <= most_uv + 0.1
    assert source.answer(Ask(key="ear protection", text="?", kind="confirm", step="s")) is None


def test_the_response_falls_off_with_the_coils_distance_from_the_hotspot():
    sizes = []
    for away_cm in (0.0, 1.5, 3.0):
        found = []
        for seed in SEEDS:
            person = VirtualParticipant(seed, "hand")
            truth = person.truth.muscles[FDI]
            site = (truth.hotspot_x_cm, truth.hotspot_y_cm + away_cm)
            found.append(measured(person, strong(person, 1.4), 8, site_cm=site)["size_uv"].mean())
        sizes.append(np.mean(found))

    assert sizes[0] > 1.5 * sizes[1] > 3 * sizes[2]


def test_hotspots_of_the_right_hand_lie_over_the_left_hemisphere_and_differ_between_people():
    x_cm = np.array([truth_of(seed).hotspot_x_cm for seed in range(30)])

    assert np.all(x_cm < 0)
    assert x_cm.std() > 0.2


def test_a_slipped_coil_gives_smaller_responses():
    assert np.mean(mean_sizes("", mishap=MISHAPS["coil slipped"]) / mean_sizes("")) < 0.4


def test_a_turned_coil_reaches_less():
    spot = Spot(-5.0, 0.0, 45.0)
    shares = [reach(spot, Coil(-5.0, 0.0, angle), 3.0) for angle in (45.0, 65.0, 90.0, 135.0)]

    assert shares[0] == 1
    assert shares == sorted(shares, reverse=True)
    assert reach(spot, Coil(-5.0, 0.0, 225.0), 3.0) == pytest.approx(1.0)


def test_a_pulse_that_is_missing_leaves_no_artifact_and_no_response():
    person = VirtualParticipant(5, "hand")
    came = measured(person, strong(person), mishap=MISHAPS["pulse missing"])

    assert np.isnan(came["artifact_end_ms"][0])
    assert came["size_uv"][0] < 50


def test_a_wrong_interval_is_in_the_samples_and_not_in_the_request():
    person = VirtualParticipant(5, "hand")
    came = measured(person, Stimulus.paired(50.0, 70.0, 12.0), mishap=MISHAPS["wrong interval"])

    assert came["isi_measured_ms"][0] == pytest.approx(14.0, abs=0.2)


def test_tension_raises_the_background_of_that_stimulus_alone():
    source = VirtualSource(VirtualParticipant(5, "hand"), errors={2: "tension"})
    request = Deliver(stimulus=Stimulus.single(50.0), step="s", muscle=FDI)
    sweeps = [source.deliver(request, number).sweep for number in (1, 2, 3)]
    background = [sweep.samples_uv[0, : sweep.onset_sample - 50].std() for sweep in sweeps]

    assert background[1] > 3 * max(background[0], background[2])


def test_a_missed_trigger_brings_nothing_back_and_the_person_has_had_the_pulse():
    lost = VirtualSource(VirtualParticipant(5, "hand"), errors={1: "trigger missed"})
    request = Deliver(stimulus=Stimulus.single(50.0), step="s", muscle=FDI)

    assert lost.deliver(request, 1) is None
    assert lost.person.number == 1


def test_an_electrode_that_is_off_fills_the_trace_with_mains():
    came = measured(VirtualParticipant(5, "hand"), Stimulus.single(50.0), mishap=MISHAPS["electrode off"])

    assert came["background_rms_uv"][0] > 100


def test_contraction_raises_background_in_proportion_to_its_level():
    person = VirtualParticipant(5, "hand")
    levels = [
        measured(person, Stimulus.single(0.0), 4, contraction_pct=pct)["background_rms_uv"].mean()
        for pct in (5, 10, 20, 40)
    ]

    assert levels == sorted(levels)
    assert levels[-1] > 4 * levels[0]


def test_a_mishap_that_is_not_known_is_refused_with_the_list():
    with pytest.raises(UsageError, match="coil slipped"):
        VirtualSource(VirtualParticipant(5, "hand"), errors={1: "fire"})
