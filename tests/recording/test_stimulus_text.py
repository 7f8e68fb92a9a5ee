"""What free text says about a stimulus. The texts are invented after labs' habits: common practice, no source."""

import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.model.errors import RecordingError
from decussa.model.stimulus import Stimulus
from decussa.recording.stimulus_text import describe_stimulus, read_stimulus_text
from tests.strategies import STIMULI

UNKNOWN = Stimulus(stim_type="single")


@pytest.mark.parametrize(
    ("text", "stimulus"),
    [
        ("TMS 52% single", Stimulus.single(52)),
        ("tms 52 %", Stimulus.single(52)),
        ("52% MSO", Stimulus.single(52)),
        ("Einzelpuls 52,5 %", Stimulus.single(52.5)),
        ("Reiz rechts 60 Prozent", Stimulus.single(60)),
        ("trial 5: TMS 52%", Stimulus.single(52)),
        ("stim FDI left 45%", Stimulus.single(45)),
        ("TMS 52% good response", Stimulus.single(52)),
        ("paired 40/80 ISI 3ms", Stimulus.paired(40, 80, 3)),
        ("Doppelpuls 40/80 ISI 2,5 ms", Stimulus.paired(40, 80, 2.5)),
        ("pp 80-100 2.5ms", Stimulus.paired(80, 100, 2.5)),
        ("CS 40 TS 80 ISI 3", Stimulus.paired(40, 80, 3)),
        ("Test 60% cond 45% ISI 12 ms", Stimulus.paired(45, 60, 12)),
        ("SICI 3 ms 40/80", Stimulus.paired(40, 80, 3)),
        ("PNS 12 mA", Stimulus.nerve(12)),
        ("Nervenreiz 12,5 mA", Stimulus.nerve(12.5)),
        ("M-wave 20mA", Stimulus.nerve(20)),
        ("TMS", UNKNOWN),
        ("pulse 12", UNKNOWN),
        ("TMS 55", UNKNOWN),
        ("TMS 120% RMT", UNKNOWN),
    ],
)
def test_a_stimulus_is_read(text, stimulus):
    found = read_stimulus_text(text, where="here")

    assert found is not None
    assert repr(found.stimulus) == repr(stimulus)


@pytest.mark.parametrize(
    "text",
    [
        "rest", "start", "cough", "Start TMS 50%", "no TMS", "TMS off", "RMT 52%", "TMS threshold 52%", "contraction 20% MVC",
        "battery 52%", "increase to 55%", "Pause 5 min", "hotspot search", "SICI", "recording started", "test", "", "12", "%",
    ],
)  # fmt: skip
def test_a_remark_is_no_stimulus(text):
    assert read_stimulus_text(text, where="here") is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("paired 40/80", "a paired stimulus needs an interval"),
        ("paired 40/80 ISI 0 ms", "a paired stimulus needs an interval"),
        ("TMS 520%", "intensity_mso is out of range"),
        ("TMS single 50% ISI 3 ms", "two kinds"),
        ("PNS 10 mA TMS 50%", "two kinds"),
    ],
)
def test_a_stimulus_that_contradicts_itself_is_refused_where_it_stands(text, words):
    with pytest.raises(RecordingError, match=words) as refused:
        read_stimulus_text(text, where="a.edf, annotation at 3 s")

    assert str(refused.value).startswith("a.edf, annotation at 3 s: ")


def test_contraction_and_condition_are_read_beside_the_stimulus():
    found = read_stimulus_text("SICI CS 40% TS 80% ISI 2.5 ms at 20% MVC", where="here")

    assert (found.condition, found.contraction_pct) == ("SICI", 20)


@given(STIMULI, st.one_of(st.just(math.nan), st.floats(1e-3, 100)))
def test_what_is_described_is_read_back(stimulus, contraction_pct):
    found = read_stimulus_text(describe_stimulus(stimulus, contraction_pct), where="here")

    assert repr(found.stimulus) == repr(stimulus)
    assert repr(found.contraction_pct) == repr(contraction_pct)


@given(st.text(max_size=60))
def test_any_text_is_a_stimulus_a_remark_or_refused(text):
    # Anything but a RecordingError is a fault of the program.
    with suppress(RecordingError):
        read_stimulus_text(text, where="here")
