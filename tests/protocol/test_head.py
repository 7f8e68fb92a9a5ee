"""The vertex is half of both arcs."""

import math

import pytest

from decussa.model.errors import UsageError
from decussa.protocol.head import find_vertex, site_sentence


def test_the_vertex_is_half_of_both_arcs():
    """Definition of Cz in the 10-20 system: 50 % of nasion to inion, 50 % of one preauricular point to the other."""
    vertex = find_vertex(36, 38)

    assert (vertex.from_nasion_cm, vertex.from_ear_cm) == (18.0, 19.0)
    assert vertex.sentence() == "18.0 cm from nasion and inion, 19.0 cm from both ears"


@pytest.mark.parametrize("arcs", [(3.6, 38), (360, 38), (36, 15), (math.nan, 38), (36, math.inf)])
def test_an_arc_of_no_head_is_refused(arcs):
    with pytest.raises(UsageError, match="Measure again"):
        find_vertex(*arcs)


@pytest.mark.parametrize(
    ("start_cm", "side", "said"),
    [
        ((5, 0), "right", "5 cm right of the vertex, on the ear line"),
        ((5, 1), "left", "5 cm left of the vertex, 1 cm in front of the ear line"),
        ((0, -1), "midline", "1 cm behind the vertex"),
        ((0, 0), "midline", "over the vertex"),
    ],
)
def test_the_start_site_is_said_from_the_vertex(start_cm, side, said):
    assert site_sentence(start_cm, side) == said
