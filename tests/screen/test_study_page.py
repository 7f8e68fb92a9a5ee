"""The Study page in a real browser: from an empty folder to a study with people, days, files and a back-up; attacks on it."""

import http.client
import os
import re
import shutil
from contextlib import closing

import pytest

from decussa.compose.colleagues import add_colleague
from decussa.compose.keeping import enrol, plan_session
from decussa.compose.preparing import who_acts
from decussa.compose.sessions import new_study
from decussa.compose.taking_in import LARGEST_BYTES
from decussa.screen.study_lists import no_study
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.kinds import KINDS
from decussa.store.people import participants
from decussa.store.records import Started
from decussa.store.study import open_study
from tests.compose.invented_session import make_session
from tests.screen.driving import MORNING

SCRIPT = "<img src=x onerror=\"document.title='owned'\">"
SIZES = ((1440, 900), (900, 700), (390, 844))
CSV = "\n".join(["time_s,emg_uv,trigger", *(f"{n / 1000},{n % 7},{int(n == 500)}" for n in range(1000))]).encode()


def make_study(root, name, short_protocol, *people):
    folder = new_study(root / name, str(short_protocol))
    for pseudonym in people:
        enrol(folder, pseudonym)
    return folder


def opened(page):
    """Wait until the page listens: its keys are known when the footer stands."""
    page.set_default_timeout(12_000)
    page.wait_for_selector(".deskfoot kbd", state="attached")
    page.wait_for_timeout(300)
    return page


def people_of(folder):
    with open_study(folder, write=False) as study:
        return {person.pseudonym: person.sessions for person in participants(study)}


def of_study(folder, kind):
    with open_study(folder, write=False) as study, open_journal(study) as journal:
        return [entry.body for entry in journal.entries() if entry.kind == kind]


def test_an_empty_folder_offers_a_study_and_a_rehearsal():
    shown = no_study()

    assert "No study yet." in shown
    assert 'data-act="new study"' in shown
    assert 'data-act="sheet rehearse"' in shown


def test_from_the_first_page_to_a_study_with_a_participant_by_keyboard_alone(
    server, served_root, open_page, find_violations, picture
):
    page = opened(open_page(server.url))
    assert "not a medical device" in page.inner_text("body")
    assert not find_violations(page)
    page.keyboard.press("s")
    page.wait_for_url("**/new")
    page.wait_for_selector(".plan")
    assert not find_violations(page)
    picture(page, "new-study")
    page.focus("#name")
    page.keyboard.type("begun")
    page.keyboard.press("Enter")
    page.wait_for_url("**/study/begun")
    opened(page)
    assert "No participants yet." in page.inner_text("body")
    page.keyboard.press("n")
    page.wait_for_selector("#pseudonym")
    page.keyboard.type("P-014")
    page.keyboard.press("Enter")
    page.wait_for_selector(".people .word")
    assert people_of(served_root / "begun") == {"P-014": ("P-014-1",)}
    assert not check_study(served_root / "begun")


def test_faults_of_a_protocol_stand_at_their_line_and_nothing_is_made(server, served_root, open_page):
    page = opened(open_page(f"{server.url}/new"))
    page.wait_for_selector(".plan")
    written = page.input_value("#text")
    line = written[: written.index("ceiling_mso")].count("\n") + 1
    page.fill("#text", re.sub("ceiling_mso = [0-9]+", "ceiling_mso = 300", written))
    page.wait_for_selector(".faults")

    assert page.inner_text(".faults code").startswith(f"{line} ceiling_mso = 300")
    assert "less than or equal to 100" in page.inner_text(".faults")
    page.fill("#name", "faulty")
    page.click("text=Start the study")
    page.wait_for_selector(".mindbar")
    assert not (served_root / "faulty").exists()
    page.fill("#text", written)
    page.wait_for_selector(".plan")
    assert "pulses, about" in page.inner_text(".plate .lead")


def test_the_preview_follows_the_text_and_the_threshold(server, open_page):
    page = opened(open_page(f"{server.url}/new"))
    page.select_option("#protocol", "leg")
    page.wait_for_function("() => (document.querySelector('#text') || {value: ''}).value.includes('TA')")
    page.wait_for_selector(".plan")
    page.fill("#threshold", "90")
    page.wait_for_selector("text=Not possible:")


def test_a_study_whose_name_is_a_path_or_a_script_is_refused(server, served_root, open_page):
    page = opened(open_page(f"{server.url}/new"))
    for name in ("../up", SCRIPT[:38]):
        page.fill("#name", name)
        page.click("text=Start the study")
        page.wait_for_function(
            "name => document.querySelector('.mindbar')?.innerText.includes(name.slice(0, 4))", arg=name
        )
        assert "Name of the study is not usable" in page.inner_text(".mindbar")
    assert page.title() == "New study · Decussa"
    assert not (served_root.parent / "up").exists()


