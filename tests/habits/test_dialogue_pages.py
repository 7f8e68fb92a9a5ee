"""Everything a plan may ask and be told, and everything a journal may hold, stands in the manual with an example."""

import re
from pathlib import Path
from typing import get_args

import pytest

from decussa.model.dialogue import Reply, Request
from decussa.session.lifecycle import TRANSITIONS
from decussa.store.codec import decode
from decussa.store.kinds import KINDS

DOCS = Path(__file__).parents[2] / "docs"
EXAMPLE = re.compile(r"^#+ (?P<name>[^\n]+)\n(?:(?!^#)[\s\S])*?```json\n(?P<text>[^\n]+)\n```", re.MULTILINE)


def examples(page):
    """The examples of a page by the heading above them, as records."""
    text = (DOCS / page).read_text(encoding="utf-8")
    return {match["name"]: decode(match["text"]) for match in EXAMPLE.finditer(text)}


@pytest.mark.parametrize("record", [*get_args(Request), *get_args(Reply)])
def test_every_request_and_reply_has_an_example_of_its_own(record):
    assert type(examples("session.md")[record.__name__]) is record


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_entry_has_an_example_that_it_may_hold(kind):
    assert type(examples("journal-entries.md")[kind]) in KINDS[kind].holds


def test_the_diagram_shows_every_state_and_transition():
    text = (DOCS / "session.md").read_text(encoding="utf-8")

    for state, events in TRANSITIONS.items():
        for event, target in events.items():
            assert f"{state.replace(' ', '_')} --> {target.replace(' ', '_')}: {event}" in text
