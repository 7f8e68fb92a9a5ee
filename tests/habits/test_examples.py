"""The worked examples of the manual run as they stand, and print what the page says."""

import importlib.util
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def runner():
    spec = importlib.util.spec_from_file_location("examples", ROOT / "docs" / "examples.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


EXAMPLES = runner()


def words_and_numbers(text):
    number = r"-?\d+(?:\.\d+)?"
    return re.sub(r"\s+", " ", re.sub(number, "#", text)).strip(), [float(found) for found in re.findall(number, text)]


@pytest.mark.parametrize("page", EXAMPLES.PAGES, ids=lambda page: page.stem)
def test_an_example_prints_what_its_page_says(page):
    shown = [words_and_numbers(said) for _, said in EXAMPLES.cells(page)]
    found = [words_and_numbers(said) for said in EXAMPLES.printed(page)]

    assert [words for words, _ in found] == [words for words, _ in shown], "run python docs/examples.py"
    for (_, now), (_, then) in zip(found, shown, strict=True):
        assert now == pytest.approx(then, rel=0.1, abs=0.02), "run python docs/examples.py, and look at what changed"
    assert any(numbers for _, numbers in found)
