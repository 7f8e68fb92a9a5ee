"""Methods and checklist: filled from the record, gaps named; and printed numbers that lead back to their sweeps.

Topics of the checklist after Chipchase 2012, doi 10.1016/j.clinph.2012.05.003: 30 for paired-pulse, 27 for single-pulse studies.
"""

import dataclasses
import json
import re

import pytest

from decussa.model.stimulus import Stimulus
from decussa.report.checklist import checklist, score
from decussa.report.content import gather
from decussa.report.method_record import MethodRecord, Said, record_of
from decussa.report.methods import checklist_facts, methods_paragraph, methods_text, study_checklist
from decussa.report.results import lines_of
from decussa.report.session_report import Reported, _lay_out
from decussa.report.tables import method_lines, ranges, sweep_rows
from tests.report.invented import Given, hand_session, make_recording, measured


@pytest.fixture(scope="module")
def session():
    """A recording with a bit of everything, and what the report is about."""
    recording = make_recording(hand_session())
    recording = dataclasses.replace(recording, facts={"Age": "31", "Electrode placement": "belly and tendon"})
    trials, summary = measured(recording)
    return recording, gather([recording], trials, summary)


def by_number(topics):
    return {topic.number: topic for topic in topics}


def test_there_are_thirty_topics_and_without_pairs_twenty_seven_apply(session):
    recording, content = session
    topics = checklist(content, record_of([recording]))
    singles = make_recording([Given("single", Stimulus.single(60), 900)])
    without = checklist(gather([singles], *measured(singles)), MethodRecord())

    assert [topic.number for topic in topics] == list(range(1, 31))
    assert all(topic.applies for topic in topics)
    assert sum(topic.applies for topic in without) == 27


def test_what_the_record_says_is_evidence_and_what_it_does_not_is_a_gap(session):
    recording, content = session
    topics = by_number(checklist(content, record_of([recording])))

    assert topics[1].reported == "31"
    assert topics[9].reported == "belly and tendon"
    assert topics[17].reported == topics[17].controlled == ""
    assert topics[28].reported.replace("\u202f", " ") == "3 and 100 ms"
    assert "background" in topics[10].reported
    (missing,) = [
        fact.text for fact in checklist_facts(list(topics.values())) if fact.name.startswith("Not in the record")
    ]
    assert "17 Stimulator" in missing
    assert "1 Age" not in missing


def test_more_said_is_more_reported(session):
    _, content = session
    said = {"stimulator": Said(reported="monophasic, one channel"), "sex": Said(controlled="women only")}

    bare = int(score(checklist(content, MethodRecord())).split()[0])
    full = score(checklist(content, MethodRecord(said=said)))

    assert int(full.split()[0]) == bare + 1


def test_the_paragraph_names_each_gap_in_brackets_until_it_is_filled(session):
    recording, content = session
    bare = methods_paragraph(content, [recording], MethodRecord())
    said = {"coil": Said(reported="figure of eight")}
    filled = methods_paragraph(content, [recording], MethodRecord(said=said, approval="2026-17"))

    assert "[coil: not in the record]" in bare
    assert "[number: not in the record]" in bare
    assert "[coil: not in the record]" not in filled
    assert "figure of eight" in filled
    assert "2026-17" in filled


def test_the_text_has_a_line_for_each_topic(session):
    recording, content = session
    text = methods_text(content, [recording], record_of([recording]), "Q07")

    assert [int(number) for number in re.findall(r"^\| (\d+) \|", text, flags=re.MULTILINE)] == list(range(1, 31))
    assert "\u202f" not in text


def test_the_checklist_of_a_study_says_in_how_many_sessions_a_topic_is_told(session):
    _, content = session
    said = MethodRecord(said={"stimulator": Said(reported="monophasic | one channel"), "coil": Said(reported="ring")})
    others = MethodRecord(said={"coil": Said(reported="figure of eight")})
    singles = make_recording([Given("single", Stimulus.single(60), 900)])
    single = checklist(gather([singles], *measured(singles)), MethodRecord())
    text = study_checklist({"A-1": checklist(content, said), "A-2": checklist(content, others), "B-1": single})
    rows = {row.split(" | ")[0].strip("| "): row.split(" | ")[2:] for row in text.splitlines() if row.startswith("| ")}

    assert "A-1, A-2, B-1" in text
    assert rows["17"][:2] == ["monophasic / one channel", "1 of 3"]
    assert rows["13"][:2] == ["ring (and 1 more, which differs)", "2 of 3"]
    assert rows["2"][:2] == ["not in the record", "0 of 3"]
    assert rows["28"][1] == "2 of 2"


