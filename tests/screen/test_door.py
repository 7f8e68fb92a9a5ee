"""The pages on a network: nobody comes in without a code and a pass phrase, nobody further than their role, nobody for ever."""

import contextlib
import os
import shutil
import subprocess
from urllib.parse import urlencode

import pytest

from decussa.command.cli import main
from decussa.compose.keeping import enrol
from decussa.compose.preparing import known_operators
from decussa.compose.sessions import new_study
from decussa.screen.door import LASTS_S, Door, may_open
from decussa.store.journal import open_journal
from decussa.store.operators import Identity, add_operator
from decussa.store.private import open_private
from decussa.store.study import open_study
from tests.screen.conftest import Server
from tests.screen.desk import prepare_all
from tests.screen.driving import mode_of, press, wait_for_mode

PHRASE = "correct horse battery"


@pytest.fixture(scope="module")
def study(tmp_path_factory, short_protocol):
    """A study with people who work in it: one with a phrase, one with a PIN too short for a network, one with neither."""
    folder = new_study(tmp_path_factory.mktemp("lab") / "grip", str(short_protocol))
    with open_private(folder, write=True) as database:
        add_operator(database, "OP1", "Who Runs", "operator", pin=PHRASE)
        add_operator(database, "PI1", "Who Leads", "principal investigator", pin=PHRASE)
        add_operator(database, "RV1", "Who Reads", "reviewer", pin=PHRASE)
        add_operator(database, "OP2", "Short Pin", "operator", pin="2718")
        add_operator(database, "OP3", "No Pin", "operator")
    return folder


class Clock:
    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


class House:
    """What lies behind the door: says yes, and hears what a websocket hears."""

    def __init__(self):
        self.heard = []

    async def __call__(self, scope, receive, send):
        if scope["type"] == "http":
            await send({"type": "http.response.start", "status": 200, "headers": []})
            await send({"type": "http.response.body", "body": b"inside"})
        else:
            self.heard.append((await receive())["type"])


def finish_at_once(coroutine):
    with contextlib.suppress(StopIteration):
        coroutine.send(None)
        raise AssertionError("it waited")


@pytest.fixture
def ask(study, monkeypatch):
    """Return a function that asks at the door, with the clock and the house as attributes."""

    async def at_once(call, *arguments):
        return call(*arguments)

    monkeypatch.setattr("decussa.screen.door.run_in_threadpool", at_once)
    house, clock = House(), Clock()
    door = Door(house, study=study, now=clock)

    def ask_at(path="/", *, method="GET", kind="http", cookie="", form=None):
        sent = []

        async def send(message):
            sent.append(message)

        async def receive():
            if kind == "websocket":
                return {"type": "websocket.receive", "text": "x"}
            return {"type": "http.request", "body": urlencode(form or {}).encode(), "more_body": False}

        headers = [(b"cookie", cookie.encode())] if cookie else []
        finish_at_once(door({"type": kind, "method": method, "path": path, "headers": headers}, receive, send))
        return sent

    ask_at.house, ask_at.clock = house, clock
    return ask_at


def enter(ask, code, phrase):
    return ask("/enter", method="POST", form={"code": code, "phrase": phrase})


def entered(ask, code):
    """The cookie of somebody who entered."""
    headers = dict(enter(ask, code, PHRASE)[0]["headers"])
    return headers[b"set-cookie"].decode().split(";")[0]


def test_without_an_entry_every_page_leads_to_the_door_and_every_websocket_is_closed(ask):
    for path in ("/", "/run/grip/P-1", "/_nicegui/1/static/x.js", "/study/grip"):
        sent = ask(path)
        assert sent[0]["status"] == 303
        assert dict(sent[0]["headers"])[b"location"] == b"/enter"
    assert ask("/_nicegui_ws/socket.io/", kind="websocket")[0]["type"] == "websocket.close"
    assert ask.house.heard == []
    assert b"Pass phrase" in ask("/enter")[1]["body"]


def test_whoever_enters_is_let_in_with_a_cookie_that_scripts_and_other_sites_cannot_use(ask):
    sent = enter(ask, "OP1", PHRASE)
    assert sent[0]["status"] == 303
    cookie = dict(sent[0]["headers"])[b"set-cookie"].decode()
    for word in ("Secure", "HttpOnly", "SameSite=Strict"):
        assert word in cookie
    assert PHRASE not in cookie
    assert ask("/", cookie=cookie.split(";")[0])[1]["body"] == b"inside"


