"""Streams from the command line: two programs, one that sends and one that listens; what a wrong call gets."""

import os
import signal
import subprocess
import sys
import time

import pytest

from tests.command.conftest import one_sentence
from tests.session.stage import SHORT

pytest.importorskip("pylsl")


def test_a_session_over_streams_is_never_run_by_itself(run, tmp_path):
    code, _, err = run("run", tmp_path, "--source", "stream", "--session", "P1-1", "--auto")

    assert code == 2
    assert "never run by itself" in one_sentence(err)


def test_a_fault_needs_a_stream_and_an_unknown_one_is_answered_with_the_list(run, tmp_path):
    code, _, err = run("rehearse", "forearm", tmp_path / "a", "--fault", "stall@3")
    assert code == 2
    assert "--stream" in one_sentence(err)

    code, _, err = run("rehearse", "forearm", tmp_path / "a", "--stream", "--fault", "nonsense")
    assert code == 2
    assert "lost samples" in one_sentence(err)
    assert not (tmp_path / "a").exists()


def test_one_program_sends_and_another_runs_the_session(tmp_path):
    folder, protocol, seed = tmp_path / "study", tmp_path / "short.toml", str(os.getpid() % 9_000)
    protocol.write_text(SHORT, encoding="utf-8")
    decussa = [sys.executable, "-c", "from decussa.command.cli import main; main()"]
    sender = subprocess.Popen(
        [*decussa, "rehearse", protocol, folder, "--stream", "--seed", seed], stdout=subprocess.DEVNULL
    )
    try:
        until = time.monotonic() + 60
        while not (folder / "streams.toml").exists() and time.monotonic() < until:
            time.sleep(0.1)
        # Five gates; 3 is a rating, or "go on", whatever is asked; the end of what is typed ends the run.
        listens = subprocess.run(
            [*decussa, "run", folder, "--participant", f"V-{int(seed):04d}", "--source", "stream"],
            input="y\n" * 5 + "3\n" * 3,
            capture_output=True,
            text=True,
            timeout=150,
            check=False,
        )
    finally:
        os.kill(sender.pid, signal.SIGINT)
        assert sender.wait(60) == 0

    assert "Set 30 %. Single pulse. FDI right" in listens.stdout, listens.stdout + listens.stderr
    assert " µV  accept" in listens.stdout or " µV  doubtful" in listens.stdout, listens.stdout + listens.stderr
    assert list((folder / "recordings").rglob("*-Invented-amplifier-*.bdf"))
