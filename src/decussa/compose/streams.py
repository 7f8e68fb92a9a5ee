"""Joins live streams with a study: which are listened to, what is kept of them whole, and an invented amplifier to try it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from decussa.compose.feeds import STREAMS_FILE, stream_settings
from decussa.compose.rehearsals import new_rehearsal
from decussa.compose.virtual_people import virtual_person
from decussa.model.errors import DecussaError
from decussa.model.sweep import SamplesUv
from decussa.protocol.schema import Protocol, read_protocol
from decussa.recording.bdf_growing import GrowingBdf, mend_bdf
from decussa.session.clock import to_text
from decussa.source.stream.choice import Device
from decussa.source.stream.keeper import Tell, tell_nobody
from decussa.source.stream.library import stay_on_this_machine
from decussa.source.stream.source import StreamSource
from decussa.source.virtual.amplifier import EMG_NAME, InventedAmplifier
from decussa.source.virtual.stream_faults import StreamFaults
from decussa.store.recordings import keep_stream, left_streams, place_for_stream
from decussa.store.study import STUDY_FILE, open_study

_STREAMS = """# The invented amplifier of a rehearsal. Streams of other machines are left alone.
this_machine_only = true

[[emg]]
name = "{name}"
source_id = "{source_id}"

[torque]
channel = "Torque"
"""


def listen(folder: Path, session: str, protocol: Protocol, *, tell: Tell = tell_nobody) -> StreamSource:
    """Return the live streams of a session; each is kept whole, in a file of the participant's recordings.

    What an earlier program left unfinished is taken in first.

    Raises
    ------
    UsageError
        If ``streams.toml`` cannot be meant as it stands.
    """
    muscles = [muscle.label for muscle in protocol.muscles]
    _take_in_left(folder, _pseudonym(session))
    return StreamSource(
        stream_settings(folder),
        muscles,
        tell=tell,
        make_keeper=lambda device: KeptStream(folder, session, device, tell),
    )


class KeptStream:
    """One device's stream in a file of the study; a disk that refuses ends the file, not the session."""

    def __init__(self, folder: Path, session: str, device: Device, tell: Tell) -> None:
        self._folder, self._pseudonym, self._tell = folder, _pseudonym(session), tell
        begun = datetime.now(UTC)
        name = f"{session}-{_plain(device.stream.name)}-{begun:%Y%m%dT%H%M%S}.bdf"
        with open_study(folder, write=True) as study:
            path = place_for_stream(study, self._pseudonym, name)
        channels = [wired.channel for wired in device.wired]
        self._file: GrowingBdf | None = GrowingBdf(
            path, channels, device.stream.rate_hz, participant=self._pseudonym, start=begun
        )

    def write(self, samples: SamplesUv) -> None:
        """Take samples."""
        if self._file is None:
            return
        try:
            self._file.write(samples)
        except DecussaError as error:
            self._file = None
            self._tell(f"The stream is no longer kept on disk: {error.sentence()} The session goes on.")

    def note(self, sample: int, text: str) -> None:
        """Take words about a sample."""
        if self._file is not None:
            self._file.note(sample, text)

    def close(self) -> None:
        """End the file and write into the study's journal what it is, with its SHA-256."""
        if self._file is None:
            return
        self._file.close()
        with open_study(self._folder, write=True) as study:
            keep_stream(study, self._file.path, self._pseudonym, at=to_text(datetime.now(UTC)))
        self._file = None


def _take_in_left(folder: Path, pseudonym: str) -> None:
    """Mend and take in what a killed program left."""
    with open_study(folder, write=True) as study:
        for part in left_streams(study, pseudonym):
            mend_bdf(part)
            keep_stream(study, part, pseudonym, at=to_text(datetime.now(UTC)))


def _pseudonym(session: str) -> str:
    return session.rpartition("-")[0]


def _plain(name: str) -> str:
    return "-".join("".join(letter if letter.isalnum() else " " for letter in name).split()) or "stream"


@contextmanager
def invented_amplifier(
    protocol_name: str,
    folder: Path,
    *,
    seed: int,
    hard: str = "drawn",
    faults: StreamFaults,
    on_network: bool = False,
) -> Iterator[InventedAmplifier]:
    """Send the virtual participant of a rehearsal as live streams, for a session of the study in ``folder``, made if new.

    Raises
    ------
    UsageError
        If ``folder`` holds something else.
    MissingPartError
        If the streaming library is not installed.
    """
    if not on_network:
        stay_on_this_machine()
    if not (folder / STUDY_FILE).exists():
        new_rehearsal(protocol_name, folder, seed=seed, at=to_text(datetime.now(UTC)), hard=hard)
    source_id = f"invented amplifier {seed}"
    streams = folder / STREAMS_FILE
    if not streams.exists():
        text = _STREAMS.format(name=EMG_NAME, source_id=source_id)
        streams.write_text(text if not on_network else text.replace("true", "false", 1), encoding="utf-8")
    with open_study(folder, write=False) as study:
        protocol = read_protocol(study.protocol_text, where=folder / "protocol.toml")
    person = virtual_person(protocol, seed, hard=hard)
    with InventedAmplifier(person, faults=faults, source_id=source_id) as amplifier:
        yield amplifier
