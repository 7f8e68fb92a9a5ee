"""Measure, summarise, report on the command line: what a user types, what comes out, and what bad input gets."""

import errno
import json
from pathlib import Path

import pandas as pd
import pytest

from decussa.model.table import SUMMARY_NAMES, TRIAL_NAMES
from tests.command.conftest import one_sentence
from tests.recording.files import noise, plain_edf, put, signal_field, write_edf


def test_a_recording_becomes_a_table_a_summary_and_a_report(tmp_path, run):
    plain_edf(tmp_path / "a.edf")

    assert run("measure", tmp_path / "a.edf", "--out", tmp_path / "t.csv")[0] == 0
    assert run("summarise", tmp_path / "t.csv", "--out", tmp_path / "s.csv")[0] == 0
    code, out, _ = run("report", tmp_path / "a.edf", "--out", tmp_path / "r.pdf")

    assert code == 0
    assert "r.pdf" in out
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF")
    assert list(pd.read_csv(tmp_path / "t.csv").columns) == list(TRIAL_NAMES)
    assert list(pd.read_csv(tmp_path / "s.csv").columns) == list(SUMMARY_NAMES)


@pytest.mark.parametrize("ending", ["csv", "tsv", "parquet"])
def test_the_table_is_the_same_in_every_format(tmp_path, run, ending):
    plain_edf(tmp_path / "a.edf")
    run("measure", tmp_path / "a.edf", "--out", tmp_path / f"t.{ending}")
    run("summarise", tmp_path / f"t.{ending}", "--out", tmp_path / "s.csv")
    run("measure", tmp_path / "a.edf", "--out", tmp_path / "u.csv")
    run("summarise", tmp_path / "u.csv", "--out", tmp_path / "v.csv")

    assert (tmp_path / "s.csv").read_text() == (tmp_path / "v.csv").read_text()


def test_json_tells_machines_what_happened(tmp_path, run):
    plain_edf(tmp_path / "a.edf")
    (tmp_path / "b.edf").write_bytes(b"")
    code, out, _ = run("measure", tmp_path, "--out", tmp_path / "t.csv", "--json")
    said = json.loads(out)

    assert code == 1
    assert said["rows"] == 2
    assert len(said["recordings"]) == 1
    assert [Path(refused["recording"]).name for refused in said["refused"]] == ["b.edf"]


def test_a_partly_bad_batch_measures_the_good_and_lists_the_bad(tmp_path, run):
    plain_edf(tmp_path / "a.edf")
    (tmp_path / "b.edf").write_bytes((tmp_path / "a.edf").read_bytes()[:900])
    code, out, err = run("measure", tmp_path / "a.edf", tmp_path / "b.edf", "--out", tmp_path / "t.csv")

    assert code == 1
    assert "1 recording, 2 rows" in out
    assert "b.edf" in one_sentence(err)
    assert len(pd.read_csv(tmp_path / "t.csv")) == 2


def empty(path):
    path.write_bytes(b"")


def truncated(path):
    path.write_bytes(plain_edf(path).read_bytes()[:3000])


def wrong_magic(path):
    put(plain_edf(path), 0, "NOTHING", 8)


def lying_header(path):
    put(plain_edf(path), 236, "99999", 8)


def no_emg(path):
    write_edf(path, {"EEG Cz": noise(20_000)}, notes=[(2.0, "TMS 52% single")])


def constant(path):
    write_edf(path, {"EMG FDI R": noise(20_000) * 0}, notes=[(2.0, "TMS 52% single")])


def outside(path):
    plain_edf(path, notes=[(2.0, "TMS 52% single"), (99.0, "TMS 52% single")])


def twice(path):
    plain_edf(path, notes=[(2.0, "TMS 52% single"), (2.0, "TMS 60% single")])


def negative_interval(path):
    plain_edf(path, notes=[(2.0, "paired 40/80 ISI -3 ms")])


def unknown_unit(path):
    write_edf(path, {"EMG FDI R": noise(20_000)}, notes=[(2.0, "TMS 52% single")], unit="furlong")


def no_rate(path):
    signal_field(plain_edf(path), 8, "0")


def no_stimuli(path):
    plain_edf(path, notes=[])


@pytest.mark.parametrize(
    "damage",
    [
        empty, truncated, wrong_magic, lying_header, no_emg, constant, outside, twice, negative_interval, unknown_unit,
        no_rate, no_stimuli,
    ],
)  # fmt: skip
def test_bad_input_gets_one_clear_sentence_and_writes_nothing(tmp_path, run, damage):
    damage(tmp_path / "a.edf")
    code, _, err = run("measure", tmp_path / "a.edf", "--out", tmp_path / "t.csv")

    assert code == 1
    assert "a.edf" in one_sentence(err)
    assert not (tmp_path / "t.csv").exists()


def test_a_missing_file_and_an_empty_folder_are_said(tmp_path, run):
    for path in (tmp_path / "nosuch.edf", tmp_path):
        code, _, err = run("measure", path, "--out", tmp_path / "t.csv")

        assert code == 1
        one_sentence(err)


def test_a_table_that_is_no_trial_table_is_refused(tmp_path, run):
    (tmp_path / "x.csv").write_text("a,b\n1,2\n")
    code, _, err = run("summarise", tmp_path / "x.csv", "--out", tmp_path / "s.csv")

    assert code == 1
    one_sentence(err)


