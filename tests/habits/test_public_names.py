"""What ``import decussa`` offers is written down, loads on first use, and costs nothing before."""

import subprocess
import sys

import pytest

import decussa


@pytest.mark.parametrize("name", decussa.__all__)
def test_every_public_name_loads(name):
    assert getattr(decussa, name) is not None


def test_an_unknown_name_is_refused_as_python_does():
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = decussa.nonsense


def test_importing_the_package_loads_no_heavy_library():
    heavy = {"numpy", "scipy", "pandas", "numba", "matplotlib", "typst", "edfio", "sqlalchemy"}
    code = "import sys, decussa, decussa.command.cli; print(','.join(sorted(m for m in sys.modules if '.' not in m)))"
    loaded = (
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        .stdout.strip()
        .split(",")
    )

    assert heavy & set(loaded) == set()
