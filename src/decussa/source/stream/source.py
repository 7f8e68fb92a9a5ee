"""Live streams behind the contract that every source keeps to: waits for the pulse of this stimulus, and of no other.

A thread of its own pulls what comes. A pulse belongs to a stimulus only if it was given after the stimulus was asked for;
one that comes at another time is noted as such, and where none comes the operator says what became of the stimulus.
"""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Sequence
from contextlib import ExitStack
from types import TracebackType
from typing import Self

from decussa.model.dialogue import Ask, Deliver
from decussa.model.errors import MachineError, UsageError
from decussa.model.recording import Channel
from decussa.quality.live_delivery import judge_pulses
from decussa.source.contract import Delivered, Unasked
from decussa.source.cutter import Cut
from decussa.source.stream.choice import Device, wire
from decussa.source.stream.claims import Asked, Claims
from decussa.source.stream.control import Control
from decussa.source.stream.device import DeviceFeed
from decussa.source.stream.joining import with_others
from decussa.source.stream.keeper import MakeKeeper, Tell, tell_nobody
from decussa.source.stream.library import Found, StreamLostError, look_until, stay_on_this_machine
from decussa.source.stream.markers import MarkerFeed
from decussa.source.stream.reading import Lags, find_test_pulse, seen_pulses, sweep_around
from decussa.source.stream.settings import Marks, StreamSettings

#: The clocks are compared this often, and this soon again where that failed; the thread looks for samples this often.
_CLOCK_EVERY_S = 5.0
_CLOCK_AGAIN_S = 0.1
_LOOK_EVERY_S = 0.002
_SETTLE_S = 10.0


