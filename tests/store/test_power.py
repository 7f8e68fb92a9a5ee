"""When the power goes, every entry that was reported as written is there."""

from __future__ import annotations

import shutil
from itertools import pairwise
from pathlib import Path

import pytest

from decussa.model.errors import MachineError
from decussa.store import database
from decussa.store.journal import open_journal
from decussa.store.kinds import KINDS
from decussa.store.study import open_study
from tests.store.fault_layer import Fate, Layer, Step, after_power_cut, fault_layer
from tests.store.invented import AT, a_copy, a_study, broken, hashes, write_pulse

FATES: tuple[Fate, ...] = ("all lost", "all there", "any part")


@pytest.fixture(scope="module")
def plain_study(tmp_path_factory) -> Path:
    return a_study(tmp_path_factory.mktemp("power") / "study", pulses=1)


def written_under_the_layer(folder: Path) -> Layer:
    """Write three rounds of pulses, each opening and closing the study, one with sweeps large enough to fill the log."""
    with fault_layer() as layer:
        for round_, n_samples in enumerate((250, 150_000, 250)):
            with open_study(folder, write=True) as study, open_journal(study, "P07-1") as journal:
                for pulse in range(4):
                    for number in write_pulse(journal, 10 * round_ + pulse, n_samples):
                        layer.mark(number)
    return layer


def lost_entries(
    base: Path, written: dict[int, str], steps: list[Step], fate: Fate, seed: int, place: Path
) -> list[int]:
    """Return the entries that were reported before the cut and are not there after it."""
    shutil.rmtree(place, ignore_errors=True)
    a_copy(base, place)
    before = {"study.db": (base / "study.db").read_bytes()}
    for name, content in after_power_cut(before, steps, fate, seed).items():
        (place / name).write_bytes(content)
    there = hashes(place)
    assert broken(place) == []
    reported = [step.at for step in steps if step.act == "mark"]
    return [number for number in reported if there.get(number) != written[number]]


def test_nothing_reported_is_lost_wherever_the_power_goes(plain_study, tmp_path):
    layer = written_under_the_layer(a_copy(plain_study, tmp_path / "written"))
    written = hashes(tmp_path / "written")
    syncs = [at for at, step in enumerate(layer.steps) if step.act == "sync"]
    middles = [(first + second) // 2 for first, second in pairwise(syncs)]
    cuts = sorted({*syncs, *(at + 1 for at in syncs), *middles})

    lost = {
        (cut, fate): numbers
        for seed, cut in enumerate(cuts)
        for fate in FATES[seed % 3 : seed % 3 + 1]
        if (numbers := lost_entries(plain_study, written, layer.steps[:cut], fate, seed, tmp_path / "cut"))
    }

    assert lost == {}
    assert {step.file for step in layer.steps if step.act == "sync"} == {"study.db", "study.db-wal"}


def test_the_layer_would_show_a_store_that_does_not_wait_for_the_disk(plain_study, tmp_path, monkeypatch):
    lazy = tuple(
        "synchronous=NORMAL" if "synchronous" in pragma else pragma for pragma in database._PRAGMAS_OF_A_WRITER
    )
    monkeypatch.setattr(database, "_PRAGMAS_OF_A_WRITER", lazy)
    layer = written_under_the_layer(a_copy(plain_study, tmp_path / "written"))
    last_mark = max(at for at, step in enumerate(layer.steps) if step.act == "mark")

    lost = lost_entries(
        plain_study, hashes(tmp_path / "written"), layer.steps[: last_mark + 1], "all lost", 0, tmp_path / "cut"
    )

    assert lost != []


@pytest.mark.parametrize(
    ("code", "said"), [(13, "disk is full"), (778, "disk does not answer"), (8, "may not be written")]
)
def test_a_disk_that_refuses_is_said_and_costs_only_the_entry_that_was_refused(plain_study, tmp_path, code, said):
    folder = a_copy(plain_study, tmp_path / "study")
    before = hashes(folder)
    with fault_layer() as layer, open_study(folder, write=True) as study, open_journal(study, "P07-1") as journal:
        kept = write_pulse(journal, 1)
        layer.refusal, layer.refuse_from = code, layer.writes + 2
        with pytest.raises(MachineError, match=said) as caught:
            write_pulse(journal, 2)
        layer.refuse_from = float("inf")
        after = journal.append("note", KINDS["note"].example, at=AT)

    assert "Traceback" not in str(caught.value)
    assert sorted(hashes(folder)) == [*before, *kept, after.number]
    assert broken(folder) == []
