"""The signals card of Prepare in a real browser, in front of a virtual person's live signal."""

import time

import pytest

from decussa.compose.keeping import enrol
from decussa.compose.preparing import read_preparation
from decussa.compose.sessions import new_study
from decussa.compose.site_record import accepted_site
from tests.screen.conftest import Server
from tests.screen.fake_feed import TOLD
from tests.session.stage import SHORT

SESSION = "P-014-1"
TWO = SHORT.replace(
    "[coil]",
    """[[muscles]]
muscle = "FCR"
side = "right"
stim_side = "left"
electrodes = "one third from elbow to wrist"
target = false

[coil]""",
)


@pytest.fixture(scope="module")
def wired(tmp_path_factory):
    """A server whose studies have a live signal; its folder."""
    root = tmp_path_factory.mktemp("wired")
    (root / "two.toml").write_text(TWO, encoding="utf-8")
    running = Server(root, prelude="import tests.screen.fake_feed; ").start()
    yield running, root
    running.stop()


def made(wired, name):
    server, root = wired
    folder = new_study(root / name, str(root / "two.toml"))
    enrol(folder, "P-014")
    return folder, f"{server.url}/prepare/{name}/{SESSION}"


def open_card(page):
    page.wait_for_selector("[data-act='item signals']")
    page.click("[data-act='item signals']")
    page.wait_for_selector("[data-act='signals open']")


def tell(folder, words):
    (folder / TOLD).write_text(words, encoding="utf-8")


def findings(page):
    return page.locator(".findings").inner_text()


@pytest.mark.parametrize("dark", [False, True])
def test_signals_are_looked_at_by_keys_and_kept_with_session_and_study(
    wired, open_page, find_violations, picture, dark
):
    folder, url = made(wired, f"looked-{dark}")
    page = open_page(url, dark=dark)
    open_card(page)
    assert not find_violations(page)
    page.keyboard.press("o")
    page.wait_for_selector(".levels td")
    time.sleep(6)  # the signal must flow before five seconds of it can be judged
    page.keyboard.press("r")
    page.wait_for_selector(".findings")
    assert "FDI right, noise at rest" in findings(page)
    tell(folder, "contract FDI right")
    time.sleep(3.2)
    page.keyboard.press("1")
    page.wait_for_selector("text=/FDI right, rises with its muscle/")
    assert "more than any other channel" in findings(page)
    tell(folder, "rest")
    page.keyboard.press("t")
    page.wait_for_selector("#fired:focus")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=/0 marks on the trigger channel for 3 pulses/")
    assert not find_violations(page)
    picture(page, f"prepare-signals{'-dark' if dark else ''}")
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    picture(page, f"prepare-signals-phone{'-dark' if dark else ''}")
    page.set_viewport_size({"width": 1440, "height": 900})
    page.fill("#words", "the trigger cable is on its way")
    page.click("text=Accept the set-up")
    page.wait_for_selector("text=/Set-up: accepted .* of 13 good. the trigger cable is on its way/")
    page.keyboard.press("Escape")
    open_again(page)
    page.keyboard.press("w")
    page.wait_for_selector("[data-act='item signals'] >> text=/0 marks on the trigger channel/")
    item = next(item for item in read_preparation(folder, SESSION).preparation.items if item.key == "signals")

    assert item.state == "open"  # a bad trigger is not done
    assert accepted_site(folder).body.words == "the trigger cable is on its way"


def open_again(page):
    page.wait_for_selector("[data-act='item signals']")
    page.click("[data-act='item signals']")
    page.wait_for_selector("[data-act='signals rest']")


def test_a_stream_that_is_missing_is_said_and_can_be_looked_for_again(wired, open_page, picture):
    folder, url = made(wired, "missing")
    tell(folder, "missing")
    page = open_page(url)
    open_card(page)
    page.keyboard.press("o")
    page.wait_for_selector(".mindbar")
    assert "stream was not found" in page.inner_text(".mindbar").lower()
    assert str(folder) not in page.content()
    picture(page, "prepare-signals-missing")
    tell(folder, "rest")
    page.keyboard.press("o")
    page.wait_for_selector(".levels td")
    tell(folder, "still")
    page.wait_for_selector("text=/stands still since 3 s/")