class StreamSource:
    """Sweeps from live streams.

    Parameters
    ----------
    settings : StreamSettings
        What to listen to.
    muscles : sequence of str
        Labels of the muscles that are to be recorded.
    tell : callable
        Hears, from another thread, what goes wrong and what was seen unasked, in words.
    make_keeper : callable, optional
        Makes what keeps each device's stream whole.
    """

    name = "stream"
    can_reach_a_person = True
    _claims: Claims

    def __init__(
        self,
        settings: StreamSettings,
        muscles: Sequence[str],
        *,
        tell: Tell = tell_nobody,
        make_keeper: MakeKeeper | None = None,
    ) -> None:
        self.settings, self._muscles, self._make_keeper = settings, tuple(muscles), make_keeper
        self.changed = threading.Condition(threading.RLock())
        self.devices: tuple[DeviceFeed, ...] = ()
        self.torque: DeviceFeed | None = None
        self.lags = Lags()
        #: When the last sample of the newest sweep was taken, on the library's clock; NaN before the first.
        self.last_sample_s = math.nan
        self._markers: MarkerFeed | None = None
        self._marks: Marks = settings.trigger.marks
        self._from_artifact = False
        self._control: Control | None = None
        self._given_up = False
        self._closing = threading.Event()
        self._failure: BaseException | None = None
        self._open = ExitStack()
        self._listener = tell
        self._words: deque[str] = deque(maxlen=200)

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The EMG channels, once the streams were found."""
        return tuple(channel for feed in self.devices for channel in feed.emg_channels)

    def __enter__(self) -> Self:
        """Find the streams, follow them, and wait until their rates are known.

        Raises
        ------
        UsageError
            If a stream is missing or it is not clear which is meant.
        MissingPartError
            If the streaming library is not installed.
        MachineError
            If a stream goes away meanwhile.
        """
        if self.settings.this_machine_only:
            stay_on_this_machine()
        try:
            self._find()
            self._begin()
        except StreamLostError as error:
            self._open.close()
            raise MachineError(
                "stream went away while it was opened", found=str(error), do="open the session again"
            ) from None
        except BaseException:
            self._open.close()
            raise
        return self

    def _find(self) -> None:
        found = look_until(self._fits, self.settings.find_s, at_once=self.settings.is_unmistakable)
        wiring = wire(self.settings, [one.description for one in found], self._muscles)
        handles = {one.description.uid: one for one in found}
        has_trigger = any(one.channel.kind == "trigger" for one in wiring.devices[0].wired)
        self._from_artifact = not has_trigger and wiring.markers is None
        if self._from_artifact:
            self._marks = "first pulse"
            self._tell("No trigger channel and no markers: pulses are found from their artifact in the EMG.")
        elif not has_trigger and self.settings.markers is not None:
            self._marks = self.settings.markers.marks
        self.devices = tuple(self._follow(handles, device) for device in wiring.devices)
        if wiring.markers is not None and self.settings.markers is not None:
            self._markers = MarkerFeed(handles[wiring.markers.uid], self.settings.markers.text, self.devices[0])
            self._open.callback(self._markers.close)
        self._claims = Claims(self.devices[0], self._tell, self.settings.stall_s)
        if wiring.torque is not None:
            self.torque = self._follow(handles, wiring.torque)
        if wiring.devices[0].stream.virtual and wiring.devices[0].stream.control:
            self._control = Control(wiring.devices[0].stream.control)

    def _fits(self, found: Sequence[Found]) -> bool:
        try:
            wire(self.settings, [one.description for one in found], self._muscles)
        except UsageError:
            return False
        return True

    def _follow(self, handles: dict[str, Found], device: Device) -> DeviceFeed:
        feed = DeviceFeed(
            handles[device.stream.uid],
            device,
            self.settings,
            tell=self._tell,
            lock=self.changed,
            marks=self._marks,
            from_artifact=self._from_artifact,
            keeper=None if self._make_keeper is None else self._make_keeper(device),
        )
        self._open.callback(feed.close)
        return feed

    def _begin(self) -> None:
        self._closing.clear()
        for work in (self._pull_on, self._compare_clocks):
            thread = threading.Thread(target=work, name=f"decussa {work.__name__}", daemon=True)
            thread.start()
            self._open.callback(thread.join, 5.0)
        self._open.callback(self._closing.set)
        if self._control is not None and not self._control.is_heard(5.0):
            self._tell("The invented amplifier does not listen: it will give no pulse.")
        until = time.monotonic() + _SETTLE_S
        with self.changed:
            while not self._is_ready() and time.monotonic() < until:
                self._fail()
                self.changed.wait(0.1)
        for feed in self.devices:
            if not feed.settled:
                self._tell(f"{feed.name}: hardly any sample in {_SETTLE_S:g} s. Look at the sender.")
            elif len(self.devices) > 1 and math.isnan(feed.clock_s):
                self._tell(
                    f"{feed.name}: its clock cannot be compared with ours yet; sweeps miss what it records until then."
                )

    def _is_ready(self) -> bool:
        """Whether the rates of all devices are known, and their clocks where several are joined by them."""
        joined = len(self.devices) > 1
        return all(feed.settled and not (joined and math.isnan(feed.clock_s)) for feed in self.devices)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let the streams go; what was kept of them is whole."""
        self._open.close()
        self._control = None

    def skip_to(self, number: int) -> None:
        """Pulses are told by their time, not by their number."""

    def answer(self, request: Ask) -> str | float | None:  # noqa: ARG002
        """Leave the question to the operator."""
        return None

    def hold(self, pct: float) -> None:
        """Tell an invented amplifier what its person is asked to hold from now on, in % MVC; a real one is told nothing."""
        if self._control is not None:
            self._control.hold(pct)

    def unasked(self) -> tuple[Unasked, ...]:
        """Return the pulses that nobody asked for since this was called last."""
        with self.changed:
            return self._claims.take_unasked()

    def words(self) -> tuple[str, ...]:
        """Return what was seen and went wrong since this was asked last: for the journal."""
        said = []
        while self._words:
            said.append(self._words.popleft())
        return tuple(said)

    def _tell(self, words: str) -> None:
        self._words.append(words)
        self._listener(words)

    # What the thread does

    def _pull_on(self) -> None:
        try:
            while not self._closing.wait(_LOOK_EVERY_S):
                self._pull()
        except BaseException as error:  # noqa: BLE001 raised again where somebody waits for a sweep
            with self.changed:
                self._failure = error
                self.changed.notify_all()

    def _pull(self) -> None:
        if self._markers is not None:
            with self.changed:
                self._markers.pull()
        for feed in (*self.devices, *((self.torque,) if self.torque is not None else ())):
            found = feed.pull()
            with self.changed:
                if feed is self.devices[0]:
                    for one in found:
                        self._claims.hear(one)
                self.changed.notify_all()

    def _compare_clocks(self) -> None:
        while True:
            for feed in self.devices:
                feed.set_clock()
            if self._markers is not None:
                self._markers.set_clock()
            known = all(math.isfinite(feed.clock_s) for feed in self.devices)
            if self._closing.wait(_CLOCK_EVERY_S if known else _CLOCK_AGAIN_S):
                return

    # What a session asks

    def deliver(self, request: Deliver, number: int) -> Delivered:
        """Wait for the pulse of stimulus ``number``; words alone where none came, or none that can be told to be its own."""
        with self.changed:
            self._given_up = False
            asked = self._claims.ask(number)
        if self._control is not None:
            self._control.set(request, number)
        try:
            with self.changed:
                words = self._wait(asked)
        finally:
            with self.changed:
                self._claims.end()
        if asked.cut is None:
            self._tell(words)
            return Delivered(number=number, said=self.words())
        return self._delivered(asked.cut, request, number)

    def give_up(self) -> None:
        """Stop waiting: the operator says that no pulse will come. Called from another thread."""
        with self.changed:
            self._given_up = True
            self.changed.notify_all()

    def _wait(self, asked: Asked) -> str:
        """Wait until a pulse came, or say why none did."""
        first, since = self.devices[0], time.monotonic()
        stop = asked.first + math.ceil(self.settings.patience_s * first.rate_hz)
        while asked.cut is None:
            self._fail()
            if asked.has_lone:
                return (
                    f"Stimulus {asked.number}: the EMG shows a pulse, but no trigger came. Look at the trigger cable."
                )
            if self._given_up:
                return f"Stimulus {asked.number}: no pulse, said the operator."
            if first.cutter.ring.end > stop:
                return f"Stimulus {asked.number}: no pulse within {self.settings.patience_s:g} s."
            if time.monotonic() - since > self.settings.patience_s and first.silent_s > self.settings.stall_s:
                return f"Stimulus {asked.number}: the stream stood still for {first.silent_s:.0f} s while it was waited for."
            self.changed.wait(0.05)
        return ""

    def _fail(self) -> None:
        if self._failure is not None:
            raise MachineError(
                "streams are no longer read",
                found=f"{type(self._failure).__name__}: {self._failure}",
                do="open the session again; it goes on where it stands",
            ) from self._failure

    def _delivered(self, cut: Cut, request: Deliver, number: int) -> Delivered:
        first, stimulus = self.devices[0], request.stimulus
        marks = self._marks
        test, shift_ms = find_test_pulse(cut, stimulus, marks, first.rate_hz)
        sweep = sweep_around(cut, test, shift_ms, stimulus, first.rate_hz, first.emg_rows, first.emg_channels)
        if len(self.devices) > 1:
            at_s = first.taken_s(test)
            sweep = with_others(sweep, at_s, self.devices[1:], self.changed, self.settings.stall_s)
        seen = seen_pulses(cut, sweep, stimulus, marks, self.lags, from_artifact=self._from_artifact)
        self.lags.add(seen.lag_ms)
        with self.changed:
            self._claims.learn(cut)
        first.note(cut.pulses[0], f"stimulus {number}")
        self.last_sample_s = first.taken_s(cut.first + cut.samples.shape[1] - 1)
        return Delivered(number=number, sweep=sweep, said=self.words(), found=judge_pulses(seen))
