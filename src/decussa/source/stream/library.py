"""The streaming library, loaded when it is needed: what streams are there, and inlets and outlets for them."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import MissingPartError
from decussa.source.stream.description import Description, read_description

#: Settings of the library under which nothing leaves this machine to look for streams, nor is found from outside. Every
#: question takes a port of the range for as long as answers may come: few at a time, and many ports.
THIS_MACHINE = """
[ports]
IPv6 = disable
PortRange = 256
[multicast]
ResolveScope = machine
MachineAddresses = {127.0.0.1}
LinkAddresses = {}
SiteAddresses = {}
OrganizationAddresses = {}
GlobalAddresses = {}
ListenAddress = 127.0.0.1
[lab]
KnownPeers = {127.0.0.1}
[tuning]
MulticastMinRTT = 0.1
MulticastMaxRTT = 0.6
UnicastMinRTT = 0.1
UnicastMaxRTT = 0.6
ContinuousResolveInterval = 0.3
[log]
level = -3
"""
#: One look around takes this long, as answers come in waves half a second apart; descriptions are waited for this long.
_LOOK_S = 1.5
_FORGET_S = 1.5
_DESCRIBE_S = 2.0
#: Seconds that the library keeps for us where we are slow.
_KEPT_S = 360
#: Most samples that are pulled at once.
_PIECE = 4_096


def library() -> Any:
    """Return the streaming library.

    Raises
    ------
    MissingPartError
        If it is not installed.
    """
    try:
        import pylsl
    except (ImportError, RuntimeError) as error:
        raise MissingPartError(
            "live streams need the streaming library",
            found=str(error),
            do="in the program's folder: pip install '.[live]'",
        ) from None
    return pylsl


def stay_on_this_machine() -> None:
    """Look for streams on this machine only; to be called before anything else of the library is used."""
    pylsl = library()
    if hasattr(pylsl, "set_config_content"):
        pylsl.set_config_content(THIS_MACHINE)
        return
    # Older versions read a file that is named in the environment.
    folder = Path(tempfile.mkdtemp(prefix="decussa-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    (folder / "streams.cfg").write_text(THIS_MACHINE, encoding="ascii")
    os.environ.setdefault("LSLAPICFG", str(folder / "streams.cfg"))


@dataclass(frozen=True, slots=True)
class Found:
    """A stream that is there: what it says of itself, and the library's handle."""

    description: Description
    handle: Any


class Lookout:
    """Looks for streams in the background, from being made on, and says which are there."""

    def __init__(self) -> None:
        self._resolver = library().ContinuousResolver(forget_after=_FORGET_S)
        self._since = time.monotonic()
        self._known: dict[str, Found] = {}

    @property
    def is_sure(self) -> bool:
        """Whether it has looked for long enough to see every stream that is there."""
        return time.monotonic() - self._since >= _LOOK_S

    def see(self) -> tuple[Found, ...]:
        """Return the streams that are there now, in order of their names; one that does not answer is left out."""
        pylsl = library()
        seen: dict[str, Found] = {}
        for info in self._resolver.results():
            uid = info.uid()
            if uid not in self._known:
                try:
                    full = pylsl.StreamInlet(info, recover=False).info(_DESCRIBE_S)
                except Exception:  # noqa: BLE001 the library has its own kinds; what goes away is not there
                    continue
                self._known[uid] = Found(read_description(full.as_xml()), info)
            seen[uid] = self._known[uid]
        return tuple(sorted(seen.values(), key=lambda one: (one.description.name, one.description.source_id)))


def look_until(fits: Callable[[Sequence[Found]], bool], seconds: float, *, at_once: bool = False) -> tuple[Found, ...]:
    """Look around until what is there fits, or so many seconds are over; return what was there last.

    ``at_once``: what fits cannot be mistaken for anything that shows later.
    """
    lookout, until = Lookout(), time.monotonic() + seconds
    while not (at_once or lookout.is_sure) or (not fits(lookout.see()) and time.monotonic() < until):
        time.sleep(0.1)
    return lookout.see()


class StreamLostError(Exception):
    """The sender is gone; known within the package only."""


class SampleInlet:
    """Pulls samples of one stream as they come.

    Parameters
    ----------
    found : Found
        The stream.
    """

    def __init__(self, found: Found) -> None:
        pylsl = library()
        self._inlet = pylsl.StreamInlet(found.handle, max_buflen=_KEPT_S, recover=False)
        self._lost = pylsl.util.LostError
        self._buffer: NDArray[Any] = np.empty((_PIECE, len(found.description.lines)), dtype=_dtype(found.handle))
        self._open()

    def _open(self) -> None:
        try:
            self._inlet.open_stream(_DESCRIBE_S)
        except Exception as error:
            raise StreamLostError(str(error)) from error

    def pull(self) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
        """Return what came, shape (n_samples, n_channels) in the stream's unit, and its stamps; empty where nothing did.

        Raises
        ------
        StreamLostError
            If the sender is gone.
        """
        try:
            _, stamps = self._inlet.pull_chunk(0.0, _PIECE, dest_obj=self._buffer)
        except self._lost as error:
            raise StreamLostError(str(error)) from error
        return self._buffer[: len(stamps)].astype(np.float32), np.asarray(stamps, dtype=np.float64)

    def correction(self, seconds: float) -> float | None:
        """Return what is added to the sender's clock to get ours; None where it is not known within so many seconds."""
        return _correction(self._inlet, seconds)

    def close(self) -> None:
        """Let the stream go."""
        self._inlet.close_stream()


class TextInlet:
    """Pulls markers of one stream as they come."""

    def __init__(self, found: Found) -> None:
        pylsl = library()
        self._inlet = pylsl.StreamInlet(found.handle, recover=True)
        self._inlet.open_stream(_DESCRIBE_S)

    def pull(self) -> list[tuple[float, str]]:
        """Return markers with their stamps."""
        texts, stamps = self._inlet.pull_chunk(0.0, _PIECE)
        return [(float(stamp), str(text[0])) for stamp, text in zip(stamps, texts or (), strict=False)]

    def correction(self, seconds: float) -> float | None:
        """Return what is added to the sender's clock to get ours; None where it is not known within so many seconds."""
        return _correction(self._inlet, seconds)

    def close(self) -> None:
        """Let the stream go."""
        self._inlet.close_stream()


def now_s() -> float:
    """Return the library's clock, in seconds."""
    return float(library().local_clock())


def _correction(inlet: Any, seconds: float) -> float | None:
    try:
        return float(inlet.time_correction(seconds))
    except Exception:  # noqa: BLE001 the library has its own kinds; the clock is simply not known
        return None


def _dtype(handle: Any) -> type:
    kinds = {1: np.float32, 2: np.float64, 4: np.int32, 5: np.int16, 6: np.int8, 7: np.int64}
    return kinds[int(handle.channel_format())]
