"""Size and area of a signal whose values are known in closed form: one cycle of a 100 Hz sine of 1 mV.

Peak-to-peak 2 mV; integral of its magnitude 20/pi = 6.36620 mV ms; root mean square 1/sqrt(2) mV. The trapezoid sum of the
sampled magnitude at 10 kHz follows from the sum of sines of equally spaced angles: (2 A h) cot(w h / 2) for a cycle.
"""

import math

import numpy as np
import pytest

from decussa.measuring.background import background_rms
from decussa.measuring.sweeps import measure_sweeps

RATE_HZ = 10_000.0
ONSET = 1200


def one_cycle() -> np.ndarray:
    sweep = np.zeros(2400)
    steps = np.arange(101)
    sweep[ONSET + 200 : ONSET + 301] = 1000.0 * np.sin(2 * math.pi * 100 * steps / RATE_HZ)
    return sweep


def test_siz_01_peak_to_peak_is_two_millivolts():
    values = measure_sweeps(one_cycle(), RATE_HZ, ONSET, onset=None)

    assert values["amplitude_uv"][0] / 1e3 == pytest.approx(2.0, abs=1e-6)
    assert values["size_uv"][0] / 1e3 == pytest.approx(2.0, abs=1e-6)
    assert values["response_p"][0] == 1.0


def test_siz_02_area_is_the_trapezoid_of_the_samples():
    values = measure_sweeps(one_cycle(), RATE_HZ, ONSET, onset=None)
    closed_form = 2 * 1.0 * 0.1 / math.tan(math.pi * 100 / RATE_HZ)

    assert closed_form == pytest.approx(6.36410, abs=1e-5)
    assert values["area_uv_ms"][0] / 1e3 == pytest.approx(6.36410, abs=1e-4)
    assert values["area_uv_ms"][0] / 1e3 == pytest.approx(20 / math.pi, rel=5e-4)


def test_siz_03_root_mean_square_is_one_over_root_two():
    sine = 1000.0 * np.sin(2 * math.pi * 100 * np.arange(2400) / RATE_HZ + 0.3)
    cycles = background_rms(sine, RATE_HZ, ONSET, baseline_ms=(-100.0, -0.1))

    assert cycles[0] / 1e3 == pytest.approx(0.7071068, abs=1e-6)