def test_a_sweep_is_not_summed_up_twice(tmp_path, run):
    plain_edf(tmp_path / "a.edf")
    run("measure", tmp_path / "a.edf", "--out", tmp_path / "t.csv")
    code, _, err = run("summarise", tmp_path / "t.csv", tmp_path / "t.csv", "--out", tmp_path / "s.csv")

    assert code == 1
    assert "t.csv, row 1: a sweep stands twice" in one_sentence(err)
    assert not (tmp_path / "s.csv").exists()


def test_a_summary_is_not_summed_up_again(tmp_path, run):
    plain_edf(tmp_path / "a.edf")
    run("measure", tmp_path / "a.edf", "--out", tmp_path / "t.csv")
    run("summarise", tmp_path / "t.csv", "--out", tmp_path / "s.csv")
    code, _, err = run("summarise", tmp_path / "s.csv", "--out", tmp_path / "again.csv")

    assert code == 1
    assert "s.csv: this is a summary" in one_sentence(err)


def test_a_mapping_that_is_not_there_is_said_once_and_in_a_pipe_nothing_else_is(tmp_path, run):
    for name in ("a.edf", "b.edf"):
        plain_edf(tmp_path / name)
    code, _, err = run("measure", tmp_path / "*.edf", "--mapping", tmp_path / "no.toml", "--out", tmp_path / "t.csv")

    assert code == 1
    assert err.count("\n") == 1
    assert "no.toml: mapping cannot be read" in err


@pytest.mark.parametrize("command", [["report", "a.edf"], ["pool", "t.csv"], ["demo"]])
def test_a_file_where_a_folder_would_be_made_is_said_and_left(tmp_path, run, monkeypatch, command):
    plain_edf(tmp_path / "a.edf")
    monkeypatch.chdir(tmp_path)
    run("measure", "a.edf", "--out", "t.csv")
    (tmp_path / "there").write_text("old")
    code, _, err = run(*command, *([] if command == ["demo"] else ["--out"]), "there")

    assert code == 1
    assert "there: cannot make a folder here" in one_sentence(err)
    assert (tmp_path / "there").read_text() == "old"


@pytest.mark.parametrize(
    "arguments",
    [
        ["measure", "a.edf", "--out", "t.xyz"],
        ["measure", "a.edf", "--out", "t.csv", "--window", "FDI"],
        ["measure", "a.edf", "--out", "t.csv", "--window", "FDI=50-10"],
        ["measure", "a.edf", "--out", "t.csv", "--onset", "guess"],
        ["measure", "a.edf"],
        ["nosuch"],
        ["report", "a.edf", "--session", "P9"],
    ],
)
def test_wrong_usage_exits_with_2(tmp_path, run, monkeypatch, arguments):
    plain_edf(tmp_path / "a.edf")
    monkeypatch.chdir(tmp_path)

    assert run(*arguments)[0] == 2


def test_a_full_disk_leaves_no_half_table(tmp_path, run, monkeypatch):
    plain_edf(tmp_path / "a.edf")
    (tmp_path / "t.csv").write_text("old")

    def full(*_args, **_rest):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    code, _, err = run("measure", tmp_path / "a.edf", "--out", tmp_path / "t.csv")

    assert code == 1
    assert "t.csv" in one_sentence(err)
    assert (tmp_path / "t.csv").read_text() == "old"


def test_a_fault_of_the_program_is_said_in_a_line(tmp_path, run, monkeypatch):
    plain_edf(tmp_path / "a.edf")
    monkeypatch.setattr("decussa.batch.one.measure_recording", lambda *_: 1 / 0)
    code, _, err = run("measure", tmp_path / "a.edf", "--out", tmp_path / "t.csv")

    assert code == 1
    assert err.strip().startswith("Fault in the program: ")
    assert "a.edf: ZeroDivisionError" in err
    assert "Traceback" not in err


def test_another_labs_free_text_annotations_are_measured(shared_data, tmp_path, run):
    """A recording of 60 sweeps at 2 kHz in millivolt, made with a model of its own whose truth lies beside it."""
    folder = shared_data / "foreign" / "lab-a"
    assert run("measure", folder / "A07_rest.edf", "--out", tmp_path / "t.csv")[0] == 0
    found, truth = pd.read_csv(tmp_path / "t.csv"), pd.read_csv(folder / "truth.csv")
    large = truth["p2p_uv"] > 150

    assert (found["onset_s"] - truth["onset_s"]).abs().max() < 1e-3
    assert found["intensity_mso"].tolist() == truth["intensity_mso"].tolist()
    off = (found["size_uv"] - truth["p2p_uv"]).abs()
    assert (off <= (0.05 * truth["p2p_uv"]).clip(lower=10)).mean() >= 0.95
    assert ((found["latency_ms"] - truth["latency_ms"]).abs()[large] <= 1.5).mean() >= 0.95


@pytest.mark.parametrize(
    "name",
    [
        "emg_IndependentMod",
        "emg_MultiBodyParts",
        "emg_Multimodal",
        "emg_TwoWristbands",
        "voluntary-emg/emg.txt",
        "voluntary-emg/emg_1.txt",
    ],
)
def test_recordings_without_stimuli_are_read_and_answered_in_a_sentence(shared_data, tmp_path, run, name):
    code, _, err = run("measure", shared_data / name, "--out", tmp_path / "t.csv")

    assert code == 1
    assert "no stimul" in one_sentence(err)
