"""Who works on a study: people added and their PINs changed, by whoever is entitled to."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from decussa.compose.preparing import known_operators, who_acts
from decussa.model.errors import UsageError
from decussa.session.clock import to_text
from decussa.store import private
from decussa.store.journal import open_journal
from decussa.store.operators import KnownOperator, add_operator, change_pin
from decussa.store.preparing import OperatorAdded, PinChanged
from decussa.store.study import open_study


def add_colleague(
    folder: Path, code: str, name: str, role: str, pin: str, *, by_code: str = "", by_pin: str = ""
) -> KnownOperator:
    """Add somebody who works here; from the first principal investigator with a PIN on, only with theirs.

    Raises
    ------
    UsageError
        If the code is taken, the role not known, the PIN too short, or who adds is not entitled to.
    """
    _refuse_unless_entitled(folder, by_code, by_pin)
    private.create_missing(folder)
    with private.open_private(folder, write=True) as database:
        added = add_operator(database, code, name, role, pin=pin)
    with open_study(folder, write=True) as study, open_journal(study) as journal:
        noted = OperatorAdded(operator=added.code, role=added.role, has_pin=added.has_pin)
        journal.append("operator added", noted, at=to_text(datetime.now(UTC)))
    return added


def change_colleague_pin(folder: Path, code: str, old: str, new: str, *, by_code: str = "", by_pin: str = "") -> None:
    """Give somebody who works here another PIN; a first one as adding them, with a principal investigator's where one has it.

    Raises
    ------
    UsageError
        If nobody has this code, the old PIN is wrong, the new one too short, or who gives a first one is not entitled to.
    """
    known = next((one for one in known_operators(folder) if one.code == code), None)
    if known is None:
        raise UsageError("nobody here has this code", where=code, do="add the person first")
    if not known.has_pin:
        _refuse_unless_entitled(folder, by_code, by_pin)
    with private.open_private(folder, write=True) as database:
        change_pin(database, code, old, new, at=to_text(datetime.now(UTC)))
    with open_study(folder, write=True) as study, open_journal(study) as journal:
        journal.append("pin changed", PinChanged(operator=code, first=not known.has_pin), at=to_text(datetime.now(UTC)))


def _refuse_unless_entitled(folder: Path, by_code: str, by_pin: str) -> None:
    """Refuse whoever is no principal investigator with a PIN, from the first one on."""
    guards = [one.code for one in known_operators(folder) if one.role == "principal investigator" and one.has_pin]
    if guards:
        guard = who_acts(folder, by_code or guards[0], by_pin)
        if guard.role != "principal investigator" or not guard.verified:
            raise UsageError("only a principal investigator adds people and first PINs", expected=" or ".join(guards))
