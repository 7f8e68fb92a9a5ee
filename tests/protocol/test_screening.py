"""What the answers to a screening come to: every topic alone, the worst of all, and what a site may change."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.model.errors import ProtocolError, UsageError
from decussa.protocol.schema import protocol_text, read_protocol
from decussa.protocol.screening import ANSWERS, KEYS, TOPICS, screen

BY_KEY = {topic.key: topic for topic in TOPICS}
GROUPS = ("volunteers", "patients")
SEVERITY = {"go": 0, "review": 1, "stop": 2}
#: Classes of the published multi-site stroke checklist based on Rossi 2021 (doi 10.1016/j.clinph.2020.10.003), for patients,
#: and common exclusions of studies on volunteers; both as noted when the form was written, from memory in part.
PUBLISHED = (
    ("cochlear implant", "stop", "stop"),
    ("brain stimulator", "stop", "stop"),
    ("other implant", "stop", "stop"),
    ("metal in the head", "stop", "review"),
    ("shunt or skull defect", "stop", "stop"),
    ("seizure ever", "stop", "review"),
    ("seizure lately", "stop", "stop"),
    ("seizures in the family", "stop", "review"),
    ("serious event before", "stop", "stop"),
    ("fainting", "review", "review"),
    ("head injury", "review", "review"),
    ("brain disease", "stop", "review"),
    ("raised pressure", "stop", "stop"),
    ("pregnancy", "stop", "review"),
    ("medicines", "review", "review"),
    ("sleep and alcohol", "review", "review"),
    ("hearing", "review", "review"),
    ("heart disease", "stop", "review"),
    ("age and consent", "stop", "stop"),
)


def unflagged():
    return {topic.key: "no" if topic.flag == "yes" else "yes" for topic in TOPICS}


@pytest.mark.parametrize("group", GROUPS)
def test_answers_that_flag_nothing_go(group):
    result = screen(unflagged(), group)

    assert (result.outcome, result.flags, result.unflagged) == ("go", (), len(TOPICS))


@pytest.mark.parametrize(("key", "volunteers", "patients"), PUBLISHED)
def test_each_topic_alone_has_the_class_of_the_checklists(key, volunteers, patients):
    answers = unflagged() | {key: BY_KEY[key].flag}

    for group, expected in zip(GROUPS, (volunteers, patients), strict=True):
        result = screen(answers, group)
        assert (result.outcome, [flag.topic.key for flag in result.flags]) == (expected, [key])


@pytest.mark.parametrize("key", KEYS)
def test_not_knowing_is_judged_by_somebody(key):
    assert screen(unflagged() | {key: "not known"}, "volunteers").outcome == "review"


@given(st.fixed_dictionaries({key: st.sampled_from(ANSWERS) for key in KEYS}), st.sampled_from(GROUPS))
def test_the_outcome_is_the_worst_of_all_and_never_better_for_one_flag_more(answers, group):
    result = screen(answers, group)

    assert result.outcome == max(("go", *(flag.outcome for flag in result.flags)), key=SEVERITY.__getitem__)
    for topic in TOPICS:
        worse = screen(answers | {topic.key: topic.flag}, group)
        assert SEVERITY[worse.outcome] >= SEVERITY[screen(answers | {topic.key: unflagged()[topic.key]}, group).outcome]


def test_a_site_may_be_stricter_or_where_its_approval_says_so_looser():
    fainting = unflagged() | {"fainting": "yes"}
    family = unflagged() | {"seizures in the family": "yes"}

    assert screen(fainting, "volunteers", excluded=["fainting"]).outcome == "stop"
    assert screen(family, "volunteers", reviewed=["seizures in the family"]).outcome == "review"


@pytest.mark.parametrize("wrong", [{}, {"fainting": "perhaps"}, {"fainting": ""}])
def test_what_is_not_answered_is_named(wrong):
    answers = {key: answer for key, answer in unflagged().items() if wrong or key != "fainting"} | wrong

    with pytest.raises(UsageError, match="no answer to: Fainting"):
        screen(answers, "volunteers")


def with_section(section, approval=""):
    text = protocol_text("forearm").replace('approval = ""', f'approval = "{approval}"')
    return read_protocol(text.replace("[people]", f"{section}\n[people]"), where="p.toml")


def test_loosening_an_exclusion_needs_the_number_of_the_approval():
    section = '[screening]\nreview = ["seizures in the family"]'
    with pytest.raises(ProtocolError, match="approval"):
        with_section(section)

    assert with_section(section, "2026/17").screening.review == ("seizures in the family",)


def test_a_topic_that_is_none_is_refused_at_its_line():
    with pytest.raises(ProtocolError, match=r"line \d+, screening.*'faint' is not a topic"):
        with_section('[screening]\nstop = ["faint"]')
