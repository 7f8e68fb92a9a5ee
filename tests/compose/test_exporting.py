"""A shared study: read back by our own reader it gives the study's table; what must stay private is nowhere in it."""

import json
import math

import h5py
import numpy as np
import pandas as pd
import pytest

from decussa.batch.measure import measure_recording
from decussa.compose.exporting import Sharing, export_study
from decussa.compose.keeping import withdraw_participant
from decussa.compose.reviewing import ReviewRoom
from decussa.model.dialogue import Deliver, Trial
from decussa.model.errors import UsageError
from decussa.model.stimulus import Stimulus
from decussa.model.trial import Verdict
from decussa.recording.read import find_recordings, read
from decussa.recording.tables import read_table
from decussa.store.chain import add_entry
from decussa.store.journal import open_journal
from decussa.store.operators import add_operator
from decussa.store.people import add_participant, add_session
from decussa.store.private import create_missing, open_private
from decussa.store.records import Measured, Started
from decussa.store.study import open_study
from tests.compose.invented_session import MUSCLE, SITE_CM, make_session

AT = "2026-05-11T15:00:00.000Z"
#: A sample in 24 bits of a range of ±5 mV (the invented artifacts reach 4 mV) is off by at most this.
HALF_STEP_UV = 0.5 * 10_000 / 2**24


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A study with one reviewed session, shared in every form."""
    folder = tmp_path_factory.mktemp("shared") / "study"
    session = make_session(folder, 42)
    room = ReviewRoom(folder, session)
    room.begin("R-2", blind=False)
    room.say("R-2", room.traces[2], "verdict", "reject", reason="a cough")
    room.say("R-2", room.traces[3], "seen", "")
    out = folder.parent
    sharing = Sharing(
        bids=out / "bids",
        hdf5=out / "sweeps.h5",
        nwb=out / "nwb",
        csv=out / "csv",
        parquet=out / "parquet",
        authors=("One", "Two"),
        licence="CC0",
    )
    export_study(folder, sharing, say=lambda _: None)
    return folder


def share(folder, out, **said):
    return export_study(folder, Sharing(bids=out, **said), say=lambda _: None)


def measured(root):
    return pd.concat([measure_recording(read(path)) for path in find_recordings([root])], ignore_index=True)


def test_what_is_read_back_and_measured_again_is_the_table_of_the_study(study):
    derived = read_table(study.parent / "bids" / "derivatives" / "decussa" / "trials.tsv")
    again = measured(study.parent / "bids")

    assert list(again.columns) == list(derived.columns)
    assert len(again) == len(derived) == 42
    # What a rater said travels in the derivative; the session's own verdict stands in the events.
    said = derived["reviewed_by"] != ""
    differing = []
    for name in derived.columns:
        if name in ("method", "reviewed_by"):
            continue
        one, other = derived[name], again[name]
        if not pd.api.types.is_numeric_dtype(one):
            rows = ~said if name in ("verdict", "rule", "reason") else said | ~said
            if not one[rows].equals(other[rows].astype(one.dtype)):
                differing.append(name)
            continue
        pair = np.stack([one.to_numpy(np.float64), other.to_numpy(np.float64)])
        # Sizes follow the samples; times are found in samples that are off by a millionth of the noise.
        window_ms = 35 if name == "area_uv_ms" else 1
        scale = window_ms * 4 * HALF_STEP_UV if "_uv" in name else 0.02
        if not np.allclose(pair[0], pair[1], rtol=0, atol=scale, equal_nan=True):
            differing.append(name)
    assert differing == []


def test_a_review_travels_in_the_derivative(study):
    derived = read_table(study.parent / "bids" / "derivatives" / "decussa" / "trials.tsv")

    assert list(derived["reviewed_by"][:5]) == ["", "", "R-2", "R-2", ""]
    assert derived["verdict"][2] == "reject"
    assert "a cough" in derived["reason"][2]


def test_the_derivative_names_what_made_it_and_from_what(study):
    said = json.loads((study.parent / "bids" / "derivatives" / "decussa" / "dataset_description.json").read_text())

    assert said["DatasetType"] == "derivative"
    assert said["GeneratedBy"][0]["Name"] == "decussa"
    assert said["SourceDatasets"] == [{"URL": "../.."}]


def test_sweeps_come_back_as_they_were_measured_within_half_a_step(study):
    (path,) = find_recordings([study.parent / "bids"])
    recording = read(path)
    room = ReviewRoom(study, "P07-1")
    kept = room.sweeps(room.of_muscle(MUSCLE))

    cut = recording.signals.cut(0, recording.events, 1e4, 1e4)

    assert cut.samples_uv.shape == (42, kept[0].samples_uv.shape[1])
    assert cut.onset_sample == kept[0].onset_sample
    worst = max(np.abs(own.samples_uv[0] - back).max() for own, back in zip(kept, cut.samples_uv, strict=True))
    # Reading rounds to float32 once more.
    assert worst <= HALF_STEP_UV + np.spacing(np.float32(5_000)) / 2


def test_hdf5_holds_the_sweeps_exactly(study):
    room = ReviewRoom(study, "P07-1")
    kept = room.sweeps(room.of_muscle(MUSCLE))

    with h5py.File(study.parent / "sweeps.h5") as file:
        held = file["recordings/0001"]
        first, count = held["sweeps/first_sample"][3], held["sweeps/samples"][3]
        assert np.array_equal(held["samples_uv"][0, first : first + count], kept[3].samples_uv[0])
        assert held["sweeps/onset_sample"][3] - first == kept[3].onset_sample
        assert held["sweeps/condition"].asstr()[1] == "SICI"
        assert file["tables/trials/amplitude_uv"].attrs["unit"] == "uV"


def test_parquet_is_the_table_as_it_is(study):
    derived = read_table(study.parent / "bids" / "derivatives" / "decussa" / "trials.tsv")
    pd.testing.assert_frame_equal(read_table(study.parent / "parquet" / "trials.parquet"), derived, check_dtype=False)


def test_who_withdrew_is_absent_from_every_form(tmp_path):
    folder = tmp_path / "study"
    make_session(folder, 6)
    with open_study(folder, write=True) as opened:
        add_participant(opened, "P08", at=AT)
        add_session(opened, "P08", at=AT)
    withdraw_participant(folder, "P08")

    share(folder, tmp_path / "bids", csv=tmp_path / "csv", hdf5=tmp_path / "a.h5")

    shared = b"".join(
        path.read_bytes() for path in tmp_path.rglob("*") if path.is_file() and folder not in path.parents
    )
    assert b"P07" in shared
    assert b"P08" not in shared


#: Too long to stand among numbers by chance.
PIN = "4711081523064217"


def test_names_and_answers_of_the_private_file_are_in_no_form(tmp_path):
    folder = tmp_path / "study"
    make_session(folder, 6)
    create_missing(folder)
    with open_private(folder, write=True) as database:
        add_operator(database, "OP1", "Quirina Zauberfeld", "operator", pin=PIN)

    share(
        folder,
        tmp_path / "bids",
        csv=tmp_path / "csv",
        nwb=tmp_path / "nwb",
        parquet=tmp_path / "pq",
        hdf5=tmp_path / "a.h5",
    )

    shared = b"".join(
        path.read_bytes() for path in tmp_path.rglob("*") if path.is_file() and folder not in path.parents
    )
    assert b"Zauberfeld" not in shared
    assert PIN.encode() not in shared


@pytest.mark.parametrize("pseudonym", ["Karla", "AB", "P-120385"])
def test_what_looks_like_a_name_or_a_birth_date_is_refused_until_it_has_another_label(tmp_path, pseudonym):
    folder = tmp_path / "study"
    make_session(folder, 3, person=pseudonym)

    with pytest.raises(UsageError) as refused:
        share(folder, tmp_path / "bids")

    assert f"--label {pseudonym}=P01" in str(refused.value)
    assert not (tmp_path / "bids").exists()
    share(folder, tmp_path / "bids", labels={pseudonym: "P01"})
    assert (tmp_path / "bids" / "sub-P01").is_dir()
    names = " ".join(str(path.relative_to(tmp_path)) for path in (tmp_path / "bids").rglob("*"))
    texts = [path.read_text() for path in (tmp_path / "bids").rglob("*") if path.suffix in {".tsv", ".json", ".md"}]
    assert pseudonym not in names + " ".join(texts)


def test_a_raters_code_that_looks_like_a_name_becomes_a_number(tmp_path):
    folder = tmp_path / "study"
    session = make_session(folder, 6)
    room = ReviewRoom(folder, session)
    room.begin("Karla", blind=True)
    for trace in room.traces:
        room.say("Karla", trace, "verdict", "doubtful", reason="drift")

    share(folder, tmp_path / "bids", csv=tmp_path / "csv")

    shared = b"".join(
        path.read_bytes() for path in tmp_path.rglob("*") if path.is_file() and folder not in path.parents
    )
    assert b"Karla" not in shared
    assert b"rater-1" in shared


def test_labels_that_would_be_alike_are_refused(tmp_path):
    folder = tmp_path / "study"
    make_session(folder, 3, person="P-1")
    with open_study(folder, write=True) as opened:
        add_participant(opened, "P_1", at=AT)

    with pytest.raises(UsageError, match="share a label"):
        share(folder, tmp_path / "bids")


def test_dates_are_shifted_by_days_alone_and_the_same_each_time(study, tmp_path):
    share(study, tmp_path / "one", shifted=True)
    share(study, tmp_path / "two", shifted=True)

    dates = [
        next((tmp_path / name).rglob("*_scans.tsv")).read_text().split("\t")[-1].strip() for name in ("one", "two")
    ]
    assert dates[0] == dates[1]
    assert dates[0].startswith("1924-")
    assert dates[0].endswith("T14:00:00.000Z")
    texts = [path.read_bytes() for path in (tmp_path / "one").rglob("*") if path.is_file() and path.name != "CHANGES"]
    assert not any(b"2026-05" in text or b"11.05.26" in text for text in texts)


def test_sizes_typed_by_hand_are_shared_as_tables_alone(tmp_path):
    folder = tmp_path / "study"
    make_session(folder, 3)
    with open_study(folder, write=True) as opened:
        add_participant(opened, "P08", at=AT)
        session = add_session(opened, "P08", at=AT)
        with opened.database.transaction() as connection:
            request = Deliver(
                stimulus=Stimulus.single(50), step="single", block="single", condition="test", muscle=MUSCLE
            )
            values = {MUSCLE: {"amplitude_uv": 700.0}}
            typed = Trial(number=1, values=values, verdict=Verdict("accept"))
            add_entry(connection, session, "started", Started(protocol_sha256="", source="hand", version="0"), at=AT)
            add_entry(connection, session, "asked", request, at=AT)
            add_entry(
                connection,
                session,
                "answered",
                typed,
                at=AT,
                measured=Measured(values=values, method="typed", version="0"),
            )

    notes = share(folder, tmp_path / "bids").notes

    assert any("typed by hand" in note for note in notes)
    assert not (tmp_path / "bids" / "sub-P08").exists()
    assert "P08" not in (tmp_path / "bids" / "participants.tsv").read_text()
    derived = read_table(tmp_path / "bids" / "derivatives" / "decussa" / "trials.tsv")
    assert derived[derived["participant"] == "P08"]["amplitude_uv"].tolist() == [700.0]
    assert derived[derived["participant"] == "P08"]["recording"].tolist() == [""]


def test_nothing_asked_for_and_no_study_are_said(study, tmp_path):
    with pytest.raises(UsageError, match="Nothing to write"):
        export_study(study, Sharing(), say=lambda _: None)
    with pytest.raises(UsageError, match="no study"):
        share(tmp_path, tmp_path / "bids")


def test_the_events_of_a_session_say_what_it_knew(study):
    (path,) = find_recordings([study.parent / "bids"])
    events = read(path).events
    with open_study(study, write=False) as opened, open_journal(opened, "P07-1") as journal:
        began = journal.entries()[0].at

    assert began.startswith("2026-05-11T14:00:00")
    assert events[1].target == MUSCLE
    assert events[13].verdict.kind == "doubtful"
    assert events[13].verdict.rule == "background"
    assert events[1].session_s == pytest.approx(1.001)
    assert math.isclose(events[1].segment_s[0], 0.5)
    # The coil stays where it was asked to be, until another site is asked for.
    assert math.isnan(events[2].site_right_cm)
    assert {(event.site_right_cm, event.site_front_cm) for event in events[3:]} == {SITE_CM}
    with h5py.File(study.parent / "sweeps.h5") as file:
        sites = [group["sweeps/site_front_cm"][:] for group in file["recordings"].values()]
    assert np.concatenate(sites)[3:].tolist() == [SITE_CM[1]] * 39
