"""The Prepare page in a real browser: nothing with pulses opens before everything is done, and signed by who may sign."""

import itertools

import pytest

from decussa.compose.colleagues import add_colleague
from decussa.compose.keeping import enrol
from decussa.compose.preparing import open_before_first_pulse, read_preparation, sign_consent, who_acts
from decussa.compose.sessions import new_study
from decussa.compose.signing import keep_answers
from decussa.protocol.screening import TOPICS
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.private import open_private, screenings
from decussa.store.study import open_study
from tests.screen.desk import NO_FLAG, prepare_all
from tests.screen.test_study_page import SCRIPT, opened

STAFF = (
    ("OP1", "Olive Invented", "operator", "1111"),
    ("PI1", "Paula Invented", "principal investigator", "2222"),
    ("DR1", "Dora Invented", "physician", ""),
)
SESSION = "P-014-1"
NUMBERS = itertools.count(1)


@pytest.fixture
def desk(served_root, short_protocol, server):
    """A study with one participant and three people who work there; its folder, and where its pages are."""
    name = f"desk-{next(NUMBERS)}"
    folder = new_study(served_root / name, str(short_protocol))
    enrol(folder, "P-014")
    for code, who, role, pin in STAFF:
        by = {"by_code": "PI1", "by_pin": "2222"} if code == "DR1" else {}
        add_colleague(folder, code, who, role, pin, **by)
    return folder, f"{server.url}/prepare/{name}/{SESSION}", f"{server.url}/run/{name}/{SESSION}"


def state_of(folder, key):
    return next(item for item in read_preparation(folder, SESSION).preparation.items if item.key == key)


def entries_of(folder):
    with open_study(folder, write=False) as study, open_journal(study, SESSION) as journal:
        return journal.entries()


def say_who(page, code="OP1", pin="1111"):
    page.wait_for_selector("[data-act='form who']:focus")
    page.keyboard.press("Enter")
    page.wait_for_selector("#code:focus")
    page.keyboard.type(code)
    page.keyboard.press("Tab")
    page.keyboard.type(pin)
    page.keyboard.press("Enter")


def settle(page, key, *, fill=None):
    """Open the item that has the keyboard, fill what has to be typed, and send it, all by keys."""
    page.wait_for_selector(f"[data-act='item {key}']:focus")
    page.keyboard.press("Enter")
    if fill is not None:
        page.wait_for_selector(".form [data-had]:focus")
        fill(page)
        page.keyboard.press("Enter")
    page.wait_for_selector(f"[data-act='item {key}']", state="detached")


def type_consent(page):
    page.keyboard.type("2.1")


def type_head(page):
    page.keyboard.type("36")
    page.keyboard.press("Tab")
    page.keyboard.type("38")


def type_screening(page):
    """Answer every topic by keys: space takes the first answer, an arrow the next, Tab goes on."""
    for topic in TOPICS:
        page.keyboard.press("Space")
        if topic.flag == "no":
            page.keyboard.press("ArrowRight")
        page.keyboard.press("Tab")


def pick(page, code):
    while not page.is_checked(f"input[value={code}]"):
        page.keyboard.press("ArrowDown")


def pick_ears(page):
    page.keyboard.press("Space")
    page.keyboard.press("Tab")
    page.keyboard.press("Space")


def test_from_everything_open_to_the_first_pulse_by_keyboard_alone(desk, open_page, picture):
    folder, url, _ = desk
    page = opened(open_page(url))
    assert page.inner_text(".lead").startswith("Nine things are open before the first pulse.")
    assert "closed: 9 items open" in page.inner_text(".gatebar")
    say_who(page)
    settle(page, "consent", fill=type_consent)
    settle(page, "stopping and withdrawing explained")
    settle(page, "screening", fill=type_screening)
    settle(page, "FDI right", fill=lambda _: None)
    picture(page, "prepare")
    settle(page, "vertex", fill=type_head)
    assert "18.0 cm from nasion and inion, 19.0 cm from both ears" in page.inner_text(".prep")
    settle(page, "second person", fill=lambda page: pick(page, "PI1"))
    settle(page, "emergency plan", fill=lambda _: None)
    settle(page, "ear protection", fill=pick_ears)
    settle(page, "stop signal")
    page.wait_for_selector("text=Nothing is open before the first pulse.")
    page.keyboard.press("g")
    page.wait_for_selector(".run.mode-idle")
    page.keyboard.press("Enter")
    page.wait_for_selector(".run.mode-set, .run.mode-question")

    gates = [entry.body for entry in entries_of(folder) if entry.kind == "gate"]
    assert len(gates) == 5
    assert all(gate.passed and gate.operator == "OP1" for gate in gates)
    assert all(
        entry.body.verified for entry in entries_of(folder) if entry.kind in ("consent", "screened", "confirmed")
    )
    assert not check_study(folder)


