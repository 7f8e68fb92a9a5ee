"""The demo, whole: an invented study on disk that the official validator passes, measured, summed up and reported."""

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from decussa.command.cli import main


def test_the_demo_makes_a_valid_data_set_tables_and_a_report_for_each_session(tmp_path, capsys):
    with pytest.raises(SystemExit) as ended:
        main(["demo", str(tmp_path / "demo"), "--seed", "1"])
    out = capsys.readouterr().out

    assert not ended.value.code
    reports = sorted((tmp_path / "demo" / "reports").glob("*.pdf"))
    assert [path.name for path in reports] == [f"R0{n}-{when}.pdf" for n in (1, 2, 3) for when in ("after", "before")]
    assert "R01-before.pdf" in out
    summary = pd.read_csv(tmp_path / "demo" / "summary.tsv", sep="\t")
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
    trials = pd.read_csv(tmp_path / "demo" / "trials.tsv", sep="\t")
    assert {"clipped", "pulse missing", "background", "interval"} <= set(trials["rule"].dropna())
    validator = Path(sys.executable).with_name("bids-validator-deno")
    checked = subprocess.run([validator, tmp_path / "demo" / "rowers"], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout
