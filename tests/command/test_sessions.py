"""Commands on sessions: what a user types, what the study holds afterwards, what a wrong call gets."""

import json

import pytest
import typer.testing

from decussa.command.app import app
from decussa.store.people import participants
from decussa.store.study import open_study
from tests.command.conftest import one_sentence
from tests.session.stage import SHORT


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    """A short protocol in a file."""
    path = tmp_path_factory.mktemp("protocol") / "short.toml"
    path.write_text(SHORT, encoding="utf-8")
    return path


@pytest.fixture
def study(run, short, tmp_path):
    """A new study."""
    assert run("new", tmp_path / "study", "--protocol", short)[0] == 0
    return tmp_path / "study"


def people_of(study):
    """Return who is in a study, with their sessions."""
    with open_study(study, write=False) as opened:
        return {person.pseudonym: person.sessions for person in participants(opened)}


def test_a_rehearsal_by_itself_ends_with_a_debrief_and_goes_nowhere_when_repeated(run, short, tmp_path):
    code, out, _ = run("rehearse", short, tmp_path / "r", "--seed", 5, "--auto")
    assert code == 0
    assert "Session V-0005-1: finished" in out
    assert "Debrief: what was found against what is true" in out
    assert "resting threshold: found" in out

    code, again, _ = run("rehearse", short, tmp_path / "r", "--seed", 5, "--auto")
    assert code == 0
    assert "the session is finished" in again
    assert run("check", tmp_path / "r")[0] == 0


def test_a_rehearsal_for_machines_is_one_json_text(run, short, tmp_path):
    code, out, _ = run("rehearse", short, tmp_path / "r", "--seed", 5, "--auto", "--json")
    told = json.loads(out)
    assert code == 0
    assert told["stopped"] == ""
    assert told["found"]["FDI right/rmt"]["low"] < told["found"]["FDI right/rmt"]["high"]
    assert any("resting threshold" in sentence for sentence in told["debrief"])


def test_a_rehearsal_is_not_mixed_with_that_of_another_person(run, short, tmp_path):
    run("rehearse", short, tmp_path / "r", "--seed", 5, "--auto")
    code, _, err = run("rehearse", short, tmp_path / "r", "--seed", 6, "--auto")
    assert code == 2
    one_sentence(err)


def test_a_kind_of_person_or_a_pace_that_is_not_known_is_refused_with_what_there_is(run, short, tmp_path):
    code, _, err = run("rehearse", short, tmp_path / "a", "--auto", "--person", "sleepwalker")
    assert (code, "tense" in one_sentence(err)) == (2, True)
    assert not (tmp_path / "a").exists()
    code, _, err = run("rehearse", short, tmp_path / "b", "--auto", "--pace", "brisk")
    assert (code, "quick or real" in one_sentence(err)) == (2, True)


@pytest.mark.parametrize("source", ["hand", "stream", "folder"])
def test_a_source_that_can_reach_a_person_never_runs_by_itself(run, study, source):
    code, _, err = run("run", study, "--participant", "P07", "--source", source, "--auto")
    assert code == 2
    assert "never run by itself" in one_sentence(err)
    assert people_of(study) == {}


def test_a_participant_is_added_with_the_first_session_and_gets_the_next_when_it_is_finished(run, study):
    assert run("run", study, "--participant", "P07", "--source", "virtual", "--auto", "--seed", 5)[0] == 0
    assert people_of(study) == {"P07": ("P07-1",)}

    assert run("run", study, "--participant", "P07", "--source", "virtual", "--auto")[0] == 0
    assert people_of(study) == {"P07": ("P07-1", "P07-2")}


def test_a_session_that_goes_on_keeps_its_seed(run, study):
    run("run", study, "--participant", "P07", "--source", "virtual", "--auto", "--seed", 5)
    code, out, _ = run("run", study, "--session", "P07-1", "--source", "virtual", "--auto")
    assert code == 0
    assert "the session is finished" in out


@pytest.mark.parametrize(
    ("pseudonym", "says"),
    [("someone@example.org", "e-mail"), ("1990-04-01", "birth date"), ("P/07", "file names")],
)
def test_what_cannot_be_a_pseudonym_is_refused_and_nobody_is_added(run, study, pseudonym, says):
    code, _, err = run("run", study, "--participant", pseudonym, "--source", "virtual", "--auto")
    assert code == 2
    assert says in one_sentence(err)
    assert people_of(study) == {}


