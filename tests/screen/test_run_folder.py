"""A session over a watched folder in a real browser: the way is chosen on the page, files answer pulses, what is odd is said."""

import itertools
from datetime import UTC, datetime

import pytest

from decussa.compose.keeping import enrol
from decussa.compose.sessions import new_study
from decussa.model.dialogue import Deliver, Lost, Trial
from decussa.model.stimulus import Stimulus
from decussa.recording.bdf_write import write_bdf
from decussa.source.virtual.person import VirtualParticipant
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.study import open_study
from tests.screen.desk import prepare_all
from tests.screen.driving import mode_of, wait_for_mode

SESSION = "P-014-1"
NUMBERS = itertools.count(1)


@pytest.fixture
def desk(served_root, short_protocol, server, tmp_path):
    """A prepared session: study, page, and the folder into which the recorder saves."""
    name = f"foldered-{next(NUMBERS)}"
    folder = new_study(served_root / name, str(short_protocol))
    enrol(folder, "P-014")
    prepare_all(folder, SESSION)
    saved = tmp_path / "saved"
    saved.mkdir()
    return folder, f"{server.url}/run/{name}/{SESSION}", saved


def entries_of(folder):
    with open_study(folder, write=False) as study, open_journal(study, SESSION) as journal:
        return journal.entries()


def save(saved, name, number, mso, says=None):
    """Let the recorder save what a virtual person answers."""
    person = VirtualParticipant(3, "hand")
    person.number = number - 1
    sweep = person.deliver(Stimulus.single(mso))
    onset = sweep.onset_sample / sweep.rate_hz
    text = says or f"TMS {mso:g}% single"
    start = datetime.now(UTC)
    write_bdf(
        saved / name, sweep.samples_uv, sweep.rate_hz, person.channels, annotations=[(onset, text)], start=start
    )  # fmt: skip


def asked(folder):
    return [entry.body for entry in entries_of(folder) if entry.kind == "asked" and isinstance(entry.body, Deliver)]


def test_files_answer_the_pulses_and_a_wrong_one_is_set_aside(desk, open_page, find_violations, picture):
    folder, url, saved = desk
    page = open_page(url)
    wait_for_mode(page, "idle")
    assert not find_violations(page)
    picture(page, "run-ways")
    page.check("input[value=folder]")
    page.fill("#folder", str(saved))
    page.keyboard.press("Enter")
    answer_until_pulse(page)
    assert not find_violations(page)
    picture(page, "run-pulse")
    first = asked(folder)[-1]
    save(saved, "trial_1.bdf", 1, first.stimulus.intensity_mso)
    answer_until_pulse(page, number=2)
    second = asked(folder)[-1]
    save(saved, "trial_2.bdf", 2, second.stimulus.intensity_mso, says="TMS 99% single")
    page.wait_for_timeout(2500)
    assert mode_of(page) == "pulse"
    page.keyboard.press("l")
    wait_for_mode(page, "outcome")
    page.keyboard.press("2")
    page.wait_for_function("() => !document.querySelector('.run').classList.contains('mode-outcome')")
    entries = entries_of(folder)
    notes = [entry.body.text for entry in entries if entry.kind == "note"]

    assert any("trial_2.bdf was set aside: it says 99 % MSO" in note for note in notes)
    assert [type(entry.body) for entry in entries if isinstance(entry.body, Trial | Lost)] == [Trial, Lost]
    assert next(entry.body for entry in entries if entry.kind == "started").source == "folder"
    page.keyboard.press("Escape")
    wait_for_mode(page, "alarm")
    assert not check_study(folder)


def answer_until_pulse(page, number=1):
    """Answer what is asked until the page waits for pulse ``number``."""
    page.wait_for_function(
        """number => document.querySelector('.run.mode-pulse')
           && document.querySelector('.far').innerText.includes(`pulse ${number}`)
           || document.querySelector('.run.mode-question')""",
        arg=number,
        timeout=60_000,
    )
    if mode_of(page) == "question":
        page.keyboard.type("2")
        page.keyboard.press("Enter")
        page.wait_for_function("() => !document.querySelector('.run.mode-question')")
        answer_until_pulse(page, number)


def test_a_folder_that_is_not_there_is_said_and_another_can_be_chosen(desk, open_page):
    folder, url, saved = desk
    page = open_page(url)
    wait_for_mode(page, "idle")
    page.check("input[value=folder]")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=/no folder is named/i")
    page.fill("#folder", str(saved / "nowhere"))
    page.focus("#folder")
    page.keyboard.press("Enter")
    wait_for_mode(page, "error")
    assert "folder to watch is not there" in page.inner_text(".far").lower()
    assert entries_of(folder)[-1].kind != "asked"