def test_a_birth_date_and_an_address_are_refused_and_a_name_is_asked_about(
    server, served_root, open_page, short_protocol
):
    folder = make_study(served_root, "codes", short_protocol)
    page = opened(open_page(f"{server.url}/study/codes"))
    page.keyboard.press("n")
    for typed, said in (("1990-03-14", "birth date"), ("a@b.org", "e-mail"), (SCRIPT[:30], "not usable")):
        page.fill("#pseudonym", typed)
        page.keyboard.press("Enter")
        page.wait_for_function("said => document.querySelector('.mindbar')?.innerText.includes(said)", arg=said)
    page.fill("#pseudonym", "Walter")
    page.keyboard.press("Enter")
    page.wait_for_selector("input[name=sure]")
    assert "looks like a name" in page.inner_text(".form")
    assert people_of(folder) == {}
    page.check("input[name=sure]")
    page.click(".form button[type=submit]")
    page.wait_for_selector(".people .word")
    assert list(people_of(folder)) == ["Walter"]
    assert page.title() == "Study · Decussa"


def test_what_is_due_is_begun_with_enter_and_a_day_is_planned_in_the_participants_form(
    server, served_root, open_page, short_protocol, picture, find_violations
):
    from datetime import datetime

    folder = make_study(served_root, "due", short_protocol, "P-014", "P-015")
    today = datetime.now().astimezone().date()
    plan_session(folder, "P-014-1", f"{today}T14:00")
    page = opened(open_page(f"{server.url}/study/due"))
    assert "P-014, session 1" in page.inner_text(".due")
    page.wait_for_selector("text=pulses planned")
    page.click("button:text-is('P-015')")
    page.wait_for_selector("input[name=at]")
    assert not find_violations(page)
    page.fill("input[name=at]", f"{today}T16:30")
    page.click("button:text-is('Plan')")
    page.wait_for_function("() => document.querySelectorAll('.due li').length === 2")
    page.keyboard.press("Escape")
    page.wait_for_selector(".form", state="detached")
    picture(page, "study")
    page.keyboard.press("Enter")
    page.wait_for_url("**/prepare/due/P-014-1")
    assert of_study(folder, "session planned")[-1].planned_for == f"{today}T16:30"


def test_people_who_work_here_are_added_and_their_pins_are_nowhere_on_the_page(
    server, served_root, open_page, short_protocol
):
    folder = make_study(served_root, "staff", short_protocol)
    page = opened(open_page(f"{server.url}/study/staff"))
    page.keyboard.press("w")
    for code, name, role, pin in (
        ("PI1", "Paula Invented", "principal investigator", "22729183"),
        ("X", SCRIPT, "operator", ""),
    ):
        page.wait_for_selector("#new_code")
        page.fill("#new_code", code)
        page.fill("#name", name)
        page.select_option("#role", role)
        page.fill("#new_pin", pin)
        if page.query_selector("#by_pin"):
            page.fill("#by_pin", "22729183")
        page.click(".form button[type=submit]")
        page.wait_for_selector(f".staff th:text-is('{code}')")

    page.select_option("#pin_of", "PI1")
    page.fill("#pin_old", "11638253")
    page.fill("#pin_next", "33518274")
    page.click("text=Change")
    page.wait_for_selector("text=PIN is not right")
    page.select_option("#pin_of", "PI1")
    page.fill("#pin_old", "22729183")
    page.fill("#pin_next", "33518274")
    page.click("text=Change")
    page.wait_for_selector(".mindbar", state="detached")
    assert who_acts(folder, "PI1", "33518274").verified
    page.select_option("#pin_of", "X")
    page.fill("#pin_next", "44927165")
    page.fill("#pin_by_pin", "22729183")
    page.click("text=Change")
    page.wait_for_selector("text=PIN is not right")
    assert not who_acts(folder, "X", "").verified

    assert [one.operator for one in of_study(folder, "operator added")] == ["PI1", "X"]
    assert [one.operator for one in of_study(folder, "pin changed")] == ["PI1"]
    assert SCRIPT in page.inner_text(".staff")
    assert page.title() == "Study · Decussa"
    assert not any(pin in page.content() for pin in ("22729183", "33518274", "44927165"))