def test_what_looks_like_a_name_is_asked_about_and_no_is_the_end_of_it(study):
    arguments = ["run", str(study), "--participant", "Marlene", "--source", "virtual", "--auto"]
    asked = typer.testing.CliRunner().invoke(app, arguments, input="n\n")
    assert asked.exit_code == 1
    assert "looks like a name" in asked.output
    assert people_of(study) == {}


@pytest.mark.parametrize("which", [(), ("--participant", "P07", "--session", "P07-1")])
def test_a_run_wants_a_session_or_a_participant(run, study, which):
    code, _, err = run("run", study, *which, "--source", "virtual", "--auto")
    assert code == 2
    one_sentence(err)


def test_a_session_that_is_not_there_is_refused_with_those_that_are(run, study):
    run("run", study, "--participant", "P07", "--source", "virtual", "--auto")
    code, _, err = run("run", study, "--session", "P08-1", "--source", "virtual", "--auto")
    assert code == 2
    assert "P07-1" in one_sentence(err)


def test_who_withdraws_is_wiped_after_the_pseudonym_was_typed_and_the_rest_stays_whole(run, study):
    run("run", study, "--participant", "P07", "--source", "virtual", "--auto")
    run("run", study, "--participant", "P08", "--source", "virtual", "--auto")
    refused = typer.testing.CliRunner().invoke(app, ["withdraw", str(study), "P07"], input="P08\n")
    assert refused.exit_code != 0
    assert run("check", study)[1].count("withdrawn") == 0

    code, out, _ = run("withdraw", study, "P07", "--sure")
    assert code == 0
    assert "P07 has withdrawn" in out
    code, _, err = run("run", study, "--participant", "P07", "--source", "virtual", "--auto")
    assert (code, "withdrawn" in one_sentence(err)) == (2, True)
    assert run("report", study, "--session", "P08-1")[0] == 0


def test_a_plan_shows_pulses_minutes_order_and_what_a_threshold_makes_impossible(run):
    code, out, _ = run("plan", "forearm", "--threshold", 85)
    assert code == 0
    for word in ("pulses", "minutes", "above the ceiling", "lower multiple"):
        assert word in out


@pytest.mark.parametrize("option", ["--threshold", "--active-threshold"])
@pytest.mark.parametrize("value", ["0", "-1", "101", "nan"])
def test_a_threshold_that_no_stimulator_has_is_refused(run, option, value):
    code, _, err = run("plan", "hand", option, value)
    assert code == 2
    assert "this is no threshold" in one_sentence(err)


def test_a_rehearsal_is_kept_out_of_a_study(run, study, short):
    code, _, err = run("rehearse", short, study, "--auto")
    assert code == 2
    assert "folder holds another study" in one_sentence(err)
    assert people_of(study) == {}


def test_a_participant_gets_a_report_for_each_session(run, study, tmp_path):
    for who in ("P07", "P08"):
        run("run", study, "--participant", who, "--source", "virtual", "--auto")
    assert run("report", study, "--session", "P07", "--out", tmp_path / "r")[0] == 0
    assert [path.name for path in (tmp_path / "r").iterdir()] == ["P07-1.pdf"]


def test_a_new_study_is_not_made_over_another(run, study, short):
    code, _, err = run("new", study, "--protocol", short)
    assert code == 2
    one_sentence(err)


def test_a_protocol_that_is_not_there_is_refused_with_those_that_are(run, tmp_path):
    code, _, err = run("new", tmp_path / "n", "--protocol", "knee")
    assert code == 2
    assert "forearm" in one_sentence(err)


def test_a_watched_folder_is_named_is_there_and_never_runs_by_itself(run, study, tmp_path):
    base = ("run", study, "--participant", "P07", "--source", "folder")
    for more, words in (
        ((), "no folder is named to watch"),
        (("--folder", tmp_path / "nowhere"), "folder to watch is not there"),
        (("--folder", tmp_path, "--auto"), "never run by itself"),
    ):
        code, _, err = run(*base, *more)
        assert code == 2
        assert words in err
