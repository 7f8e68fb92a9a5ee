"""The lifecycle is one table, and the manual's diagram is drawn from it."""

import pytest

from decussa.model.errors import UsageError
from decussa.session.lifecycle import TRANSITIONS, diagram, next_state


def test_every_state_can_be_reached_and_every_state_but_the_last_be_left():
    reached = {target for events in TRANSITIONS.values() for target in events.values()} | {"new"}

    assert reached == set(TRANSITIONS)
    assert [state for state, events in TRANSITIONS.items() if not events] == ["finished"]


def test_what_cannot_happen_is_refused_with_what_can():
    with pytest.raises(UsageError, match="'asked' cannot happen while a session is finished; expected nothing more"):
        next_state("finished", "asked")


def test_the_diagram_shows_every_transition():
    assert diagram().count("-->") == sum(len(events) for events in TRANSITIONS.values()) + 2
