"""CSV that spreadsheets leave alone. What they guess is common practice, no source."""

import csv

import numpy as np
import pandas as pd
import pytest

from decussa.model.table import Column
from decussa.recording.spreadsheet import number_cell, text_cell, write_dictionary, write_spreadsheet

COLUMNS = (Column("session", "text", "", "Label"), Column("value", "number", "uV", "A number"))


@pytest.mark.parametrize(
    "text", ["1", "007", "3-4", "1/2", "MAR1", "Sep 3", "dez 24", "1E5", "=A1+1", "+3", "-2", "@x", "true", "NaN"]
)
def test_text_that_could_be_taken_for_something_else_bears_its_column(text):
    assert text_cell("session", text) == f"session {text}"


@pytest.mark.parametrize("text", ["P07", "SICI", "before", "FDI", "test alone, 120 % RMT", "sub-01/emg.bdf", ""])
def test_other_text_stays_as_it_is(text):
    assert text_cell("session", text) == text


@pytest.mark.parametrize(
    ("value", "cell"),
    [(3.12, "3.12000"), (15.0, "15"), (1e-7, "0.0000001"), (1 / 3, "0.3333333333333333"), (np.nan, ""), (-2.5, "-2.50000"),
     (np.int64(4), "4"), (np.inf, "no upper limit")],
)  # fmt: skip
def test_numbers_look_like_no_date_and_have_no_exponent(value, cell):
    assert number_cell(value) == cell


def test_a_number_is_the_number_it_was():
    values = np.random.default_rng(0).lognormal(0, 6, 500)
    assert [float(number_cell(value)) for value in values] == list(values)
    assert float(number_cell(0.1 + 0.2, decimal_comma=True).replace(",", ".")) == 0.1 + 0.2


@pytest.mark.parametrize("comma", [False, True])
def test_a_file_begins_with_the_mark_and_parts_its_cells_by_what_is_free(tmp_path, comma):
    frame = pd.DataFrame({"session": ["1", "late, or so"], "value": [2.25, np.nan]})

    write_spreadsheet(frame, tmp_path / "t.csv", COLUMNS, decimal_comma=comma)

    assert (tmp_path / "t.csv").read_bytes().startswith(b"\xef\xbb\xbf")
    with (tmp_path / "t.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.reader(file, delimiter=";" if comma else ","))
    assert rows == [["session", "value"], ["session 1", "2,25000" if comma else "2.25000"], ["late, or so", ""]]


def test_what_columns_mean_stands_beside(tmp_path):
    write_dictionary(tmp_path / "c.csv", COLUMNS)
    assert "value,uV,A number" in (tmp_path / "c.csv").read_text(encoding="utf-8-sig")
