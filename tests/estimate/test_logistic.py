from __future__ import annotations

import pytest

from decussa.estimate.logistic import fit_logistic
from decussa.model.errors import UsageError


@pytest.mark.parametrize(
    ("x", "y"),
    [([1, 2, 3], [1, 2, 3]), ([1, 2, 3, 4], [1, 2, 3]), ([1, 2, 3, 4], [0, 0, 0, 0]), ([5, 5, 5, 5], [1, 2, 3, 4])],
)
def test_too_little_for_a_curve_is_refused(x: list[float], y: list[float]) -> None:
    with pytest.raises(UsageError):
        fit_logistic(x, y)
