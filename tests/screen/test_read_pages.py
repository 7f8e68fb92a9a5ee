"""The Read pages in a real browser: a review by keyboard and pointer, blind, by two raters, through reloads and crashes."""

import io
import math
import shutil
import urllib.error
import urllib.request
import zlib

import pandas as pd
import pypdf
import pytest

from decussa.compose.rehearsals import new_rehearsal
from decussa.compose.reviewing import ReviewRoom
from decussa.compose.study_reports import debrief_session
from decussa.protocol.schema import read_protocol
from decussa.store import private
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.operators import add_operator
from decussa.store.study import open_study
from tests.compose.invented_session import MUSCLE, make_session
from tests.session.stage import go, make_study

SESSION = "P07-1"
COUNT = 200
#: The scripts of the page run on a machine that does other things too.
PATIENCE_MS = 30_000


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A study with one session of 200 invented sweeps."""
    folder = tmp_path_factory.mktemp("made") / "study"
    make_session(folder, COUNT)
    return folder


@pytest.fixture
def study(made, served_root, request):
    """A copy of it among the studies that are served; returns its name."""
    name = f"read-{zlib.crc32(request.node.nodeid.encode()):08x}"
    shutil.copytree(made, served_root / name)
    return name


@pytest.fixture(scope="module")
def rehearsed(served_root):
    """A short rehearsal that was run to its end; returns the name of its study."""
    make_study(served_root / "read-rehearsed")
    go(served_root / "read-rehearsed")
    return "read-rehearsed"


def review(study, rater="R-1"):
    return f"/read/{study}/{SESSION}/review?rater={rater}"


def begin(page, code, *, blind=False):
    """Begin a review under a code."""
    page.fill("#code", code)
    if blind:
        page.check("[name=blind]")
    page.keyboard.press("Enter")
    wait_for_sweeps(page)


def wait_for_sweeps(page):
    page.wait_for_function("document.querySelectorAll('.cells .c').length > 0", timeout=PATIENCE_MS)


def wait_for_written(page):
    """Wait until everything that was said is on disk."""
    page.wait_for_function("document.querySelector('.side .note').textContent === ''", timeout=PATIENCE_MS)


def layer_of(folder, rater="R-1"):
    return ReviewRoom(folder, SESSION).layers[rater]


def verdicts_of(folder, rater="R-1"):
    room = ReviewRoom(folder, SESSION)
    return [room.shown(trace, room.layers[rater]).verdict for trace in room.of_muscle(MUSCLE)]


def test_200_sweeps_are_reviewed_by_keyboard_alone(server, served_root, study, open_page, find_violations, picture):
    page = open_page(f"{server.url}/read/{study}/{SESSION}/review")
    assert not find_violations(page)
    begin(page, "R-1")
    assert not find_violations(page)
    for number in range(1, COUNT + 1):
        if number % 20 == 0:
            page.keyboard.press("3")
        elif number % 14 == 0:
            page.keyboard.press("1")
        if number < COUNT:
            page.keyboard.press("ArrowRight")
    page.keyboard.press("3")
    page.wait_for_function(
        "document.querySelector('.list .note').textContent.startsWith('200 of 200')", timeout=PATIENCE_MS
    )
    wait_for_written(page)
    picture(page, "review")
    said = verdicts_of(served_root / study)
    assert all(verdict == "reject" for verdict in said[19::20])
    # Every fourteenth was proposed as doubtful and was accepted; what was left is accepted as proposed.
    assert all(verdict == "accept" for place, verdict in enumerate(said, 1) if place % 20)
    assert len(layer_of(served_root / study).seen) == COUNT
    assert not [finding for finding in check_study(served_root / study) if finding.broken]


def test_a_mark_is_dragged_moved_by_keys_and_taken_back(server, served_root, study, open_page):
    ReviewRoom(served_root / study, SESSION).begin("R-1", blind=False)
    page = open_page(server.url + review(study))
    wait_for_sweeps(page)
    trace = ReviewRoom(served_root / study, SESSION).of_muscle(MUSCLE)[0]
    proposed = trace.measured["latency_ms"]
    box = page.locator(".stage").bounding_box()
    pixels = (box["width"] - 104 - 4) / (62 + 22)
    x = box["x"] + 4 + (proposed + 22) * pixels
    page.mouse.move(x, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(x + 2 * pixels, box["y"] + box["height"] / 2, steps=8)
    page.mouse.up()
    wait_for_written(page)
    moved = layer_of(served_root / study).said((trace.entry, MUSCLE), "onset_ms")
    assert moved == pytest.approx(proposed + 2.0, abs=0.15)
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Enter")
    wait_for_written(page)
    again = layer_of(served_root / study).said((trace.entry, MUSCLE), "onset_ms")
    assert again == pytest.approx(moved + 1.3, abs=0.011)
    page.keyboard.press("o")
    page.keyboard.press("0")
    wait_for_written(page)
    assert math.isnan(layer_of(served_root / study).said((trace.entry, MUSCLE), "onset_ms"))
    changes = [change for _, _, change in layer_of(served_root / study).written]
    assert all(change.old != change.new for change in changes)
    for _ in changes:
        page.keyboard.press("u")
        wait_for_written(page)
    page.wait_for_function("!document.querySelector('.side dl').innerText.includes('proposed 2')", timeout=PATIENCE_MS)
    assert layer_of(served_root / study).said((trace.entry, MUSCLE), "onset_ms") is None


def test_a_reason_filters_and_the_next_doubtful_are_a_key_away(server, served_root, study, open_page):
    ReviewRoom(served_root / study, SESSION).begin("R-1", blind=False)
    page = open_page(server.url + review(study))
    wait_for_sweeps(page)
    page.keyboard.press("f")
    assert page.inner_text(".rev .main h2").startswith("Sweep 14")
    page.keyboard.press("n")
    page.keyboard.type("not at rest")
    page.keyboard.press("Enter")
    wait_for_written(page)
    room = ReviewRoom(served_root / study, SESSION)
    assert room.shown(room.of_muscle(MUSCLE)[13], room.layers["R-1"]).reason == "not at rest"
    page.select_option("[data-filter=condition]", "SICI")
    assert "SICI" in page.inner_text(".rev .main h2")
    page.keyboard.press("ArrowRight")
    assert page.inner_text(".rev .main h2").startswith("Sweep 17")
    page.select_option("[data-filter=show]", "changed")
    page.wait_for_function("document.querySelectorAll('.cells .c:not(.out)').length === 1")


def test_two_windows_of_one_rater_show_the_same(server, served_root, study, open_page):
    ReviewRoom(served_root / study, SESSION).begin("R-1", blind=False)
    first, second = (open_page(server.url + review(study)) for _ in range(2))
    for page in (first, second):
        wait_for_sweeps(page)
    first.keyboard.press("3")
    second.wait_for_selector(".verd [data-verdict=reject].on", timeout=PATIENCE_MS)
    second.keyboard.press("2")
    first.wait_for_selector(".verd [data-verdict=doubtful].on", timeout=PATIENCE_MS)
    assert verdicts_of(served_root / study)[0] == "doubtful"


def test_a_blind_second_rater_sees_nothing_that_tells_and_the_agreement_is_shown_after_looking(
    server, served_root, study, open_page, find_violations, picture
):
    room = ReviewRoom(served_root / study, SESSION)
    room.begin("R-1", blind=False)
    for trace in room.of_muscle(MUSCLE)[:12]:
        room.say("R-1", trace, "verdict", "accept" if trace.number % 3 else "reject")
    page = open_page(f"{server.url}/read/{study}/{SESSION}/review")
    begin(page, "R-2", blind=True)
    shown = page.inner_text("body")
    for told in ("SICI", "ICF", "MSO", "P07", "R-1", "mV"):
        assert told not in shown
    assert not find_violations(page)
    picture(page, "review-blind")
    for step in range(COUNT // 4):
        page.keyboard.press("3" if step % 5 == 0 else "1")
        page.keyboard.press("ArrowRight")
    wait_for_written(page)
    agreement = open_page(f"{server.url}/read/{study}/{SESSION}/agreement")
    agreement.wait_for_selector(".leaf")
    assert "reviews blind" in agreement.inner_text(".leaf")
    table = open_page(f"{server.url}/read/{study}/{SESSION}/table?rater=R-2")
    assert "stays closed" in table.inner_text(".leaf")
    page.click("text=Look, and be blind no more")
    page.wait_for_function("document.querySelector('.who')?.innerText.includes('P07')", timeout=PATIENCE_MS)
    layer = layer_of(served_root / study, "R-2")
    assert layer.began_blind
    assert not layer.blind
    assert not layer.not_blind
    agreement.reload()
    agreement.wait_for_selector(".cross")
    found = agreement.inner_text(".leaf")
    assert "Kappa" in found
    assert "R-2" in found
    assert not find_violations(agreement)


def test_a_code_with_a_pin_is_opened_by_it_alone(server, served_root, study, open_page):
    private.create_missing(served_root / study)
    with private.open_private(served_root / study, write=True) as database:
        add_operator(database, "R-2", "Some Body", "reviewer", pin="2468")
    page = open_page(f"{server.url}/read/{study}/{SESSION}/review")
    page.fill("#code", "R-2")
    page.fill("#pin", "1111")
    page.keyboard.press("Enter")
    page.wait_for_selector("[role=alert]")
    page.fill("#pin", "2468")
    page.keyboard.press("Enter")
    wait_for_sweeps(page)
    page.keyboard.press("3")
    wait_for_written(page)
    other = open_page(f"{server.url}/read/{study}/{SESSION}/review?rater=R-2")
    other.wait_for_selector("#pin")
    assert other.input_value("#code") == "R-2"
    assert layer_of(served_root / study, "R-2").verified


def test_a_reload_and_a_killed_server_lose_nothing_of_a_review(own_server, made, open_page):
    shutil.copytree(made, own_server.root / "kept")
    folder = own_server.root / "kept"
    ReviewRoom(folder, SESSION).begin("R-1", blind=False)
    own_server.start()
    page = open_page(own_server.url + review("kept"))
    wait_for_sweeps(page)
    page.keyboard.press("3")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("e")
    page.keyboard.press("Shift+ArrowRight")
    page.reload()  # at once: the mark was not let go of yet
    wait_for_sweeps(page)
    wait_for_written(page)
    assert page.inner_text(".rev .main h2").startswith("Sweep 3")
    traces = ReviewRoom(folder, SESSION).of_muscle(MUSCLE)
    ended = traces[2].measured["latency_ms"] + traces[2].measured["duration_ms"]
    assert layer_of(folder).said((traces[2].entry, MUSCLE), "end_ms") == pytest.approx(ended + 1, abs=0.06)
    own_server.kill()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("2")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("3")
    assert "not written yet" in page.inner_text(".side .note")
    own_server.start()
    page.wait_for_function("document.querySelector('.side .note')?.textContent === ''", timeout=60_000)
    wait_for_sweeps(page)
    wait_for_written(page)
    assert verdicts_of(folder)[:5] == ["reject", "accept", "accept", "doubtful", "reject"]
    assert not [finding for finding in check_study(folder) if finding.broken]


def check_on_paper(page):
    """On paper of A4 (210 mm less margins of 10 mm, 96 pixels an inch) nothing is cut off, and there is nothing to press."""
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 718, "height": 1047})
    wide = page.evaluate(
        "[...document.querySelectorAll('table, svg, img, p')].filter((el) => el.getBoundingClientRect().right > 719)"
        ".map((el) => el.outerHTML.slice(0, 160))"
    )
    assert wide == []
    assert not [button for button in page.query_selector_all(".btn") if button.is_visible()]
    page.emulate_media(media="null")
    page.set_viewport_size({"width": 1440, "height": 900})


@pytest.mark.parametrize("dark", [False, True])
def test_results_table_report_and_their_files_are_there_and_open_to_everybody(
    server, served_root, study, open_page, find_violations, picture, dark
):
    room = ReviewRoom(served_root / study, SESSION)
    room.begin("R-1", blind=False)
    room.say("R-1", room.of_muscle(MUSCLE)[0], "verdict", "reject", reason="<b>cough</b>")
    page = open_page(f"{server.url}/read/{study}/{SESSION}", dark=dark)
    page.wait_for_selector(".results tbody tr")
    assert "1 of 200 sweeps reviewed by R-1" in page.inner_text(".mindbar").replace("\u00a0", " ")
    assert not find_violations(page)
    picture(page, f"results{'-dark' if dark else ''}")
    check_on_paper(page)
    page.keyboard.press("t")
    page.wait_for_selector(".rawtable")
    check_on_paper(page)
    assert len(page.query_selector_all(".rawtable tbody tr")) == COUNT
    assert "<b>cough</b>" in page.inner_text(".rawtable")
    assert not find_violations(page)
    with page.expect_download() as asked:
        page.click("text=Trials as TSV")
    table = pd.read_csv(asked.value.path(), sep="\t")
    assert (table["reviewed_by"] == "R-1").sum() == 1
    assert table["verdict"].iloc[0] == "reject"
    page.keyboard.press("Escape")
    page.wait_for_selector(".results tbody tr")
    page.keyboard.press("p")
    page.wait_for_selector(".sheets img", timeout=120_000)  # the report is made now
    for width, height in ((1440, 900), (900, 700), (390, 844)):
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert not find_violations(page), width
    picture(page, f"report{'-dark' if dark else ''}")
    page.set_viewport_size({"width": 1440, "height": 900})
    if not dark:  # paper is always light
        printed = pypdf.PdfReader(io.BytesIO(page.pdf(format="A4")))
        assert len(printed.pages) == len(page.query_selector_all(".sheets img"))
        page.context.grant_permissions(["clipboard-read", "clipboard-write"])
        page.click("#copy-methods")
        page.wait_for_selector("#copy-methods:has-text('Copied')", timeout=30_000)
        assert "| 28 | Pairs: interval | 3 and 12 ms |" in page.evaluate("navigator.clipboard.readText()")
        with urllib.request.urlopen(f"{server.url}/read/{study}/{SESSION}/report.pdf") as answer:
            assert answer.read(5) == b"%PDF-"
    dark_review = open_page(server.url + review(study), dark=dark)
    wait_for_sweeps(dark_review)
    assert not find_violations(dark_review)


@pytest.mark.parametrize("dark", [False, True])
def test_the_debrief_holds_what_was_found_against_the_truth(
    server, served_root, rehearsed, open_page, find_violations, picture, dark
):
    page = open_page(f"{server.url}/read/{rehearsed}/V-0005-1/debrief", dark=dark)
    page.wait_for_selector(".truth")
    with open_study(served_root / rehearsed, write=False) as study, open_journal(study, "V-0005-1") as journal:
        found = debrief_session(journal, read_protocol(study.protocol_text, where="protocol.toml"))
    assert len(page.query_selector_all(".truth")) == len(found.comparisons)
    outside = sum(comparison.held is False for comparison in found.comparisons)
    assert page.inner_text(".results").count("outside") == outside
    assert found.remarks[0] in page.inner_text(".told")
    assert not find_violations(page)
    picture(page, f"debrief{'-dark' if dark else ''}")
    check_on_paper(page)
    page.keyboard.press("p")
    page.wait_for_selector(".results .iv")


def test_a_session_without_sweeps_says_so(server, served_root, open_page, find_violations):
    new_rehearsal("hand", served_root / "read-empty", seed=3, at="2026-01-05T09:00:00.000Z")
    page = open_page(f"{server.url}/read/read-empty/V-0003-1")
    assert "No stimulus was answered" in page.inner_text(".leaf")
    page.goto(f"{server.url}/read/read-empty/V-0003-1/review")
    assert "no sweep" in page.inner_text(".leaf")
    assert not find_violations(page)


@pytest.mark.parametrize(
    "path",
    [
        "/read/..%2f..%2fetc/P07-1/sweeps?rater=R-1&muscle=FDI%20right",
        "/read/nobody/P07-1/trials.tsv",
        "/read/{study}/..%2fstudy/report.pdf",
        "/read/{study}/P07-1/sweeps?rater=R-9&muscle=FDI%20right",
        "/read/{study}/P07-1/sweeps?rater=&muscle=nothing",
    ],
)
def test_what_is_not_there_is_not_found_and_tells_no_path(server, study, path):
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(server.url + path.format(study=study))
    assert refused.value.code == 404
    said = refused.value.read().decode()
    assert "Traceback" not in said
    assert "/studies" not in said


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (900, 700), (390, 844)])
def test_the_review_fits_its_window(server, served_root, study, open_page, picture, width, height):
    ReviewRoom(served_root / study, SESSION).begin("R-1", blind=False)
    page = open_page(server.url + review(study), width=width, height=height)
    wait_for_sweeps(page)
    page.keyboard.press("ArrowRight")
    picture(page, f"review-{width}")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    stage = page.locator(".stage").bounding_box()
    assert stage["width"] > 0.4 * width
    assert stage["y"] + stage["height"] <= height
