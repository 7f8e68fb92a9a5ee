"""A session is prepared by people with codes: what they do is written down, health answers only in the private file."""

import json
import math
import shutil
from datetime import UTC, datetime, timedelta

import pytest

from decussa.compose.preparing import (
    NOBODY,
    confirm,
    describe_person,
    gates_that_hold,
    known_operators,
    measure_head,
    note_electrodes,
    open_before_first_pulse,
    read_preparation,
    sign_consent,
    take_back,
    who_acts,
)
from decussa.compose.sessions import new_study, run_session
from decussa.compose.signing import flagged_answers, keep_answers, sign_decision, waive
from decussa.model.errors import UsageError
from decussa.protocol.schema import protocol_text
from decussa.protocol.screening import TOPICS
from decussa.session.limits import GATES
from decussa.session.operator import Stop
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.operators import add_operator
from decussa.store.people import add_participant, add_session, withdraw
from decussa.store.private import open_private, reasons, screenings
from decussa.store.study import open_study
from tests.session.stage import SHORT

AT = "2026-03-01T09:30:00Z"
TODAY = datetime.now(UTC).astimezone().date().isoformat()
NO_FLAG = {topic.key: "no" if topic.flag == "yes" else "yes" for topic in TOPICS}
FAINTED = NO_FLAG | {"fainting": "yes"}
WORDS = {"fainting": "once, at a blood draw"}
SESSION = "P07-1"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made")
    (folder / "short.toml").write_text(SHORT, encoding="utf-8")
    new_study(folder / "study", str(folder / "short.toml"))
    with open_study(folder / "study", write=True) as study:
        add_participant(study, "P07", at=AT)
        add_session(study, "P07", at=AT)
        add_session(study, "P07", at=AT)
    with open_private(folder / "study", write=True) as database:
        add_operator(database, "OP1", "Olive Invented", "operator", pin="1111")
        add_operator(database, "PI1", "Paul Invented", "principal investigator", pin="2222")
        add_operator(database, "DR1", "Dora Invented", "physician")
    return folder / "study"


@pytest.fixture
def folder(made, tmp_path):
    return shutil.copytree(made, tmp_path / "study")


@pytest.fixture
def op(folder):
    return who_acts(folder, "OP1", "1111")


def journal_text(folder):
    with open_study(folder, write=False) as study, study.database.transaction() as connection:
        rows = connection.exec_driver_sql("SELECT body FROM entry").scalars().all()
    return "\n".join(rows)


def entries(folder, session=SESSION):
    with open_study(folder, write=False) as study, open_journal(study, session) as journal:
        return journal.entries()


def prepare_all(folder, op):
    sign_consent(folder, SESSION, op, "2.1", TODAY, ("sharing of data",))
    keep_answers(folder, SESSION, op, NO_FLAG, {})
    note_electrodes(folder, SESSION, op, "FDI right", "belly and tendon", "alcohol", 20.0, math.nan)
    measure_head(folder, SESSION, op, 36.0, 38.0)
    for item in ("stopping and withdrawing explained", "emergency plan", "ear protection", "stop signal"):
        confirm(folder, SESSION, op, item)
    confirm(folder, SESSION, op, "second person", "PI1")


def test_a_session_opens_when_everything_is_done(folder, op):
    assert open_before_first_pulse(folder, SESSION)
    prepare_all(folder, op)

    assert open_before_first_pulse(folder, SESSION) == ()
    assert gates_that_hold(folder, SESSION) == frozenset(GATES)
    assert check_study(folder) == []
    assert all(entry.body.operator == "OP1" and entry.body.verified for entry in entries(folder))


def test_a_later_session_proposes_the_consent_of_the_earlier_one_but_asks_everything_anew(folder, op):
    prepare_all(folder, op)
    later = read_preparation(folder, "P07-2")

    assert later.earlier_consent.form == "2.1"
    assert "consent" in [item.key for item in later.preparation.open_items]


