"""Whole sessions of every shipped protocol: audited from the journal alone, killed, stopped, and given hostile answers.

A sample with fewer trials; ``bench/sessions.py`` and ``bench/kills.py`` run the full protocols on many more people.
"""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decussa.compose import rehearsals, sessions
from decussa.model.dialogue import Answer, Ask, Deliver, Show, Trial
from decussa.model.errors import MachineError, UsageError
from decussa.model.recording import Channel
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import Sweep
from decussa.protocol.schema import SHIPPED, read_protocol
from decussa.session.operator import Unattended
from decussa.source.contract import Delivered
from decussa.source.hand import HandSource
from decussa.source.virtual.character import HARD
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.study import open_study
from tests.session.audit import audit
from tests.session.interrupted import (
    Crash,
    Rehearsal,
    begin,
    differs_from_undisturbed,
    entries_of,
    faults_after_a_stop,
    faults_of_beginnings,
    go,
    kill_at_random,
    stopping,
)
from tests.session.shortened import shortened_file, shortened_text
from tests.store.fault_layer import fault_layer

PEOPLE = 5
KINDS = ("", *HARD)


@pytest.fixture(scope="module")
def protocols(tmp_path_factory):
    """The shortened protocols, by name, as files."""
    place = tmp_path_factory.mktemp("protocols")
    return {name: shortened_file(name, place) for name in SHIPPED}


@pytest.fixture(scope="module")
def one_session(protocols, tmp_path_factory):
    """The journal of one undisturbed session, and its protocol."""
    rehearsal = Rehearsal(protocols["forearm"], 3, "", tmp_path_factory.mktemp("one") / "study")
    begin(rehearsal)
    return go(rehearsal), shortened_text("forearm")


@pytest.mark.parametrize("number", range(PEOPLE))
@pytest.mark.parametrize("name", SHIPPED)
def test_every_session_ends_within_its_limits_and_leaves_no_gap_without_a_reason(protocols, tmp_path, name, number):
    kind = KINDS[(number + PEOPLE * SHIPPED.index(name)) % len(KINDS)]
    outcome = rehearsals.rehearse(protocols[name], tmp_path / "study", seed=number, operator=Unattended(), hard=kind)

    assert outcome.stopped == ""
    assert audit(outcome.entries, shortened_text(name)) == []
    assert [finding.sentence() for finding in check_study(tmp_path / "study") if finding.broken] == []


def spoil(entries, wanted, change):
    """The journal with the first entry that is ``wanted`` changed; ``change`` returns None to take it out."""
    at = next(index for index, entry in enumerate(entries) if wanted(entry))
    body = change(entries[at].body)
    rest = entries[at + 1 :]
    return [*entries[:at], *([] if body is None else [replace(entries[at], body=body)]), *rest]


def is_single_at(step, entry):
    return isinstance(entry.body, Deliver) and entry.body.step == step and entry.body.condition != "climb"


def stronger(request):
    return replace(request, stimulus=Stimulus.single(request.stimulus.intensity_mso + 30))


@pytest.mark.parametrize(
    ("wanted", "change", "said"),
    [
        (lambda e: e.kind == "gate", lambda _: None, "with 4 of 5 gates passed"),
        (lambda e: is_single_at("familiarisation", e), stronger, "tolerated were"),
        (lambda e: is_single_at("paired", e), lambda r: replace(r, wait_s=12.0), "drawn outside"),
        (lambda e: is_single_at("paired", e), lambda r: replace(r, condition="SICI"), "not balanced"),
        (
            lambda e: isinstance(e.body, Ask) and e.body.key == "discomfort",
            lambda r: replace(r, key="other"),
            "before the rating",
        ),
        (lambda e: e.kind == "step found" and e.body.step == "threshold", lambda _: None, "threshold: ended 0 times"),
        (lambda e: e.kind == "follow-up due", lambda _: None, "no follow-up is due"),
        (lambda e: e.kind == "finished", lambda _: None, "the session ends with"),
        (lambda e: isinstance(e.body, Trial), lambda _: None, "asked before the request before was answered"),
        (
            lambda e: e.kind == "step found" and e.body.step == "mmax",
            lambda f: replace(f, results={}),
            "mmax was not found",
        ),
    ],
)
def test_the_audit_sees_what_it_is_there_to_see(one_session, wanted, change, said):
    entries, text = one_session

    assert audit(entries, text) == []
    assert any(said in fault for fault in audit(spoil(entries, wanted, change), text))


