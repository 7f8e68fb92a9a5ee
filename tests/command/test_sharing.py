"""Export and import on the command line."""

import json

from tests.command.conftest import one_sentence
from tests.compose.invented_session import make_session


def test_a_study_is_shared_read_back_and_its_method_told(tmp_path, run):
    make_session(tmp_path / "study", 12)

    code, out, err = run("export", tmp_path / "study", "--bids", tmp_path / "bids", "--shift-dates", "--json")
    assert code == 0
    assert json.loads(out)["written"] == [str(tmp_path / "bids")]
    assert "Traceback" not in err

    code, out, _ = run("import", tmp_path / "bids", "--study", tmp_path / "again")
    assert code == 0
    assert "P07-1" in out
    assert run("check", tmp_path / "again")[0] == 0

    code, _, _ = run("report", tmp_path / "again", "--out", tmp_path / "r", "--methods", tmp_path / "methods.md")
    assert code == 0
    assert "Reporting checklist" in (tmp_path / "methods.md").read_text()


def test_the_draft_prints_its_version(tmp_path, run):
    make_session(tmp_path / "study", 3)

    code, _, err = run("export", tmp_path / "study", "--bids", tmp_path / "bids", "--draft-stimulation-metadata")

    assert code == 0
    assert "proposal 37, draft 6.2" in err


def test_wrong_use_is_said_in_a_sentence(tmp_path, run):
    make_session(tmp_path / "study", 3)
    for arguments in (
        ("export", tmp_path / "study"),
        ("export", tmp_path / "study", "--bids", tmp_path / "b", "--label", "P07"),
        ("export", tmp_path / "study", "--bids", tmp_path / "b", "--label", "P99=P01"),
        ("export", tmp_path, "--bids", tmp_path / "b"),
        ("export", tmp_path / "study", "--bids", tmp_path / "study"),
    ):
        code, _, err = run(*arguments)
        assert code == 2, arguments
        one_sentence("\n".join(line for line in err.splitlines() if not line.startswith(("Reading", "Writing"))))


def test_what_is_no_recording_is_refused_and_nothing_is_made(tmp_path, run):
    (tmp_path / "a.edf").write_bytes(b"nothing of the kind" * 40)

    code, out, err = run("import", tmp_path / "a.edf", "--study", tmp_path / "study")

    assert code in (1, 2)
    assert "Traceback" not in out + err
