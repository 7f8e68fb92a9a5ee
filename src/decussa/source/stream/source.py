"""Live streams behind the contract that every source keeps to: waits for the pulse of this stimulus, and of no other.

A thread of its own pulls what comes. A pulse belongs to a stimulus only if it was given after the stimulus was asked for;
one that comes at another time is noted as such, and where none comes the operator says what became of the stimulus.
"""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from types import TracebackType
from typing import Self

import numpy as np

from decussa.model.dialogue import Ask, Deliver
from decussa.model.errors import MachineError, UsageError
from decussa.model.recording import Channel
from decussa.model.sweep import SamplesUv, Sweep
from decussa.quality.live_delivery import judge_pulses
from decussa.source.contract import Delivered
from decussa.source.cutter import Cut, LoneArtifact
from decussa.source.stream.choice import Device, Wiring, wire
from decussa.source.stream.control import Control
from decussa.source.stream.device import DeviceFeed, Keeper, Tell
from decussa.source.stream.library import Found, StreamLostError, TextInlet, look_until, stay_on_this_machine
from decussa.source.stream.reading import Lags, find_test_pulse, seen_pulses, sweep_around
from decussa.source.stream.settings import Marks, StreamSettings

#: Nobody answers faster: a pulse that comes sooner after a stimulus was asked for was given before.
SOONEST_S = 0.15
#: Samples are on their way for no longer than this while they flow.
_UNDER_WAY_S = 0.5
#: The clocks are compared this often; the thread looks for samples this often.
_CLOCK_EVERY_S = 5.0
_LOOK_EVERY_S = 0.002
_SETTLE_S = 10.0
#: An artifact without a trigger is a pulse where it is this part of the usual one, known from so many pulses.
_LIKE_USUAL = 0.3
_FEWEST_ARTIFACTS = 3

MakeKeeper = Callable[[Device], Keeper]


@dataclass(slots=True)
class _Asked:
    """A stimulus that is waited for: pulses count from a sample on."""

    number: int
    first: int
    since: float
    cut: Cut | None = None
    has_lone: bool = False


