"""Paired blocks that may end early, and threshold tracking: what they ask, and when they end."""

import math
import random
from collections import Counter
from itertools import pairwise

import pytest

from decussa.model.dialogue import Deliver, Refused, Show
from decussa.model.errors import ProtocolError
from decussa.plan.session import session_plan
from decussa.plan.step import Ended
from decussa.protocol.schema import read_protocol
from decussa.protocol.steps import planned_stimuli
from decussa.store.codec import encode
from tests.plan.people import HEAD, Hostile, Textbook, asked_after, run, trial

LABEL = "FDI right"
PAIRED = """
[[steps]]
kind = "paired"
test = "55 % MSO"
trials = 40
within = 1.5
fewest = 8
  [[steps.conditions]]
  name = "SICI"
  isi_ms = 3
  conditioning = "35 % MSO"
  test = "55 % MSO"
  [[steps.conditions]]
  name = "ICF"
  isi_ms = 12
  conditioning = "35 % MSO"
  test = "55 % MSO"
"""
TRACKING = """
[[steps]]
kind = "tracking"
start = "55 % MSO"
trials = 25
  [[steps.conditions]]
  name = "SICI 2 ms"
  isi_ms = 2
  conditioning = "35 % MSO"
  [[steps.conditions]]
  name = "SICI 3 ms"
  isi_ms = 3
  conditioning = "35 % MSO"
"""


class Person(Textbook):
    """Sizes rise e-fold every ``steep`` % MSO around 0.2 mV at 52 % MSO, log SD ``scatter``; pairs need ``harder`` more."""

    def __init__(self, protocol, *, scatter=0.4, harder=6.0, seed=1):
        super().__init__(protocol)
        self.scatter, self.harder, self.chance = scatter, harder, random.Random(seed)

    def size(self, request):
        stimulus = request.stimulus
        shift = self.harder if stimulus.stim_type == "paired" else 0.0
        return 200 * math.exp(0.15 * (stimulus.intensity_mso - 52 - shift) + self.chance.gauss(0, self.scatter))


def given(asked):
    return [r for r in asked if isinstance(r, Deliver) and r.condition != "climb"]


def test_a_block_ends_once_every_ratio_is_narrow_and_stays_balanced():
    protocol = read_protocol(HEAD + PAIRED)
    asked, _, _ = run(session_plan(protocol, seed=1), Person(protocol))
    counts = Counter(request.condition for request in given(asked))

    assert len(set(counts.values())) == 1
    assert 8 <= counts["SICI"] < 40


def test_a_steadier_person_needs_fewer_trials_and_never_fewer_than_fewest():
    protocol = read_protocol(HEAD + PAIRED)
    steady, shaky = (
        len(given(run(session_plan(protocol, seed=1), Person(protocol, scatter=scatter))[0])) for scatter in (0.05, 0.9)
    )

    assert steady == 8 * 3
    assert shaky > steady


def test_without_a_rule_every_trial_is_given_whatever_the_sizes():
    protocol = read_protocol(HEAD + PAIRED.replace("within = 1.5\nfewest = 8\n", ""))
    asked, _, _ = run(session_plan(protocol, seed=1), Person(protocol, scatter=0.05))

    assert Counter(request.condition for request in given(asked)) == {"test alone": 40, "SICI": 40, "ICF": 40}
    assert "factor" not in given(asked)[0].why


def test_every_stimulus_of_a_block_that_may_end_states_the_rule():
    protocol = read_protocol(HEAD + PAIRED)
    asked, _, _ = run(session_plan(protocol, seed=1), Person(protocol))

    assert all("within a factor of 1.5, after 8 of each" in request.why for request in given(asked))


def test_a_condition_that_is_refused_does_not_keep_the_block_from_ending():
    protocol = read_protocol(HEAD + PAIRED)

    class NoIcf(Person):
        def reply(self, request):
            if isinstance(request, Deliver) and request.condition == "ICF":
                return Refused(limit="ceiling", reason="test")
            return super().reply(request)

    asked, _, _ = run(session_plan(protocol, seed=1), NoIcf(protocol, scatter=0.05))

    assert Counter(r.condition for r in given(asked)) == {"test alone": 8, "SICI": 8, "ICF": 1}


def test_a_first_look_after_the_last_trial_is_refused_with_its_line():
    with pytest.raises(ProtocolError, match="fewest cannot be more than trials"):
        read_protocol(HEAD + PAIRED.replace("trials = 40", "trials = 6"))


def test_a_block_that_may_end_says_so_in_the_preview():
    stimuli, may_end = planned_stimuli(read_protocol(HEAD + PAIRED).steps[0])

    assert (stimuli, may_end) == (120, True)


