"""What is open before the first pulse, from what was written down: by day, by who may pass it, by what protects a person."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.protocol.schema import load_protocol, read_protocol
from decussa.session.limits import GATES
from decussa.session.preparation import GATE_OF, preparation_of
from decussa.store.chain import Entry
from decussa.store.preparing import (
    Confirmed,
    Consent,
    Decided,
    ElectrodesOn,
    HeadMeasured,
    PersonDescribed,
    Screened,
    Waived,
)
from tests.session.stage import SHORT

MIDNIGHT, NOON, TONIGHT = "2026-03-02T00:00:00.000Z", "2026-03-02T12:00:00.000Z", "2026-03-03T00:00:00.000Z"
YESTERDAY, MORNING = "2026-03-01T10:00:00.000Z", "2026-03-02T09:00:00.000Z"
PROTOCOL = read_protocol(SHORT)
WHO = {"operator": "OP1", "verified": True}
ALL = (
    Consent(form="2.1", signed_on="2026-03-01", **WHO),
    Confirmed(item="stopping and withdrawing explained", **WHO),
    Screened(version="1", outcome="go", expires=TONIGHT, **WHO),
    ElectrodesOn(muscle="FDI right", placement="belly and tendon", **WHO),
    HeadMeasured(nasion_inion_cm=36, ear_to_ear_cm=38, **WHO),
    Confirmed(item="second person", note="OP2", **WHO),
    Confirmed(item="emergency plan", **WHO),
    Confirmed(item="ear protection", note="foam plugs", **WHO),
    Confirmed(item="stop signal", **WHO),
)


def written(*bodies, at=MORNING):
    return [
        Entry(number=number, at=at, kind="note", body=body, measured=None, has_sweep=False, hash="")
        for number, body in enumerate(bodies, start=1)
    ]


def prepared(*bodies, at=MORNING, now=NOON, protocol=PROTOCOL):
    return preparation_of(written(*bodies, at=at), protocol, day_began=MIDNIGHT, now=now)


def state(preparation, key):
    return next(item.state for item in preparation.items if item.key == key)


def open_keys(preparation):
    return [item.key for item in preparation.open_items]


def test_at_first_everything_is_open_but_what_is_only_wanted():
    preparation = prepared()

    assert open_keys(preparation) == [item.key for item in preparation.items if item.key not in ("person", "signals")]
    assert preparation.gates_that_hold == frozenset()


def test_when_all_is_done_nothing_is_open_and_every_gate_of_the_engine_holds():
    preparation = prepared(*ALL)

    assert open_keys(preparation) == []
    assert preparation.gates_that_hold == frozenset(GATES)
    assert all(item.by == "OP1" and item.verified for item in preparation.items if item.state == "done")


def test_every_gate_of_the_engine_rests_on_an_item():
    assert set(GATE_OF.values()) == set(GATES)
    assert set(GATE_OF) <= {item.key for item in prepared().items}


@pytest.mark.parametrize("left_out", range(len(ALL)))
def test_each_thing_alone_keeps_the_session_closed(left_out):
    preparation = prepared(*(body for place, body in enumerate(ALL) if place != left_out))

    assert len(preparation.open_items) == 1


def test_on_the_next_day_all_but_consent_and_height_is_open_again():
    preparation = prepared(*ALL, PersonDescribed(height_cm=170), at=YESTERDAY)

    assert [item.key for item in preparation.items if item.state == "done"] == ["consent", "person"]


def test_a_screening_that_ended_is_open_again():
    ended = Screened(version="1", outcome="go", expires=NOON, **WHO)

    assert state(prepared(ended), "screening") == "open"
    assert state(prepared(ended, now=MORNING), "screening") == "done"


REVIEW = Screened(version="1", outcome="review", expires=TONIGHT, **WHO)
SIGNED = Decided(decision="may take part", role="physician", expires=TONIGHT, operator="DR1", verified=True)


def test_a_flagged_answer_waits_for_a_signature():
    assert state(prepared(REVIEW), "screening") == "to be signed"
    done = next(item for item in prepared(REVIEW, SIGNED).items if item.key == "screening")
    assert (done.state, done.by) == ("done", "DR1")


def test_a_decision_against_closes_the_session():
    against = Decided(decision="may not take part", role="physician", expires=TONIGHT)

    assert state(prepared(REVIEW, against), "screening") == "refused"


def test_a_decision_does_not_reach_over_to_newer_answers():
    assert state(prepared(REVIEW, SIGNED, REVIEW), "screening") == "to be signed"


def test_an_exclusion_stays_closed_whatever_is_signed_or_waived():
    stop = Screened(version="1", outcome="stop", expires=TONIGHT, **WHO)
    waived = Waived(item="screening", role="principal investigator", reason="in a hurry")

    assert state(prepared(stop, SIGNED, waived), "screening") == "refused"


@pytest.mark.parametrize(
    "key", ["consent", "stopping and withdrawing explained", "screening", "ear protection", "stop signal"]
)
def test_what_protects_a_person_is_passed_by_nobody(key):
    item = next(item for item in prepared().items if item.key == key)

    assert item.may_pass == ()


def test_what_is_passed_says_by_whom_and_why():
    waived = Waived(item="vertex", role="operator", reason="site from last time", **WHO)
    item = next(item for item in prepared(waived).items if item.key == "vertex")

    assert (item.state, item.note) == ("passed", "passed by the operator: site from last time")


@pytest.mark.parametrize("item", ["consent", "screening", "vertex", "FDI right", "second person", "ear protection"])
def test_what_is_taken_back_is_open_again(item):
    assert open_keys(prepared(*ALL, Confirmed(item=item, holds=False))) == [item]


def test_a_study_with_nerve_stimulation_asks_for_it():
    with_mmax, _ = load_protocol("forearm")

    assert "nerve stimulation" in open_keys(prepared(protocol=with_mmax))
    assert "nerve stimulation" not in open_keys(prepared())


def test_every_muscle_of_the_protocol_has_its_electrodes_and_the_start_site_its_place():
    lumbar, _ = load_protocol("lumbar")
    keys = [item.key for item in prepared(protocol=lumbar).items]

    assert {muscle.label for muscle in lumbar.muscles} <= set(keys)
    forearm, _ = load_protocol("forearm")
    site = next(item for item in prepared(protocol=forearm).items if item.key == "start site")
    assert site.note == "5 cm right of the vertex, on the ear line"


POOL = (
    *ALL,
    REVIEW,
    SIGNED,
    Decided(decision="may not take part", role="physician", expires=TONIGHT),
    Screened(version="1", outcome="stop", expires=TONIGHT),
    *(
        Waived(item=key, role="principal investigator", reason="tried")
        for key in ("second person", "ear protection", "consent")
    ),
    *(Confirmed(item=key, holds=False) for key in ("consent", "screening", "ear protection", "FDI right")),
)


def last_about(bodies, key, kind=None):
    """The last word on an item, found from the end: an independent way to the same answer."""
    for body in reversed(bodies):
        if kind is not None and isinstance(body, kind):
            return body
        if isinstance(body, Confirmed | Waived) and body.item == key:
            return body
    return None


@given(st.lists(st.sampled_from(POOL), max_size=30))
def test_whatever_was_written_a_gate_holds_only_on_the_last_word_about_it(bodies):
    preparation = prepared(*bodies)
    consent = last_about([body for body in bodies if not isinstance(body, Waived)], "consent", Consent)
    ears = [body for body in bodies if isinstance(body, Confirmed) and body.item == "ear protection"]
    told = [body for body in bodies if isinstance(body, Screened | Decided) or getattr(body, "item", "") == "screening"]
    outcome = next((place for place in reversed(range(len(told))) if not isinstance(told[place], Decided)), None)
    screened = told[outcome] if outcome is not None else None
    decided = told[-1] if outcome is not None and outcome < len(told) - 1 else None
    passes = isinstance(screened, Screened) and (
        screened.outcome == "go"
        or (screened.outcome == "review" and decided is not None and decided.decision == "may take part")
    )

    assert (state(preparation, "consent") == "done") == isinstance(consent, Consent)
    assert (state(preparation, "ear protection") == "done") == bool(ears and ears[-1].holds)
    assert (state(preparation, "screening") == "done") == passes
    assert ("consent signed" in preparation.gates_that_hold) == isinstance(consent, Consent)
    assert ("screening valid today" in preparation.gates_that_hold) == passes
    assert ("ear protection on participant and operator" in preparation.gates_that_hold) == bool(
        ears and ears[-1].holds
    )
