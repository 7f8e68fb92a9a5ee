"""Whatever goes into the store comes back exactly."""

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.model.dialogue import Answer, Deliver, Rest, Show
from decussa.model.errors import RecordingError, UsageError
from decussa.model.stimulus import Stimulus
from decussa.store.codec import decode, decode_sweep, encode, encode_sweep
from decussa.store.records import Remark
from tests.store.invented import a_sweep
from tests.strategies import BODIES, MEASURED, sweeps


@given(st.one_of(BODIES, MEASURED))
def test_every_record_comes_back_exactly(record):
    text = encode(record)

    # repr tells tuple from list, int from float, NaN from everything, minus zero from zero, and keeps the order.
    assert repr(decode(text)) == repr(record)
    assert text.isascii()
    assert encode(decode(text)) == text


@given(sweeps())
def test_every_sweep_comes_back_bit_by_bit(sweep):
    back = decode_sweep(encode_sweep(sweep))

    assert back.samples_uv.tobytes() == sweep.samples_uv.tobytes()
    assert back.samples_uv.shape == sweep.samples_uv.shape
    assert back.samples_uv.dtype == np.float32
    assert repr((back.rate_hz, back.onset_sample, back.channels, back.shift_ms)) == repr(
        (sweep.rate_hz, sweep.onset_sample, sweep.channels, sweep.shift_ms)
    )


@given(st.one_of(BODIES, MEASURED))
def test_the_text_is_standard_json(record):
    def refuse(name):
        raise AssertionError(name)

    json.loads(encode(record), parse_constant=refuse)


def test_the_text_is_readable_and_fixed():
    request = Rest(seconds=math.inf, step="threshold")

    assert encode(request) == '{"v":1,"is":{"@":"Rest","seconds":{"@":"float","is":"inf"},"step":"threshold","why":""}}'


def test_the_bytes_of_a_sweep_are_fixed():
    sweep = a_sweep(1, 3)
    blob = encode_sweep(sweep)

    assert blob[:5] == b"SWEEP"
    assert blob[-24:] == sweep.samples_uv.astype("<f4").tobytes()


def test_keys_that_look_like_marks_come_back():
    show = Show(step="s", curve={"@": (1.0,), "@@": (2.0,), "is": (3.0,)})

    assert decode(encode(show)) == show


@pytest.mark.parametrize("change", [{"v": 2}, {"v": "1"}, {"is": {"@": "Rest"}}, {"is": {"@": "Nobody"}}, {"is": [1]}])
def test_another_version_or_another_record_is_refused(change):
    text = json.dumps(json.loads(encode(Answer(value=3.0))) | change)

    with pytest.raises(RecordingError, match="here: stored record"):
        decode(text, where="here")


@pytest.mark.parametrize("text", ["", "{", "1", "[]", '{"v":1}', '{"v":1,"is":NaN}', '{"v":1,"is":null}'])
def test_what_is_no_record_is_refused(text):
    with pytest.raises(RecordingError, match="cannot be read"):
        decode(text)


def test_a_record_whose_values_cannot_be_is_refused():
    text = encode(Deliver(stimulus=Stimulus.single(50), step="s")).replace(
        '"intensity_mso":50.0', '"intensity_mso":500.0'
    )

    with pytest.raises(RecordingError, match="out of range"):
        decode(text)


@given(st.binary(max_size=80) | st.binary(max_size=60).map(b"SWEEP".__add__))
def test_bytes_that_are_no_sweep_are_refused(blob):
    with pytest.raises(RecordingError, match="tored sweep cannot be read"):
        decode_sweep(blob)


@pytest.mark.parametrize("cut", [1, 4, 30, 1000])
def test_a_sweep_that_was_cut_short_is_refused(cut):
    with pytest.raises(RecordingError, match="tored sweep cannot be read"):
        decode_sweep(encode_sweep(a_sweep(1))[:-cut])


def test_a_sweep_of_a_later_version_is_refused():
    with pytest.raises(RecordingError, match="version 2"):
        decode_sweep(encode_sweep(a_sweep(1)).replace(b'"v": 1', b'"v": 2'))


def test_what_would_not_come_back_is_refused():
    sweep = a_sweep(1)
    object.__setattr__(sweep, "samples_uv", sweep.samples_uv.astype(np.float64))

    with pytest.raises(UsageError, match="float32"):
        encode_sweep(sweep)
    with pytest.raises(UsageError, match="cannot be kept"):
        encode(Remark(text=["a", "list"]))
    with pytest.raises(UsageError, match="keys that are texts"):
        encode(Show(step="s", results={1: None}))
