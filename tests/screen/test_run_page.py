"""The Run page in a real browser, used as an operator uses it: by keyboard, with reloads, crashes and a second window."""

import itertools

import pytest

from decussa.compose.colleagues import add_colleague
from decussa.compose.keeping import enrol
from decussa.compose.preparing import who_acts
from decussa.compose.sessions import new_study
from decussa.model.dialogue import Trial
from decussa.session.operator import Unattended
from decussa.store.chain import STUDY
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.people import add_participant, add_session
from decussa.store.study import open_study
from tests.screen.desk import prepare_all
from tests.screen.driving import (
    MORNING,
    answer,
    begin,
    entry_of,
    finish,
    give,
    make_rehearsal,
    mode_of,
    press,
    wait_for_entry,
    wait_for_mode,
)
from tests.session.stage import Spoilt, go, make_study, nothing


class PowerCutError(Exception):
    """The program ends here."""


class CutOff(Unattended):
    """Ends with the program where an answer is missing."""

    def say_outcome(self, request, number):  # noqa: ARG002
        raise PowerCutError


def entries_of(folder, session="V-0005-1"):
    with open_study(folder, write=False) as study, open_journal(study, session) as journal:
        return journal.entries()


def kinds_of(folder, session="V-0005-1"):
    return [entry.kind for entry in entries_of(folder, session)]


def tab_to(page, selector):
    """Press Tab until the field has the focus."""
    for _ in range(60):
        if page.evaluate("selector => document.activeElement.matches(selector)", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"Tab never came to {selector}")


def test_from_a_new_study_over_a_rehearsal_to_debrief_and_report_by_keyboard_alone(
    server, served_root, open_page, short_protocol, find_violations, picture
):
    page = open_page(server.url)
    page.wait_for_selector(".deskfoot kbd", state="attached")
    page.wait_for_timeout(300)  # until the page listens
    page.keyboard.press("s")
    page.wait_for_url("**/new")
    page.wait_for_selector(".plan")
    tab_to(page, "#text")
    page.keyboard.press("Control+a")
    page.keyboard.insert_text(short_protocol.read_text(encoding="utf-8"))
    page.keyboard.press("Shift+Tab")
    for _ in range(20):
        if page.evaluate("document.activeElement.matches('#name')"):
            break
        page.keyboard.press("Shift+Tab")
    page.keyboard.type("whole")
    page.keyboard.press("Enter")
    page.wait_for_url("**/study/whole")
    page.wait_for_selector('[data-act="sheet rehearse"]')
    page.wait_for_timeout(300)
    page.keyboard.press("r")
    page.wait_for_selector("#seed:focus")
    page.keyboard.press("Control+a")
    page.keyboard.type("15")
    page.keyboard.press("Enter")
    page.wait_for_url("**/run/*/V-*")
    folder, session = page.url.split("/")[-2:]
    assert not find_violations(page)
    begin(page)
    while "Threshold so far" not in page.inner_text(".near") or page.locator("svg .grow, svg .ik3").count() < 1:
        give(page, 1)
    give(page, 4)
    wait_for_mode(page, "set", "question")
    assert not find_violations(page)
    picture(page, "run-threshold")
    modes = finish(page)
    assert modes.count("set") > 2
    assert "Finished." in page.inner_text(".far")
    assert not find_violations(page)
    study = next(path.parent for path in served_root.glob(f"**/{folder}/study.db"))
    assert kinds_of(study, session)[-1] == "finished"
    assert not check_study(study)
    assert kinds_of(served_root / "whole", STUDY) == ["study created"]
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/read/{folder}/{session}/debrief")
    page.wait_for_selector("text=Your estimates and the truth")
    page.keyboard.press("p")
    page.wait_for_url(f"**/read/{folder}/{session}")  # the debrief's table looks like that of the results
    page.wait_for_selector(".results .iv")
    page.wait_for_function("window.did_handshake")  # until the page listens: what is pressed before is lost
    page.keyboard.press("p")
    page.wait_for_url(f"**/read/{folder}/{session}/report")
    page.wait_for_selector(".sheets img", timeout=120_000)  # the report is made now
    page.wait_for_timeout(500)
    assert not find_violations(page)
    picture(page, "report")


