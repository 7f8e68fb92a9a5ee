"""Proof of delivery: what the recording shows of its pulses, held against what the sheet says was given."""

from dataclasses import replace

import numpy as np
import pytest

from decussa.batch.measure import measure_recording
from decussa.batch.proof import proof_lines, prove_delivery
from decussa.batch.settings import MeasureSettings
from decussa.recording.read import read
from tests.recording.files import RATE_HZ, write_edf
from tests.recording.labs import MAPPING, make_lab

FAST = MeasureSettings(onset=None, intervals=False)


def measured(lab, sheet=None):
    recording = read(lab.recording, events=sheet or lab.sheet(), mapping=lab.mapping(MAPPING))
    return recording, measure_recording(recording, FAST)


def test_what_was_given_as_asked_is_proved_with_its_lags_and_intervals(tmp_path):
    proof = prove_delivery(*measured(make_lab(tmp_path)))

    assert (proof.stimuli, proof.with_artifact, proof.missing, proof.extra, proof.without_stimulus_s) == (
        8,
        8,
        (),
        (),
        (),
    )
    assert proof.lag.behind == "trigger"
    assert proof.lag.n == 8
    assert abs(proof.lag.median_ms) <= 0.5
    assert sum(count for _, count in proof.lag.bins) == 8
    kinds = {kind.condition: kind for kind in proof.kinds}
    assert {name: (kind.n, kind.as_asked) for name, kind in kinds.items()} == {
        "ICF": (2, 2),
        "SICI": (3, 3),
        "test": (3, 3),
    }
    assert kinds["ICF"].isi_median_ms == pytest.approx(15, abs=0.1)
    assert kinds["test"].isi_median_ms is None
    assert (
        proof_lines("a.bdf", proof.as_dict())[0]
        == "Pulses of a.bdf: 8 stimuli, 8 with an artifact; none missing, none too many"
    )


def test_a_pair_that_the_sheet_calls_single_is_a_contradiction_in_verdict_and_proof(tmp_path):
    lab = make_lab(tmp_path)
    wrong = lab.frame.copy()
    wrong.loc[1, ["CS", "ISI [ms]", "Art"]] = ["", "", "test"]

    recording, trials = measured(lab, lab.sheet("wrong.csv", wrong))

    second = trials[trials["sweep"] == 2]
    assert set(second["verdict"]) == {"reject"}
    assert set(second["rule"]) == {"contradiction"}
    assert second["reason"].str.contains("two artifacts 3.0 ms apart, a single pulse asked for").all()
    assert not trials[trials["sweep"] != 2]["reason"].str.contains("artifacts").any()
    proof = prove_delivery(recording, trials)
    assert proof.extra == (2,)
    assert "one too many in sweep 2" in proof_lines("a", proof.as_dict())[0]


def test_a_single_pulse_that_the_sheet_calls_a_pair_is_doubtful(tmp_path):
    lab = make_lab(tmp_path)
    wrong = lab.frame.copy()
    wrong.loc[0, ["CS", "ISI [ms]", "Art"]] = [40, 3, "c3"]

    recording, trials = measured(lab, lab.sheet("wrong.csv", wrong))

    first = trials[trials["sweep"] == 1]
    assert (first["verdict"] != "accept").all()
    assert first["reason"].str.contains("one artifact, a pair 3 ms apart asked for").all()
    kinds = {kind.condition: kind for kind in prove_delivery(recording, trials).kinds}
    assert (kinds["SICI"].n, kinds["SICI"].as_asked) == (4, 3)


def test_an_interval_given_wrongly_is_rejected(tmp_path):
    lab = make_lab(tmp_path)
    wrong = lab.frame.copy()
    wrong.loc[2, ["ISI [ms]", "Art"]] = [12, "c15"]

    _, trials = measured(lab, lab.sheet("wrong.csv", wrong))

    assert set(trials[trials["sweep"] == 3]["rule"]) == {"interval"}


def test_pulses_that_no_event_names_and_stimuli_without_a_pulse_are_told(tmp_path):
    lab = make_lab(tmp_path)
    recording, trials = measured(lab)
    named = replace(recording, events=tuple(event for event in recording.events if event.sweep != 5))
    hidden = trials.assign(artifact_start_ms=trials["artifact_start_ms"].mask(trials["sweep"] == 4))

    assert prove_delivery(recording, hidden).missing == (4,)
    spare = prove_delivery(named, trials[trials["sweep"] != 5])
    assert spare.without_stimulus_s == pytest.approx((lab.onsets_s[4],))


def test_a_heartbeat_in_the_window_makes_a_trial_doubtful_with_its_reason(tmp_path):
    rng = np.random.default_rng(3)
    time_s = np.arange(60 * RATE_HZ) / RATE_HZ
    beats_s = np.arange(0.4, 59.8, 0.81)
    trace = rng.normal(0, 4, time_s.size)
    for beat_s in beats_s:
        trace += 200 * np.exp(-0.5 * ((time_s - beat_s) / 0.012) ** 2)
    hit, missed = beats_s[12] - 0.030, beats_s[30] + 0.35
    notes = [(round(hit, 4), "TMS 50% single"), (round(missed, 4), "TMS 50% single")]
    path = write_edf(tmp_path / "trunk.edf", {"ES_L3_left": trace.clip(-990, 990)}, notes=notes)

    trials = measure_recording(read(path), FAST)

    assert list(trials["verdict"]) == ["doubtful", "accept"]
    assert trials["rule"][0] == "heartbeat"
    assert trials["reason"][0].startswith("heartbeat in the window, at 30 ms")
    assert trials["heartbeat_ms"][0] == pytest.approx(30, abs=10)
    assert np.isnan(trials["heartbeat_ms"][1])
