"""``decussa serve`` refuses what it cannot serve, in a line."""

import socket

import pytest

from decussa.command import serving
from decussa.command.cli import main


def refusal(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main(["serve", *arguments])
    out, err = capsys.readouterr()
    assert out == "", "an address is told that is not served"
    return ended.value.code, err


def test_where_the_pages_are_not_installed_the_command_says_so(monkeypatch, capsys, tmp_path):
    monkeypatch.setattr(serving, "find_spec", lambda _: None)
    code, said = refusal(capsys, str(tmp_path))
    assert code == 1
    assert ".[app]" in said


def test_a_folder_that_is_not_there_and_a_port_that_is_none_are_wrong_usage(capsys, tmp_path):
    assert refusal(capsys, str(tmp_path / "none"))[0] == 2
    code, said = refusal(capsys, str(tmp_path), "--port", "70000")
    assert (code, "1 to 65535" in said) == (2, True)


def test_a_port_that_is_taken_is_named_with_what_to_do(capsys, tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        code, said = refusal(capsys, str(tmp_path), "--port", str(port))
    assert code == 1
    assert f"127.0.0.1:{port}" in said
    assert "--port" in said


def test_a_language_that_is_not_there_is_wrong_usage(capsys, tmp_path):
    code, said = refusal(capsys, str(tmp_path), "--language", "xx")
    assert (code, "language is not known" in said) == (2, True)
