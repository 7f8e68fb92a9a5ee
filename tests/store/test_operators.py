"""Who works here is known by code, role and PIN; the PIN itself is nowhere."""

import hashlib

import pytest

from decussa.model.errors import UsageError
from decussa.store.operators import Identity, _slow_hash, add_operator, change_pin, identify, operators
from decussa.store.private import open_private
from tests.store.invented import AT, a_study


@pytest.fixture
def folder(tmp_path):
    return a_study(tmp_path / "study", pulses=1)


@pytest.fixture
def database(folder):
    with open_private(folder, write=True) as opened:
        yield opened


def test_an_operator_is_known_by_code_and_pin(database):
    add_operator(database, "OP1", "Invented Person", "physician", pin="4711")

    assert [(one.code, one.name, one.role, one.has_pin) for one in operators(database)] == [
        ("OP1", "Invented Person", "physician", True)
    ]
    assert identify(database, "OP1", "4711", at=AT) == Identity(code="OP1", role="physician", verified=True)
    with pytest.raises(UsageError, match="PIN is not right"):
        identify(database, "OP1", "4712", at=AT)
    with pytest.raises(UsageError, match="nobody here"):
        identify(database, "OP2", "4711", at=AT)


def test_without_a_pin_the_identity_is_not_verified_whatever_is_typed(database):
    add_operator(database, "OP1", "Invented Person")

    assert not identify(database, "OP1", "", at=AT).verified
    assert not identify(database, "OP1", "4711", at=AT).verified


@pytest.mark.parametrize(
    ("code", "name", "role", "pin", "said"),
    [
        ("OP1", "Another", "operator", "9999", "taken"),
        ("OP2", "Another", "operator", "99", "too short"),
        ("OP2", " ", "operator", "", "no name"),
        ("OP2", "Another", "king", "", "role"),
        ("<b>", "Another", "operator", "", "not usable"),
    ],
)
def test_an_operator_who_cannot_be_is_refused(database, code, name, role, pin, said):
    add_operator(database, "OP1", "Invented Person", pin="4711")

    with pytest.raises(UsageError, match=said):
        add_operator(database, code, name, role, pin=pin)
    assert [one.code for one in operators(database)] == ["OP1"]


def test_after_five_wrong_pins_even_the_right_one_waits_five_minutes(database):
    add_operator(database, "OP1", "Invented Person", pin="4711")
    for _ in range(5):
        with pytest.raises(UsageError, match="not right"):
            identify(database, "OP1", "0000", at="2026-03-01T09:00:00Z")

    with pytest.raises(UsageError, match="Wait 1 min"):
        identify(database, "OP1", "4711", at="2026-03-01T09:04:59Z")
    assert identify(database, "OP1", "4711", at="2026-03-01T09:05:00Z").verified


def test_a_right_pin_forgets_the_wrong_ones(database):
    add_operator(database, "OP1", "Invented Person", pin="4711")
    for pin in ("0", "1", "2", "3", "4711", "0", "1", "2", "3"):
        if pin == "4711":
            assert identify(database, "OP1", pin, at=AT).verified
        else:
            with pytest.raises(UsageError, match="not right"):
                identify(database, "OP1", pin, at=AT)

    assert identify(database, "OP1", "4711", at=AT).verified


def test_a_pin_is_changed_only_by_who_knows_the_old_one(database):
    add_operator(database, "OP1", "Invented Person", pin="4711")
    with pytest.raises(UsageError, match="not right"):
        change_pin(database, "OP1", "0000", "5555", at=AT)
    change_pin(database, "OP1", "4711", "5555", at=AT)

    assert identify(database, "OP1", "5555", at=AT).verified
    with pytest.raises(UsageError, match="not right"):
        identify(database, "OP1", "4711", at=AT)


def test_the_pin_itself_is_nowhere_and_equal_pins_look_different(folder):
    with open_private(folder, write=True) as database:
        add_operator(database, "OP1", "Invented Person", pin="a long secret pin")
        add_operator(database, "OP2", "Invented Person", pin="a long secret pin")
    content = b"".join(path.read_bytes() for path in folder.glob("private.db*"))

    assert b"secret pin" not in content
    with open_private(folder, write=True) as database, database.transaction() as connection:
        first, second = connection.exec_driver_sql("SELECT pin_hash FROM operator").scalars()
    assert first != second


def test_the_slow_hash_is_scrypt():
    """The function is the standard library's; its own value for RFC 7914, section 12, second vector."""
    known = hashlib.scrypt(b"password", salt=b"NaCl", n=1024, r=8, p=16, dklen=64).hex()

    assert known.startswith("fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162")
    assert _slow_hash("password", b"NaCl") == hashlib.scrypt(b"password", salt=b"NaCl", n=2**14, r=8, p=1)
