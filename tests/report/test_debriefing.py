"""The debrief as the report prints it, and the marks of a rehearsal on its pages."""

import math

import pytest

from decussa.model.estimate import Estimate
from decussa.report.debriefing import debrief_texts
from decussa.session.debrief import Comparison, Debrief
from tests.report.invented import make_recording, measured
from tests.report.test_session_report import SINGLE, _text, _write


def _compared(found: Estimate, truth: float, unit: str = "% MSO", name: str = "FDI right, resting threshold"):
    return Comparison(name=name, found=found, truth=truth, unit=unit)


def _row(found: Estimate, truth: float, unit: str = "% MSO"):
    return debrief_texts(Debrief(comparisons=(_compared(found, truth, unit),), remarks=()))["rows"][0]


INSIDE = Estimate(value=50.0, low=48.0, high=52.0, n=12)


def test_an_interval_that_holds_the_truth_is_inside_and_one_that_does_not_is_outside():
    assert _row(INSIDE, 51.0)["held"] == "inside"
    assert _row(INSIDE, 53.0)["held"] == "outside"


def test_a_value_without_interval_is_not_judged():
    assert _row(Estimate(value=400.0, n=1), 410.0, "µV RMS")["held"] == "not judged"


def test_the_lead_counts_what_is_inside_and_names_what_is_not():
    icf = _compared(Estimate(value=1.3, low=1.1, high=1.5, n=10), 1.9, "ratio", "FDI right, ICF")
    lead = debrief_texts(Debrief(comparisons=(_compared(INSIDE, 51.0), icf), remarks=()))["lead"]
    assert lead == "One of two true values lies inside your intervals. Outside: FDI right, ICF."


def test_a_debrief_without_a_judged_value_says_so():
    assert "yet" in debrief_texts(Debrief(comparisons=(), remarks=()))["lead"]


def test_truth_is_printed_in_the_unit_of_what_was_found():
    row = _row(Estimate(value=15_183.0, n=3), 15_240.0, "µV")
    assert (row["value"], row["unit"], row["truth"]) == ("15.2", "mV", "15.2")


def test_every_place_on_a_scale_lies_on_it_and_in_order():
    scale = _row(INSIDE, 53.0)["scale"]
    assert 0 < scale["low"] < scale["value"] < scale["high"] < scale["truth"] < 1


def test_an_open_interval_reaches_the_end_of_its_scale():
    scale = _row(Estimate(value=0.4, low=0.1, high=math.inf, n=6), 0.5, "ratio")["scale"]
    assert scale["high"] == 1


def test_a_value_that_was_not_found_keeps_its_reason_and_shows_only_the_truth():
    row = _row(Estimate(value=math.nan, reason="no response up to 80 % MSO"), 70.0)
    assert (row["value"], row["note"], row["truth"]) == ("—", "no response up to 80 % MSO", "70.0")
    assert row["scale"]["value"] is None
    assert row["scale"]["truth"] is not None


def test_a_value_near_the_truth_looks_near_although_it_has_no_interval():
    scale = _row(Estimate(value=15_183.0, n=3), 15_190.0, "µV")["scale"]
    assert abs(scale["value"] - scale["truth"]) < 0.01


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    recording = make_recording([SINGLE])
    comparisons = (_compared(INSIDE, 51.0),)
    told = Debrief(comparisons=comparisons, remarks=("12 stimuli, 12 pulses were given (a pair is two).",))
    path = tmp_path_factory.mktemp("debrief") / "V-0001-1.pdf"
    return _write(path, [recording], *measured(recording), debrief=told)


def test_the_debrief_is_the_first_page_and_the_rehearsal_is_named_on_every_page(pages):
    assert "The true value lies inside your interval: FDI right, resting threshold." in _text(pages)
    assert "Your estimates and the truth" in pages.pages[0].extract_text()
    assert all("rehearsal" in page.extract_text() for page in pages.pages)
    assert "no person was stimulated" in pages.pages[0].extract_text().replace("\n", " ")


def test_a_session_on_a_person_carries_no_mark_of_a_rehearsal(tmp_path):
    recording = make_recording([SINGLE])
    plain = _write(tmp_path / "P07.pdf", [recording], *measured(recording))
    assert "ehearsal" not in _text(plain)
