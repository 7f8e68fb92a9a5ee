"""A session over live streams as Run runs it, with the real library over loopback: looked at, asked, seen, stopped."""

import time

import numpy as np
import pytest

from decussa.compose.feeds import STREAMS_FILE, open_streams
from decussa.compose.keeping import enrol
from decussa.compose.sessions import new_study
from decussa.compose.signal_bench import SignalBench, level_uv
from decussa.model.dialogue import Ask, Deliver, Lost, Trial
from decussa.protocol.schema import read_protocol
from decussa.screen.desk import Desk
from decussa.session.operator import Stop
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.records import TorqueRange
from decussa.store.study import open_study
from tests.screen.desk import prepare_all
from tests.source.stream.bench import MUSCLE, amplifier

pytest.importorskip("pylsl")

SESSION = "P-014-1"
FOREARM = """
[study]
name = "held"

[[muscles]]
muscle = "FCR"
side = "left"
stim_side = "right"
electrodes = "belly and tendon"

[coil]
type = "figure of eight"

[[steps]]
kind = "mvc"
efforts = 1
rest_s = 30

[[steps]]
kind = "familiarisation"
start_mso = 30
end_mso = 30
pulses = 1

[[steps]]
kind = "silent period"
intensity = "30 % MSO"
contraction_pct = 20
trials = 4
"""


@pytest.fixture
def wired(tmp_path):
    """A prepared session whose study listens to a running invented amplifier; its folder."""
    (tmp_path / "forearm.toml").write_text(FOREARM, encoding="utf-8")
    folder = new_study(tmp_path / "wired", str(tmp_path / "forearm.toml"))
    enrol(folder, "P-014")
    prepare_all(folder, SESSION)
    with amplifier() as sender:
        text = f'this_machine_only = true\npatience_s = 20\n[[emg]]\nname = "{sender.name}"\n'
        text += f'source_id = "{sender.source_id}"\n[torque]\nchannel = "Torque"\n'
        (folder / STREAMS_FILE).write_text(text, encoding="utf-8")
        yield folder


def protocol_of(folder):
    with open_study(folder, write=False) as study:
        return read_protocol(study.protocol_text, where="protocol")


def test_streams_of_the_real_library_can_be_looked_at(wired):
    with open_streams(wired, protocol_of(wired)) as feed:
        bench = SignalBench(feed, protocol_of(wired))
        for _ in range(14):
            bench.glance()
            time.sleep(0.5)
        found = {finding.check: finding for finding in bench.look_at_rest()}
        recent = feed.recent_uv(1.0)

        assert bench.muscles == (MUSCLE,)
        assert bench.has_trigger
        assert [channel.kind for channel in feed.channels] == ["emg", "trigger", "other"]
        assert recent.shape == (3, 5000)
        assert np.isfinite(recent).mean() > 0.99
        assert found["noise at rest"].state == "good"
        assert found["contact"].state == "good"
        assert found["sampling rate"].value == pytest.approx(5000, rel=0.01)
        assert 0 < level_uv(feed, MUSCLE) < 10


def test_run_asks_by_itself_and_takes_the_pulse_that_it_sees_at_rest_and_in_a_contraction(wired):
    live = Desk(wired.parent).session(wired.name, SESSION)
    live.choose("stream", "")
    live.go_on()
    seen, over, until = set(), False, time.monotonic() + 120
    while live.running and time.monotonic() < until:
        turn = live.turn
        seen.add(turn.kind)
        if turn.kind == "request" and isinstance(turn.request, Ask) and turn.request.key == "mvc":
            if live.bench.effort.has_torque and live.bench.effort.high > 99:
                live.operator.say(turn.number, live.bench.effort.most_uv)
        elif turn.kind == "request" and isinstance(turn.request, Ask):
            live.operator.say(turn.number, 2.0 if turn.request.kind in ("rating", "number") else "yes")
        elif turn.kind == "outcome":
            assert over, f"a stimulus got lost: {live.bench.words()}"
            live.operator.say(turn.number, Lost(given="not given", reason="ended before"))
        if live.view.stimuli >= 2 and not over:
            over = True
            live.operator.want(Stop("enough"))
        time.sleep(0.05)
    assert live.error is None
    assert not live.running, f"{live.turn}, {live.bench.words()}, {live.bench.effort}"
    with open_study(wired, write=False) as study, open_journal(study, SESSION) as journal:
        entries = journal.entries()
    asked = [entry.body for entry in entries if entry.kind == "asked" and isinstance(entry.body, Deliver)]
    trials = [entry.body for entry in entries if isinstance(entry.body, Trial)]
    (torque,) = [entry.body for entry in entries if isinstance(entry.body, TorqueRange)]

    assert "pulse" in seen
    assert len(trials) >= 2
    assert len(asked) - len(trials) <= 1
    assert all(trial.verdict.kind != "reject" for trial in trials)
    assert [request.contraction_pct for request in asked[:2]] == [0, 20]
    assert (torque.muscle, torque.most) == (MUSCLE, pytest.approx(100, abs=1))
    assert trials[1].value(MUSCLE, "background_rms_uv") > 5 * trials[0].value(MUSCLE, "background_rms_uv")
    assert entries[-1].kind == "stopped"
    assert not [finding for finding in check_study(wired) if finding.broken]