def test_a_pulse_without_an_answer_is_put_to_the_operator_and_not_repeated(
    server, served_root, open_page, find_violations
):
    folder = make_study(served_root / "unknown")
    with pytest.raises(PowerCutError):
        go(folder, source=Spoilt(spoil={4: nothing}), operator=CutOff())
    page = open_page(f"{server.url}/run/unknown/V-0005-1")
    wait_for_mode(page, "idle")
    press(page, "Enter")
    wait_for_mode(page, "outcome")
    assert "Was pulse 4 given?" in page.inner_text(".far")
    assert not find_violations(page)
    page.keyboard.press("1")
    page.wait_for_selector(".form input")
    page.keyboard.type("85")
    press(page, "Enter")
    wait_for_mode(page, "set", "question")
    fourth = [entry.body for entry in entries_of(folder) if isinstance(entry.body, Trial)][-1]
    assert fourth.number == 4
    assert fourth.value("FDI right", "amplitude_uv") == 85
    assert fourth.verdict.kind == "doubtful"


def test_a_plan_that_changed_is_said_and_a_fresh_one_goes_on_from_what_was_found(
    server, served_root, open_page, short_protocol
):
    page = open_page(server.url + make_rehearsal(served_root, "before", short_protocol))
    begin(page)
    give(page, 3)
    wait_for_mode(page, "set")
    page.keyboard.press(" ")
    wait_for_mode(page, "held")
    page.keyboard.press("x")
    page.wait_for_selector("#reason")
    press(page, "Enter")
    wait_for_mode(page, "idle")
    written = served_root / "before" / "protocol.toml"
    written.chmod(0o644)
    written.write_text(
        written.read_text(encoding="utf-8").replace("start_mso = 30", "start_mso = 25"), encoding="utf-8"
    )
    press(page, "Enter")
    wait_for_mode(page, "error")
    said = page.inner_text(".far")
    assert "The plan changed since this session began." in said
    assert str(served_root) not in said
    press(page, "Enter")
    wait_for_mode(page, "gates")
    assert "5 things are open" in page.inner_text(".far")
    for number in range(1, 6):
        press(page, str(number))
    wait_for_mode(page, "set")
    assert "plan changed" in kinds_of(served_root / "before")


def test_notes_verdicts_tolerance_hold_skip_and_stop_are_one_key_each_and_entries_of_the_journal(
    server, served_root, open_page, short_protocol, find_violations
):
    page = open_page(server.url + make_rehearsal(served_root, "keys", short_protocol))
    begin(page)
    give(page, 2)
    wait_for_mode(page, "set")
    press(page, "3")
    assert "reject" in page.inner_text(".seen")
    assert "by you" in page.inner_text(".seen")
    page.keyboard.press("n")
    page.wait_for_selector("#note")
    assert not find_violations(page)
    page.keyboard.type("cable moved")
    press(page, "Enter")
    page.keyboard.press("t")
    page.wait_for_selector(".form input")
    page.keyboard.type("8")
    page.keyboard.press("Enter")
    wait_for_mode(page, "held")
    assert "discomfort 8 of 10" in page.inner_text(".far")
    press(page, " ")
    wait_for_mode(page, "set")
    page.keyboard.press("s")
    page.wait_for_selector("#reason")
    page.keyboard.type("enough")
    press(page, "Enter")
    wait_for_mode(page, "set")
    page.keyboard.press("Escape")
    wait_for_mode(page, "alarm")
    assert "Stop. Coil away." in page.inner_text(".far")
    assert not find_violations(page)
    press(page, "h")
    wait_for_mode(page, "held")
    press(page, " ")
    wait_for_mode(page, "set")
    entries = entries_of(served_root / "keys")
    kinds = [entry.kind for entry in entries]
    assert (kinds.count("correction"), kinds.count("note"), kinds.count("step skipped")) == (1, 2, 1)
    assert kinds.count("paused") == kinds.count("resumed") == 2
    unasked = [entry.body.rating for entry in entries if getattr(entry.body, "text", "") == "said unasked"]
    assert unasked == [8.0]


def test_an_adverse_event_holds_the_session_while_it_is_written_down(server, served_root, open_page, short_protocol):
    page = open_page(server.url + make_rehearsal(served_root, "event", short_protocol))
    begin(page)
    give(page, 1)
    wait_for_mode(page, "set")
    page.keyboard.press("a")
    page.wait_for_selector("#event")
    wait_for_mode(page, "held")
    page.keyboard.type("felt faint")
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    page.keyboard.press("Tab")
    page.keyboard.type("lay down")
    before = entry_of(page)
    page.keyboard.press("Enter")
    wait_for_entry(page, before + 1)
    assert mode_of(page) == "held"
    entry = entries_of(served_root / "event")[-1]
    assert (entry.kind, entry.body.event, entry.body.severity) == ("adverse event", "felt faint", "mild")


