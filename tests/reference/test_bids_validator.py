"""The official BIDS validator on a data set we wrote. Source: bids-validator-deno, schema of BIDS 1.11."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.recording.test_bids_write import run, write

#: Recommended fields that would say something untrue: there are no HED tags, and no data set this one was made from.
NOT_OURS = {"HEDVersion", "SourceDatasets"}


def validate(root):
    command = Path(sys.executable).with_name("bids-validator-deno")
    if not command.exists():
        pytest.skip("bids-validator-deno is not installed")
    answer = subprocess.run([command, root, "--format", "json"], capture_output=True, text=True, check=False)
    return json.loads(answer.stdout)["issues"]["issues"]


def test_a_data_set_we_write_has_no_error_and_no_warning_that_applies(tmp_path):
    write(tmp_path / "study", (run(session) for session in ("before", "after")))

    issues = [issue for issue in validate(tmp_path / "study") if issue.get("subCode") not in NOT_OURS]

    assert issues == []


def test_the_validator_would_see_a_fault(tmp_path):
    write(tmp_path / "study", [run()])
    (sidecar,) = (tmp_path / "study").rglob("*_emg.json")
    said = json.loads(sidecar.read_text())
    del said["EMGReference"]
    sidecar.write_text(json.dumps(said))

    errors = [issue for issue in validate(tmp_path / "study") if issue["severity"] == "error"]

    assert [issue["subCode"] for issue in errors] == ["EMGReference"]
