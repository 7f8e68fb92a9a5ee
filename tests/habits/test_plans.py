"""A plan called as a bare statement does nothing, silently; this finds the forgotten ``yield from``."""

import ast
from pathlib import Path

PLANS = Path(__file__).parents[2] / "src" / "decussa" / "plan"


def generators():
    names = set()
    for path in PLANS.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and any(
                isinstance(n, ast.Yield | ast.YieldFrom) for n in ast.walk(node)
            ):
                names.add(node.name)
    return names


def test_no_plan_is_called_as_a_bare_statement():
    plans = generators()
    forgotten = []
    for path in PLANS.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
                called = node.value.func
                name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
                if name in plans | {"deliver", "show"}:
                    forgotten.append(f"{path.name}:{node.lineno} {name}")

    assert plans
    assert forgotten == []


def test_no_plan_yields_while_it_is_being_closed():
    held = [
        f"{path.name}:{node.lineno}"
        for path in PLANS.glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Try)
        and any(isinstance(n, ast.Yield | ast.YieldFrom) for f in node.finalbody for n in ast.walk(f))
    ]

    assert held == []
