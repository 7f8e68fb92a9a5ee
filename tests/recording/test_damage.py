"""Whatever a file holds, reading it ends with a recording or with one sentence."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.recording.damage import KINDS, damage, make_healthy, read_damaged, try_to_read
from tests.recording.files import plain_edf
from tests.recording.test_text import counts, wide_table

BYTES = st.one_of(st.binary(min_size=1, max_size=8), st.from_regex(rb"[-+]?[0-9]{1,4}(e[0-9])? {0,4}", fullmatch=True))
#: Where the bytes go: mostly into the header, where they hurt; somewhere in the file else.
PLACES = st.one_of(st.integers(0, 767), st.integers(0, 100_000))
CHANGES = st.lists(st.tuples(PLACES, BYTES), min_size=1, max_size=4)


@pytest.fixture(scope="module", params=["edf", "bdf", "wide", "counts"])
def healthy(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("damage")
    makers = {
        "edf": lambda: plain_edf(folder / "a.edf", seconds=10),
        "bdf": lambda: plain_edf(folder / "a.bdf", seconds=10),
        "wide": lambda: wide_table(folder / "a.csv"),
        "counts": lambda: counts(folder / "a.txt"),
    }
    path = makers[request.param]()
    assert try_to_read(path) == ""
    return path.read_bytes(), folder / f"damaged{path.suffix}"


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
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


@pytest.mark.parametrize("kind", KINDS)
def test_a_fixed_sample_of_damage_ends_in_a_recording_or_one_sentence(kind, tmp_path):
    # The same damage in its thousands: bench/fuzz.py.
    healthy, table = make_healthy(kind, tmp_path)
    content = healthy.read_bytes()
    assert read_damaged(kind, healthy, table) == ""

    for seed in range(1_000_000, 1_000_040):
        healthy.write_bytes(damage(content, seed))
        answer = read_damaged(kind, healthy, table)
        assert "\n" not in answer, seed
        assert not answer or str(tmp_path) in answer, seed


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("content", [b"", b"\0", b"\0" * 4096, b"\xff" * 4096])
def test_files_without_any_content_are_refused(kind, content, tmp_path):
    healthy, table = make_healthy(kind, tmp_path)
    healthy.write_bytes(content if kind != "toml" or content else b"=")

    answer = read_damaged(kind, healthy, table)

    assert str(tmp_path) in answer
