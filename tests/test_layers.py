"""Imports point one way, and the core stays pure."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import surpluscharge

ROOT = Path(__file__).parent.parent
CORE = sorted((Path(surpluscharge.__file__).parent / "control").glob("*.py"))
IMPURE = {
    "asyncio",
    "concurrent",
    "io",
    "logging",
    "os",
    "pathlib",
    "random",
    "secrets",
    "selectors",
    "signal",
    "socket",
    "sqlite3",
    "structlog",
    "subprocess",
    "sys",
    "tempfile",
    "threading",
    "time",
    "uuid",
}


def imported(tree: ast.AST) -> Iterator[str]:
    """Yield the full names of all modules that are imported, wherever in a file."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide where they lead"
            yield str(node.module)


def test_the_contracts_hold() -> None:
    # In a process of its own: the linter sets up logging, and disables every logger there is.
    command = "from importlinter.cli import lint_imports; raise SystemExit(lint_imports(no_cache=True))"
    done = subprocess.run([sys.executable, "-c", command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Contracts: 2 kept, 0 broken." in done.stdout


@pytest.mark.parametrize("path", CORE, ids=lambda path: path.name)
def test_the_core_has_no_clock_no_chance_and_no_io(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    modules = set(imported(tree))
    assert not {module.split(".", maxsplit=1)[0] for module in modules} & IMPURE
    own = {module for module in modules if module.split(".", maxsplit=1)[0] == "surpluscharge"}
    assert all(module.startswith("surpluscharge.control") for module in own)
    called = {node.func.id for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    assert not called & {"open", "input", "exec", "eval", "__import__"}
    # Dates may be reckoned with (a tariff's hours are those of the wall clock), but never asked for.
    asked = {ast.unparse(node) for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    assert not asked & {"datetime.now", "datetime.today", "datetime.utcnow", "date.today"}


def test_the_core_is_where_it_is_looked_for() -> None:
    assert {"machine.py", "supervisor.py", "signals.py", "controller.py"} <= {path.name for path in CORE}
