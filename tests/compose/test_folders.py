"""A whole session over a watched folder: the same person gives the same estimates as without it."""

import math

import pytest

from decussa.compose.folders import watch_folder
from decussa.compose.sessions import Outcome, run_in
from decussa.model.errors import UsageError
from decussa.protocol.schema import read_protocol
from decussa.recording.bdf_write import write_bdf
from decussa.session.clock import VirtualClock
from decussa.session.operator import Unattended
from decussa.source.folder.source import FolderSettings, Time
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.source import VirtualSource
from decussa.store.check import check_study
from decussa.store.study import open_study
from tests.session.stage import MORNING, SEED, SESSION, go, journal_of, make_study


class Recorded:
    """A folder source whose recorder saves what the virtual person answers, half a second after it was asked for.

    It is run by itself, which only a source that reaches nobody may be.
    """

    name = "folder"
    can_reach_a_person = False

    def __init__(self, folder, protocol):
        self.now = 0.0
        self.person = VirtualSource(VirtualParticipant(SEED, "hand"))
        clock = Time(steady=lambda: self.now, of_day=lambda: MORNING.timestamp() + self.now, wait=self.wait)
        self.inner = watch_folder(folder, protocol, settings=FolderSettings(patience_s=20), clock=clock)
        self.folder, self.due = folder, None

    def __enter__(self):
        self.inner.__enter__()
        return self

    def __exit__(self, *error):
        self.inner.__exit__(*error)

    @property
    def channels(self):
        return self.inner.channels

    def skip_to(self, number):
        self.person.skip_to(number)

    def answer(self, request):
        return self.person.answer(request)

    def deliver(self, request, number):
        self.due = (request, number)
        self.now += 5.0
        return self.inner.deliver(request, number)

    def wait(self, seconds):
        self.now += seconds
        if self.due is not None:
            request, number = self.due
            self.due = None
            sweep = self.person.deliver(request, number).sweep
            onset = sweep.onset_sample / sweep.rate_hz
            path = self.folder / f"trial_{number:03}.bdf"
            write_bdf(
                path, sweep.samples_uv, sweep.rate_hz, self.person.channels, annotations=[(onset, words(request))]
            )


def words(request):
    """What the recorder's operator types."""
    stimulus = request.stimulus
    if stimulus.stim_type == "paired":
        return f"paired {stimulus.cond_intensity_mso:g}/{stimulus.intensity_mso:g} ISI {stimulus.isi_ms:g}ms"
    return f"TMS {stimulus.intensity_mso:g}% single"


def test_a_session_over_a_folder_finds_what_it_finds_without(tmp_path):
    plain = go(make_study(tmp_path / "plain"), source=VirtualSource(VirtualParticipant(SEED, "hand")))
    folder = make_study(tmp_path / "study")
    saved = tmp_path / "saved"
    saved.mkdir()
    with open_study(folder, write=True) as study:
        source = Recorded(saved, read_protocol(study.protocol_text, where="protocol"))
        outcome = run_in(
            study, SESSION, source, Unattended(), clock=VirtualClock(MORNING), seed=SEED, fresh=False
        )  # fmt: skip

    assert isinstance(outcome, Outcome)
    assert not outcome.stopped
    assert set(outcome.found) == set(plain.found)
    for name, estimate in plain.found.items():
        # A file keeps 24 bits of its range, the sweep in memory the full float: nothing else may differ.
        assert outcome.found[name].value == pytest.approx(estimate.value, rel=1e-3, nan_ok=True)
        assert outcome.found[name].n == estimate.n
    with journal_of(folder) as journal:
        kinds = [entry.kind for entry in journal.entries()]
    assert "lost" not in kinds
    assert "note" not in kinds
    assert not check_study(folder)
    assert any(math.isfinite(one.value) for one in outcome.found.values())


def test_a_folder_must_be_named_and_be_there(tmp_path):
    with open_study(make_study(tmp_path / "study"), write=False) as study:
        protocol = read_protocol(study.protocol_text, where="protocol")

    with pytest.raises(UsageError, match="no folder is named"):
        watch_folder(None, protocol)
    with pytest.raises(UsageError, match="is not there"):
        watch_folder(tmp_path / "nowhere", protocol)