def test_no_health_answer_and_no_name_is_in_the_shared_study(folder, op):
    sign_consent(folder, SESSION, op, "2.1", TODAY, ())
    keep_answers(folder, SESSION, op, FAINTED, WORDS)
    sign_decision(folder, SESSION, "DR1", "", "may take part", "fainted once only, lies down")
    shared = journal_text(folder).lower()

    for secret in ("faint", "blood draw", "lies down", "invented", "1111"):
        assert secret not in shared
    with open_private(folder, write=True) as database:
        assert screenings(database, "P07")[-1].answers == FAINTED
        assert screenings(database, "P07")[-1].words == WORDS
        assert [reason[1:] for reason in reasons(database, "P07")] == [("DR1", "fainted once only, lies down")]


def test_what_the_journal_holds_of_a_decision_is_version_class_decision_code_role_and_end(folder, op):
    sign_consent(folder, SESSION, op, "2.1", TODAY, ())
    keep_answers(folder, SESSION, op, FAINTED, WORDS)
    signer = sign_decision(folder, SESSION, "PI1", "2222", "may take part", "fainted once only")
    screened, decided = (entry.body for entry in entries(folder)[-2:])
    midnight = datetime.fromisoformat(decided.expires).astimezone()

    assert (screened.version, screened.outcome) == ("1", "review")
    assert (decided.decision, decided.operator, decided.role) == ("may take part", "PI1", "principal investigator")
    assert decided.verified
    assert signer.verified
    assert (midnight.hour, midnight.minute) == (0, 0)
    assert timedelta(0) < midnight - datetime.now(UTC) <= timedelta(hours=25)


def test_without_a_pin_a_signature_is_marked_as_not_verified(folder, op):
    sign_consent(folder, SESSION, op, "2.1", TODAY, ())
    keep_answers(folder, SESSION, op, FAINTED, WORDS)
    sign_decision(folder, SESSION, "DR1", "", "may take part", "fainted once only")
    screening = next(item for item in read_preparation(folder, SESSION).preparation.items if item.key == "screening")

    assert (screening.state, screening.by, screening.verified) == ("done", "DR1", False)


@pytest.mark.parametrize(
    ("code", "pin", "said"),
    [
        ("OP1", "1111", "operator may not sign"),
        ("PI1", "1111", "PIN is not right"),
        ("PI1", "", "PIN is not right"),
        ("XX1", "", "nobody here has this code"),
        ("", "", "Nobody said who signs"),
    ],
)
def test_only_who_is_entitled_signs_a_flagged_answer(folder, op, code, pin, said):
    sign_consent(folder, SESSION, op, "2.1", TODAY, ())
    keep_answers(folder, SESSION, op, FAINTED, WORDS)
    before = len(entries(folder))

    with pytest.raises(UsageError, match=said):
        sign_decision(folder, SESSION, code, pin, "may take part", "because")
    assert len(entries(folder)) == before
    assert "screening" in [item.key for item in open_before_first_pulse(folder, SESSION)]


def test_of_a_patient_only_a_physician_signs_and_a_site_may_have_reviewed_what_its_approval_covers(tmp_path):
    text = protocol_text("patient").replace('approval = ""', 'approval = "2026/17"')
    text = text.replace("[people]", '[screening]\nreview = ["raised pressure"]\n[people]')
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    folder = new_study(tmp_path / "study", str(tmp_path / "own.toml"))
    with open_study(folder, write=True) as study:
        add_participant(study, "P07", at=AT)
        add_session(study, "P07", at=AT)
    with open_private(folder, write=True) as database:
        add_operator(database, "PI1", "Paul Invented", "principal investigator", pin="2222")
        add_operator(database, "DR1", "Dora Invented", "physician")
    sign_consent(folder, SESSION, NOBODY, "2.1", TODAY, ())
    result = keep_answers(folder, SESSION, NOBODY, NO_FLAG | {"raised pressure": "yes"}, {"raised pressure": "treated"})

    assert result.outcome == "review"
    with pytest.raises(UsageError, match="principal investigator may not sign"):
        sign_decision(folder, SESSION, "PI1", "2222", "may take part", "because")
    sign_decision(folder, SESSION, "DR1", "", "may not take part", "not today")
    with pytest.raises(UsageError, match="may not take part"):
        run_session(folder, SESSION, "hand", operator=Present(), read_size=lambda *_: 0.0)


