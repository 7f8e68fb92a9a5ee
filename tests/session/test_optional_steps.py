"""Steps that no shipped protocol asks for, in whole sessions on a virtual participant: run, killed, resumed, summed up."""

from __future__ import annotations

import math

import pytest

from decussa.batch.summary import summarise
from decussa.compose.reviewing import ReviewRoom
from decussa.compose.study_reports import report_study, session_tables
from decussa.estimate.mmax import maximal_m_wave
from decussa.estimate.ratio import ratio
from decussa.estimate.ratio_stopping import WIDENED
from decussa.store.check import check_study
from tests.session.interrupted import (
    Crash,
    Rehearsal,
    begin,
    differs_from_undisturbed,
    entries_of,
    faults_after_a_stop,
    go,
    stopping,
)
from tests.session.stage import SHORT

STEPS = """
[[steps]]
kind = "mmax"

[[steps]]
kind = "familiarisation"
pulses = 1

[[steps]]
kind = "hotspot"
pulses = 14

[[steps]]
kind = "threshold"
pulses = 10

[[steps]]
kind = "paired"
test = "120 % RMT"
trials = 12
within = 3.0
fewest = 5
  [[steps.conditions]]
  name = "SICI"
  isi_ms = 3
  conditioning = "70 % RMT"
  test = "120 % RMT"

[[steps]]
kind = "tracking"
trials = 5
  [[steps.conditions]]
  name = "SICI 3 ms"
  isi_ms = 3
  conditioning = "70 % RMT"
"""


@pytest.fixture(scope="module")
def protocol_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("protocol") / "optional.toml"
    head = SHORT[: SHORT.index("[[steps]]")].replace("pulse_total = 120", "pulse_total = 250")
    path.write_text(head + STEPS, encoding="utf-8")
    return str(path)


@pytest.fixture(scope="module")
def finished(protocol_file, tmp_path_factory):
    rehearsal = Rehearsal(protocol_file, 11, "", tmp_path_factory.mktemp("finished") / "study")
    begin(rehearsal)
    go(rehearsal)
    return rehearsal


def test_the_session_ends_and_its_study_is_whole(finished):
    entries = entries_of(finished)

    assert entries[-1].kind == "finished"
    assert check_study(finished.folder) == []
    assert {"FDI right/mmax", "FDI right/hotspot_x", "FDI right/tracked_test"} <= set(entries[-1].body.results)


def test_the_summary_has_one_mmax_and_it_follows_the_review(finished):
    room = ReviewRoom(finished.folder, finished.session)
    trials, summary = session_tables(room, None)
    mmax = summary[summary["quantity"] == "mmax"]
    largest = maximal_m_wave(
        *(trials.loc[trials["stim_type"] == "nerve", name] for name in ("current_ma", "amplitude_uv"))
    )

    assert set(mmax["condition"]) == {"M-wave", "Mmax"}
    assert mmax["value"].to_numpy() == pytest.approx(largest.value, rel=1e-12)
    assert not (mmax["review"] == "as found in the session").any()
    size = summary[(summary["quantity"] == "mep_amplitude")].iloc[0]["value"]
    share = summary[(summary["quantity"] == "mep_mmax_pct")].iloc[0]["value"]
    assert share == pytest.approx(100 * size / largest.value, rel=1e-12)


def test_the_summary_holds_the_tracks_and_the_wider_interval_of_the_block_that_could_end(finished):
    trials, summary = session_tables(ReviewRoom(finished.folder, finished.session), None)
    paired = trials[(trials["stim_type"] == "paired") & (trials["block"] == "paired")]
    row = summary[summary["quantity"] == "sici_ratio"].iloc[0]
    tracked = summary[summary["quantity"] == "tracked_inhibition"].iloc[0]

    assert set(paired["stop_within"]) == {3.0}
    assert trials.loc[trials["block"] == "threshold", "stop_within"].isna().all()
    assert "could end within a factor of 3" in row["method"]
    assert "widened" in row["method"]
    assert (tracked["condition"], tracked["unit"]) == ("SICI 3 ms", "%")
    fixed = summarise(trials.assign(stop_within=math.nan))
    plain = fixed[(fixed["quantity"] == "sici_ratio") & (fixed["value"] == row["value"])].iloc[0]
    assert math.log(row["high"] / row["value"]) == pytest.approx(WIDENED * math.log(plain["high"] / plain["value"]))


def test_the_live_rule_and_the_summary_see_the_same_sizes(finished):
    trials, summary = session_tables(ReviewRoom(finished.folder, finished.session), None)
    block = trials[(trials["block"] == "paired") & (trials["verdict"] != "reject")]
    sizes = [block.loc[block["stim_type"] == kind, "size_uv"] for kind in ("paired", "single")]

    assert summary[summary["quantity"] == "sici_ratio"].iloc[0]["value"] == pytest.approx(ratio(*sizes).value)


def test_the_report_is_written(finished):
    (path,) = report_study(finished.folder)

    assert path.stat().st_size > 10_000


@pytest.mark.parametrize(("at", "before"), [(30, True), (190, False)])
def test_stopped_around_a_write_the_session_ends_as_if_undisturbed(protocol_file, tmp_path, at, before):
    rehearsal = Rehearsal(protocol_file, 12, "", tmp_path / "study")
    begin(rehearsal)
    with pytest.raises(Crash), stopping(at, before=before):
        go(rehearsal)
    go(rehearsal)

    assert faults_after_a_stop(rehearsal) == []
    assert differs_from_undisturbed(rehearsal) == []
