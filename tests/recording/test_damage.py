"""Whatever a file holds, reading it ends with a recording or with one sentence."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decussa.model.errors import DecussaError
from decussa.recording.read import read
from tests.recording.files import plain_edf
from tests.recording.test_text import counts, long_table, wide_table

BYTES = st.one_of(st.binary(min_size=1, max_size=8), st.from_regex(rb"[-+]?[0-9]{1,4}(e[0-9])? {0,4}", fullmatch=True))
#: Where the bytes go: mostly into the header, where they hurt; somewhere in the file else.
PLACES = st.one_of(st.integers(0, 767), st.integers(0, 100_000))
CHANGES = st.lists(st.tuples(PLACES, BYTES), min_size=1, max_size=4)


def try_to_read(path):
    try:
        recording = read(path)
        for index, channel in enumerate(recording.channels):
            if channel.kind == "emg":
                batch = recording.signals.cut(index, recording.events, 20, 20)
                assert batch.samples_uv.shape[0] == len(recording.events)
                assert not np.isinf(batch.samples_uv).any()
    except DecussaError as refused:
        return str(refused)
    return ""


@pytest.fixture(scope="module", params=["edf", "bdf", "long", "wide", "counts"])
def healthy(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("damage")
    makers = {
        "edf": lambda: plain_edf(folder / "a.edf", seconds=10),
        "bdf": lambda: plain_edf(folder / "a.bdf", seconds=10),
        "long": lambda: long_table(folder / "a.csv"),
        "wide": lambda: wide_table(folder / "a.csv"),
        "counts": lambda: counts(folder / "a.txt"),
    }
    path = makers[request.param]()
    assert try_to_read(path) == ""
    return path.read_bytes(), folder / f"damaged{path.suffix}"


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(changes=CHANGES, keep=st.one_of(st.just(1.0), st.floats(0, 1)))
def test_a_damaged_file_gives_a_recording_or_one_sentence(healthy, changes, keep):
    content, path = healthy
    damaged = bytearray(content)
    for at, put in changes:
        damaged[at % len(damaged) : at % len(damaged) + len(put)] = put
    path.write_bytes(bytes(damaged[: int(len(damaged) * keep)]))

    answer = try_to_read(path)

    assert "\n" not in answer
    assert not answer or str(path) in answer