def test_tracking_follows_every_condition_and_finds_its_inhibition():
    """The definition of inhibition: 100 (conditioned - alone) / alone; Fisher 2002, from memory."""
    protocol = read_protocol(HEAD + TRACKING)
    held = []
    for seed in range(12):
        _, _, found = run(session_plan(protocol, seed=seed), Person(protocol, seed=seed))
        for name in ("SICI 2 ms", "SICI 3 ms"):
            pair = found[f"{LABEL}/tracked_inhibition: {name}"]
            held.append(pair.low <= 100 * 6 / 52 <= pair.high)
        assert found[f"{LABEL}/tracked_test"].value == pytest.approx(52, abs=3)

    # nominal 95 % of 24: three binomial errors below
    assert sum(held) / len(held) >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / len(held))


def test_tracks_are_mixed_and_each_moves_by_a_step_against_its_own_response():
    protocol = read_protocol(HEAD + TRACKING)
    asked, replies, _ = run(session_plan(protocol, seed=3), Person(protocol))
    by_track = {}
    for request, reply in zip(asked, replies, strict=True):
        if isinstance(request, Deliver) and request.condition != "climb":
            by_track.setdefault(request.condition, []).append((request.stimulus, reply.value(LABEL, "amplitude_uv")))

    assert {name: len(track) for name, track in by_track.items()} == {
        "test alone": 25,
        "SICI 2 ms": 25,
        "SICI 3 ms": 25,
    }
    for track in by_track.values():
        for (stimulus, size), (following, _) in pairwise(track):
            expected = (size < 160) - (size > 240)
            assert following.intensity_mso - stimulus.intensity_mso == expected
    assert {stimulus.cond_intensity_mso for stimulus, _ in by_track["SICI 2 ms"]} == {35.0}


def test_a_track_at_the_ceiling_shows_a_lower_bound_and_says_so():
    protocol = read_protocol(HEAD.replace("[coil]", "[limits]\nceiling_mso = 60\n\n[coil]") + TRACKING)
    asked, _, found = run(session_plan(protocol, seed=1), Person(protocol, harder=25.0))
    pair = found[f"{LABEL}/tracked_inhibition: SICI 2 ms"]

    assert max(request.stimulus.intensity_mso for request in given(asked)) == 60
    assert "ceiling" in pair.reason


def test_a_rejected_trial_comes_again_in_its_small_block_and_is_not_learnt_from():
    protocol = read_protocol(HEAD + TRACKING)

    class Tense(Person):
        def reply(self, request):
            reply = super().reply(request)
            bad = isinstance(request, Deliver) and self.number % 3 == 0
            return trial(self.number, {LABEL: 9e9}, kind="reject") if bad else reply

    _, _, found = run(session_plan(protocol, seed=1), Tense(protocol))

    assert found[f"{LABEL}/tracked_test"].n >= 20
    assert found[f"{LABEL}/tracked_test"].value < 60


def test_a_total_that_is_reached_ends_the_tracking_with_what_is_known():
    protocol = read_protocol(HEAD + TRACKING)

    class Done(Person):
        def reply(self, request):
            if isinstance(request, Deliver) and self.number >= 20:
                return Refused(limit="pulse total", reason="enough")
            return super().reply(request)

    asked, _, found = run(session_plan(protocol, seed=1), Done(protocol))

    assert len(given(asked)) < 22
    assert "not given: enough" in "".join(one.reason for one in found.values())


@pytest.mark.parametrize("step", [PAIRED, TRACKING], ids=["paired", "tracking"])
@pytest.mark.parametrize("seed", range(6))
def test_whatever_is_replied_the_step_ends_and_a_fresh_plan_stands_where_it_stood(step, seed):
    protocol = read_protocol(HEAD + step)
    asked, replies, _ = run(session_plan(protocol, seed=seed), Hostile([LABEL], seed))
    fed = (seed + 1) * len(asked) // 8
    request = asked_after(session_plan(protocol, seed=seed), replies[:fed])

    assert not isinstance(request, Ended)
    assert encode(request) == encode(asked[fed])


def test_what_a_tracking_step_shows_is_what_it_finds():
    protocol = read_protocol(HEAD + TRACKING)
    asked, _, found = run(session_plan(protocol, seed=1), Person(protocol))
    shown = [
        request.results for request in asked if isinstance(request, Show) and not request.final and request.results
    ]

    assert {f"{LABEL}/{name}": estimate for name, estimate in shown[-1].items()} == found
