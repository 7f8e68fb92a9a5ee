"""Figures as SVG."""

import math
import re

import pytest

from decussa.report.style import add_panel, drawing_style, new_figure, round_length, to_svg


def _svg() -> str:
    with drawing_style():
        figure = new_figure(60, 40)
        axes = add_panel(figure, 5, 5, 50, 30)
        axes.plot([0.123456789, 1.0, 2.0], [1.0, 3.987654321, 2.0])
        axes.set_xticks([0.0, 1.0], ["0.0625", "0.125 ms"])
        return to_svg(figure)


def test_the_same_figure_is_the_same_bytes():
    assert _svg() == _svg()


def test_coordinates_are_shortened_and_lettering_is_not():
    svg = _svg()
    assert "0.0625" in svg
    assert "0.125 ms" in svg
    paths = " ".join(re.findall(r' d="([^"]*)"', svg))
    assert not re.search(r"\.\d{3}", paths)


def test_lettering_is_in_the_face_of_the_page():
    assert "Libertinus Serif" in _svg()
    assert "DejaVu" not in _svg()


@pytest.mark.parametrize(
    ("largest", "length"),
    [(7.0, 5.0), (5.0, 5.0), (4.9, 2.0), (0.013, 0.01), (1999.0, 1000.0), (0.0, 0.0), (math.nan, 0.0), (math.inf, 0.0)],
)
def test_a_scale_bar_is_1_2_or_5_times_a_power_of_ten(largest, length):
    assert round_length(largest) == pytest.approx(length)
