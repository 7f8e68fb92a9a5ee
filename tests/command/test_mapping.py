"""Mappings on the command line: drafted once, measured with, refused in one sentence; the proof of delivery is printed."""

import json

import pandas as pd
import pytest

from tests.command.conftest import one_sentence
from tests.recording.labs import MAPPING, make_lab

FAST = ("--onset", "none", "--no-intervals")


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    return make_lab(tmp_path_factory.mktemp("lab"), labels=("test", "c3", "c15", "test"))


def test_a_draft_is_written_once_and_measures_nothing(run, lab, tmp_path):
    draft = tmp_path / "draft.toml"
    arguments = (
        "measure",
        lab.recording,
        "--events",
        lab.sheet(),
        "--draft-mapping",
        draft,
        "--out",
        tmp_path / "t.csv",
    )

    code, out, _ = run(*arguments, "--json")
    text = draft.read_text()
    again, _, err = run(*arguments)

    assert code == 0
    assert json.loads(out) == {"mapping": str(draft), "questions": 0, "doubts": 0}
    assert not (tmp_path / "t.csv").exists()
    assert again == 2
    assert "would replace a file" in one_sentence(err)
    assert draft.read_text() == text


def test_without_a_place_to_write_to_nothing_is_measured(run, lab):
    code, _, err = run("measure", lab.recording)

    assert code == 2
    assert "no table to write" in one_sentence(err)


def test_measuring_with_doubts_names_them_and_prints_the_proof(run, lab, tmp_path):
    mapping = lab.mapping(MAPPING.replace('label = "Art"', 'label = "Art"  # doubt: its name says nothing'))
    arguments = (
        "measure",
        lab.recording,
        "--events",
        lab.sheet(),
        "--mapping",
        mapping,
        "--out",
        tmp_path / "t.csv",
        *FAST,
    )

    code, out, err = run(*arguments)
    _, machine, _ = run(*arguments, "--json")

    assert code == 0
    assert "columns.label is still in doubt: its name says nothing" in err
    assert "4 stimuli, 4 with an artifact; none missing, none too many" in out
    assert "SICI (paired): 1 of 1 as asked, interval 3 ms given as 3.0" in out
    (proof,) = json.loads(machine)["delivery"].values()
    assert proof["lag"]["behind"] == "trigger"
    assert sum(count for _, count in proof["lag"]["bins"]) == 4
    assert len(pd.read_csv(tmp_path / "t.csv")) == 8


def test_a_question_or_a_misfit_is_refused_in_one_sentence(run, lab, tmp_path):
    open_question = lab.mapping(MAPPING.replace('onset = "Zeit"', 'onset = "?"'), "question.toml")
    fewer = lab.sheet("fewer.csv", lab.frame.iloc[1:])
    out = ("--out", tmp_path / "t.csv")

    asked, _, question = run("measure", lab.recording, "--events", lab.sheet(), "--mapping", open_question, *out)
    refused, _, misfit = run("measure", lab.recording, "--events", fewer, "--mapping", lab.mapping(), *out)

    assert (asked, refused) == (1, 1)
    assert "question.toml, line 3: columns.onset is not answered" in one_sentence(question)
    assert f"expected a row for the trigger pulse at {lab.onsets_s[0]:.3f} s" in one_sentence(misfit)
