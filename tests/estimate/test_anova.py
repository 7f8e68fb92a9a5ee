from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from decussa.estimate.anova import one_way_anova
from decussa.model.errors import UsageError


def test_f_and_p_are_those_of_scipy() -> None:
    random = np.random.default_rng(1)
    groups = [random.normal(mean, 1, n) for mean, n in ((0, 8), (0.5, 12), (1, 5))]
    theirs = stats.f_oneway(*groups)
    ours = one_way_anova(groups)
    assert (ours.f, ours.p) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-10)


def test_nothing_that_varies_has_no_f_ratio() -> None:
    assert math.isnan(one_way_anova([[1.0, 1.0], [1.0, 1.0]]).f)


@pytest.mark.parametrize("groups", [[], [[1.0, 2.0]], [[1.0], [2.0]], [[1.0, 2.0], []]])
def test_too_few_values_are_refused(groups: list[list[float]]) -> None:
    with pytest.raises(UsageError, match="Too few values"):
        one_way_anova(groups)
