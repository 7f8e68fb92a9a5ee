"""Numbers in cells: what can be one number only is read, all else is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.recording.cell_number import CellError, read_number


@pytest.mark.parametrize(
    ("text", "comma", "number"),
    [
        ("2.3", False, 2.3),
        ("2,3", True, 2.3),
        ("-0,5", True, -0.5),
        ("\u22120.5", False, -0.5),
        ("1.234,5", True, 1234.5),
        ("1,234,567", False, 1234567),
        ("12\u00a0500,25", True, 12500.25),
        ("1'234.5", False, 1234.5),
        ("1e-3", False, 0.001),
        (".5", False, 0.5),
    ],
)
def test_what_can_be_one_number_only_is_that_number(text, comma, number):
    assert read_number(text, decimal_comma=comma)[0] == number


@pytest.mark.parametrize("text", ["1.234", "12.345"])
def test_a_point_that_may_part_thousands_is_refused_until_somebody_says_so(text):
    with pytest.raises(CellError, match="may be"):
        read_number(text, decimal_comma=True)

    assert read_number(text, decimal_comma=True, thousands=".")[0] == float(text.replace(".", ""))


@pytest.mark.parametrize(
    "text",
    [
        "03. Feb",
        "3. Mrz",
        "2-Mar",
        "Mar-02",
        "2026-02-03",
        "2026-02-03 00:00:00",
        "03.02.2026",
        "3/2",
        "3-2",
        "12.3.",
        "Feb 03",
        "1 Jan 2026",
    ],
)
def test_dates_are_never_numbers(text):
    for comma in (False, True):
        with pytest.raises(CellError, match="date"):
            read_number(text, decimal_comma=comma)


@pytest.mark.parametrize(
    "text", ["inf", "nan", "1_000", "0x10", "1e999", "\u0663", "--3", "1,2,3", "12,34.5", "1.2.3", "three", "3 apples"]
)
def test_what_is_no_number_is_refused(text):
    with pytest.raises(CellError):
        read_number(text, decimal_comma=False)


def test_a_unit_counts_only_in_the_column_it_belongs_to():
    assert read_number("80 %", decimal_comma=False, column="intensity_mso") == (80.0, "unit behind the number")
    assert read_number("3ms", decimal_comma=False, column="isi_ms")[0] == 3.0
    with pytest.raises(CellError):
        read_number("80 %", decimal_comma=False, column="isi_ms")
    with pytest.raises(CellError):
        read_number("3 ms", decimal_comma=False, column="onset")


@given(st.floats(-1e6, 1e6, allow_nan=False))
def test_every_number_that_python_writes_comes_back(number):
    plain = repr(number)

    assert read_number(plain, decimal_comma=False)[0] == number
    if plain.partition(".")[2] not in ("", "0") and len(plain.partition(".")[2]) != 3:
        assert read_number(plain.replace(".", ","), decimal_comma=True)[0] == number


@given(st.text(max_size=12))
def test_any_text_is_a_finite_number_or_refused(text):
    for comma in (False, True):
        try:
            number, _ = read_number(text, decimal_comma=comma)
        except CellError:
            continue
        assert abs(number) < float("inf")
