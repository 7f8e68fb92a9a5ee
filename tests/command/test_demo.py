"""The demo, whole: sessions run by the engine, recorded as a data set that the official validator passes, measured, reported."""

import json
import subprocess
import sys
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from decussa.command.cli import main
from decussa.compose.rowers import rowers
from decussa.session.recovery import stored_findings
from decussa.source.virtual.person import VirtualParticipant
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.study import open_study

LABELS = ("R01", "R02", "R03")
SESSIONS = ("before", "after")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo's folder."""
    folder = tmp_path_factory.mktemp("demo") / "demo"
    with pytest.raises(SystemExit) as ended:
        main(["demo", str(folder), "--seed", "1"])
    assert not ended.value.code
    return folder


@pytest.fixture(scope="module")
def runs(demo):
    """The events of each run, by participant, session and task."""
    found = {}
    for path in sorted((demo / "rowers").rglob("*_events.tsv")):
        labels = dict(part.split("-", maxsplit=1) for part in path.name.split("_")[:4])
        found[labels["sub"], labels["ses"], labels["task"]] = (path, pd.read_csv(path, sep="\t"))
    return found


def test_there_is_a_report_for_each_session_and_every_quantity_in_the_summary(demo):
    reports = sorted((demo / "reports").glob("*.pdf"))
    assert [path.name for path in reports] == [f"{label}-{when}.pdf" for label in LABELS for when in sorted(SESSIONS)]
    summary = pd.read_csv(demo / "summary.tsv", sep="\t")
    assert {
        "mep_amplitude",
        "mep_latency",
        "silent_period",
        "sici_ratio",
        "icf_ratio",
        "lici_ratio",
        "s50",
        "mmax",
    } <= set(summary["quantity"])


def test_the_trouble_of_the_third_rower_is_noticed(demo):
    trials = pd.read_csv(demo / "trials.tsv", sep="\t")
    own = trials[trials["participant"] == "R03"]
    assert {"clipped", "pulse missing", "background", "interval"} <= set(own["rule"].dropna())
    clipped = own[(own["rule"] == "clipped") & (own["stim_type"] == "nerve")]
    assert set(clipped["session"]) == {"before"}


def test_the_official_validator_passes_the_data_set(demo):
    validator = Path(sys.executable).with_name("bids-validator-deno")
    checked = subprocess.run([validator, demo / "rowers"], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout


def test_the_sessions_were_run_by_the_engine_and_their_journals_are_whole(demo):
    for protocol in ("hand", "back"):
        assert not check_study(demo / "sessions" / protocol)
        with open_study(demo / "sessions" / protocol, write=False) as study:
            for label in LABELS:
                for number in (1, 2):
                    with open_journal(study, f"{label}-{number}") as journal:
                        assert journal.entries()[-1].kind == "finished"


def test_the_threshold_that_the_sessions_found_is_near_the_truth(demo):
    # Half of the 95 % intervals' usual width at the plan's stop rule; a wrong seed or muscle is off by tens of %.
    with open_study(demo / "sessions" / "hand", write=False) as study:
        for rower in rowers(1):
            truth = VirtualParticipant(rower.seed, "hand", state=rower.before).truth.muscles["FDI right"]
            with open_journal(study, f"{rower.label}-1") as journal:
                found = stored_findings(journal.entries())["FDI right/rmt"]
            assert found.value == pytest.approx(truth.rest_threshold_mso, abs=6)


def test_three_rowers_have_three_runs_in_each_of_two_sessions(runs):
    assert set(runs) == {
        (label, when, task) for label in LABELS for when in SESSIONS for task in ("hand", "pinch", "lumbar")
    }


def test_every_condition_has_at_least_its_planned_trials_and_is_described(runs):
    for (*_, task), (path, events) in runs.items():
        counted = events["condition"].value_counts()
        described = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))["condition"]["Levels"]
        assert set(counted.index) == set(described)
        if task == "hand":
            assert all(counted[name] >= 10 for name in ("test alone", "SICI", "ICF", "LICI"))
            assert set(events[events["condition"] == "LICI"]["isi_ms"]) == {100.0}
        if task == "lumbar":
            assert all(counted[name] >= 10 for name in ("test alone", "SICI", "ICF"))
            assert counted["single"] >= 8


def test_stimuli_are_five_seconds_or_more_apart_and_a_paired_block_opens_with_the_test_alone(runs):
    for _, events in runs.values():
        # Times in a journal are whole milliseconds.
        assert np.diff(events["onset"]).min() >= 5.0 - 1e-3
        paired = events[events["block"] == "paired"]
        assert paired.empty or paired["condition"].iloc[0] == "test alone"


def test_runs_of_a_rower_follow_each_other_in_time(demo):
    scans = pd.concat(pd.read_csv(path, sep="\t") for path in (demo / "rowers").rglob("*_scans.tsv"))
    for label in LABELS:
        own = scans[scans["filename"].str.contains(f"sub-{label}")].sort_values("acq_time")
        spans = []
        for name, start in zip(own["filename"], own["acq_time"], strict=True):
            [sidecar] = (demo / "rowers").rglob(Path(name).with_suffix(".json").name)
            seconds = json.loads(sidecar.read_text(encoding="utf-8"))["RecordingDuration"]
            spans.append((datetime.fromisoformat(start), timedelta(seconds=seconds)))
        assert len(spans) == 6
        assert all(start + lasted < following for (start, lasted), (following, _) in pairwise(spans))
