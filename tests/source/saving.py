"""An invented recorder that saves into a folder, on a clock that is moved by waiting on it."""

from datetime import UTC, datetime, timedelta

import numpy as np

from decussa.model.dialogue import Deliver
from decussa.model.stimulus import Stimulus
from decussa.recording.bdf_write import write_bdf
from decussa.recording.read import read
from decussa.source.folder.source import FolderSettings, FolderSource, Time
from decussa.source.virtual.person import VirtualParticipant

LABEL = "FDI right"
ENDINGS = (".edf", ".bdf", ".csv", ".mat")
MORNING = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)


class Lab:
    """A folder, a clock, and things that happen at set times while somebody waits."""

    def __init__(self, folder, *, patience_s=20.0):
        self.folder = folder
        folder.mkdir(exist_ok=True)
        self.now = 0.0
        self.person = VirtualParticipant(3, "hand")
        self.due = []
        self.time = Time(steady=lambda: self.now, of_day=lambda: MORNING.timestamp() + self.now, wait=self.wait)
        self.settings = FolderSettings(patience_s=patience_s)

    def source(self):
        return FolderSource(self.folder, [LABEL], read, ENDINGS, settings=self.settings, clock=self.time)

    def wait(self, seconds):
        until = self.now + seconds
        for entry in sorted(self.due, key=lambda one: one[0]):
            if entry[0] <= until:
                self.now = max(self.now, entry[0])
                self.due.remove(entry)
                entry[1]()
        self.now = until

    def later(self, seconds, act):
        """Have something happen so many seconds from now."""
        self.due.append((self.now + seconds, act))

    def sweep(self, number):
        """The sweep of stimulus ``number``: always the same one."""
        self.person.number = number - 1
        return self.person.deliver(Stimulus.single(60))

    def save(self, name, *numbers, says="TMS single", start=None, late_s=0.0, label=LABEL):
        """Write a file with the sweeps of some stimuli; ``start`` None: the recorder's clock, false: none is kept."""
        sweeps = [self.sweep(number) for number in numbers]
        samples = np.concatenate([sweep.samples_uv for sweep in sweeps], axis=1)
        size = sweeps[0].samples_uv.shape[1]
        onsets = [(place * size + sweeps[0].onset_sample) / sweeps[0].rate_hz for place in range(len(sweeps))]
        path = self.folder / name
        if path.suffix == ".csv":
            write_csv(path, sweeps, label)
            return path
        began = MORNING + timedelta(seconds=self.now - late_s - onsets[0])
        channel = type(self.person.channels[0])(
            name=label, kind="emg", rate_hz=5000.0, low_uv=-20000, high_uv=20000
        )  # fmt: skip
        texts = [(onset, says) for onset in onsets] if says else []
        write_bdf(path, samples, 5000.0, [channel], annotations=texts, start=began if start is None else None)
        return path

    def give(self, name, *numbers, after_s=1.0, **more):
        """Have a file appear some time after the stimulus was asked for."""
        self.later(after_s, lambda: self.save(name, *numbers, **more))


def write_csv(path, sweeps, label, rows=None):
    """Write sweeps in the long shape, whole or only the first rows."""
    name = label.replace(" ", "_")
    lines = [f"sweep,time_ms,{name}_uv,stim_type"]
    for place, sweep in enumerate(sweeps, start=1):
        lines += [
            f"{place},{time:.1f},{value:.4f},single"
            for time, value in zip(sweep.time_ms, sweep.samples_uv[0], strict=True)
        ]
    path.write_text("\n".join(lines[:rows]) + "\n", encoding="utf-8")


def request(stimulus=None, **more):
    return Deliver(stimulus=stimulus or Stimulus.single(60), step="s", muscle=LABEL, **more)


class Punctual(FolderSource):
    """A folder into which the recorder saves the file of each stimulus a second after it was asked for."""

    def __init__(self, folder):
        self.lab = Lab(folder)
        super().__init__(folder, [LABEL], read, ENDINGS, settings=self.lab.settings, clock=self.lab.time)

    def deliver(self, request, number):
        self.lab.give(f"trial_{number:03}.bdf", number)
        return super().deliver(request, number)
