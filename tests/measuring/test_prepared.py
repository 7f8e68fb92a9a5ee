"""Whether the measuring code is compiled already."""

import concurrent.futures
import os
from concurrent.futures.process import BrokenProcessPool
from types import SimpleNamespace

import numpy as np
import pytest

from decussa.measuring.kernel import read_block
from decussa.measuring.prepared import is_kept, is_prepared, prepare
from decussa.measuring.sweeps import measure_sweeps


@pytest.mark.parametrize("onset", ["model", "threshold", None])
def test_after_a_measurement_the_code_is_there(onset):
    sweep = np.random.default_rng(1).normal(0, 5, 2500)
    sweep[600:640] += 900 * np.sin(np.arange(40) / 3)
    measure_sweeps(sweep, 5000.0, 500, onset=onset)

    assert is_prepared(onset)


def test_in_an_empty_folder_or_older_than_its_source_it_is_not(tmp_path):
    kernel = SimpleNamespace(py_func=read_block.py_func, stats=SimpleNamespace(cache_path=str(tmp_path)))
    assert not is_kept(kernel)

    line = read_block.py_func.__code__.co_firstlineno
    index = tmp_path / f"kernel.read_block-{line}.py311.nbi"
    index.write_bytes(b"")
    assert is_kept(kernel)

    os.utime(index, (0, 0))
    assert not is_kept(kernel)


def test_a_process_that_dies_leaves_its_part_to_the_first_sweep(monkeypatch):
    class Dying(concurrent.futures.Executor):
        def __init__(self, *_, **__):
            pass

        def submit(self, *_):
            raise BrokenProcessPool("a process was killed")

    monkeypatch.setattr(concurrent.futures, "ProcessPoolExecutor", Dying)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    prepare()
