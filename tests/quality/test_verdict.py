"""Verdicts: the gravest objection wins, every objection is said, and nothing unknown condemns a trial."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.model.trial import ACCEPT, VERDICTS
from decussa.quality.verdict import RULES, Limits, TrialFacts, judge, judge_all


def test_a_trial_of_which_nothing_is_known_is_accepted():
    assert judge(TrialFacts()) == ACCEPT


@pytest.mark.parametrize(
    ("facts", "kind", "rule"),
    [
        (TrialFacts(complete=False), "reject", "incomplete"),
        (TrialFacts(clipped_in_window=3), "reject", "clipped"),
        (TrialFacts(artifact_seen=False, artifact_expected=True), "reject", "pulse missing"),
        (TrialFacts(isi_ms=3, isi_measured_ms=2.0), "reject", "interval"),
        (TrialFacts(isi_ms=3, artifact_expected=True), "doubtful", "interval"),
        (TrialFacts(artifact_start_ms=0.0, extra_artifact_ms=-3.0), "reject", "contradiction"),
        (TrialFacts(isi_ms=3, isi_measured_ms=3, extra_artifact_ms=-15.0), "reject", "contradiction"),
        (TrialFacts(heartbeat_ms=30.0, window_start_ms=10), "doubtful", "heartbeat"),
        (TrialFacts(background_rms_uv=11), "doubtful", "background"),
        (TrialFacts(background_rms_uv=26), "reject", "background"),
        (TrialFacts(active=True, background_rms_uv=40, expected_background_uv=60), "doubtful", "contraction"),
        (
            TrialFacts(active=True, contraction_pct=20, background_rms_uv=70, expected_background_uv=50),
            "doubtful",
            "contraction",
        ),
        (TrialFacts(artifact_end_ms=9, window_start_ms=10), "doubtful", "recovery"),
        (TrialFacts(lag_ms=-7.0), "doubtful", "lag"),
        (TrialFacts(response_p=0.01, responding_share=0.9), "doubtful", "response missing"),
        (TrialFacts(first_of_block=True), "doubtful", "first of block"),
    ],
)
def test_each_rule_speaks_for_its_own_fault(facts, kind, rule):
    verdict = judge(facts)

    assert (verdict.kind, verdict.rule) == (kind, rule)
    assert verdict.reason


@pytest.mark.parametrize(
    "facts",
    [
        TrialFacts(isi_ms=3, isi_measured_ms=3.15),
        TrialFacts(isi_ms=3, isi_measured_ms=3.4, sample_ms=0.5),
        TrialFacts(background_rms_uv=9.9),
        TrialFacts(active=True, background_rms_uv=60, expected_background_uv=50),
        TrialFacts(active=True, contraction_pct=10, background_rms_uv=70, expected_background_uv=50),
        TrialFacts(artifact_end_ms=7.5, window_start_ms=10),
        TrialFacts(artifact_seen=False, artifact_expected=False),
        TrialFacts(response_p=0.01, responding_share=0.5),
    ],
)
def test_what_lies_within_the_limits_is_accepted(facts):
    assert judge(facts) == ACCEPT


def test_the_reason_names_the_number_and_the_limit():
    assert judge(TrialFacts(background_rms_uv=11)).reason == "background 11.0 µV, limit 10"


def test_every_objection_is_said_and_the_gravest_first():
    verdict = judge(TrialFacts(first_of_block=True, background_rms_uv=30))

    assert verdict.kind == "reject"
    assert verdict.reason == "background 30.0 µV, limit 25; first trial of its block"


def test_limits_can_be_set():
    facts = TrialFacts(background_rms_uv=12)

    assert judge(facts, Limits(rest_doubtful_uv=15)) == ACCEPT


numbers = st.one_of(st.just(math.nan), st.floats(-1e6, 1e6))


some_facts = st.builds(
    TrialFacts,
    complete=st.booleans(),
    active=st.booleans(),
    background_rms_uv=numbers,
    expected_background_uv=st.one_of(st.just(math.nan), st.floats(0.1, 1e6)),
    contraction_pct=st.one_of(st.just(math.nan), st.floats(0, 100)),
    clipped_in_window=st.integers(0, 10),
    artifact_seen=st.booleans(),
    artifact_expected=st.booleans(),
    artifact_end_ms=numbers,
    window_start_ms=numbers,
    artifact_start_ms=numbers,
    extra_artifact_ms=numbers,
    heartbeat_ms=numbers,
    isi_ms=numbers,
    isi_measured_ms=numbers,
    lag_ms=numbers,
    response_p=numbers,
    responding_share=numbers,
    first_of_block=st.booleans(),
)


@given(some_facts)
def test_the_verdict_is_the_gravest_of_all_rules_and_has_a_reason_unless_accepted(facts):
    kinds = [verdict.kind for rule in RULES for _, verdict in rule(facts.columns(), Limits())]
    verdict = judge(facts)

    assert verdict.kind == max(kinds, key=VERDICTS.index, default="accept")
    assert bool(verdict.reason) == (verdict.kind != "accept")


@given(st.lists(some_facts, min_size=1, max_size=8))
def test_trials_are_judged_together_as_each_is_alone(trials):
    columns = [facts.columns() for facts in trials]
    together = judge_all({name: np.concatenate([own[name] for own in columns]) for name in columns[0]})

    assert together == [judge(facts) for facts in trials]


def test_a_pair_given_at_quite_another_interval_is_told_by_its_two_artifacts_alone():
    verdict = judge(TrialFacts(isi_ms=12, artifact_expected=True, artifact_start_ms=0.0, extra_artifact_ms=-3.0))

    assert (verdict.kind, verdict.reason) == ("reject", "two artifacts 3.0 ms apart, a pair 12 ms apart asked for")