def test_an_exclusion_cannot_be_signed(folder, op):
    sign_consent(folder, SESSION, op, "2.1", TODAY, ())
    result = keep_answers(folder, SESSION, op, NO_FLAG | {"seizure ever": "yes"}, {"seizure ever": "as a child"})

    assert result.outcome == "stop"
    with pytest.raises(UsageError, match="no flagged answer to be judged"):
        sign_decision(folder, SESSION, "DR1", "", "may take part", "because")


@pytest.mark.parametrize(
    ("answers", "words", "said"),
    [
        (FAINTED, WORDS, "to be judged and signed"),
        (NO_FLAG | {"seizure ever": "yes"}, {"seizure ever": "as a child"}, "excludes"),
    ],
)
def test_what_the_screening_closes_is_closed_in_the_terminal_too(folder, op, answers, words, said):
    sign_consent(folder, SESSION, op, "2.1", TODAY, ())
    keep_answers(folder, SESSION, op, answers, words)
    with pytest.raises(UsageError, match=said):
        run_session(folder, SESSION, "hand", operator=Present(), read_size=lambda *_: 0.0)
    assert "started" not in [entry.kind for entry in entries(folder)]


class Present:
    """Somebody who confirms every gate and then stops."""

    code = "OP1"

    def confirm_gate(self, gate):
        return bool(gate)

    def commands(self, *_):
        return (Stop("enough"),)


def test_a_session_that_was_signed_or_not_prepared_here_starts_in_the_terminal(folder, op):
    run_session(folder, "P07-2", "hand", operator=Present(), read_size=lambda *_: 0.0)
    sign_consent(folder, SESSION, op, "2.1", TODAY, ())
    keep_answers(folder, SESSION, op, FAINTED, WORDS)
    sign_decision(folder, SESSION, "DR1", "", "may take part", "once only")
    run_session(folder, SESSION, "hand", operator=Present(), read_size=lambda *_: 0.0)

    for session in (SESSION, "P07-2"):
        assert "stopped" in [entry.kind for entry in entries(folder, session)]


def test_who_signs_sees_what_was_flagged(folder, op):
    assert flagged_answers(folder, SESSION) is None
    sign_consent(folder, SESSION, op, "2.1", TODAY, ())
    keep_answers(folder, SESSION, op, FAINTED, WORDS)
    result, words = flagged_answers(folder, SESSION)

    assert [(flag.topic.key, words[flag.topic.key]) for flag in result.flags] == [("fainting", "once, at a blood draw")]


def test_answers_come_after_consent_and_flagged_ones_with_words(folder, op):
    with pytest.raises(UsageError, match="Consent comes before"):
        keep_answers(folder, SESSION, op, NO_FLAG, {})
    sign_consent(folder, SESSION, op, "2.1", TODAY, ())
    with pytest.raises(UsageError, match="none for: Fainting"):
        keep_answers(folder, SESSION, op, FAINTED, {})
    with open_private(folder, write=True) as database:
        assert screenings(database, "P07") == ()


@pytest.mark.parametrize(
    ("item", "code", "pin", "said"),
    [
        ("ear protection", "PI1", "2222", "nobody may pass this"),
        ("consent", "PI1", "2222", "nobody may pass this"),
        ("second person", "OP1", "1111", "operator may not pass"),
        ("second person", "PI1", "0000", "PIN is not right"),
        ("no such thing", "PI1", "2222", "nobody may pass this"),
    ],
)
def test_only_who_is_entitled_passes_an_item_that_does_not_hold(folder, item, code, pin, said):
    with pytest.raises(UsageError, match=said):
        waive(folder, SESSION, code, pin, item, "a reason")
    assert entries(folder) == ()