@pytest.mark.parametrize(
    ("code", "phrase", "said"),
    [
        ("OP1", "wrong horse battery", b"PIN is not right"),
        ("OP2", "2718", b"at least 12 characters"),
        ("OP3", "", b"at least 12 characters"),
        ("OP3", PHRASE, b"at least 12 characters"),
        ("<b>", PHRASE, b"nobody here has this code"),
        ("", "", b"who"),
    ],
)
def test_a_wrong_short_or_missing_phrase_is_refused_with_what_to_do(ask, code, phrase, said):
    sent = enter(ask, code, phrase)
    assert sent[0]["status"] == 403
    assert b"set-cookie" not in dict(sent[0]["headers"])
    assert said.lower() in sent[1]["body"].lower()
    assert b"<b>" not in sent[1]["body"].replace(b"<b>Decussa</b>", b"")


def test_five_wrong_phrases_lock_a_code_even_for_the_right_one(study, ask):
    with open_private(study, write=True) as database:
        add_operator(database, "OP9", "Attacked", "operator", pin=PHRASE)
    for _ in range(5):
        assert enter(ask, "OP9", "a guess of the phrase")[0]["status"] == 403
    sent = enter(ask, "OP9", PHRASE)
    assert sent[0]["status"] == 403
    assert b"wait" in sent[1]["body"].lower()


def test_a_forged_or_ended_entry_is_none(ask):
    cookie = entered(ask, "OP1")
    assert ask("/", cookie=cookie + "x")[0]["status"] == 303
    assert ask("/", cookie='decussa_entry="; bad')[0]["status"] == 303
    ask("/leave", cookie=cookie)
    assert ask("/", cookie=cookie)[0]["status"] == 303


def test_an_entry_ends_after_a_working_day_in_open_windows_too(ask):
    cookie = entered(ask, "OP1")
    ask("/_nicegui_ws/socket.io/", kind="websocket", cookie=cookie)
    assert ask.house.heard == ["websocket.receive"]
    ask.clock.now = LASTS_S + 1
    assert ask("/", cookie=cookie)[0]["status"] == 303
    fresh = entered(ask, "OP1")
    ask("/_nicegui_ws/socket.io/", kind="websocket", cookie=fresh)
    assert ask.house.heard == ["websocket.receive"] * 2


def test_a_reviewer_reads_and_opens_nothing_else(ask):
    cookie = entered(ask, "RV1")
    assert ask("/read/grip/P-1", cookie=cookie)[0]["status"] == 200
    for path in ("/run/grip/P-1", "/prepare/grip/P-1", "/study/grip", "/read", "/run/../read/"):
        sent = ask(path, cookie=cookie)
        assert sent[0]["status"] == 403
        assert b"reviewer" in sent[1]["body"]
    assert may_open("operator", "/run/grip/P-1")
    assert may_open("principal investigator", "/study/grip")


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    """A certificate of this machine for the test, and its key."""
    if shutil.which("openssl") is None:
        missing = "no openssl on this machine: no certificate to try"
        if os.environ.get("CI") == "true":
            pytest.fail(missing)
        pytest.skip(missing)
    folder = tmp_path_factory.mktemp("tls")
    made, key = folder / "cert.pem", folder / "key.pem"
    subject = ["-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"]
    subprocess.run(
        [
            "openssl",
            "req",
            "-x509",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-days",
            "2",
            "-keyout",
            key,
            "-out",
            made,
            *subject,
        ],
        check=True,
        capture_output=True,
    )
    return made, key


@pytest.fixture(scope="module")
def opened(study, certificate):
    """The study's pages, opened to the network over TLS: its server."""
    made, key = certificate
    tls = ("--open-to", "localhost", "--certificate", str(made), "--key", str(key))
    server = Server(study, host="localhost", options=tls).start()
    yield server
    server.stop()


@pytest.fixture
def enter_as(opened, browser):
    """Return a function that opens a window on the network and enters it by keyboard."""
    contexts = []

    def enter_window(code, *, before=None):
        contexts.append(browser.new_context(ignore_https_errors=True))
        page = contexts[-1].new_page()
        page.goto(f"{opened.url}/study/grip")
        assert page.url.endswith("/enter")
        if before is not None:
            before(page)
        page.wait_for_selector("#code:focus")
        page.keyboard.type(code)
        page.keyboard.press("Tab")
        page.keyboard.type(PHRASE)
        page.keyboard.press("Enter")
        page.wait_for_url(f"{opened.url}/")
        page.wait_for_selector(".nicegui-content .plate")
        page.wait_for_timeout(300)  # until the page listens
        return page

    yield enter_window
    for context in contexts:
        context.close()


def entries_of(folder, session):
    with open_study(folder, write=False) as study, open_journal(study, session) as journal:
        return journal.entries()


def open_form(page, key, field):
    page.keyboard.press(key)
    page.wait_for_selector(field)