def test_trials_have_one_line_of_methods(session):
    _, content = session
    lines = [fact for fact in method_lines(content.places) if fact.name == "Trials"]

    assert len(lines) == 1
    # What differs is told by kind of trial.
    assert "contracted: silence" in lines[0].text


def test_sweeps_are_told_in_ranges():
    assert ranges([7, 3, 4, 5, 9, 10]) == "3\u20135, 7, 9\u201310"
    assert ranges([]) == ""


def sweeps_in(text):
    kept = re.sub(r"\([^)]*\)", "", text)
    pairs = [(int(a), int(b or a)) for a, b in re.findall(r"(\d+)(?:\u2013(\d+))?", kept)]
    return [number for first, last in pairs for number in range(first, last + 1)]


def test_printed_values_are_found_again_from_the_sweeps_that_are_printed(session, tmp_path):
    recording, content = session
    trials, summary = measured(recording)
    _lay_out(tmp_path, Reported(recordings=[recording], trials=trials, summary=summary, record=MethodRecord()))
    printed = json.loads((tmp_path / "report.json").read_text())
    rows = {row["name"]: row["text"] for row in printed["sweeps"][0]["rows"]}
    trials = content.trials.set_index("sweep")

    # Mean background and arithmetic mean size of a condition, from the numbers of its sweeps alone.
    for condition in ("single", "test", "SICI"):
        row = next(row for row in printed["conditions"][0]["rows"] if row["name"] == condition)
        (text,) = [text for name, text in rows.items() if name.startswith(f"{condition},")]
        own = trials.loc[sweeps_in(text)]
        assert row["kept"].split()[0] == str(len(own))
        size, background = row["cells"][1], row["cells"][4]
        factor = {"mV": 1e-3, "\u00b5V": 1.0}[size["unit"]]
        assert float(size["text"]) == pytest.approx(own["size_uv"].mean() * factor, abs=0.6 * _last_digit(size["text"]))
        assert float(background["text"]) == pytest.approx(
            own["background_rms_uv"].mean(), abs=0.6 * _last_digit(background["text"])
        )

    # A ratio of the results: both conditions' sweeps give it again.
    ratio = next(line for line in printed["results"][0]["rows"] if line["name"].startswith("SICI"))
    test, pair = (
        trials.loc[sweeps_in(next(text for name, text in rows.items() if name.startswith(f"{condition},")))]["size_uv"]
        for condition in ("test", "SICI")
    )
    assert float(ratio["value"]) == pytest.approx(pair.mean() / test.mean(), abs=0.006)


def _last_digit(text):
    return 10.0 ** -len(text.partition(".")[2])


def test_lines_of_one_condition_at_rest_and_contracted_have_names_of_their_own():
    given = [
        Given("120 % RMT", Stimulus.single(60), 900),
        Given("120 % RMT", Stimulus.single(60), 4000, contraction_pct=15),
    ]
    recording = make_recording(given)
    (place,) = gather([recording], *measured(recording)).places
    sizes = {line.name: line.found.estimate.value for line in lines_of(place) if line.found.quantity == "mep_amplitude"}

    rest, held = (next(name for name in sizes if ("MVC" in name) == contracted) for contracted in (False, True))
    assert len(sizes) == 2
    assert sizes[held] > 2 * sizes[rest]


def test_every_trial_stands_behind_a_condition_once(session):
    _, content = session
    for place in content.places:
        told = [
            number for fact in sweep_rows(place) for number in sweeps_in(fact.text.replace("(", " ").replace(")", " "))
        ]
        assert sorted(told) == sorted(int(number) for number in place.trials["sweep"])


def test_a_score_counts_what_is_there():
    recording = make_recording([Given("single", Stimulus.single(60), 900)])
    topics = checklist(gather([recording], *measured(recording)), MethodRecord())
    reported = sum(bool(topic.reported) for topic in topics if topic.applies)

    assert score(topics).startswith(f"{reported} of 27 reported")
