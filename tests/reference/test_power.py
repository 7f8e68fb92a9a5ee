"""Planned numbers of people against published values and a reference library."""

from __future__ import annotations

import math

import pytest

from decussa.pool.power import people_needed, power_of


@pytest.mark.parametrize(("effect", "exact", "people"), [(0.5, 33.367, 34), (0.8, 14.303, 15), (1.0, 9.938, 10)])
def test_pairs_for_80_per_cent_power(effect: float, exact: float, people: int) -> None:
    # POW-01: statsmodels 0.15.0, TTestPower.
    needed = people_needed(effect)
    assert needed == pytest.approx(exact, abs=1e-3)
    assert math.ceil(needed) == people


@pytest.mark.parametrize(("effect", "exact", "people"), [(0.5, 63.766, 64), (0.8, 25.525, 26), (1.0, 16.715, 17)])
def test_people_in_each_of_two_groups_for_80_per_cent_power(effect: float, exact: float, people: int) -> None:
    # POW-02: statsmodels 0.15.0, TTestIndPower; 64 and 26 are those of Cohen 1992, doi 10.1037/0033-2909.112.1.155, table 2.
    needed = people_needed(effect, design="groups")
    assert needed == pytest.approx(exact, abs=1e-3)
    assert math.ceil(needed) == people


@pytest.mark.parametrize("people", [5, 20, 80])
@pytest.mark.parametrize("effect", [-0.7, 0.0, 0.3, 1.2])
def test_power_is_that_of_a_reference_library(effect: float, people: int) -> None:
    library = pytest.importorskip("statsmodels.stats.power")
    assert power_of(effect, people) == pytest.approx(library.TTestPower().power(effect, people, 0.05), abs=1e-8)
    theirs = library.TTestIndPower().power(effect, people, 0.05)
    assert power_of(effect, people, design="groups") == pytest.approx(theirs, abs=1e-8)
