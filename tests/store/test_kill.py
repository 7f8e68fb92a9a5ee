"""When the process is killed, every entry whose append returned is there."""

import random
from pathlib import Path

from tests.store.invented import a_study, broken, hashes
from tests.store.steady_writer import kill_a_writer

KILLS = 10


def test_nothing_reported_is_lost_when_the_writer_is_killed(tmp_path):
    folder: Path = a_study(tmp_path / "study", pulses=0)
    chance = random.Random(11)
    reported: dict[int, str] = dict(hashes(folder))
    for kill in range(KILLS):
        reported |= kill_a_writer(folder, chance.randrange(1, 30), n_samples=(50, 2500, 60_000)[kill % 3])
        there = hashes(folder)

        assert {number: there.get(number) for number in reported} == reported
        # What was being written when the kill came may be there too; it is one entry at most.
        assert len(there) - len(reported) in (0, 1)
        assert broken(folder) == []
        reported = there
