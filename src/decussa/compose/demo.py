"""The demo: runs the sessions of a small invented study, then does with them what a user would, through the same doors."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from decussa.batch.many import measure_archive
from decussa.batch.summary import summarise
from decussa.compose.reporting import report_sessions
from decussa.compose.rowers import rowers_participants, run_rowers
from decussa.model.errors import UsageError
from decussa.model.version import VERSION
from decussa.recording.bids_write import write_bids_dataset
from decussa.recording.tables import read_table, write_table
from decussa.recording.whole_file import make_folder

_README = """# Three rowers

Invented data: no person was stimulated. Three virtual rowers, before and after an hour on the ergometer; a muscle of the right
hand (first dorsal interosseous) and the lumbar erector spinae of both sides. Single pulses, a recruitment curve, paired pulses,
a silent period and M-waves for the hand; single and paired pulses during light extension for the back. The third rower is a
difficult one: trials that a session must notice are in the recordings.

Made by the demo of Decussa, which measures and reports these files as it would measure yours.
"""


@dataclass(frozen=True, slots=True)
class DemoMade:
    """What the demo left behind."""

    sessions: Path
    data_set: Path
    trials: Path
    summary: Path
    reports: tuple[Path, ...]

    def sentence(self) -> str:
        """Return what was made and where to look first."""
        return (
            f"Sessions, with their journals: {self.sessions} (decussa check, decussa report, decussa serve)\n"
            f"Data set: {self.data_set}\nTrial table: {self.trials}\nSummary: {self.summary}\n"
            f"Reports: {len(self.reports)} in {self.reports[0].parent}, one per session; begin with {self.reports[0]}"
        )

    def as_dict(self) -> dict[str, str | list[str]]:
        """Return the same for machines."""
        return {
            "sessions": str(self.sessions),
            "data_set": str(self.data_set),
            "trials": str(self.trials),
            "summary": str(self.summary),
            "reports": [str(path) for path in self.reports],
        }


def make_demo(folder: Path, *, seed: int, say: Callable[[str], None]) -> DemoMade:
    """Make the study in ``folder``, measure, summarise and report it.

    Raises
    ------
    UsageError
        If ``folder`` exists and holds something.
    MachineError
        If ``folder`` cannot be made.
    """
    if any(make_folder(folder).iterdir()):
        raise UsageError(
            "folder is not empty", where=folder, do="name another folder, or remove this one if it is an earlier demo"
        )
    data_set, trials, summary = folder / "rowers", folder / "trials.tsv", folder / "summary.tsv"
    say(
        "1 of 4  Three invented rowers, before and after an hour on the ergometer: sessions run by the engine, and recorded"
    )
    write_bids_dataset(
        data_set,
        name="Three rowers, before and after an hour on the ergometer",
        readme=_README,
        participants=rowers_participants(seed),
        runs=run_rowers(folder / "sessions", seed, say),
        version=VERSION,
    )
    say(f"2 of 4  decussa measure {data_set} --out {trials}")
    measured = measure_archive(data_set, trials)
    for _, error in measured.refused:
        say(f"Refused: {error}")
    say(f"3 of 4  decussa summarise {trials} --out {summary}")
    write_table(summarise(read_table(trials)), summary)
    say(f"4 of 4  decussa report {data_set} --out {folder / 'reports'}")
    reports = report_sessions(data_set, out=folder / "reports")
    return DemoMade(folder / "sessions", data_set, trials, summary, reports)
