"""Recordings from elsewhere become sessions of a study: measured as anywhere, reviewed blind, every change kept."""

from dataclasses import replace

import pandas as pd
import pytest

from decussa.batch.measure import measure_recording
from decussa.compose.exporting import Sharing, export_study
from decussa.compose.importing import import_recordings
from decussa.compose.reviewed_trials import reviewed_trials
from decussa.compose.reviewing import ReviewRoom
from decussa.compose.study_reports import session_methods_text
from decussa.compose.studying import BoardReader
from decussa.compose.taking_in import take_in
from decussa.model.errors import UsageError
from decussa.recording.read import find_recordings, read
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.records import Reviewed
from decussa.store.study import open_study
from tests.compose.invented_session import make_session


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """A recording of 18 stimuli in a BIDS data set."""
    folder = tmp_path_factory.mktemp("elsewhere")
    make_session(folder / "study", 18)
    export_study(folder / "study", Sharing(bids=folder / "bids"), say=lambda _: None)
    (path,) = find_recordings([folder / "bids"])
    return read(path)


@pytest.fixture
def brought(recording, tmp_path):
    """A study made of the recording."""
    done = import_recordings(tmp_path / "study", [recording], labels={})
    assert done.refused == ()
    return tmp_path / "study", done.sessions[0]


def test_the_session_has_the_values_of_the_recording(recording, brought):
    folder, session = brought
    room = ReviewRoom(folder, session)
    own = measure_recording(recording)

    table = reviewed_trials(room, None)

    assert session == "P07-1"
    for name in (
        "condition",
        "block",
        "isi_ms",
        "intensity_mso",
        "amplitude_uv",
        "latency_ms",
        "background_rms_uv",
        "verdict",
    ):
        pd.testing.assert_series_equal(table[name], own[name], check_dtype=False, obj=name)
    # Times are kept to the millisecond in a journal.
    assert (table["onset_s"] - own["onset_s"]).abs().max() <= 0.001
    assert list(check_study(folder)) == []


def test_it_is_reviewed_blind_with_every_change_kept(brought):
    folder, session = brought
    room = ReviewRoom(folder, session)

    room.begin("R-1", blind=True)
    room.say("R-1", room.traces[4], "verdict", "reject", reason="movement")

    with open_study(folder, write=False) as study, open_journal(study, session) as journal:
        (change,) = [entry.body for entry in journal.entries() if isinstance(entry.body, Reviewed)]
    assert (change.old, change.new, change.blind, change.reason) == ("accept", "reject", True, "movement")
    assert reviewed_trials(room, room.layers["R-1"])["verdict"][4] == "reject"
    assert reviewed_trials(room, None)["verdict"][4] == "accept"


def test_methods_claim_nothing_that_the_recording_does_not_say(brought):
    folder, session = brought
    text = session_methods_text(folder, session)

    assert "by a plan" not in text
    assert "[how it was found: not in the record]" in text


def test_a_name_in_a_recording_needs_a_pseudonym(recording, tmp_path):
    named = replace(recording, participant="Karla")

    with pytest.raises(UsageError, match="--label Karla=P01"):
        import_recordings(tmp_path / "study", [named], labels={})
    assert not (tmp_path / "study").exists()
    assert import_recordings(tmp_path / "study", [named], labels={"Karla": "P01"}).sessions == ("P01-1",)


def test_a_bad_recording_does_not_stop_the_others(recording, tmp_path):
    silent = replace(recording, events=(), name="silent")

    done = import_recordings(tmp_path / "study", [silent, recording], labels={})

    assert done.sessions == ("P07-1",)
    assert [name for name, _ in done.refused] == ["silent"]


def test_what_is_sent_to_the_study_page_can_be_reviewed(recording, brought):
    folder, _ = brought
    with open(recording.path, "rb") as file:  # noqa: PTH123  as the page hands it over
        said = take_in(folder, "P07", "second.bdf", file)

    # Without its sidecars the annotations tell what was given.
    assert said.endswith("Its sweeps can be reviewed as session P07-2.")
    assert len(ReviewRoom(folder, "P07-2").traces) == 18


def test_nobody_is_asked_for_consent_or_called_for_what_was_recorded_elsewhere(brought):
    folder, session = brought
    (person,) = BoardReader().read(folder).people

    assert person.missing == ("review 1",)
    ReviewRoom(folder, session).begin("R-1", blind=True)
    assert BoardReader().read(folder).people[0].missing == ()
