"""What a maximal effort shows: rest is where the muscle is quiet, the most is what was held, and noise is no torque."""

import math

import pytest

from decussa.session.effort import Effort, follow_effort


def led(*looks):
    """The effort after looks at EMG in µV RMS, torque and its standard deviation."""
    effort = Effort()
    for look in looks:
        effort = follow_effort(effort, *look)
    return effort


REST, PUSH, TIRED = (5.0, 0.4, 0.05), (400.0, 31.0, 0.6), (350.0, 29.0, 0.8)


@pytest.mark.parametrize("looks", [(REST, PUSH, TIRED), (TIRED, PUSH, REST), (REST, (60.0, 8.0, 3.0), PUSH, REST)])
def test_rest_is_where_the_muscle_is_quiet_whenever_that_was(looks):
    effort = led(*looks)

    assert (effort.most_uv, effort.rest, effort.most) == (400.0, 0.4, 31.0)
    assert effort.has_torque


def test_a_pull_counts_like_a_push():
    effort = led((5.0, -2.0, 0.05), (400.0, -30.0, 0.5), (300.0, 1.0, 0.5))

    assert (effort.rest, effort.most) == (-2.0, -30.0)


def test_a_sensor_that_does_not_move_shows_no_torque():
    assert not led((5.0, 0.40, 0.05), (400.0, 0.55, 0.05)).has_torque
    assert not led((5.0, 0.0, 0.0), (400.0, 0.0, 0.0)).has_torque


def test_without_rest_beside_the_effort_there_is_nothing_to_compare_with():
    assert not led(PUSH, TIRED).has_torque


def test_what_is_missing_changes_nothing():
    missing = (math.nan, math.nan, math.nan)

    assert led(REST, missing, PUSH) == led(REST, PUSH)
    assert led((5.0, math.nan, math.nan), (400.0, math.nan, math.nan)).most_uv == 400.0
    assert not led((5.0, math.nan, math.nan), (400.0, math.nan, math.nan)).has_torque
    assert not Effort().has_torque