def test_run_stays_closed_while_something_is_open(desk, open_page):
    folder, url, run_url = desk
    page = open_page(run_url)
    page.wait_for_selector(".run.mode-idle")
    assert "Consent signed" in page.inner_text(".far")
    assert page.query_selector("[data-act=begin]") is None
    page.keyboard.press("Enter")
    page.wait_for_url(url)
    assert entries_of(folder) == ()


def begin_screening(page, answers, words):
    """Fill the form by pointer, where a keyboard would be slow to read."""
    page.click("[data-act='item screening']")
    page.wait_for_selector("form.screening")
    for key, answer in answers.items():
        page.check(f"input[name='is {key}'][value='{answer}']")
    for key, said in words.items():
        page.fill(f"input[name='say {key}']", said)
    page.click("text=All asked")


def consented(folder, page):
    sign_consent(folder, SESSION, who_acts(folder, "OP1", "1111"), "2.1", "2026-01-05", ())
    page.reload()
    opened(page)
    say_who(page)
    page.wait_for_selector("[data-act='item screening']")


def test_a_flagged_answer_waits_for_the_signature_of_who_may_sign(desk, open_page, picture, find_violations):
    folder, url, _ = desk
    page = opened(open_page(url))
    consented(folder, page)
    begin_screening(page, NO_FLAG | {"fainting": "yes"}, {})
    page.wait_for_selector(".mindbar")
    assert "Flagged answers need a few words" in page.inner_text(".mindbar")
    assert page.is_checked("input[name='is fainting'][value='yes']")
    page.fill("input[name='say fainting']", SCRIPT)
    page.click("text=All asked")
    page.wait_for_selector(".ask")
    assert "not a clearance" in page.inner_text(".ask")
    assert SCRIPT in page.inner_text(".ask")
    assert not find_violations(page)
    picture(page, "prepare-to-be-signed")
    page.keyboard.press("i")
    page.wait_for_selector("input[name=decision]:focus")
    assert page.locator("#code option").all_inner_texts() == [
        "Dora Invented, physician (identity not verified)",
        "Paula Invented, principal investigator",
    ]
    page.check("input[name=decision][value='may take part']")
    page.fill("#reason", "once only, lies down")
    page.select_option("#code", "PI1")
    page.fill("#pin", "1111")
    page.click(".form button[type=submit]")
    page.wait_for_selector(".mindbar")
    assert "PIN is not right" in page.inner_text(".mindbar")
    assert state_of(folder, "screening").state == "to be signed"
    page.check("input[name=decision][value='may take part']")
    page.fill("#reason", "once only, lies down")
    page.select_option("#code", "DR1")
    page.click(".form button[type=submit]")
    page.wait_for_selector("[data-act='item screening']", state="detached")

    assert (state_of(folder, "screening").by, state_of(folder, "screening").verified) == ("DR1", False)
    assert "DR1, identity not verified" in page.inner_text(".prep")
    assert page.title() == f"Prepare: {SESSION} · Decussa"


