"""An invented amplifier and the source that listens to it, over the real library on this machine's loopback alone."""

import uuid
from contextlib import contextmanager

from decussa.model.dialogue import Deliver
from decussa.model.stimulus import Stimulus
from decussa.source.stream.library import stay_on_this_machine
from decussa.source.stream.settings import EmgStream, Markers, StreamSettings, Torque
from decussa.source.stream.source import StreamSource
from decussa.source.virtual.amplifier import InventedAmplifier
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.source import VirtualSource
from decussa.source.virtual.stream_faults import read_faults

SEED = 3
MUSCLE = "FCR left"
SINGLE, PAIR = Stimulus.single(60), Stimulus.paired(40, 60, 3)


def request(stimulus, contraction_pct=0.0):
    return Deliver(stimulus=stimulus, step="test", muscle=MUSCLE, contraction_pct=contraction_pct)


def person():
    return VirtualParticipant(SEED, "forearm")


def true_sweep(stimulus, number, **held):
    """What this person's stimulus of that number brings without any stream."""
    return VirtualSource(person()).deliver(request(stimulus, **held), number).sweep


@contextmanager
def amplifier(*faults, speed=1.0, name=None, source_id=None, who=None):
    stay_on_this_machine()
    sender = InventedAmplifier(
        who or person(),
        faults=read_faults(faults),
        speed=speed,
        name=name or f"EMG {uuid.uuid4()}",
        source_id=source_id or str(uuid.uuid4()),
    )
    with sender:
        yield sender


def settings_for(sender, **more):
    markers = {"markers": Markers(name="Invented markers", source_id=f"{sender.source_id} markers")}
    emg = {"emg": (EmgStream(name=sender.name, source_id=sender.source_id),)}
    return StreamSettings(**(emg | markers | {"torque": Torque(channel="Torque"), "patience_s": 8.0} | more))


@contextmanager
def bench(*faults, speed=1.0, keeper=None, **more):
    """A running sender with faults, and the open source that listens to it; what it says is in ``told``."""
    with amplifier(*faults, speed=speed) as sender:
        source = StreamSource(settings_for(sender, **more), [MUSCLE], make_keeper=keeper)
        source.told = []
        source._listener = source.told.append
        with source:
            source.sender = sender
            yield source
