"""Where the stimuli are: events, then a trigger channel, then annotations; and what of these cannot be meant."""

import math

import numpy as np
import pytest

from decussa.model.errors import RecordingError
from decussa.recording.read import read
from decussa.recording.trigger import group_edges, rising_edges
from tests.recording.files import RATE_HZ, noise, plain_edf, write_edf

SECONDS = 20
HEADER = "onset\tduration\ttrial_type\tstim_type\tintensity_mso\tcond_intensity_mso\tisi_ms\tmuscle\tcontraction_pct\n"


def sheet(folder, *rows, header=HEADER, name="events.tsv"):
    path = folder / name
    path.write_text(header + "".join(row.replace(" ", "\t") + "\n" for row in rows))
    return path


def trigger(onsets, *, rest=0.0, high=5.0):
    samples = np.full(SECONDS * RATE_HZ, rest)
    for onset in onsets:
        at = round(onset * RATE_HZ)
        samples[at : at + 4] = high
    return samples


def with_trigger(folder, samples, notes=()):
    return write_edf(folder / "a.bdf", {"FDI": noise(SECONDS * RATE_HZ), "TTL": samples}, notes=notes)


def test_events_go_before_the_trigger_and_the_trigger_before_annotations(tmp_path):
    path = with_trigger(tmp_path, trigger([4.0, 9.0]), notes=[(6.0, "TMS 52% single")])

    from_trigger = read(path)
    rows = ["4.0003 0 x single 50 n/a n/a n/a n/a", "9.0003 0 x single 50 n/a n/a n/a n/a"]
    from_events = read(path, events=sheet(tmp_path, *rows))
    from_text = read(plain_edf(tmp_path / "b.edf"))

    assert [(event.onset_s, event.pulse_from) for event in from_events.events] == [
        (4.0003, "events"),
        (9.0003, "events"),
    ]
    assert [(event.onset_s, event.pulse_from) for event in from_trigger.events] == [(4.0, "trigger"), (9.0, "trigger")]
    assert [(event.onset_s, event.pulse_from) for event in from_text.events] == [
        (2.0, "annotation"),
        (7.0, "annotation"),
    ]


def test_columns_of_the_sheet_become_the_stimulus(tmp_path):
    rows = [
        "1.5 0 pulse single 52 n/a n/a FDI 0",
        "2.5 0 pull n/a n/a n/a n/a n/a n/a",
        "6.5 0 pulse paired 80 40 2.5 n/a 20",
        "11.5 0 shock nerve n/a n/a n/a n/a n/a",
    ]

    events = read(plain_edf(tmp_path / "a.edf", seconds=20), events=sheet(tmp_path, *rows)).events

    assert [event.stimulus.stim_type for event in events] == ["single", "paired", "nerve"]
    assert [event.sweep for event in events] == [1, 2, 3]
    assert (events[1].stimulus.cond_intensity_mso, events[1].stimulus.isi_ms) == (40, 2.5)
    assert (events[0].muscle, events[1].muscle) == ("FDI", "")
    assert [event.contraction_pct for event in events[:2]] == [0, 20]
    assert math.isnan(events[2].contraction_pct)


def test_a_sheet_with_semicolons_and_decimal_commas_says_the_same(tmp_path):
    path = tmp_path / "sheet.csv"
    path.write_text(
        "onset;stim_type;intensity_mso;cond_intensity_mso;isi_ms\n4,378;paired;80;40;2,5\n12,237;single;80;;\n"
    )

    events = read(plain_edf(tmp_path / "a.edf", seconds=20), events=path).events

    assert [event.onset_s for event in events] == [4.378, 12.237]
    assert events[0].stimulus.isi_ms == 2.5