def test_a_check_and_a_back_up_say_how_they_ended(server, served_root, open_page, short_protocol):
    make_study(served_root, "kept", short_protocol, "P-014")
    page = opened(open_page(f"{server.url}/study/kept"))
    page.click("button[data-act=check]")
    page.wait_for_selector("text=whole, checked at")
    page.keyboard.press("b")
    page.wait_for_selector("#target")
    page.fill("#target", "/nowhere/at/all")
    page.keyboard.press("Enter")
    page.wait_for_selector(".mindbar")
    assert "/nowhere/at" not in page.inner_text(".mindbar")
    page.fill("#target", "")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Copied whole: kept-")
    (copy,) = (served_root / "back-ups").glob("kept-*")
    assert not any(finding.broken for finding in check_study(copy))


def test_an_export_is_made_by_keys_beside_the_studies_and_says_what_to_mind(
    server, served_root, open_page, find_violations, picture
):
    make_session(served_root / "given", 9)
    page = opened(open_page(f"{server.url}/study/given"))
    page.keyboard.press("e")
    page.wait_for_selector("input[name=bids]:focus")
    page.check("input[name=csv]")
    page.check("input[name=shifted]")
    assert not find_violations(page)
    picture(page, "study-export")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Sessions written: 1", timeout=60_000)
    (place,) = (served_root / "shared").glob("given-*")
    assert sorted(path.name for path in place.iterdir()) == ["bids", "csv"]
    assert "1924-" in next(place.rglob("*_scans.tsv")).read_text()
    assert "9 of 9 trials are unreviewed" in page.inner_text(".form")
    page.uncheck("input[name=bids]")
    page.keyboard.press("Enter")
    page.wait_for_selector(".mindbar")
    assert len(list((served_root / "shared").glob("given-*"))) == 1


def test_a_rehearsal_of_the_studys_own_protocol_is_begun_by_keys_and_kept_apart(
    server, served_root, open_page, short_protocol
):
    folder = make_study(served_root, "tried", short_protocol, "P-014")
    page = opened(open_page(f"{server.url}/study/tried"))
    page.keyboard.press("r")
    page.wait_for_selector("#seed:focus")
    page.keyboard.press("Enter")
    page.wait_for_selector(".run.mode-idle")
    assert "Rehearsal" in page.inner_text(".tag")
    assert list(people_of(folder)) == ["P-014"]
    page.goto(server.url)
    page.wait_for_selector(".tried")
    assert "V-0001-1" in page.inner_text(".tried")


def test_a_next_day_call_is_written_down_and_no_longer_due(server, served_root, open_page, short_protocol):
    folder = make_study(served_root, "called", short_protocol, "P-014")
    with open_study(folder, write=True) as study, open_journal(study, "P-014-1") as journal:
        started = Started(protocol_sha256="0" * 64, source="hand", version="0.1.0")
        for kind, body in (
            ("started", started),
            *((kind, KINDS[kind].example) for kind in ("asked", "answered", "finished")),
        ):
            journal.append(kind, body, at=MORNING)
    page = opened(open_page(f"{server.url}/study/called"))
    page.keyboard.press("Enter")
    page.wait_for_selector("input[name=outcome]:focus")
    page.keyboard.press("Space")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Nothing is due today.")
    with open_study(folder, write=False) as study, open_journal(study, "P-014-1") as journal:
        assert journal.entries()[-1].body.outcome == "nothing to report"


def take_in(page, server, study, pseudonym, name, content):
    page.goto(f"{server.url}/study/{study}?person={pseudonym}")
    page.wait_for_selector("#file")
    page.set_input_files("#file", {"name": name, "mimeType": "application/octet-stream", "buffer": content})
    page.click(".import button")
    page.wait_for_selector("text=Back to the study")
    return page.inner_text("body")


def test_a_recording_is_taken_in_through_the_page(server, served_root, open_page, short_protocol):
    folder = make_study(served_root, "files", short_protocol, "P-014")
    said = take_in(open_page(), server, "files", "P-014", "rest.csv", CSV)

    assert "rest.csv: " in said
    assert "Taken in, untouched." in said
    assert (folder / "recordings" / "P-014" / "rest.csv").read_bytes() == CSV
    assert not check_study(folder)


NO_RECORDINGS = (
    ("study.exe", CSV, "no recording that can be read"),
    ("page.edf.html", CSV, "no recording that can be read"),
    ("fake.edf", b"\x7fELF" + bytes(5000), "Format is not known"),
    ("empty.csv", b"", "File is empty"),
    ("<img src=x onerror=document.title=1>.csv", CSV, "Name of the file is not usable"),
)


