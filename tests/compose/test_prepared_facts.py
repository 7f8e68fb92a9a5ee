"""A report says who prepared and signed, by code, and where an identity is not verified; health answers it does not know."""

from datetime import UTC, datetime

import pytest
from pypdf import PdfReader

from decussa.compose.keeping import enrol
from decussa.compose.prepared_facts import preparation_facts
from decussa.compose.preparing import NOBODY, describe_person, who_acts
from decussa.compose.sessions import new_study, run_in
from decussa.compose.signing import keep_answers, sign_decision
from decussa.compose.site_record import accept_site, keep_check, site_facts
from decussa.compose.study_reports import report_study
from decussa.compose.virtual_people import virtual_person
from decussa.protocol.schema import read_protocol
from decussa.quality.finding import Finding
from decussa.session.clock import VirtualClock
from decussa.session.operator import Unattended
from decussa.source.virtual.source import VirtualSource
from decussa.store.journal import open_journal
from decussa.store.operators import add_operator
from decussa.store.private import open_private
from decussa.store.study import open_study
from tests.screen.desk import NO_FLAG, prepare_all
from tests.session.stage import SHORT

PROTOCOL = read_protocol(SHORT)


class ByHand(VirtualSource):
    """A virtual person under another source's name: a session that is no rehearsal, without a person."""

    name = "hand"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "short.toml").write_text(SHORT, encoding="utf-8")
    new_study(tmp_path / "study", str(tmp_path / "short.toml"))
    enrol(tmp_path / "study", "P07")
    with open_private(tmp_path / "study", write=True) as database:
        add_operator(database, "OP1", "Olive Invented", pin="1111")
        add_operator(database, "DR1", "Dora Invented", "physician")
    return tmp_path / "study"


def run_through(folder):
    with open_study(folder, write=True) as study:
        source = ByHand(virtual_person(PROTOCOL, 3, hard=""))
        clock = VirtualClock(datetime.now(UTC))
        run_in(study, "P07-1", source, Unattended(), clock=clock, seed=3, fresh=False)


def facts_of(folder):
    with open_study(folder, write=False) as study, open_journal(study, "P07-1") as journal:
        return preparation_facts(journal.entries(), PROTOCOL)


def test_the_report_of_a_prepared_session_says_who_confirmed_and_signed(folder):
    op = who_acts(folder, "OP1", "1111")
    prepare_all(folder, "P07-1", op)
    describe_person(folder, "P07-1", op, 172.0, "left")
    keep_answers(folder, "P07-1", op, NO_FLAG | {"fainting": "yes"}, {"fainting": "at a blood draw"})
    sign_decision(folder, "P07-1", "DR1", "", "may take part", "once only")
    run_through(folder)
    facts = facts_of(folder)

    assert facts["Screening"] == (
        "Screening valid today: form 1, judged and signed by the physician (DR1, identity not verified)"
    )
    assert facts["Electrodes, FDI right"] == "belly and tendon; cleaned; 20 mm apart (OP1)"
    assert facts["Head"].startswith("Vertex measured and marked: 18.0 cm from nasion and inion")
    assert (facts["Height (cm)"], facts["Handedness"]) == ("172", "left")
    (report,) = report_study(folder)
    printed = " ".join("".join(page.extract_text() for page in PdfReader(report).pages).split())
    assert "identity not verified" in printed
    assert "Ear protection" in printed
    for secret in ("Invented", "blood draw", "once only", "Faint"):
        assert secret not in printed


def test_without_operators_every_confirmation_is_not_verified(folder):
    (folder / "private.db").unlink()
    prepare_all(folder, "P07-1", NOBODY)
    run_through(folder)

    assert all("no code, identity not verified" in text for text in facts_of(folder).values())


def test_a_session_without_preparation_says_nothing_of_it(folder):
    assert facts_of(folder) == {}
    run_through(folder)

    assert facts_of(folder) == {}


def test_the_report_says_what_was_found_of_the_signals_and_which_set_up_was_accepted(folder):
    op = who_acts(folder, "OP1", "1111")
    prepare_all(folder, "P07-1", op)
    noise = Finding(check="noise at rest", channel="FDI right", state="good", words="3.1 µV RMS, limit 10.")
    mains = Finding(check="mains", channel="FDI right", state="doubtful", words="4.0 µV RMS.")
    keep_check(folder, "P07-1", op, "stream", (noise, mains))
    accept_site(folder, op, "stream", (noise, mains), "lamp switched off since")
    run_through(folder)
    accept_site(folder, op, "stream", (noise,), "a year later")
    told = facts_of(folder)["Electrodes"]
    with open_study(folder, write=False) as study, open_journal(study, "P07-1") as journal:
        site = site_facts(study, journal.entries())["Set-up"]

    assert "1 of 2 good. FDI right, mains: 4.0 µV RMS." in told
    assert "(OP1)" in told
    assert "by OP1; 1 of 2 good" in site
    assert "lamp switched off since" in site
    assert "a year later" not in site
    page = " ".join(one.extract_text() for one in PdfReader(report_study(folder)[0]).pages)
    assert "lamp switched off since" in " ".join(page.split())
