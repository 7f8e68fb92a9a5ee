"""Crowds of virtual participants show what is published of people; the whole table is printed by ``bench/population.py``."""

from functools import cache

import pytest

from decussa.source.virtual.anatomy import FDI
from decussa.source.virtual.montage import BACK, Montage, Site
from tests.reference.crowd import Crowd
from tests.reference.facts import FACTS, MISSED

BOTH_HANDS = Montage("both hands", (Site(FDI, "right"), Site(FDI, "left")), "left")
#: Electrodes where those of a protocol say nothing of, or too much for, a fact: the trunk's leg muscle is left out.
MONTAGES = {"both hands": BOTH_HANDS, "lumbar": BACK}


@cache
def crowd_of(protocol, people):
    return Crowd(MONTAGES.get(protocol, protocol), people)


@pytest.mark.parametrize(
    "fact", [fact for fact in FACTS if not fact.least], ids=lambda fact: f"{fact.protocol}: {fact.says}"
)
def test_a_crowd_shows_what_is_published(fact):
    found, limits, holds = fact.check(crowd_of(fact.protocol, fact.among))

    assert holds, f"{fact.says} ({fact.source}): found {found}, allowed {limits}"


@pytest.mark.parametrize("fact", MISSED, ids=lambda fact: fact.says)
def test_what_the_manual_says_the_person_lacks_is_still_lacking(fact):
    assert not fact.check(crowd_of(fact.protocol, fact.among))[2]
