"""A sheet given beside a recording is placed by count and spacing, or refused with the first difference."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy.io import savemat

from decussa.model.errors import RecordingError
from decussa.recording.read import read
from tests.recording.labs import KINDS, MAPPING, SAMPLE_S, make_lab

ORDER = MAPPING.replace('onset = "Zeit"\n', "")


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    return make_lab(tmp_path_factory.mktemp("lab"))


def read_lab(lab, sheet=None, mapping=MAPPING, **how):
    return read(lab.recording, events=sheet or lab.sheet(**how), mapping=lab.mapping(mapping))


def onsets(recording):
    return [event.onset_s for event in recording.events]


def test_the_sheet_tells_what_was_given_and_the_trigger_when(lab):
    recording = read_lab(lab)

    np.testing.assert_allclose(onsets(recording), lab.onsets_s, atol=1e-9)
    assert [event.condition for event in recording.events] == [
        {"test": "test", "c3": "SICI", "c15": "ICF"}[label] for label in lab.labels
    ]
    assert [event.stimulus.isi_ms for event in recording.events if event.condition == "ICF"] == [15.0, 15.0]
    assert {event.stimulus.cond_intensity_mso for event in recording.events if event.condition == "SICI"} == {40.0}
    assert any("whole milliseconds" in note for note in recording.notes)


def test_a_sheet_that_starts_its_clock_elsewhere_is_moved_onto_the_pulses_and_that_is_said(lab):
    late = lab.frame.assign(Zeit=lab.frame["Zeit"] - 0.31)

    recording = read_lab(lab, lab.sheet("late.csv", late))

    np.testing.assert_allclose(onsets(recording), lab.onsets_s, atol=1e-9)
    assert {event.pulse_from for event in recording.events} == {"trigger"}
    assert any("310.0 ms before them" in note for note in recording.notes)


def test_a_sheet_without_times_is_placed_by_its_order_and_that_is_said(lab):
    recording = read_lab(lab, mapping=ORDER)

    np.testing.assert_allclose(onsets(recording), lab.onsets_s, atol=1e-9)
    assert any("by their order alone" in note for note in recording.notes)


def test_times_of_day_and_intervals_place_the_rows(lab):
    start = pd.Timestamp("2026-03-01 23:59:50")
    clock = lab.frame.assign(
        Uhr=[(start + pd.Timedelta(seconds=float(onset))).strftime("%H:%M:%S") for onset in lab.onsets_s],
        Pause=np.round(np.diff(lab.onsets_s, prepend=lab.onsets_s[0]), 1),
    ).drop(columns="Zeit")

    by_clock = read_lab(
        lab, lab.sheet("clock.csv", clock), ORDER.replace("[columns]", '[columns]\ntime_of_day = "Uhr"')
    )
    by_pause = read_lab(
        lab, lab.sheet("clock.csv", clock), ORDER.replace("[columns]", '[columns]\ninterval_s = "Pause"')
    )

    np.testing.assert_allclose(onsets(by_clock), lab.onsets_s, atol=1e-9)
    np.testing.assert_allclose(onsets(by_pause), lab.onsets_s, atol=1e-9)


def test_milliseconds_are_understood_where_the_mapping_says_so(lab):
    frame = lab.frame.assign(Zeit=lab.frame["Zeit"] * 1e3)

    recording = read_lab(lab, lab.sheet("ms.csv", frame), MAPPING.replace('onset = "Zeit"', 'onset_ms = "Zeit"'))

    np.testing.assert_allclose(onsets(recording), lab.onsets_s, atol=1e-9)


@pytest.mark.parametrize("mapping", [MAPPING, ORDER], ids=["onsets", "order"])
def test_a_missing_or_doubled_row_is_refused_with_the_first_difference(lab, mapping):
    fewer = lab.sheet("fewer.csv", lab.frame.drop(index=3))
    twice = lab.sheet("twice.csv", lab.frame.iloc[[0, 1, 2, 3, 3, 4, 5, 6, 7]])

    with pytest.raises(RecordingError, match=r"does not fit the pulses|given twice") as few:
        read_lab(lab, fewer, mapping)
    with pytest.raises(RecordingError, match=r"does not fit the pulses|given twice") as many:
        read_lab(lab, twice, mapping)

    if mapping == MAPPING:
        assert f"{lab.onsets_s[3]:.3f} s" in str(few.value)
        assert "line 6" in str(many.value)
    else:
        assert "expected a row for each of 8 trigger pulses; found 7 rows" in str(few.value)
        assert "found 9 rows" in str(many.value)


def test_a_sheet_of_another_session_is_refused(lab, tmp_path):
    other = make_lab(tmp_path, seed=7)
    clock = other.frame.assign(Uhr=[f"10:{int(s) // 60:02d}:{s % 60:06.3f}" for s in other.onsets_s]).drop(
        columns="Zeit"
    )

    with pytest.raises(
        RecordingError,
        match=r"line \d: sheet does not fit .* expected a trigger pulse within 0.1 s",
    ):
        read_lab(lab, other.sheet())
    with pytest.raises(RecordingError, match=r"line 3: .*s after the stimulus before, as the trigger pulse 2 has it"):
        read_lab(lab, other.sheet("clock.csv", clock), ORDER.replace("[columns]", '[columns]\ntime_of_day = "Uhr"'))


@pytest.mark.parametrize(
    ("one", "other", "words"),
    [
        ("TS", "CS", "conditioning pulse only"),
        ("TS", "ISI [ms]", "needs an interval|has no interval"),
        ("Zeit", "Nr", "sheet does not fit the pulses|outside the recording|in order of time"),
        ("Zeit", "TS", "given twice|outside the recording|in order of time"),
        ("Art", "CS", "is not described in the mapping"),
    ],
)
def test_swapped_columns_are_refused(lab, one, other, words):
    swapped = lab.frame.rename(columns={one: other, other: one})

    with pytest.raises(RecordingError, match=words):
        read_lab(lab, lab.sheet("swapped.csv", swapped))


def test_a_lone_trigger_may_mark_the_first_pulse(tmp_path):
    lab = make_lab(tmp_path, trigger="first")

    recording = read_lab(lab, mapping=MAPPING + '\n[pulses]\ntrigger_marks = "first"\n')

    np.testing.assert_allclose(onsets(recording), lab.onsets_s, atol=SAMPLE_S)


def test_pairs_that_the_trigger_shows_must_be_those_of_the_sheet(tmp_path):
    lab = make_lab(tmp_path, trigger="both")
    shifted = lab.frame.assign(**{name: np.roll(lab.frame[name], 1) for name in ("CS", "ISI [ms]", "Art")})

    assert len(read_lab(lab).events) == 8
    with pytest.raises(RecordingError, match=r"expected two pulses 3 ms apart; found trigger pulse at .*: one"):
        read_lab(lab, lab.sheet("shifted.csv", shifted))


def test_a_label_and_a_cell_that_contradict_each_other_are_refused(lab):
    wrong = MAPPING.replace('condition = "SICI"', 'condition = "SICI"\nisi_ms = 2.5')

    with pytest.raises(RecordingError, match=r"label 'c3' and the column isi_ms contradict .* expected 2.5.*; found 3"):
        read_lab(lab, mapping=wrong)


def test_rows_that_are_no_stimulus_stand_aside(lab):
    frame = pd.concat([lab.frame, pd.DataFrame({"Zeit": [lab.onsets_s[2] + 1.5], "Art": ["cough"]})]).sort_values(
        "Zeit"
    )

    recording = read_lab(
        lab, lab.sheet("cough.csv", frame), MAPPING + '\n[[labels]]\nlabel = "cough"\nstim_type = "none"\n'
    )

    assert "rows of cough.csv that are no stimuli: 1" in recording.notes
    np.testing.assert_allclose(onsets(recording), lab.onsets_s, atol=1e-9)


def test_a_label_that_says_nothing_leaves_it_to_the_numbers_of_its_row_or_is_refused(lab):
    silent = MAPPING.replace('label = "c3"\nstim_type = "paired"', 'label = "c3"')
    bare = lab.frame.drop(columns=["TS", "CS", "ISI [ms]"])
    columns = "\n".join(line for line in silent.splitlines() if not line.startswith(("intensity", "cond_", "isi")))

    told = read_lab(lab, mapping=silent)

    assert [event.stimulus.isi_ms for event in told.events if event.label == "c3"] == [3.0] * 3
    with pytest.raises(RecordingError, match=r"line 3: label 'c3' does not say what was given"):
        read_lab(lab, lab.sheet("bare.csv", bare), columns)


def test_a_sheet_in_another_encoding_is_refused_until_it_is_named(lab):
    frame = lab.frame.assign(Art=lab.frame["Art"].replace("test", "prüf"))
    mapping = MAPPING.replace('"test"', '"prüf"')
    sheet = lab.sheet("cp1252.csv", frame, encoding="cp1252")

    with pytest.raises(RecordingError, match=r"line 2: file is not written in utf-8.*name its encoding in a mapping"):
        read_lab(lab, sheet, mapping)
    named = read_lab(lab, sheet, mapping + '\n[sheet]\nencoding = "cp1252"\n')
    wide = read_lab(lab, lab.sheet("utf16.csv", frame, encoding="utf-16"), mapping)
    marked = read_lab(lab, lab.sheet("bom.csv", frame, encoding="utf-8-sig"), mapping)

    assert {event.label for event in named.events} >= {"prüf"}
    assert [event.label for event in wide.events] == [event.label for event in marked.events]


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("03. Feb", "a date stands where a number was meant"),
        ("2026-02-03", "a date stands where a number was meant"),
        ("2-Mar", "a date stands where a number was meant"),
        ("45982", "date as spreadsheets count days"),
        ("1.234", "may be 1.234 or 1234"),
        ("three", "isi_ms is not a number"),
    ],
)
def test_what_spreadsheets_make_of_numbers_is_refused_by_its_line(lab, cell, words):
    frame = lab.frame.assign(**{"ISI [ms]": lab.frame["ISI [ms]"].astype(str).replace("3", cell)})

    with pytest.raises(RecordingError, match=words) as refused:
        read_lab(lab, lab.sheet("dates.csv", frame), MAPPING + '\n[sheet]\ndecimal = ","\n')

    assert "line 3:" in str(refused.value)


def test_onsets_in_milliseconds_that_were_repaired_are_said(lab):
    sheet = lab.folder / "milliseconds.csv"
    rows = [f"{onset_s * 1e3:.1f} ms\tsingle\n" for onset_s in lab.onsets_s]
    sheet.write_text("onset_ms\tstim_type\n" + "".join(rows))

    recording = read(lab.recording, events=sheet)

    np.testing.assert_allclose(onsets(recording), lab.onsets_s, atol=1e-3)
    assert any("unit behind the number: 8 cells" in note and "onset_ms" in note for note in recording.notes)


def test_what_is_certain_is_repaired_and_said(lab):
    frame = lab.frame.assign(TS=lab.frame["TS"].astype(str) + " %")

    recording = read_lab(lab, lab.sheet("percent.csv", frame))

    assert {event.stimulus.intensity_mso for event in recording.events} == {70.0}
    assert any("unit behind the number: 8 cells" in note for note in recording.notes)


def test_a_sheet_in_the_products_words_needs_no_mapping_and_is_checked_all_the_same(lab):
    ours = {
        "Zeit": "onset",
        "TS": "intensity_mso",
        "CS": "cond_intensity_mso",
        "ISI [ms]": "isi_ms",
        "Art": "condition",
    }
    frame = lab.frame.rename(columns=ours).assign(
        stim_type=["single" if label == "test" else "paired" for label in lab.labels]
    )

    recording = read(lab.recording, events=lab.sheet("ours.csv", frame))

    np.testing.assert_allclose(onsets(recording), lab.onsets_s, atol=1e-9)
    with pytest.raises(RecordingError, match="does not fit the pulses"):
        read(lab.recording, events=lab.sheet("ours.csv", frame.drop(index=2)))


def test_without_any_trigger_the_artifacts_place_and_check_the_rows(tmp_path):
    lab = make_lab(tmp_path, trigger="none")
    other = make_lab(tmp_path / "..", seed=9, trigger="none")

    by_order = read_lab(lab, mapping=ORDER)
    by_onset = read_lab(lab)

    np.testing.assert_allclose(onsets(by_order), lab.onsets_s, atol=SAMPLE_S)
    assert {event.pulse_from for event in by_order.events} == {"artifact"}
    np.testing.assert_allclose(onsets(by_onset), lab.onsets_s, atol=1e-3)
    with pytest.raises(RecordingError, match=r"does not fit the pulses|outside the recording"):
        read_lab(lab, other.sheet())


def test_an_onset_without_an_artifact_is_left_to_the_verdict_where_the_others_fit(tmp_path):
    lab = make_lab(tmp_path, trigger="none")
    frame = pd.concat([lab.frame, lab.frame.iloc[[0]].assign(Zeit=1.5)]).sort_values("Zeit")

    recording = read_lab(lab, lab.sheet("more.csv", frame))

    assert [event.onset_s for event in recording.events] == sorted(frame["Zeit"])
    assert {event.pulse_from for event in recording.events} == {"events"}


def test_rows_that_nothing_places_are_refused(tmp_path):
    lab = make_lab(tmp_path, trigger="none", labels=("test", "c3"))

    with pytest.raises(RecordingError, match="stimuli cannot be placed"):
        read_lab(lab, mapping=ORDER)
    assert all(math.isfinite(onset) for onset in onsets(read_lab(lab)))


def cut_sweeps(folder, labels):
    """Sweeps that were already cut, in MAT, and a frame of what was given for each."""
    rng = np.random.default_rng(4)
    mso = np.arange(50.0, 50 + len(labels))
    held = {"emg": rng.normal(0, 5e-6, (len(labels), 2000, 1)), "fs": 4000.0, "pre_s": 0.25, "unit": "V", "mso": mso}
    savemat(folder / "cut.mat", held | {"muscles": np.array(["FDI"], dtype=object)})
    kinds = [KINDS[label] for label in labels]
    columns = {
        "TS": mso.astype(int),
        "CS": [kind[2] for kind in kinds],
        "ISI [ms]": [kind[0] or "" for kind in kinds],
        "Art": labels,
    }
    return folder / "cut.mat", pd.DataFrame(columns)


def test_rows_belong_to_sweeps_that_were_already_cut_by_their_order(lab, tmp_path):
    path, frame = cut_sweeps(tmp_path, ("test", "c3", "test", "c15"))

    recording = read(path, events=lab.sheet("cut.csv", frame), mapping=lab.mapping(ORDER))

    assert [event.condition for event in recording.events] == ["test", "SICI", "test", "ICF"]
    assert [event.stimulus.intensity_mso for event in recording.events] == [50, 51, 52, 53]
    assert any("by their order alone" in note for note in recording.notes)
    with pytest.raises(RecordingError, match="expected a row for each of 4 sweeps; found 3 rows"):
        read(path, events=lab.sheet("cut.csv", frame.iloc[:3]), mapping=lab.mapping(ORDER))
    with pytest.raises(
        RecordingError, match=r"line 2: .* contradict each other in intensity_mso; expected 50, .* found 53"
    ):
        read(path, events=lab.sheet("cut.csv", frame.iloc[::-1]), mapping=lab.mapping(ORDER))