def tell_nobody(words: str) -> None:
    """Let words pass."""


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
        self.wiring: Wiring | None = None
        self.lags = Lags()
        #: When the last sample of the newest sweep was taken, on the library's clock; NaN before the first.
        self.last_sample_s = math.nan
        self._markers: TextInlet | None = None
        self._marker_clock_s = 0.0
        self._marks: Marks = settings.trigger.marks
        self._from_artifact = False
        self._control: Control | None = None
        self._asked: _Asked | None = None
        self._given_up = False
        self._artifacts_uv: deque[float] = deque(maxlen=20)
        self._closing = threading.Event()
        self._failure: BaseException | None = None
        self._open = ExitStack()
        self._listener = tell
        self._words: deque[str] = deque(maxlen=200)

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The EMG channels, once the streams were found."""
        return tuple(feed.device.wired[row].channel for feed in self.devices for row in feed.emg_rows)

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
        found = look_until(self._fits, self.settings.find_s)
        wiring = wire(self.settings, [one.description for one in found], self._muscles)
        handles = {one.description.uid: one for one in found}
        self.wiring = wiring
        if wiring.markers is not None:
            self._markers = TextInlet(handles[wiring.markers.uid])
            self._open.callback(self._markers.close)
        has_trigger = any(one.channel.kind == "trigger" for one in wiring.devices[0].wired)
        self._from_artifact = not has_trigger and self._markers is None
        if self._from_artifact:
            self._marks = "first pulse"
            self._tell("No trigger channel and no markers: pulses are found from their artifact in the EMG.")
        elif not has_trigger and self.settings.markers is not None:
            self._marks = self.settings.markers.marks
        self.devices = tuple(self._follow(handles, device) for device in wiring.devices)
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
            while not all(feed.stamps.settled for feed in self.devices) and time.monotonic() < until:
                self._fail()
                self.changed.wait(0.1)
        for feed in self.devices:
            if not feed.stamps.settled:
                self._tell(f"{feed.name}: hardly any sample in {_SETTLE_S:g} s. Look at the sender.")

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
            self._mark(self._markers.pull())
        for feed in (*self.devices, *((self.torque,) if self.torque is not None else ())):
            found = feed.pull()
            with self.changed:
                if feed is self.devices[0]:
                    for one in found:
                        self._hear(one)
                self.changed.notify_all()

    def _mark(self, markers: Sequence[tuple[float, str]]) -> None:
        """Let markers be pulses, where no trigger channel tells of them."""
        first = self.devices[0]
        wanted = self.settings.markers.text if self.settings.markers is not None else ""
        with self.changed:
            for stamp_s, text in markers:
                at = first.at(stamp_s + self._marker_clock_s)
                first.note(at, text)
                if first.trigger_row < 0 and text.startswith(wanted):
                    first.cutter.mark(at)

    def _hear(self, one: Cut | LoneArtifact) -> None:
        """Give a pulse to the stimulus that waits for it, or say that it was not asked for."""
        asked = self._asked
        if isinstance(one, LoneArtifact):
            if self._is_pulse(one):
                at = one.sample
                self.devices[0].note(at, "artifact without trigger")
                if asked is not None and at >= asked.first:
                    asked.has_lone = True
                else:
                    self._tell("The EMG shows what looks like a pulse, without a trigger, while none was asked for.")
            return
        if asked is not None and asked.cut is None and one.pulses[0] >= asked.first:
            asked.cut = one
            return
        self.devices[0].note(one.pulses[0], "pulse, not asked for")
        self._tell(self._unasked(one, asked))

    def _unasked(self, cut: Cut, asked: _Asked | None) -> str:
        many = f"{len(cut.pulses)} pulses were" if len(cut.pulses) > 1 else "A pulse was"
        if asked is None or asked.cut is not None:
            return f"{many} given while none was asked for. No stimulus gets the sweep; the person got the pulse."
        return f"{many} given before stimulus {asked.number} was asked for. It does not count as its answer."

    def _is_pulse(self, lone: LoneArtifact) -> bool:
        if len(self._artifacts_uv) < _FEWEST_ARTIFACTS:
            return False
        return lone.size_uv >= _LIKE_USUAL * float(np.median(self._artifacts_uv))

    def _compare_clocks(self) -> None:
        while True:
            for feed in self.devices:
                feed.set_clock()
            if self._markers is not None:
                self._marker_clock_s = self._markers.correction(1.0) or self._marker_clock_s
            if self._closing.wait(_CLOCK_EVERY_S):
                return

    # What a session asks

    def deliver(self, request: Deliver, number: int) -> Delivered:
        """Wait for the pulse of stimulus ``number``; words alone where none came, or none that can be told to be its own."""
        with self.changed:
            self._given_up = False
            asked = self._asked = _Asked(number, self._now_sample(), time.monotonic())
        if self._control is not None:
            self._control.set(request, number)
        try:
            with self.changed:
                words = self._wait(asked)
        finally:
            with self.changed:
                self._asked = None
        if asked.cut is None:
            self._tell(words)
            return Delivered(number=number, said=self.words())
        return self._delivered(asked.cut, request, number)

    def give_up(self) -> None:
        """Stop waiting: the operator says that no pulse will come. Called from another thread."""
        with self.changed:
            self._given_up = True
            self.changed.notify_all()

    def _now_sample(self) -> int:
        """Return the number of the first sample that can answer what is asked now: what is under way was taken before."""
        first = self.devices[0]
        late_s = first.late_s()
        under_way = min(max(late_s, 0.0), _UNDER_WAY_S) if math.isfinite(late_s) else 0.0
        if first.silent_s > self.settings.stall_s:
            under_way = max(under_way, first.silent_s)
        return first.cutter.ring.end + math.ceil((under_way + SOONEST_S) * first.rate_hz)

    def _wait(self, asked: _Asked) -> str:
        """Wait until a pulse came, or say why none did."""
        first = self.devices[0]
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
            waited = time.monotonic() - asked.since
            if waited > self.settings.patience_s and first.silent_s > self.settings.stall_s:
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
        channels = [first.device.wired[row].channel for row in first.emg_rows]
        sweep = sweep_around(cut, test, stimulus, first.rate_hz, first.emg_rows, channels)
        if len(self.devices) > 1 or shift_ms:
            sweep = self._with_others(sweep, test, shift_ms)
        seen = seen_pulses(cut, sweep, stimulus, marks, self.lags, from_artifact=self._from_artifact)
        self.lags.add(seen.lag_ms)
        if math.isfinite(cut.artifact_uv):
            self._artifacts_uv.append(cut.artifact_uv)
        first.note(cut.pulses[0], f"stimulus {number}")
        stop = first.cutter.ring.stamps(cut.first + cut.samples.shape[1] - 1, cut.first + cut.samples.shape[1])
        self.last_sample_s = float(stop[0]) + first.clock_s if stop.size else math.nan
        found = judge_pulses(seen)
        return Delivered(number=number, sweep=sweep, said=self.words(), found=found)

    def _with_others(self, sweep: Sweep, test: int, shift_ms: float) -> Sweep:
        """Add the channels of further devices, to the nearest sample by the clocks."""
        first = self.devices[0]
        parts, names = [sweep.samples_uv], list(sweep.channels)
        stamps = first.cutter.ring.stamps(test, test + 1)
        at_s = (float(stamps[0]) if stamps.size else math.nan) + first.clock_s
        for feed in self.devices[1:]:
            parts.append(self._of_other(feed, at_s, sweep))
            names += [feed.device.wired[row].channel.name for row in feed.emg_rows]
        return Sweep(
            samples_uv=np.concatenate(parts),
            rate_hz=sweep.rate_hz,
            onset_sample=sweep.onset_sample,
            channels=tuple(names),
            shift_ms=shift_ms,
        )

    def _of_other(self, feed: DeviceFeed, at_s: float, sweep: Sweep) -> SamplesUv:
        """Return what another device recorded meanwhile; NaN where the clocks do not tell or it did not come in time."""
        count = sweep.samples_uv.shape[1]
        if math.isnan(at_s) or math.isnan(feed.clock_s):
            return np.full((len(feed.emg_rows), count), np.nan, dtype=np.float32)
        with self.changed:
            start = feed.at(at_s) - sweep.onset_sample
            self.changed.wait_for(lambda: feed.cutter.ring.end >= start + count, self.settings.stall_s)
            return feed.cutter.ring.read(start, start + count)[list(feed.emg_rows)]