@pytest.mark.parametrize(
    ("rows", "words", "line"),
    [
        (["2 0 x single 50 n/a n/a n/a n/a", "2 0 x single 50 n/a n/a n/a n/a"], "given twice", 3),
        (["5 0 x single 50 n/a n/a n/a n/a", "2 0 x single 50 n/a n/a n/a n/a"], "not in order of time", 3),
        (["-1 0 x single 50 n/a n/a n/a n/a"], "outside the recording", 2),
        (["99 0 x single 50 n/a n/a n/a n/a"], "outside the recording", 2),
        (["n/a 0 x single 50 n/a n/a n/a n/a"], "has no onset", 2),
        (["2 0 x paired 80 40 -3 n/a n/a"], "needs an interval; expected isi_ms above 0; found -3", 2),
        (["2 0 x paired 80 40 0 n/a n/a"], "needs an interval", 2),
        (["2 0 x paired 80 40 n/a n/a n/a"], "needs an interval", 2),
        (["2 0 x single 80 n/a 3 n/a n/a"], "a single stimulus has no interval", 2),
        (["2 0 x single 180 n/a n/a n/a n/a"], "intensity_mso is out of range", 2),
        (["2 0 x single lots n/a n/a n/a n/a"], "intensity_mso is not a number", 2),
        (["2 0 x single inf n/a n/a n/a n/a"], "intensity_mso is not a number", 2),
        (["2 0 x triple 50 n/a n/a n/a n/a"], "stim_type is not known", 2),
        (["2 0 x single 50 n/a n/a n/a -5"], "contraction_pct is out of range", 2),
        (["2 0 x single 50 n/a n/a"], "row does not fit the columns", 2),
    ],
)
def test_a_row_that_cannot_be_meant_is_refused_by_its_line(tmp_path, rows, words, line):
    path = sheet(tmp_path, *rows)

    with pytest.raises(RecordingError, match=words) as refused:
        read(plain_edf(tmp_path / "a.edf"), events=path)

    assert str(refused.value).startswith(f"{path}, line {line}: ")


def test_a_sheet_without_a_stimulus_is_refused(tmp_path):
    with pytest.raises(RecordingError, match="names no stimulus"):
        read(
            write_edf(tmp_path / "a.edf", {"FDI": noise(20_000)}),
            events=sheet(tmp_path, "2 0 pull n/a n/a n/a n/a n/a n/a"),
        )


def test_a_sheet_in_other_words_is_refused_with_the_columns_it_needs(tmp_path):
    path = sheet(tmp_path, "2 80", header="Zeit\tTS\n")

    with pytest.raises(RecordingError, match="expected the columns onset and stim_type; found Zeit, TS"):
        read(plain_edf(tmp_path / "a.edf"), events=path)


def test_annotations_outside_the_recording_or_twice_are_refused(tmp_path):
    with pytest.raises(RecordingError, match="outside the recording"):
        read(plain_edf(tmp_path / "a.edf", notes=[(99.0, "TMS 50%")]))
    with pytest.raises(RecordingError, match="given twice"):
        read(plain_edf(tmp_path / "a.edf", notes=[(5.0, "TMS 50%"), (5.0, "TMS 50%")]))


def test_two_trigger_pulses_close_together_are_a_pair(tmp_path):
    (event,) = read(with_trigger(tmp_path, trigger([4.0, 4.003]))).events

    assert event.onset_s == 4.003
    assert (event.stimulus.stim_type, event.stimulus.isi_ms) == ("paired", 3.0)


def test_text_near_a_trigger_tells_what_was_given_and_the_trigger_tells_when(tmp_path):
    path = with_trigger(tmp_path, trigger([4.0, 9.0]), notes=[(4.12, "TMS 52% single"), (9.1, "cough")])

    first, second = read(path).events

    assert (first.onset_s, first.stimulus.intensity_mso, first.pulse_from) == (4.0, 52, "trigger")
    assert math.isnan(second.stimulus.intensity_mso)


def test_a_train_on_the_trigger_is_refused(tmp_path):
    with pytest.raises(RecordingError, match=r"rises 3 times within 0.5 s from 4.000 s"):
        read(with_trigger(tmp_path, trigger([4.0, 4.1, 4.2])))


def test_a_trigger_channel_that_holds_noise_alone_is_no_trigger(tmp_path):
    path = with_trigger(tmp_path, noise(SECONDS * RATE_HZ, seed=3), notes=[(6.0, "TMS 52% single")])

    assert [event.pulse_from for event in read(path).events] == ["annotation"]


@pytest.mark.parametrize(
    "samples",
    [
        trigger([2.0, 8.0]),
        trigger([2.0, 8.0], rest=5.0, high=0.0),
        trigger([2.0, 8.0]) + noise(SECONDS * RATE_HZ) / 400,
        trigger([2.0, 8.0]) + np.random.default_rng(0).integers(-2, 3, SECONDS * RATE_HZ) * 20 / 2**16,
        trigger([2.0], high=1.0) + trigger([8.0], high=128.0),
    ],
    ids=["up", "down from a high rest", "noisy", "noise of the last bits", "codes"],
)
def test_edges_are_found_whatever_the_trigger_looks_like(samples):
    np.testing.assert_array_equal(rising_edges(samples.astype(np.float32)), [2.0 * RATE_HZ, 8.0 * RATE_HZ])


def test_bouncing_edges_count_once():
    assert group_edges([1.0, 1.0003, 5.0], where="a") == [(1.0,), (5.0,)]
