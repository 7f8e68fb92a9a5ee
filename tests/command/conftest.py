"""What tests of commands share."""

import pytest

from decussa.command.cli import main


@pytest.fixture
def run(capsys):
    """Run a command; return exit code, stdout and stderr."""

    def go(*arguments):
        with pytest.raises(SystemExit) as ended:
            main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return ended.value.code or 0, out, err

    return go


def one_sentence(err):
    """The refusal is said in a line or a few, and is no traceback."""
    lines = [line for line in err.strip().splitlines() if line]
    assert 1 <= len(lines) <= 3, err
    assert "Traceback" not in err
    assert "Fault in the program" not in err
    return err
