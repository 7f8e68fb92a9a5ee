"""An invented amplifier: a virtual person's EMG, trigger, torque and markers as live streams.

It declares itself invented and names a stream on which a run says what the operator set; a while later the pulse comes.
"""

from __future__ import annotations

import threading
from collections import deque
from types import TracebackType
from typing import Any, Self

import numpy as np

from decussa.model.dialogue import Deliver
from decussa.source.stream.control import CONTROL_TYPE, from_text
from decussa.source.stream.library import library, now_s
from decussa.source.virtual.body_signal import BodySignal
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.recorder import RATE_HZ
from decussa.source.virtual.session import HOLD_BEFORE_MS
from decussa.source.virtual.stream_faults import NO_FAULTS, StreamFaults

EMG_NAME = "Invented amplifier"
MARKERS_NAME = "Invented markers"
#: Samples of a packet.
PACKET = 50
#: From hearing what was set to the pulse, at rest; a contraction is built up first.
REACTION_S = 1.0
_STRAY_S = 0.55
#: A fault in the middle of a sweep comes this long after the test pulse.
_MIDDLE_S = 0.1
_STALL_S = 2.0
_AWAY_S = 1.0
_CLOCK_SET_S = 0.1
_LOOK_EVERY = 10


class InventedAmplifier:
    """Sends a virtual person's streams from a thread of its own, from entering to leaving.

    Parameters
    ----------
    person : VirtualParticipant
        Who sits there.
    faults : StreamFaults
        What goes wrong.
    speed : float
        How much faster than life; time stamps are the stream's own.
    reaction_s : float
        From hearing what was set to the pulse, in the stream's own time.
    name, source_id : str
        Name of the stream, and what tells senders apart.
    """

    def __init__(
        self,
        person: VirtualParticipant,
        *,
        faults: StreamFaults = NO_FAULTS,
        speed: float = 1.0,
        reaction_s: float = REACTION_S,
        name: str = EMG_NAME,
        source_id: str = "invented amplifier",
    ) -> None:
        self.signal = BodySignal(person)
        self.faults, self.speed, self.name, self.source_id = faults, speed, name, source_id
        self._reaction_s = reaction_s
        #: What was set and given so far, by number.
        self.given: list[int] = []
        self._pulses: deque[int] = deque()
        self._pauses: deque[tuple[int, str]] = deque()
        self._set_s = 0.0
        self._is_flat = False
        self._chance = np.random.default_rng([person.truth.seed, 77])
        slow = (1 - 50e-6 * ("drift" in faults.lasting)) * (1 - 0.01 * ("wrong rate" in faults.lasting))
        self._rate_hz = RATE_HZ * slow
        self._stop = threading.Event()
        self._wanted: deque[Deliver] = deque()
        self._last: tuple[Deliver, int] | None = None
        self._emg: Any = None
        self._twin: Any = None
        self._markers: Any = None
        self._hand: Any = None
        self._hand_uid, self._gone = "", set[str]()
        self._lookout: Any = None
        self._thread = threading.Thread(target=self._send_on, name="invented amplifier", daemon=True)

    def __enter__(self) -> Self:
        """Begin to send."""
        self._open()
        self._begun_s = now_s()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop sending."""
        self._stop.set()
        self._thread.join()
        self._close()

    def stray(self) -> None:
        """Give the last pulse again, although nobody asked."""
        if self._last is not None:
            self._wanted.append(self._last[0])

    # The streams

    def _open(self) -> None:
        pylsl = library()
        self._emg = pylsl.StreamOutlet(self._describe(self.source_id), PACKET, 360)
        if "twin" in self.faults.lasting:
            self._twin = pylsl.StreamOutlet(self._describe(f"{self.source_id} 2"), PACKET, 360)
        info = pylsl.StreamInfo(
            MARKERS_NAME, "Markers", 1, pylsl.IRREGULAR_RATE, pylsl.cf_string, f"{self.source_id} markers"
        )
        self._markers = pylsl.StreamOutlet(info)

    def _close(self) -> None:
        self._emg = self._twin = self._markers = None

    def _describe(self, source_id: str) -> Any:
        pylsl = library()
        has_trigger = "no trigger channel" not in self.faults.lasting
        unit = "millivolts" if "millivolt" in self.faults.lasting else "microvolts"
        said = "" if "no unit" in self.faults.lasting else unit
        lines = [(channel.name, said, "EMG", channel.high_uv) for channel in self.signal.person.channels]
        lines += [("Trigger", "microvolts", "Trigger", 0.0)] if has_trigger else []
        lines += [("Torque", "%MVC", "Torque", 0.0), ("Counter", "none", "Counter", 0.0)]
        info = pylsl.StreamInfo(self.name, "EMG", len(lines), RATE_HZ, pylsl.cf_float32, source_id)
        description = info.desc()
        description.append_child_value("invented", "yes")
        description.append_child_value("control", self.control)
        channels = description.append_child("channels")
        for label, said, kind, high in lines:
            channel = channels.append_child("channel")
            channel.append_child_value("label", label)
            if said:
                channel.append_child_value("unit", said)
            channel.append_child_value("type", kind)
            if high:
                high /= 1e3 if unit == "millivolts" else 1.0
                span = channel.append_child("range")
                span.append_child_value("low", f"{-high:.9g}")
                span.append_child_value("high", f"{high:.9g}")
        return info

    @property
    def control(self) -> str:
        """Name of the stream on which a run says what was set."""
        return f"{self.name} control, {self.source_id}"

    # What is sent

    def _send_on(self) -> None:
        packets = 0
        while not self._stop.is_set():
            if packets % _LOOK_EVERY == 0:
                self._hear()
            # A packet leaves when its last sample is there.
            due_s = self._begun_s + (self.signal.position + PACKET) / self._rate_hz / self.speed
            if self._stop.wait(max(0.0, due_s - now_s())):
                return
            self._send()
            packets += 1

    def _hear(self) -> None:
        """Look for a run that says what was set, and for what it says."""
        pylsl = library()
        if self._hand is None:
            if self._lookout is None:
                self._lookout = pylsl.ContinuousResolver(prop="type", value=CONTROL_TYPE, forget_after=5.0)
            found = [
                info for info in self._lookout.results() if info.name() == self.control and info.uid() not in self._gone
            ]
            if not found:
                return
            self._hand, self._hand_uid = pylsl.StreamInlet(found[0], recover=False), found[0].uid()
        try:
            while (said := self._hand.pull_sample(0.0))[1] is not None:
                self._obey(from_text(said[0][0]))
        except pylsl.util.LostError:
            # It is still seen for a while; the next run has another.
            self._gone.add(self._hand_uid)
            self._hand = None
            self.signal.hold(0.0)
        except (KeyError, TypeError, ValueError):
            pass  # not what a run says
        while self._wanted:
            self._stray_now(self._wanted.popleft())

    def _obey(self, said: tuple[Deliver, int] | float) -> None:
        if isinstance(said, float):
            self.signal.hold(said)
        else:
            self._give(*said)

    def _give(self, request: Deliver, number: int) -> None:
        self._last = (request, number)
        fault = self.faults.at.get(number, "")
        if fault == "no pulse":
            return
        wait_s = self._reaction_s + (HOLD_BEFORE_MS / 1e3 if request.contraction_pct else 0.0)
        test = self.signal.position + round(wait_s * RATE_HZ)
        pulses = self.signal.give(request, number, test, self.faults.mishap(number), double=fault == "double pulse")
        self.given.append(number)
        self._pulses += pulses
        middle = test + round(_MIDDLE_S * RATE_HZ)
        if fault in ("stall", "restart", "clock set", "flat channel"):
            self._pauses.append((middle, fault))
        if fault == "stray pulse":
            self._pulses += self.signal.give(request, number, test + round(_STRAY_S * RATE_HZ))

    def _stray_now(self, request: Deliver) -> None:
        test = self.signal.position + round(0.3 * RATE_HZ)
        self._pulses += self.signal.give(request, 1, test)

    def _send(self) -> None:
        first = self.signal.position
        block = self.signal.block(PACKET)
        if self._is_flat:
            block[0] = 0.0
        if "millivolt" in self.faults.lasting:
            block[: self.signal.emg] /= 1e3
        if "no trigger channel" in self.faults.lasting:
            block = np.delete(block, self.signal.emg, axis=0)
        stamp_s = self._stamp(first + PACKET - 1)
        is_lost = "lost samples" in self.faults.lasting and self._chance.random() < 0.01
        if not is_lost and self._emg is not None:
            self._emg.push_chunk(np.ascontiguousarray(block.T), stamp_s)
        if self._twin is not None:
            self._twin.push_chunk(np.ascontiguousarray(block.T), stamp_s)
        while self._pulses and self._pulses[0] < first + PACKET:
            self._markers.push_sample(["pulse"], self._stamp(self._pulses.popleft()))
        while self._pauses and self._pauses[0][0] < first + PACKET:
            self._suffer(self._pauses.popleft()[1])

    def _stamp(self, sample: int) -> float:
        """Return the time stamp of a sample by the sender's clock."""
        shaken = self._chance.uniform(-0.002, 0.002) if "shaking clock" in self.faults.lasting else 0.0
        return float(self._begun_s + self._set_s + sample / self._rate_hz + shaken)

    def _suffer(self, fault: str) -> None:
        if fault == "clock set":
            self._set_s += _CLOCK_SET_S
        elif fault == "flat channel":
            self._is_flat = True
        elif fault == "stall":
            self._stop.wait(_STALL_S / self.speed)
        else:
            self._close()
            self._stop.wait(_AWAY_S)
            skipped = round(_AWAY_S * self.speed * RATE_HZ)
            while skipped > 0:
                self.signal.block(min(skipped, PACKET))
                skipped -= PACKET
            self._open()
