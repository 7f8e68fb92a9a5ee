"""Comparisons by the mixed model: what is asked, what is left out, and what happens below the noise."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from decussa.model.errors import RecordingError, UsageError
from decussa.pool.checks import checks, influences
from decussa.pool.comparisons import compare
from decussa.pool.models import fit_muscle
from tests.pool.invented import muscle, trials


def answers(found):
    return {(one.question, one.of): one for one in compare(found)}


def test_a_condition_over_the_reference_is_the_paired_t_test_of_the_peoples_own_means() -> None:
    # Balanced and without covariates that vary: scipy's paired t test of each person's mean logarithms is exact.
    table = trials(people=6, own_ratio=0.5)
    found = answers(fit_muscle(muscle(table)))["condition", "SICI"]
    logs = table.assign(log=np.log(table["size_uv"])).pivot_table(
        index="participant", columns="condition", values="log"
    )
    theirs = stats.ttest_rel(logs["SICI"], logs["test"])
    span = theirs.confidence_interval(0.95)
    assert math.log(found.estimate.value) == pytest.approx(float((logs["SICI"] - logs["test"]).mean()), abs=1e-3)
    # The order within the block is a covariate and takes a degree of freedom from the trials, none from the people.
    assert (math.log(found.estimate.low), math.log(found.estimate.high)) == pytest.approx(
        (span.low, span.high), abs=2e-2
    )
    assert found.df == pytest.approx(5, abs=0.1)
    assert found.formula.endswith("(1 | participant) + (1 | participant:condition)")


def test_every_question_the_data_can_answer_is_asked() -> None:
    table = trials(people=8, sessions=2)
    people = pd.DataFrame({"participant_id": [f"sub-p{n}" for n in range(8)], "group": ["a", "b"] * 4})
    asked = [(one.question, one.of, one.against) for one in compare(fit_muscle(muscle(table, people)))]
    assert asked == [
        ("condition", "SICI", "test"), ("time", "2", "1"), ("condition x time", "2", "1"), ("group", "b", "a"),
        ("condition x group", "b", "a"), ("time x group", "b", "a"),
    ]  # fmt: skip


def test_p_values_are_adjusted_as_by_a_reference_library() -> None:
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    found = compare(fit_muscle(muscle(trials(people=8, sessions=2, after=1.3))))
    theirs = multitest.multipletests([one.p for one in found], method="holm")[1]
    assert [one.p_holm for one in found] == pytest.approx(theirs.tolist())


def test_sizes_below_the_noise_count_as_below_it() -> None:
    # Half of the conditioned sizes are below the noise: left out, or set to the noise, the ratio would be far too large.
    table = trials(people=12, per_condition=20, ratio=0.15, noise_uv=120.0)
    whole = answers(fit_muscle(muscle(table.assign(noise_uv=np.nan))))["condition", "SICI"].estimate
    hidden = table["size_uv"] <= 120.0
    assert hidden.mean() > 0.2
    table["size_uv"] = table["size_uv"].mask(hidden, 0.0)
    found = answers(fit_muscle(muscle(table)))["condition", "SICI"]
    left_out = answers(fit_muscle(muscle(table[~hidden].assign(noise_uv=np.nan))))["condition", "SICI"].estimate
    assert found.estimate.value == pytest.approx(whole.value, rel=0.08)
    assert left_out.value > 1.2 * whole.value
    assert math.log(found.estimate.high / found.estimate.low) > math.log(whole.high / whole.low)
    assert "sizes below the noise drawn" in found.estimate.method
    assert "rests on sizes being log-normal" in found.estimate.reason


def test_the_same_seed_draws_the_same_sizes() -> None:
    table = muscle(trials(people=6, ratio=0.15, noise_uv=120.0))
    one, again, other = (
        answers(fit_muscle(table, seed=seed))["condition", "SICI"].estimate.value for seed in (1, 1, 2)
    )
    assert one == again
    assert one != other


def test_a_condition_of_several_intensities_is_left_out_and_said() -> None:
    table = trials(people=4)
    curve = table[table["condition"] == "test"].assign(condition="curve", sweep=lambda t: t["sweep"] + 100)
    curve["intensity_mso"] = 40.0 + curve.groupby("participant").cumcount()
    found = muscle(pd.concat([table, curve], ignore_index=True))
    assert set(found.sizes["condition"]) == {"test", "SICI"}
    assert found.notes == ("left out, given at several intensities in a session: curve",)


def test_too_few_people_are_refused() -> None:
    with pytest.raises(UsageError, match="too few participants"):
        fit_muscle(muscle(trials(people=2)))


def test_a_group_of_one_is_not_compared() -> None:
    people = pd.DataFrame({"participant": [f"p{n}" for n in range(5)], "group": ["a", "a", "a", "a", "b"]})
    found = answers(fit_muscle(muscle(trials(people=5), people)))["group", "b"]
    assert math.isnan(found.estimate.value)
    assert found.estimate.reason == "a group has 1 participant"


def test_somebody_who_is_in_no_table_of_participants_is_named() -> None:
    people = pd.DataFrame({"participant": ["p0", "p1"], "group": ["a", "b"]})
    with pytest.raises(RecordingError, match="none for p2"):
        muscle(trials(people=3), people)


def test_an_unknown_reference_is_refused() -> None:
    with pytest.raises(UsageError, match="no condition"):
        muscle(trials(people=3), reference="nothing")


def test_the_influence_of_one_person_is_that_of_fitting_without_them() -> None:
    table = trials(people=6)
    table.loc[(table["participant"] == "p3") & (table["condition"] == "SICI"), "size_uv"] *= 4
    fitted = fit_muscle(muscle(table))
    (one,) = influences(fitted, compare(fitted))
    assert one.without_least == "p3"
    without = answers(fit_muscle(muscle(table[table["participant"] != "p3"])))["condition", "SICI"].estimate.value
    # Balanced: the ratio does not depend on the variances, but for the covariate.
    assert one.least == pytest.approx(without, rel=1e-2)


def test_drift_within_blocks_is_remarked_upon() -> None:
    quiet, drifting = trials(people=6, per_condition=30), trials(people=6, per_condition=30)
    steps = np.sin(np.arange(len(drifting)) / 6.0)
    drifting["size_uv"] = drifting["size_uv"] * np.exp(steps)
    name = "correlation of neighbouring trials"
    seen = [{check.name: check for check in checks(fit_muscle(muscle(table)))}[name] for table in (quiet, drifting)]
    assert [check.fine for check in seen] == [True, False]
    assert "drifts" in seen[1].says
