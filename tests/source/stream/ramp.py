"""A second device in a program of its own, with its own clock where the system lends one.

    python -m tests.source.stream.ramp NAME

Its EMG is the number of the sample, its torque the number of its own sample. It says by which its clock differs from the wall's,
and when it took its first sample, both in s; it ends when its input does.
"""

import shutil
import subprocess
import sys
import threading
import time
from contextlib import contextmanager

import numpy as np

from decussa.source.stream.library import library, stay_on_this_machine

RATE_HZ, TORQUE_HZ, PACKET = 5_000, 100, 50
MUSCLE = "ECR left"
#: By which the clock of the program is ahead, in s.
AHEAD_S = 100_000


def wall_minus_clock(clock):
    """Return the wall's clock minus another, from the narrowest of many looks."""
    looks = []
    for _ in range(2_000):
        before, between, after = time.time(), clock(), time.time()
        looks.append((after - before, (before + after) / 2 - between))
    return min(looks)[1]


def outlet(name, kind, label, unit, rate_hz):
    pylsl = library()
    info = pylsl.StreamInfo(name, kind, 1, rate_hz, pylsl.cf_float32, f"{name} {kind}")
    channel = info.desc().append_child("channels").append_child("channel")
    for key, value in (("label", label), ("unit", unit), ("type", kind)):
        channel.append_child_value(key, value)
    return pylsl.StreamOutlet(info, PACKET, 360)


def send(name):
    stay_on_this_machine()
    clock = library().local_clock
    emg = outlet(name, "EMG", MUSCLE, "microvolts", RATE_HZ)
    torque = outlet(name, "Torque", "Torque", "Nm", TORQUE_HZ)
    begun_s = clock()
    print(repr(wall_minus_clock(clock)), repr(begun_s), flush=True)
    over = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), over.set()), daemon=True).start()
    for first in range(0, 2**24, PACKET):
        last = first + PACKET - 1
        if over.wait(max(0.0, begun_s + last / RATE_HZ - clock())):
            return
        emg.push_chunk(np.arange(first, last + 1, dtype=np.float32)[:, None], begun_s + last / RATE_HZ)
        torque.push_sample([first // PACKET], begun_s + first / RATE_HZ)


@contextmanager
def ramp(name):
    """Run the device; the block gets what it said: wall minus clock, and when it took its first sample."""
    other_clock = ["unshare", "--time", "--monotonic", str(AHEAD_S), "--kill-child"]
    can = shutil.which("unshare") and subprocess.run([*other_clock, "true"], check=False, capture_output=True)
    command = [sys.executable, "-m", "tests.source.stream.ramp", name]
    child = subprocess.Popen(
        [*other_clock, *command] if can and can.returncode == 0 else command,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        yield tuple(map(float, child.stdout.readline().split()))
    finally:
        child.stdin.close()
        child.wait(20)
        child.stdout.close()


if __name__ == "__main__":
    send(sys.argv[1])
