"""A person at the keyboard of the Run page: waits for what the page shows, answers by keys alone."""

import re

from decussa.compose.rehearsals import new_rehearsal

MORNING = "2026-01-05T09:00:00.000Z"


def make_rehearsal(root, name, protocol, seed=5):
    """Make a quick rehearsal in a folder of studies; return the path of its page."""
    new_rehearsal(str(protocol), root / name, seed=seed, at=MORNING)
    return f"/run/{name}/V-{seed:04d}-1"


def mode_of(page):
    """The state the page shows, such as ``set``."""
    return re.search(r"mode-(\S+)", page.get_attribute(".run", "class"))[1]


def wait_for_mode(page, *modes):
    page.wait_for_selector(", ".join(f".run.mode-{mode}" for mode in modes), timeout=30_000)
    return mode_of(page)


def entry_of(page):
    """The number of the last entry the head of the page names, 0 before the first."""
    found = re.search(r"entry (\d+)", page.inner_text(".who"))
    return int(found[1]) if found else 0


def wait_for_entry(page, number):
    """Wait until the page says that so many entries are written."""
    page.wait_for_function(
        "number => Number((/entry (\\d+)/.exec(document.querySelector('.who')?.innerText) || [0, 0])[1]) >= number",
        arg=number,
    )


def press(page, key, *, moves=True):
    """Press a key, then wait until the session has moved on."""
    before = page.inner_text(".far"), entry_of(page), mode_of(page)
    page.keyboard.press(key)
    if moves:
        page.wait_for_function(
            "([far, entry, mode]) => document.querySelector('.far').innerText !== far"
            " || !document.querySelector('.who').innerText.includes(`entry ${entry} `)"
            " || !document.querySelector('.run').classList.contains(`mode-${mode}`)",
            arg=list(before),
            timeout=30_000,
        )


def begin(page):
    """Begin, and confirm the gates."""
    wait_for_mode(page, "idle")
    press(page, "Enter")
    wait_for_mode(page, "gates")
    for number in range(1, 6):
        press(page, str(number))
    return wait_for_mode(page, "set", "question", "rest")


def answer(page):
    """Do the usual for what is shown now."""
    mode = wait_for_mode(page, "set", "question", "rest", "finished")
    if mode == "set":
        press(page, "Enter")
    elif mode == "question" and page.query_selector(".far input"):
        page.keyboard.type("2")
        press(page, "Enter")
    elif mode == "question":
        press(page, "1" if "none" in page.inner_text(".far") else "Enter")
    return mode


def give(page, count):
    """Give so many stimuli, answering what is asked between."""
    while count:
        count -= answer(page) == "set"


def finish(page, most=120):
    """Go on until the session is finished; return the states on the way."""
    modes = []
    for _ in range(most):
        modes.append(answer(page))
        if modes[-1] == "finished":
            return modes
    raise AssertionError(f"not finished after {most} answers")
