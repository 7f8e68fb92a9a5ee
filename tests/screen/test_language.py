"""The pages can speak another language: every phrase of Run goes through the catalogue."""

import importlib.util
import re
from pathlib import Path

import pytest

from decussa.model.errors import UsageError
from decussa.screen import language, run_ends, run_foot, run_forms, run_panels, run_setting, run_sheet
from decussa.screen.desk import Desk
from decussa.screen.language import phrase, read_language, speak
from decussa.screen.operator import GO
from tests.screen.driving import make_rehearsal

ROOT = Path(__file__).parents[2]
#: What stands in a page as it is: signs, units, names of the trade and of this program.
PLAIN = {"%", "µV", "mV", "ms", "mA", "s", "min", "MSO", "RMS", "UTC", "n", "RMT", "cm", "of"}


@pytest.fixture
def catalogue():
    """The module that collects the phrases."""
    spec = importlib.util.spec_from_file_location("phrases", ROOT / "docs" / "phrases.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def spoken(catalogue):
    """Speak a language in which every phrase stands in brackets."""
    speak({english: f"⟦{english}⟧" for english in catalogue.phrases()})
    yield
    speak({})


def english_words(page, data):
    """The words of a page outside the brackets that are neither units nor data."""
    said = re.sub(r"<(svg|kbd)\b.*?</\1>", " ", page, flags=re.S)
    said = re.sub(r"<[^>]*>", " ", said)
    before = None
    while before != said:
        before, said = said, re.sub(r"⟦[^⟦⟧]*⟧", " ", said)
    for known in sorted(data, key=len, reverse=True):
        said = said.replace(known, " ")
    return [word for word in re.findall(r"[^\W\d_]{2,}", said) if word not in PLAIN]


def usual_answer(request):
    return 2.0 if request.kind in ("rating", "number") else (*request.choices, "yes")[0]


@pytest.mark.usefixtures("spoken")
def test_every_word_of_run_that_is_no_data_is_in_the_catalogue(tmp_path, short_protocol):
    make_rehearsal(tmp_path, "words", short_protocol)
    live = Desk(tmp_path).session("words", "V-0005-1")
    data = {"V-0005-1", "V-0005", "short", "FDI right", "FDI"}
    seen, given = {}, 0
    live.go_on()
    while live.running:
        mode = run_sheet.mode_of(live)
        request = live.turn.request
        for words in (getattr(request, "why", ""), getattr(request, "text", ""), *(getattr(request, "choices", ()))):
            data |= {words} - {""}
        if live.view.given:
            data |= {live.view.given[-1].trial.verdict.reason, live.view.text} - {""}
        live.work_out()
        page = run_sheet.sheet_of(live, mode) + run_setting.last_of(live) + run_foot.foot_of(live, mode)
        page += run_panels.sweep_head(live) + run_panels.sweep_numbers(live) + run_panels.evidence_panels(live)
        seen.setdefault(mode, []).extend(english_words(page, data))
        if mode == "gates":
            live.operator.pass_gate(live.turn.about)
        elif mode in ("set", "question"):
            given += mode == "set"
            live.operator.say(live.turn.number, GO if mode == "set" else usual_answer(request))
        elif mode == "outcome":
            raise AssertionError("a stimulus got lost")
        _wait_until_it_moves(live, mode)
    seen["finished"] = english_words(run_ends.finished(live), data)
    for sheet in ("note", "tolerance", "adverse", "aid", "keys", "skip", "redo", "end", "seen"):
        seen[sheet] = english_words(run_forms.form_of(live, sheet, ""), data)
    assert given > 10
    assert {mode: words for mode, words in seen.items() if words} == {}


def _wait_until_it_moves(live, mode):
    turn, entry = live.turn.number, live.view.entry
    if mode in ("working", "rest"):
        return
    for _ in range(100_000):
        if (live.turn.number, live.view.entry) != (turn, entry) or not live.running:
            return


def test_a_language_file_is_read_and_what_it_lacks_stays_english(tmp_path, monkeypatch):
    monkeypatch.setattr(language, "LANGUAGES", tmp_path)
    (tmp_path / "xx.toml").write_text('"Set" = "Stell"\n"Pulse {number}." = "Puls {number}."\n', encoding="utf-8")
    speak(read_language("xx"))
    try:
        assert phrase("Set") == "Stell"
        assert phrase("Pulse {number}.", number=3) == "Puls 3."
        assert phrase("Go on") == "Go on"
    finally:
        speak({})
    with pytest.raises(UsageError, match="en, xx"):
        read_language("../xx")


def test_the_template_is_a_language_that_speaks_english(tmp_path, monkeypatch, catalogue):
    monkeypatch.setattr(language, "LANGUAGES", tmp_path)
    (tmp_path / "yy.toml").write_text(catalogue.template(), encoding="utf-8")
    read = read_language("yy")
    assert len(read) > 200
    assert all(english == said for english, said in read.items())
