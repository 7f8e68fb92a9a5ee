"""The list of entries is closed and complete."""

from typing import get_args

import pytest

from decussa.model.dialogue import Reply, Request
from decussa.store.codec import decode, encode
from decussa.store.kinds import KINDS, Kind, check_kind
from decussa.store.records import Event


def test_every_kind_is_described_once():
    assert tuple(KINDS) == get_args(Kind)


def test_whatever_may_be_asked_answered_or_happen_has_a_kind():
    held = {record for entry in KINDS.values() for record in entry.holds}

    assert held == {*get_args(Request), *get_args(Reply), *get_args(Event)}


@pytest.mark.parametrize("kind", KINDS)
def test_the_example_of_a_kind_belongs_to_it_and_comes_back(kind):
    example = KINDS[kind].example
    check_kind(kind, example)

    assert repr(decode(encode(example))) == repr(example)  # repr, because NaN is unequal to itself
    assert KINDS[kind].meaning.endswith(".")