def test_a_passed_item_keeps_name_role_and_reason(folder):
    with pytest.raises(UsageError, match="needs a reason"):
        waive(folder, SESSION, "PI1", "2222", "second person", " ")
    waive(folder, SESSION, "PI1", "2222", "second person", "colleague in the next room, door open")

    body = entries(folder)[-1].body
    assert (body.item, body.operator, body.role, body.verified) == (
        "second person",
        "PI1",
        "principal investigator",
        True,
    )
    assert "second person" not in [item.key for item in open_before_first_pulse(folder, SESSION)]


@pytest.mark.parametrize("note", ["", "  ", "OP1"])
def test_the_second_person_is_somebody_else(folder, op, note):
    with pytest.raises(UsageError, match="somebody else"):
        confirm(folder, SESSION, op, "second person", note)


def test_what_cannot_be_right_is_refused_and_not_written(folder, op):
    tomorrow = (datetime.now(UTC).astimezone().date() + timedelta(days=2)).isoformat()
    for act in (
        lambda: sign_consent(folder, SESSION, op, "2.1", tomorrow, ()),
        lambda: sign_consent(folder, SESSION, op, " ", TODAY, ()),
        lambda: sign_consent(folder, SESSION, op, "2.1", "yesterday", ()),
        lambda: note_electrodes(folder, SESSION, op, "TA left", "x", "", 20, 5),
        lambda: note_electrodes(folder, SESSION, op, "FDI right", "", "", 20, 5),
        lambda: note_electrodes(folder, SESSION, op, "FDI right", "x", "", -20, 5),
        lambda: note_electrodes(folder, SESSION, op, "FDI right", "x", "", 20, math.inf),
        lambda: measure_head(folder, SESSION, op, 360, 38),
        lambda: describe_person(folder, SESSION, op, 17, "right"),
        lambda: describe_person(folder, SESSION, op, 170, "third"),
        lambda: confirm(folder, SESSION, op, "screening"),
        lambda: confirm(folder, SESSION, op, "anything"),
    ):
        with pytest.raises(UsageError):
            act()
    assert entries(folder) == ()


def test_something_taken_back_is_open_and_both_entries_stay(folder, op):
    confirm(folder, SESSION, op, "ear protection", "foam plugs")
    take_back(folder, SESSION, op, "ear protection")

    assert "ear protection" in [item.key for item in open_before_first_pulse(folder, SESSION)]
    assert [entry.body.holds for entry in entries(folder)] == [True, False]


def test_while_nobody_was_added_acts_stand_without_a_code_and_not_verified(folder):
    (folder / "private.db").unlink()

    assert known_operators(folder) == ()
    assert who_acts(folder, "", "") == NOBODY
    confirm(folder, SESSION, NOBODY, "emergency plan")
    assert not entries(folder)[-1].body.verified


def test_where_people_were_added_nobody_acts_without_a_code(folder):
    with pytest.raises(UsageError, match="Nobody said who is working"):
        who_acts(folder, "", "")


def test_a_withdrawal_forgets_answers_and_reasons(folder, op):
    sign_consent(folder, SESSION, op, "2.1", TODAY, ())
    keep_answers(folder, SESSION, op, FAINTED, WORDS)
    sign_decision(folder, SESSION, "DR1", "", "may take part", "fainted once only")
    with open_study(folder, write=True) as study:
        withdraw(study, "P07", at=AT)

    content = b"".join(path.read_bytes() for path in folder.glob("private.db*"))
    assert b"blood draw" not in content
    assert b"fainted once" not in content
    assert json.dumps(WORDS).encode() not in content
