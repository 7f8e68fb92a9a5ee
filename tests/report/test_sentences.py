"""What the session found, in words."""

import math

import pandas as pd

from decussa.model.stimulus import Stimulus
from decussa.model.table import SUMMARY_NAMES
from decussa.report import sentences
from decussa.report.content import gather
from tests.report.invented import Given, hand_session, make_recording, measured


def _content(given):
    recording = make_recording(given)
    return gather([recording], *measured(recording))


def _ratio_sentences(value, low, high):
    recording = make_recording([Given("x", Stimulus.paired(40, 60, 3.0), 500)])
    trials, _ = measured(recording)
    row = dict.fromkeys(SUMMARY_NAMES, "") | {
        "muscle": "FDI", "side": "right", "condition": "x", "isi_ms": 3.0, "intensity_mso": 60.0,
        "quantity": "sici_ratio", "value": value, "low": low, "high": high, "level": 0.95, "n": 20, "method": "m",
    }  # fmt: skip
    return sentences.brief(gather([recording], trials, pd.DataFrame([row])))[1][1]


def test_what_was_given_and_kept_is_counted():
    paragraphs = dict(sentences.brief(_content(hand_session())))
    assert "60 magnetic stimuli (16 of them pairs) and 8 nerve stimuli in 1 recording" in paragraphs[""].replace(
        "\xa0", " "
    )


def test_a_ratio_is_below_above_or_not_told_from_1_by_its_interval():
    assert "lies below 1" in _ratio_sentences(0.43, 0.34, 0.56)
    assert "lies above 1" in _ratio_sentences(1.5, 1.2, 1.9)
    assert "cannot be told from 1" in _ratio_sentences(0.71, 0.44, 1.12)
    assert "cannot be told from 1" in _ratio_sentences(0.71, 0.44, math.inf)


def test_an_interval_that_shows_1_in_print_is_not_told_from_1():
    assert "cannot be told from 1" in _ratio_sentences(1.42, 1.004, 1.99)


def test_a_ratio_without_value_is_named():
    assert "No ratio for SICI" in _ratio_sentences(math.nan, math.nan, math.nan)


def test_a_muscle_without_response_gets_no_size():
    content = _content([Given("single", Stimulus.single(90), 0.0, times=12)])
    text = sentences.brief(content)[1][1]
    assert "No response obtained at rest up to 90" in text
    assert "measured" not in text


def test_what_was_rejected_often_is_said_on_the_first_page():
    recording = make_recording([Given("single", Stimulus.single(60), 900)])
    trials, summary = measured(recording)
    trials["verdict"], trials["rule"] = "reject", "clipped"
    warned = " ".join(sentences.warnings(gather([recording], trials, summary))).replace("\xa0", " ")
    assert "FDI right, single: 8 of 8 trials rejected (clipped 8)." in warned
    assert "unreviewed" in warned


def test_conditions_of_one_name_have_the_values_of_their_own_contraction():
    rest, tense = (
        Given("single", Stimulus.single(60), 900),
        Given("single", Stimulus.single(60), 2500, contraction_pct=15.0),
    )
    for given in ([rest, tense], [tense, rest]):
        (place,) = _content(given).places
        sizes = {one.contraction_pct: place.estimate("mep_amplitude", one).value for one in place.conditions}
        assert sizes[15.0] > 2 * sizes[0.0]
