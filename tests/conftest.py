"""Fixtures that all tests share."""

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Recordings that are not part of the project: where ``DECUSSA_DATA`` says, or beside the repository."""
    folder = Path(os.environ.get("DECUSSA_DATA", Path(__file__).parents[2] / "shared" / "data"))
    if not folder.is_dir():
        pytest.skip("no recordings to try: set DECUSSA_DATA")
    return folder
