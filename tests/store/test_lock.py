"""The lock ends with the process that held it, however that ended."""

import pytest

from decussa.model.errors import MachineError
from decussa.store.journal import open_journal
from decussa.store.study import open_study
from tests.store.invented import a_study, broken, hashes
from tests.store.steady_writer import steady_writer


def test_a_killed_writer_leaves_no_lock(tmp_path):
    folder = a_study(tmp_path / "study", pulses=0)
    with open_study(folder, write=True) as study:
        with steady_writer(folder, 50) as (writer, told):
            told.recv()
            with (
                pytest.raises(MachineError, match=rf"found process {writer.pid}\. Go on in the window"),
                open_journal(study, "P07-1"),
            ):
                pass
        with open_journal(study, "P07-1"):
            pass

    assert broken(folder) == []
    assert len(hashes(folder)) >= 3
