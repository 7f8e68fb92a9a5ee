"""What is published of people beside what crowds of virtual participants show, measured through their sweeps.

    python bench/population.py [--people 1000] [--only hand]

Every fact of ``tests/reference/facts.py``, with its source, what was found, what is allowed and whether it holds; a fact with
mean and SD holds where both samples cannot be told apart at the 1 % level. Some facts are too costly for so many and ask a
tenth. About an hour for 1,000 people on one core.
"""

from __future__ import annotations

import argparse
import sys
import warnings

from tests.reference.facts import FACTS, MISSED, Fact
from tests.reference.test_population import crowd_of

#: Facts that are measured on fewer people in tests are costly; here they ask this share of the crowd.
COSTLY_SHARE = 0.1


def people_for(fact: Fact, people: int) -> int:
    """Return how many people a fact is measured on."""
    usual = Fact.__dataclass_fields__["among"].default
    return max(int(COSTLY_SHARE * people), 10) if fact.among < usual and fact.protocol == "hand" else people


def main() -> int:
    """Print the table; return 1 if a fact does not hold that should."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=int, default=1000)
    parser.add_argument("--only", default="", help="one protocol")
    asked = parser.parse_args()
    warnings.filterwarnings("ignore", message="Mean of empty slice|Degrees of freedom", category=RuntimeWarning)
    failed = 0
    for fact in (*FACTS, *MISSED):
        if asked.only not in ("", fact.protocol):
            continue
        n = people_for(fact, asked.people)
        if n < fact.least:
            continue
        found, limits, holds = fact.check(crowd_of(fact.protocol, n))
        known = fact in MISSED
        failed += not holds and not known
        word = "holds" if holds else "known not to hold" if known else "DOES NOT HOLD"
        print(f"{fact.protocol}, {n}: {fact.says} [{fact.source}]: found {found}, allowed {limits}: {word}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