def test_the_audit_sees_trials_that_are_missing(one_session):
    entries, text = one_session
    last = max(index for index, entry in enumerate(entries) if is_single_at("response at 130 %", entry))
    shorter = [entry for index, entry in enumerate(entries) if index not in (last, last + 1)]

    assert any("of 3 times, and no reason" in fault for fault in audit(shorter, text))


def test_the_audit_sees_ratings_that_were_ignored(one_session):
    entries, text = one_session
    asked = None
    painful = []
    for entry in entries:
        if entry.kind == "asked":
            asked = entry.body
        rated = entry.kind == "answered" and isinstance(asked, Ask) and asked.key == "discomfort"
        painful.append(replace(entry, body=Answer(value=9.0)) if rated else entry)

    assert any("was too much" in fault for fault in audit(painful, text))


@pytest.mark.parametrize("name", ["hand", "lumbar"])
def test_killed_at_random_moments_a_session_loses_and_repeats_nothing(protocols, tmp_path, name):
    rehearsal = Rehearsal(protocols[name], 30 + SHIPPED.index(name), "", tmp_path / "study")
    begin(rehearsal)
    chance = random.Random(7)
    for _ in range(10):
        kill_at_random(rehearsal, chance, longest_s=0.5)
        assert faults_after_a_stop(rehearsal) == []
    entries = go(rehearsal)

    assert entries[-1].kind == "finished"
    assert faults_after_a_stop(rehearsal) == []
    assert differs_from_undisturbed(rehearsal) == []


@pytest.mark.parametrize(("name", "at", "before"), [("leg", 61, True), ("patient", 90, False)])
def test_stopped_around_a_write_a_session_ends_as_if_undisturbed(protocols, tmp_path, name, at, before):
    rehearsal = Rehearsal(protocols[name], 40, "", tmp_path / "study")
    begin(rehearsal)
    with pytest.raises(Crash), stopping(at, before=before):
        go(rehearsal)
    assert faults_after_a_stop(rehearsal) == []
    go(rehearsal)

    assert faults_after_a_stop(rehearsal) == []
    assert differs_from_undisturbed(rehearsal) == []
    entries = entries_of(rehearsal)
    ends = random.Random(at).sample(range(1, len(entries)), 5)
    assert faults_of_beginnings(entries, shortened_text(name), rehearsal.seed, ends) == []


def test_a_full_disk_stops_the_session_with_a_way_out_and_nothing_is_lost(protocols, tmp_path):
    rehearsal = Rehearsal(protocols["lumbar"], 50, "", tmp_path / "study")
    begin(rehearsal)
    with fault_layer() as layer:
        layer.refusal, layer.refuse_from = 13, 200
        with pytest.raises(MachineError, match="disk is full") as caught:
            go(rehearsal)
    assert caught.value.do
    assert faults_after_a_stop(rehearsal) == []
    go(rehearsal)

    assert faults_after_a_stop(rehearsal) == []
    assert differs_from_undisturbed(rehearsal) == []


