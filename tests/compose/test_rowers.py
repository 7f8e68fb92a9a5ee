"""The rowers of the demonstration fit their parts, and a session of theirs is the same for a seed."""

import hashlib

from decussa.compose.rowers import PARTS, rowers, rowers_participants, run_rowers
from decussa.compose.study_reports import debrief_session
from decussa.compose.virtual_people import person_of
from decussa.protocol.schema import read_protocol
from decussa.source.virtual.person import VirtualParticipant
from decussa.store.journal import open_journal
from decussa.store.records import Started
from decussa.store.study import open_study


def test_a_seed_gives_the_same_recordings(tmp_path):
    said = []
    first = next(run_rowers(tmp_path / "a", 0, said.append))
    again = next(run_rowers(tmp_path / "b", 0, said.append))

    assert (
        hashlib.sha256(first.samples_uv.tobytes()).hexdigest() == hashlib.sha256(again.samples_uv.tobytes()).hexdigest()
    )
    # Settings that do not apply are NaN, which equals nothing.
    assert repr(first.events) == repr(again.events)
    assert said == ["hand: R01, before"] * 2


def test_the_first_two_rowers_answer_in_the_trunk_and_the_third_does_not():
    for rower in rowers(0):
        person = VirtualParticipant(rower.seed, PARTS[1].montage, state=rower.before)
        active = person.truth.muscles["LES right"].active_threshold_mso
        assert (active < 90) == (rower.label != "R03")


def test_the_hour_weakens_the_trunk_and_spares_the_hand():
    for rower in rowers(0):
        for protocol, channel, least, most in (("hand", "FDI right", 1.0, 1.02), ("lumbar", "LES right", 1.04, 1.08)):
            before = VirtualParticipant(rower.seed, protocol, state=rower.before).truth.muscles[channel]
            after = VirtualParticipant(rower.seed, protocol, state=rower.after).truth.muscles[channel]
            assert least < after.rest_threshold_mso / before.rest_threshold_mso < most


def test_participants_are_described_without_a_name():
    rows = rowers_participants(0)

    assert [row["participant_id"] for row in rows] == ["R01", "R02", "R03"]
    assert all(set(row) == {"participant_id", "age", "sex", "handedness", "height"} for row in rows)
    assert all(18 <= row["age"] < 89 and 145 < row["height"] < 205 for row in rows)


def test_what_the_day_did_to_a_rower_is_kept_with_the_session_and_known_to_its_debrief(tmp_path):
    hand, rower = PARTS[0], rowers(0)[0]
    for recorded in run_rowers(tmp_path, 0, lambda _: None):
        if recorded.session == "after":
            break
    with open_study(tmp_path / "hand", write=False) as study, open_journal(study, f"{rower.label}-2") as journal:
        protocol = read_protocol(study.protocol_text, where=tmp_path)
        started = next(entry.body for entry in journal.entries() if isinstance(entry.body, Started))
        told = debrief_session(journal, protocol)
    truth = VirtualParticipant(rower.seed, hand.montage, state=rower.after).truth.muscles["FDI right"]
    known = person_of(protocol, started).truth.muscles["FDI right"]
    compared = {comparison.name: comparison.truth for comparison in told.comparisons}
    assert known.rest_threshold_mso == truth.rest_threshold_mso
    # Where the coil was held it is higher than at the hotspot, by what does not reach the cortex from there.
    assert truth.rest_threshold_mso <= compared["FDI right, resting threshold"] < 1.1 * truth.rest_threshold_mso