def test_a_reload_shows_the_same_screen(server, served_root, open_page, short_protocol):
    page = open_page(server.url + make_rehearsal(served_root, "reload", short_protocol))
    begin(page)
    give(page, 6)
    wait_for_mode(page, "set")
    before = page.inner_text(".run"), page.inner_text(".foot"), page.inner_text(".who")
    page.reload()
    wait_for_mode(page, "set")
    page.wait_for_function("text => document.querySelector('.run').innerText === text", arg=before[0])
    assert (page.inner_text(".foot"), page.inner_text(".who")) == before[1:]


def test_two_windows_show_the_same_and_a_pulse_pressed_in_both_is_given_once(
    server, served_root, open_page, short_protocol
):
    path = make_rehearsal(served_root, "two", short_protocol)
    first, second = open_page(server.url + path), open_page(server.url + path)
    begin(first)
    wait_for_mode(second, "set", "question", "rest")
    for _ in range(4):
        while mode_of(first) != "set":
            answer(first)
            wait_for_mode(first, "set", "question", "rest")
        shown = first.inner_text(".sheet")
        second.wait_for_function("shown => document.querySelector('.sheet').innerText === shown", arg=shown)
        before = entry_of(first)
        first.keyboard.press("Enter")
        second.keyboard.press("Enter")
        for page in (first, second):
            wait_for_entry(page, before + 1)
    given = [entry.body.number for entry in entries_of(served_root / "two") if isinstance(entry.body, Trial)]
    assert given == list(range(1, len(given) + 1))
    assert len(given) >= 4


def test_after_the_server_is_killed_in_mid_session_nothing_is_lost_and_it_goes_on(
    own_server, open_page, short_protocol
):
    path = make_rehearsal(own_server.root, "killed", short_protocol)
    page = open_page(own_server.start().url + path)
    begin(page)
    give(page, 5)
    wait_for_mode(page, "set")
    shown = entry_of(page)
    own_server.kill()
    assert len(entries_of(own_server.root / "killed")) >= shown
    own_server.start()
    page = open_page(own_server.url + path)
    wait_for_mode(page, "idle")
    assert "everything is written" in page.inner_text(".far")
    press(page, "Enter")
    if wait_for_mode(page, "set", "outcome", "question") == "outcome":
        press(page, "3")
    finish(page)
    numbers = [entry.body.number for entry in entries_of(own_server.root / "killed") if isinstance(entry.body, Trial)]
    assert all(later == earlier + 1 for earlier, later in itertools.pairwise(numbers))
    assert not check_study(own_server.root / "killed")


def test_a_session_by_hand_takes_typed_sizes_and_a_lost_pulse(server, served_root, open_page, short_protocol):
    folder = new_study(served_root / "grip", str(short_protocol))
    with open_study(folder, write=True) as study:
        add_participant(study, "P-014", at=MORNING)
        session = add_session(study, "P-014", at=MORNING)
    prepare_all(folder, session)
    page = open_page(f"{server.url}/run/grip/{session}")
    assert "You give each pulse at the stimulator" in page.inner_text(".far")
    assert page.query_selector(".tag") is None
    wait_for_mode(page, "idle")
    press(page, "Enter")
    wait_for_mode(page, "set")
    press(page, "Enter")
    wait_for_mode(page, "size")
    page.keyboard.type("132")
    press(page, "Enter")
    wait_for_mode(page, "set", "question")
    values = entries_of(folder, session)[-2:]
    assert any(
        isinstance(entry.body, Trial) and entry.body.value("FDI right", "amplitude_uv") == 132 for entry in values
    )
    assert "132" in page.inner_text(".seen")
    while mode_of(page) == "question":
        answer(page)
        wait_for_mode(page, "set", "question")
    page.wait_for_function("() => document.querySelector('.wait').innerText.includes('Ready')", timeout=20_000)
    press(page, "Enter")
    wait_for_mode(page, "size")
    press(page, "l")
    wait_for_mode(page, "outcome")
    press(page, "2")
    wait_for_mode(page, "set", "question")
    assert "lost" in kinds_of(folder, session)


