"""Runs a session and kills itself with SIGKILL around the n-th write: ``python killed.py FOLDER N before|after``."""

import os
import signal
import sys
from pathlib import Path

from decussa.store.journal import Journal

folder, number, when = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.session.stage import go  # noqa: E402 the path comes first

append = Journal.append
written = 0


def deadly(self, kind, body, **rest):
    global written
    written += 1
    if written == number and when == "before":
        os.kill(os.getpid(), signal.SIGKILL)
    entry = append(self, kind, body, **rest)
    if written == number and when == "after":
        os.kill(os.getpid(), signal.SIGKILL)
    return entry


Journal.append = deadly
go(folder)