def test_an_exclusion_closes_the_session_and_keeps_the_reason_private(desk, open_page):
    folder, url, run_url = desk
    page = opened(open_page(url))
    consented(folder, page)
    begin_screening(page, NO_FLAG | {"seizure ever": "yes"}, {"seizure ever": "as a child"})
    page.wait_for_selector(".ask.halt")
    assert page.inner_text(".lead").startswith("No pulse today")
    assert page.query_selector("[data-act='form sign']") is None
    page.keyboard.press("i")
    page.wait_for_selector("text=Sign >> nth=0")
    page.goto(run_url)
    page.wait_for_selector(".run.mode-idle")
    assert page.query_selector("[data-act=begin]") is None
    with open_study(folder, write=False) as study, study.database.transaction() as connection:
        shared = "".join(connection.exec_driver_sql("SELECT body FROM entry").scalars())
    assert "child" not in shared
    assert "seizure" not in shared
    with open_private(folder, write=True) as database:
        assert screenings(database, "P-014")[-1].words == {"seizure ever": "as a child"}


def test_an_item_is_passed_by_who_is_entitled_and_taken_back(desk, open_page):
    folder, url, _ = desk
    page = opened(open_page(url))
    say_who(page)
    page.wait_for_selector("[data-act='item consent']:focus")
    page.click("[data-act='item second person']")
    page.click("summary")
    assert page.locator("details #code option").all_inner_texts() == ["Paula Invented, principal investigator"]
    page.fill("details #pin", "2222")
    page.fill("details #reason", "colleague next door, door open")
    page.click("text=Pass >> nth=-1")
    page.wait_for_selector("text=passed by the principal investigator: colleague next door, door open")
    page.keyboard.press("e")
    page.click("[data-act='item second person']")
    page.click("text=It no longer holds")
    page.wait_for_selector(".g.open [data-act='item second person']")
    assert "second person" in [item.key for item in open_before_first_pulse(folder, SESSION)]
    page.click("[data-act='item ear protection']")
    page.wait_for_selector("input[name=participant]")
    assert page.query_selector("details") is None


def test_two_windows_show_the_same(desk, open_page):
    folder, url, _ = desk
    one, other = opened(open_page(url)), opened(open_page(url))
    say_who(one)
    one.wait_for_selector("[data-act='item consent']:focus")
    one.click("[data-act='item stop signal']")
    one.wait_for_selector("[data-act='item stop signal']", state="detached")
    other.wait_for_selector("[data-act='item stop signal']", state="detached")
    assert len(entries_of(folder)) == 1


def test_while_the_session_runs_the_desk_says_so_and_writes_nothing(desk, open_page):
    folder, url, run_url = desk
    prepare_all(folder, SESSION, who_acts(folder, "OP1", "1111"))
    page = open_page(run_url)
    page.wait_for_selector(".run.mode-idle")
    page.keyboard.press("Enter")
    page.wait_for_selector(".run.mode-set, .run.mode-question")
    before = len(entries_of(folder))
    desk_page = opened(open_page(url))
    say_who(desk_page)
    desk_page.wait_for_selector("text=OP1, Olive Invented")
    desk_page.keyboard.press("n")
    desk_page.wait_for_selector("#text")
    desk_page.fill("#text", "late")
    desk_page.keyboard.press("Enter")
    desk_page.wait_for_selector(".mindbar")
    assert str(folder.parent) not in desk_page.inner_text(".mindbar")
    assert len(entries_of(folder)) == before


@pytest.mark.parametrize("dark", [False, True])
def test_the_page_is_clean_for_axe_in_both_themes_and_at_every_size(desk, open_page, find_violations, picture, dark):
    folder, url, _ = desk
    who = who_acts(folder, "OP1", "1111")
    sign_consent(folder, SESSION, who, "2.1", "2026-01-05", ())
    keep_answers(folder, SESSION, who, NO_FLAG | {"fainting": "yes"}, {"fainting": "once"})
    page = opened(open_page(url, dark=dark))
    say_who(page)
    page.wait_for_selector("[data-act='item FDI right']")
    for key in ("FDI right", "vertex", "second person", "ear protection", "person"):
        page.click(f"[data-act='item {key}']")
        page.wait_for_selector(".form")
        assert not find_violations(page), key
        page.keyboard.press("Escape")
        page.wait_for_selector(".form", state="detached")
    for width, height in ((1440, 900), (900, 700), (390, 844)):
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert not find_violations(page)
        picture(page, f"prepare-{width}-{'dark' if dark else 'light'}")