def test_another_operator_goes_on_under_their_own_code(server, served_root, open_page, short_protocol, find_violations):
    folder = new_study(served_root / "handed", str(short_protocol))
    add_colleague(folder, "OP1", "Who Prepares", "operator", "1357")
    add_colleague(folder, "OP2", "Who Goes On", "operator", "2468")
    session = enrol(folder, "P-014")
    prepare_all(folder, session, who_acts(folder, "OP1", "1357"))
    page = open_page(f"{server.url}/run/handed/{session}")
    wait_for_mode(page, "idle")
    press(page, "Enter")
    wait_for_mode(page, "set")
    assert "OP1" in page.inner_text(".who")
    before = entry_of(page)
    page.keyboard.press("o")
    page.wait_for_selector("#pin")
    assert not find_violations(page)
    page.select_option("#code", "OP2")
    for pin in ("1357", "2468"):
        page.fill("#pin", pin)
        page.keyboard.press("Enter")
        page.wait_for_selector("text=PIN is not right" if pin == "1357" else ".who:has-text('OP2')")
        assert pin == "2468" or (page.input_value("#code"), page.input_value("#pin")) == ("OP2", "")
    page.wait_for_selector("#pin", state="detached")
    wait_for_entry(page, before + 1)
    page.wait_for_timeout(200)  # until the page holds the keys of the next turn
    page.keyboard.press(" ")
    wait_for_mode(page, "held")
    said = [entry.body for entry in entries_of(folder, session) if entry.kind in ("note", "paused")]

    assert [one.operator for one in said] == ["OP2", "OP2"]
    assert said[0].text == "goes on as operator (PIN given)"


def test_a_script_in_a_note_or_a_name_is_only_text(server, served_root, open_page, short_protocol):
    page = open_page(server.url + make_rehearsal(served_root, "script", short_protocol))
    begin(page)
    give(page, 1)
    wait_for_mode(page, "set")
    page.keyboard.press(" ")
    wait_for_mode(page, "held")
    page.keyboard.press("x")
    page.wait_for_selector("#reason")
    page.keyboard.press("Escape")
    page.wait_for_selector("#reason", state="detached")
    page.keyboard.press("n")
    page.wait_for_selector("#note")
    words = "<img src=x onerror=\"document.title='owned'\"><script>document.title='owned'</script>"
    page.fill("#note", words)
    press(page, "Enter")
    page.goto(f"{server.url}/run/{'%3Cimg%20src=x%20onerror=document.title=1%3E'}/x")
    assert "There is no such study here." in page.inner_text("body")
    assert page.title() == "Something is wrong · Decussa"
    assert any(getattr(entry.body, "text", "") == words for entry in entries_of(served_root / "script"))


def test_the_page_is_clean_for_axe_in_the_dark_in_small_windows_and_on_a_phone(
    server, served_root, open_page, short_protocol, find_violations, picture
):
    path = make_rehearsal(served_root, "sizes", short_protocol)
    page = open_page(server.url + path)
    begin(page)
    give(page, 7)
    wait_for_mode(page, "set")
    for width, height, dark in ((1440, 900, True), (900, 700, False), (390, 844, True)):
        other = open_page(server.url + path, dark=dark, width=width, height=height)
        wait_for_mode(other, "set")
        other.wait_for_selector(".plot")
        assert not find_violations(other), (width, dark)
        stop = other.query_selector('.foot [data-act="stop"]').bounding_box()
        assert stop["x"] + stop["width"] <= width
        assert stop["y"] + stop["height"] <= height
        assert other.evaluate("document.documentElement.scrollWidth") <= width
        picture(other, f"run-{width}-{'dark' if dark else 'light'}")


def test_a_window_that_hangs_delays_nothing(server, served_root, open_page, short_protocol):
    path = make_rehearsal(served_root, "hung", short_protocol)
    page, hung = open_page(server.url + path), open_page(server.url + path)
    begin(page)
    session = hung.context.new_cdp_session(hung)
    session.send("Emulation.setScriptExecutionDisabled", {"value": False})
    session.send("Debugger.enable")
    session.send("Debugger.pause")
    before = len(entries_of(served_root / "hung"))
    give(page, 6)
    wait_for_mode(page, "set")
    entries = entries_of(served_root / "hung")
    assert sum(isinstance(entry.body, Trial) for entry in entries) == 6
    assert len(entries) > before
    assert "listener failed" not in [entry.kind for entry in entries]
    session.send("Debugger.resume")
    session.send("Debugger.disable")
    wait_for_mode(hung, "set")
    hung.wait_for_function(
        "shown => document.querySelector('.sheet').innerText === shown", arg=page.inner_text(".sheet")
    )
