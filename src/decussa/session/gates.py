"""What is confirmed before the first stimulus of a session, one gate after the other."""

from __future__ import annotations

from decussa.session.limits import GATES
from decussa.session.operator import Operator
from decussa.session.position import Position
from decussa.session.scribe import Scribe
from decussa.store.records import Gate


def open_gates(position: Position, scribe: Scribe, operator: Operator) -> bool:
    """Have every gate confirmed that was not yet; return whether all hold. Every word about a gate is an entry."""
    for gate in GATES:
        if gate in position.gates:
            continue
        passed = operator.confirm_gate(gate)
        scribe.write("gate", Gate(gate=gate, passed=passed, operator=operator.code))
        if not passed:
            return False
        position.gates |= {gate}
    return True
