"""What pages say: numbers with their doubt, errors without the paths of a machine, nothing unescaped."""

import math
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.model.errors import DecussaError, MachineError
from decussa.model.estimate import Estimate
from decussa.screen import words
from decussa.screen.marks import button, plate, say, text

ATTACKS = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='alert(1)",
    "</p><style>*{display:none}</style>",
    "&lt;b&gt;",
)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (54.4, "54\u202fµV"),
        (9.44, "9.4\u202fµV"),
        (1000, "1.00\u202fmV"),
        (16_169, "16.2\u202fmV"),
        (math.nan, "—"),
        (0, "0.0\u202fµV"),
    ],
)
def test_sizes_are_microvolt_below_a_millivolt_and_missing_is_a_dash(value, said):
    assert words.uv(value) == said


def test_the_last_digit_is_worth_at_least_a_hundredth_of_the_interval():
    for low, high in ((40.0, 60.0), (53.1, 54.9), (0.41, 0.63), (100, 900)):
        digits = words.digits_of(Estimate(value=(low + high) / 2, low=low, high=high))
        assert digits == 2 or 10**-digits <= (high - low) / 10
        assert 10**-digits >= (high - low) / 1000


def test_an_open_interval_says_so():
    assert words.interval(Estimate(value=0.4, low=0.12, high=math.inf), 2) == "[0.12, no upper limit]"
    assert words.interval(Estimate(value=0.4)) == ""


def test_minus_is_a_true_minus_and_thousands_are_marked():
    assert words.number(-1234.5, 1) == "\u22121,234.5"


PATHS = (
    "/".join(("", "home", "someone", "studies", "grip", "study.db")),
    "/".join(("", "tmp", "x", "z")),
    "C:\\Users\\someone\\grip\\study.db",
    "/var/lib/a.toml:12",
)


@pytest.mark.parametrize("path", PATHS)
def test_an_error_on_a_page_names_no_path_of_the_machine(path):
    head, more = words.error_words(MachineError("cannot write " + path, found=path, do=f"free space on {path}"))
    for said in (head, more):
        assert "someone" not in said
        assert "tmp" not in said
        assert "/var/lib" not in said


def test_a_fault_of_the_program_shows_nothing_of_itself():
    head, more = words.error_words(None)
    assert "fault" in head
    assert "Traceback" not in more


def test_an_error_keeps_what_is_no_path():
    head, more = words.error_words(DecussaError("ratio 1/2 is odd", expected="5/10 and/or more", do="look"))
    assert head == "Ratio 1/2 is odd."
    assert "5/10 and/or more" in more


class Tags(HTMLParser):
    """The tags and attributes of a piece of a page, and its words."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.words = [], ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, tuple(name for name, _ in attributes)))

    def handle_data(self, data):
        self.words += data


@given(st.text(st.characters(exclude_categories=("Cs", "Cc"))) | st.sampled_from(ATTACKS))
def test_whatever_is_said_makes_no_tag_and_no_attribute_of_its_own(said):
    for make in (
        text,
        lambda words_: button(words_, "go"),
        lambda words_: say("accept", words_ or "x"),
        lambda w: plate(w, "", ""),
    ):
        assert Tags(make(said)).tags == Tags(make("x")).tags
        assert said in Tags(make(said)).words or not said