def send(page, act, fields):
    """Send a form that no page of ours shows here, as a forged window could."""
    page.evaluate(
        """([act, fields]) => {
            const form = document.createElement('form');
            form.dataset.act = act;
            for (const [name, value] of Object.entries(fields)) {
                form.append(Object.assign(document.createElement('input'), {name, value}));
            }
            document.querySelector('.nicegui-content').append(form);
            form.requestSubmit();
        }""",
        [act, fields],
    )


def test_over_tls_a_window_enters_and_a_reviewer_finds_what_may_be_read_and_nothing_to_act_on(
    study, enter_as, find_violations, picture
):
    def look(page):
        assert not find_violations(page)
        picture(page, "enter")

    page = enter_as("RV1", before=look)
    assert "on the network, as RV1" in page.inner_text("header")
    assert "Nothing to read yet." in page.inner_text("body")
    assert page.query_selector_all("[data-act], form, footer") == []
    assert not find_violations(page)
    people = known_operators(study)
    send(page, "colleague", {"new_code": "EV1", "name": "Forged", "role": "principal investigator", "new_pin": PHRASE})
    page.wait_for_timeout(300)
    assert known_operators(study) == people


def test_on_the_network_only_a_principal_investigator_names_folders_and_says_who_works_here(study, enter_as, tmp_path):
    page = enter_as("OP1")
    open_form(page, "w", "text=A principal investigator adds people")
    people = known_operators(study)
    forged = {"new_code": "EV1", "name": "Forged", "role": "operator", "by": "PI1", "by_pin": PHRASE}
    for act, fields, said in (
        ("colleague", forged, "cannot be added"),
        ("pin", {"pin_of": "OP3", "pin_old": "guess", "pin_next": "4444"}, "first PIN cannot be given"),
        ("backup", {"target": str(tmp_path)}, "back-up cannot be named"),
    ):
        send(page, act, fields)
        page.wait_for_selector(f".mindbar:has-text('{said}'):has-text('principal investigator')")
    assert known_operators(study) == people
    assert list(tmp_path.iterdir()) == []

    leading = enter_as("PI1")
    open_form(leading, "b", "#target")
    leading.fill("#target", str(tmp_path))
    leading.keyboard.press("Enter")
    leading.wait_for_selector("text=Copied whole")
    assert [path.name.startswith("grip-") for path in tmp_path.iterdir()] == [True]


def test_on_the_network_what_is_done_in_run_stands_under_the_code_that_entered(study, opened, enter_as, tmp_path):
    session = enrol(study, "P-014")
    prepare_all(study, session, Identity(code="PI1", role="principal investigator", verified=True))
    page = enter_as("OP1")
    page.goto(f"{opened.url}/run/grip/{session}")
    wait_for_mode(page, "idle")
    page.check("input[value=folder]")
    page.fill("#folder", str(tmp_path))
    page.focus("#folder")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=named by a principal investigator")
    assert mode_of(page) == "idle"
    page.check("input[value=hand]")
    page.focus("input[value=hand]")
    page.keyboard.press("Enter")
    wait_for_mode(page, "set")
    page.keyboard.press("n")
    page.wait_for_selector("#note")
    page.keyboard.type("cable moved")
    press(page, "Enter")
    page.keyboard.press(" ")
    wait_for_mode(page, "held")
    said = [
        (entry.kind, entry.body.operator)
        for entry in entries_of(study, session)
        if entry.kind in ("gate", "note", "paused")
    ]

    assert said[:5] == [("gate", "PI1")] * 5
    assert said[5:] == [("note", "OP1"), ("note", "OP1"), ("paused", "OP1")]
    assert "OP1" in page.inner_text(".who")
    reading = enter_as("RV1")
    reading.goto(f"{opened.url}/read/grip/{session}")
    assert [place.inner_text() for place in reading.query_selector_all(".places a")] == ["Study", "Read"]


def refusal(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main(["serve", *map(str, arguments)])
    return ended.value.code, capsys.readouterr().err


def test_a_network_needs_all_three_a_good_certificate_one_study_and_somebody_to_enter(
    study, certificate, capsys, tmp_path, short_protocol
):
    made, key = certificate
    assert "not all three" in refusal(capsys, study, "--open-to", "localhost")[1]
    assert "not all three" in refusal(capsys, study, "--certificate", made, "--key", key)[1]
    tls = ("--open-to", "localhost", "--certificate", made, "--key", key)
    assert "certificate cannot be used" in refusal(capsys, study, *tls[:-1], study / "study.db")[1]
    assert "one study" in refusal(capsys, study.parent, *tls)[1]
    nobody = new_study(tmp_path / "nobody", str(short_protocol))
    code, said = refusal(capsys, nobody, *tls)
    assert (code, "nobody could enter" in said) == (2, True)
