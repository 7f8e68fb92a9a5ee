"""The colours: contrast by WCAG 2.2 (success criteria 1.4.3 and 1.4.11), and data colours told apart by colour-blind eyes.

Colour blindness is simulated in linear RGB with the matrices for full severity of Machado, Oliveira and Fernandes 2009, doi
10.1109/TVCG.2009.113 (values from memory). Differences are CIEDE2000, after Sharma, Wu and Dalal 2005, doi 10.1002/col.20070,
whose published pairs are the check of the formula here.
"""

import itertools
import math
import re
from pathlib import Path

import numpy as np
import pytest

STYLE = Path(__file__).parents[2] / "src" / "decussa" / "screen" / "assets" / "style.css"
#: Full severity: protanopia, deuteranopia, tritanopia.
SIGHT = {
    "usual": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}


def themes():
    """The tokens of the light and of the dark theme."""
    rules = re.findall(r":root(\[data-theme=dark\])?\{(color-scheme:(?:light|dark);[^}]*)\}", STYLE.read_text("utf-8"))
    found = {}
    for _, body in rules:
        name = re.match(r"color-scheme:(\w+)", body)[1]
        found[name] = dict(re.findall(r"--([\w-]+):(#[0-9A-Fa-f]{6})", body))
    assert set(found) == {"light", "dark"}
    return found


def linear(colour):
    """sRGB to linear, as IEC 61966-2-1 and WCAG 2 define it."""
    channels = np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255
    return np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)


def contrast(one, other):
    bright, dim = sorted((linear(colour) @ [0.2126, 0.7152, 0.0722] for colour in (one, other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def lab(rgb):
    """Linear RGB to CIELAB, D65."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ np.clip(rgb, 0, 1)
    t = xyz / [0.95047, 1.0, 1.08883]
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return 116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])


def ciede2000(one, other):
    (l1, a1, b1), (l2, a2, b2) = one, other
    mean_c = (math.hypot(a1, b1) + math.hypot(a2, b2)) / 2
    g = 0.5 * (1 - math.sqrt(mean_c**7 / (mean_c**7 + 25**7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)
    h1, h2 = (math.degrees(math.atan2(b, a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    turn = h2 - h1 if abs(h2 - h1) <= 180 else h2 - h1 - math.copysign(360, h2 - h1)
    turn = 0.0 if c1 * c2 == 0 else turn
    mean_h = h1 + h2 if c1 * c2 == 0 else (h1 + turn / 2) % 360
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    waves = ((-0.17, 1, -30), (0.24, 2, 0), (0.32, 3, 6), (-0.20, 4, -63))
    t = 1 + sum(share * math.cos(math.radians(times * mean_h + shift)) for share, times, shift in waves)
    s_l = 1 + 0.015 * (mean_l - 50) ** 2 / math.sqrt(20 + (mean_l - 50) ** 2)
    s_c, s_h = 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    spin = 30 * math.exp(-(((mean_h - 275) / 25) ** 2))
    r_t = -2 * math.sqrt(mean_c**7 / (mean_c**7 + 25**7)) * math.sin(math.radians(2 * spin))
    d_l, d_c = (l2 - l1) / s_l, (c2 - c1) / s_c
    d_h = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(turn / 2)) / s_h
    return math.sqrt(d_l**2 + d_c**2 + d_h**2 + r_t * d_c * d_h)


@pytest.mark.parametrize(
    ("one", "other", "published"),
    [
        ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ((50, 2.5, 0), (73, 25, -18), 27.1492),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
        ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_the_formula_gives_the_published_differences(one, other, published):
    """Pairs 1, 17, 25 and 34 of table 1 in Sharma, Wu and Dalal 2005 (from memory)."""
    assert ciede2000(one, other) == pytest.approx(published, abs=5e-5)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_text_stands_out_at_4_5_and_lines_and_marks_at_3(theme):
    tokens = themes()[theme]
    for ground in ("paper", "sheet"):
        for name in ("ink", "ink-2", "now", "mind", "stop"):
            assert contrast(tokens[name], tokens[ground]) >= 4.5, (name, ground)
        for name in ("edge", "d1", "d2", "d3", "d4"):
            assert contrast(tokens[name], tokens[ground]) >= 3, (name, ground)
    for name in ("now", "mind", "stop"):
        assert contrast(tokens[name], tokens[f"{name}-wash"]) >= 4.5
        assert contrast(tokens["ink"], tokens[f"{name}-wash"]) >= 4.5


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("sight", SIGHT)
def test_no_two_data_colours_come_close_for_any_sight(theme, sight):
    """About 1 is just visible side by side; ten times that keeps thin lines apart."""
    seen = {name: lab(SIGHT[sight] @ linear(themes()[theme][name])) for name in ("d1", "d2", "d3", "d4")}
    closest = min(ciede2000(seen[one], seen[other]) for one, other in itertools.combinations(seen, 2))
    assert closest > 10
