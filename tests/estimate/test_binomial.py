from __future__ import annotations

import math

import pytest

from decussa.estimate.binomial import clopper_pearson, wilson
from decussa.model.errors import UsageError


def test_no_trial_has_no_share() -> None:
    for interval in (wilson, clopper_pearson):
        assert math.isnan(interval(0, 0).value)
        assert interval(0, 0).reason == "no trial"


@pytest.mark.parametrize(("count", "n"), [(3, 2), (-1, 5), (0, -1)])
def test_an_impossible_share_is_refused(count: int, n: int) -> None:
    for interval in (wilson, clopper_pearson):
        with pytest.raises(UsageError, match="share"):
            interval(count, n)
