"""Map measures and head landmarks against worked examples.

Centre of gravity, area and volume: definitions of Wassermann 1992 and Wilson 1993 (from memory); the grid below was worked
out by hand. Landmarks: the 10-20 system (Jasper 1958, from memory), by arithmetic.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from decussa.estimate.map_measures import (
    active_sites,
    cell_area,
    centre_of_gravity,
    lateral_of_vertex,
    map_area,
    map_volume,
    vertex_from,
)

# Columns x = -1, 0, 1 cm; rows y = -1, 0, 1 cm; mV.
MAP_MV = np.array([[0.0, 0.1, 0.0], [0.1, 1.0, 0.5], [0.0, 0.2, 0.1]])
SITES_CM = np.array([(x, y) for y in (-1.0, 0.0, 1.0) for x in (-1.0, 0.0, 1.0)])


def test_centre_of_gravity_of_the_worked_grid() -> None:
    # MAP-01: by hand (0.5 + 0.1 - 0.1) / 2 and (0.3 - 0.1) / 2.
    assert centre_of_gravity(SITES_CM, MAP_MV.ravel()) == pytest.approx((0.25, 0.10), abs=1e-12)


def test_centre_of_gravity_is_scipys_centre_of_mass() -> None:
    row, column = ndimage.center_of_mass(MAP_MV)
    assert centre_of_gravity(SITES_CM, MAP_MV.ravel()) == pytest.approx((column - 1, row - 1), abs=1e-12)


def test_volume_of_the_worked_grid() -> None:
    # MAP-02: the sum of the means.
    assert map_volume(MAP_MV.ravel(), cell_area(SITES_CM)) == pytest.approx(2.0, abs=1e-12)


def test_area_of_the_worked_grid_by_both_rules() -> None:
    # six sites at 0.05 mV or more, six at 10 % of the largest or more, by counting
    assert map_area(MAP_MV.ravel(), 1.0, least_uv=0.05) == 6
    assert map_area(MAP_MV.ravel(), 1.0, least_uv=0.0, share_of_largest=0.1) == 6
    assert map_area(MAP_MV.ravel(), 0.25, least_uv=0.5) == 0.5
    assert active_sites([]).size == 0


def test_the_vertex_lies_half_way_between_the_landmarks() -> None:
    # MAP-03: 36 and 38 cm.
    assert vertex_from(36, 38) == pytest.approx((18.0, 19.0), abs=1e-12)


def test_c3_lies_a_fifth_of_the_way_between_the_ears_beside_the_vertex() -> None:
    # MAP-04: 38 cm.
    assert lateral_of_vertex(38) == pytest.approx(7.6, abs=1e-12)