class Hostile:
    """A source that answers anything: nothing, too late, out of order, NaN, huge, negative; chance by seed and number."""

    name = "virtual"
    can_reach_a_person = False

    def __init__(self, labels, seed):
        self.channels = tuple(Channel(name=label, kind="emg", rate_hz=1000.0) for label in labels)
        self.seed = seed

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        pass

    def skip_to(self, number):
        pass

    def deliver(self, request, number):  # noqa: ARG002
        chance = random.Random(f"{self.seed} {number}")
        way = chance.random()
        if way < 0.05:
            return None
        if way < 0.1:
            return Delivered(number=number + chance.choice([-1, 1, 7]), sizes_uv=self.sizes(chance))
        if way < 0.13:
            return Delivered(number=number, sweep=self.sweep(chance))
        return Delivered(number=number, sizes_uv=self.sizes(chance))

    def sizes(self, chance):
        sizes = [math.nan, math.inf, -5.0, 0.0, 1e-9, 20.0, 60.0, 300.0, 700.0, 5000.0, 1e30]
        return {channel.name: chance.choice(sizes) for channel in self.channels if chance.random() < 0.95}

    def sweep(self, chance):
        level = chance.choice([math.nan, math.inf, 0.0, 1e9])
        samples = np.full((len(self.channels), 600), level, dtype=np.float32)
        names = tuple(channel.name for channel in self.channels)
        return Sweep(samples_uv=samples, rate_hz=1000.0, onset_sample=200, channels=names)

    def answer(self, request):
        chance = random.Random(f"{self.seed} {request.text}")
        return (
            chance.choice([None, "", "ten", math.nan, -3.0, 0.0, 2.0, 6.0, 9.0, 1e9])
            if request.kind == "rating"
            else None
        )


@settings(max_examples=8, deadline=None)
@given(name=st.sampled_from(SHIPPED), seed=st.integers(0, 2**20))
def test_whatever_a_source_answers_no_limit_is_passed_and_nothing_is_left_out_without_a_reason(
    protocols, tmp_path_factory, name, seed
):
    rehearsal = Rehearsal(protocols[name], 60, "", tmp_path_factory.mktemp("hostile") / "study")
    begin(rehearsal)
    with open_study(rehearsal.folder, write=True) as study:
        protocol = read_protocol(study.protocol_text)
        outcome = sessions.run_in(
            study,
            rehearsal.session,
            Hostile([muscle.label for muscle in protocol.muscles], seed),
            Unattended(),
            clock=sessions.VirtualClock(rehearsals.VIRTUAL_MORNING),
            seed=rehearsal.seed,
            fresh=False,
        )

    assert outcome.stopped == ""
    assert audit(outcome.entries, shortened_text(name)) == []
    ends = random.Random(seed).sample(range(1, len(outcome.entries)), 3)
    assert faults_of_beginnings(outcome.entries, shortened_text(name), rehearsal.seed, ends) == []


def test_a_source_that_can_reach_a_person_is_never_run_unattended(protocols, tmp_path):
    rehearsal = Rehearsal(protocols["leg"], 70, "", tmp_path / "study")
    begin(rehearsal)
    asked = []
    hand = HandSource(["TA right"], lambda request, _: asked.append(request))
    with open_study(rehearsal.folder, write=True) as study:
        with pytest.raises(UsageError, match="never run by itself"):
            sessions.run_in(
                study, rehearsal.session, hand, Unattended(), clock=sessions.RealClock(), seed=1, fresh=False
            )
        with open_journal(study, rehearsal.session) as journal:
            assert journal.entries() == ()
    assert asked == []


def test_a_refused_way_up_names_the_rating_and_what_was_given(protocols, tmp_path):
    """A person who tolerates little: the trunk's test level is not reached, and everything that needs it says why."""
    outcome = rehearsals.rehearse(
        protocols["lumbar"], tmp_path / "study", seed=7, operator=Unattended(), hard="low tolerance"
    )
    shown = " ".join(entry.body.text for entry in outcome.entries if isinstance(entry.body, Show))

    assert "was rated" in outcome.found["LES left/trunk_test"].reason
    assert "pulses were given on the way" in outcome.found["LES left/trunk_test"].reason
    assert "response at base + 40" in shown or "base + 40 % MSO" in shown