def test_what_is_no_recording_is_refused_without_path_or_trace(server, served_root, open_page, short_protocol):
    folder = make_study(served_root, "refused", short_protocol, "P-014")
    page = open_page()
    for name, content, said in NO_RECORDINGS:
        shown = take_in(page, server, "refused", "P-014", name, content)
        assert said in shown
        assert "Traceback" not in shown
        assert "/tmp" not in shown
        assert page.title() == "Not taken in · Decussa"
    assert list((folder / "recordings").rglob("*.*")) == []


def post(server, study, headers, body=b"", *, length=None):
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
    with closing(connection):
        return sent(connection, study, headers, body, len(body) if length is None else length)


def sent(connection, study, headers, body, length):
    connection.putrequest("POST", f"/study/{study}/import")
    for name, value in {"Content-Length": str(length), **headers}.items():
        connection.putheader(name, value)
    connection.endheaders()
    connection.send(body)
    answer = connection.getresponse()
    return answer.status, answer.read().decode()


def form(pseudonym, name, content):
    parts = [
        f'--b\r\nContent-Disposition: form-data; name="pseudonym"\r\n\r\n{pseudonym}\r\n',
        f'--b\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n\r\n',
    ]
    return "".join(parts).encode() + content + b"\r\n--b--\r\n"


def test_attacks_on_the_door_for_files_are_refused(server, served_root, short_protocol):
    folder = make_study(served_root, "door", short_protocol, "P-014")
    own = {"Origin": server.url, "Content-Type": "multipart/form-data; boundary=b"}
    attacks = (
        (413, own, b"", LARGEST_BYTES + 1_000_000),
        (403, own | {"Origin": "http://evil.example"}, form("P-014", "a.csv", CSV), None),
        (400, own, form("P-014", "../../a.csv", CSV), None),
        (400, own, form("P-014", "/etc/a.csv", CSV), None),
        (400, own, form("../P-014", "a.csv", CSV), None),
        (400, own, form("P-099", "a.csv", CSV), None),
        (400, own, b"not a form", None),
        (400, own | {"Content-Type": "text/plain"}, b"x", None),
    )
    for status, headers, body, length in attacks:
        found, shown = post(server, "door", headers, body, length=length)
        assert found == status, shown[:300]
        assert "Traceback" not in shown
        assert str(served_root) not in shown
    assert list((folder / "recordings").rglob("*")) == []
    assert post(server, "door", own, form("P-014", "a.csv", CSV))[0] == 200


def test_a_study_elsewhere_cannot_be_reached(server, served_root, open_page, short_protocol):
    outside = served_root.parent / "outside"
    if not outside.exists():
        make_study(served_root.parent, "outside", short_protocol)
    page = open_page()
    said_before = os.fstat(server.log.fileno()).st_size
    for path in (
        "/study/..%2Foutside",
        "/study/%2e%2e%2foutside",
        "/study/nothing",
        "/prepare/..%2Foutside/x",
        "/run/nothing/P-1",
        "/read/nothing/P-1",
    ):
        page.goto(server.url + path)
        assert "Something is wrong" in page.title()
        assert str(served_root) not in page.content()
    said = os.pread(server.log.fileno(), 1_000_000, said_before).decode()
    assert "There is no such study here; found 'nothing'" in said
    assert "Traceback" not in said
    shutil.rmtree(outside)


@pytest.mark.parametrize("dark", [False, True])
def test_the_page_is_clean_for_axe_in_both_themes_and_at_every_size(
    server, served_root, open_page, short_protocol, find_violations, picture, dark
):
    name = f"axe-{dark}"
    folder = make_study(served_root, name, short_protocol, "P-014", "P-015")
    add_colleague(folder, "OP1", "Olive Invented", "operator", "")
    page = opened(open_page(f"{server.url}/study/{name}", dark=dark))
    assert not find_violations(page)
    for key in ("n", "r", "b", "w", "?"):
        page.keyboard.press(key)
        page.wait_for_selector(".form")
        assert not find_violations(page), key
        page.keyboard.press("Escape")
        page.wait_for_selector(".form", state="detached")
    for width, height in ((900, 700), (390, 844)):
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert not find_violations(page)
        picture(page, f"study-{width}-{'dark' if dark else 'light'}")


@pytest.mark.parametrize("dark", [False, True])
def test_the_first_page_and_the_new_study_are_clean_for_axe_in_both_themes_and_at_every_size(
    server, served_root, open_page, short_protocol, find_violations, dark
):
    make_study(served_root, f"first-{dark}", short_protocol)
    for path, ready in (("/", ".people"), ("/new", ".plan")):
        page = opened(open_page(server.url + path, dark=dark))
        page.wait_for_selector(ready)
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (path, width)
            assert not find_violations(page), (path, width)
