"""Change one thing of the program at a time and see whether a test notices: `python -m tests.bench.mutants --count 50`.

A change is a comparison moved by one, a number altered, `and` for `or`, `+` for `-`, a condition turned round, a
statement left out, or a word of an SQL statement exchanged. What is said in the log is left alone. Each is tried in a
copy of the checkout, on the tests that MAP gives for its module, and of these on the ones that come through its line,
the quickest first. What no test notices is printed, unless EQUIVALENT gives the reason why nothing can.

The order is random, by `--seed`; `--first 50 --count 50` are the next fifty. `--only books.py` picks modules.
"""

from __future__ import annotations

import argparse
import ast
import atexit
import ctypes
import hashlib
import importlib
import io
import os
import pickle
import random
import re
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import redirect_stderr, redirect_stdout, suppress
from multiprocessing import get_context
from pathlib import Path
from typing import Any, NamedTuple

import aiomqtt  # noqa: F401  what every test needs, imported before the forking: it saves seconds for each change
import hypothesis
import hypothesis.strategies
import numpy  # noqa: F401
import pydantic  # noqa: F401
import pytest
import structlog  # noqa: F401

from tests.bench.equivalent import EQUIVALENT

ROOT = Path(__file__).parents[2]
LEAST_S, FACTOR = 30.0, 4.0  # a change that makes the tests take so much longer was noticed
MOST_TESTS_S = 90.0  # of the tests that come through a line, the quickest so long

# Beside tests/test_NAME.py: which tests should notice a change of a module.
MAP = {
    "config/checks.py": "config",
    "config/effective.py": "config",
    "config/files.py": "config store",
    "config/models.py": "config",
    "config/reading.py": "config",
    "config/values.py": "config",
    "control/controller.py": "controller pauses faults supervisor",
    "control/lessons.py": "controller faults pauses",
    "control/machine.py": "machine controller pauses",
    "control/plug.py": "controller pauses faults reversal",
    "control/signals.py": "signals controller faults",
    "control/steps.py": "steps signals pauses faults",
    "control/supervisor.py": "supervisor faults controller pauses",
    "control/economics.py": "economics advise",
    "commissioning/hand.py": "commission",
    "daemon/historian.py": "recorder",
    "daemon/mqtt.py": "mqtt relay service",
    "daemon/service.py": "service store relay status",
    "daemon/status.py": "status service homie",
    "daemon/store.py": "store service",
    "commissioning/terminal.py": "commission",
    "history/energy.py": "energy ledger recorder report",
    "history/exchange.py": "ledger cli readings",
    "history/ledger/ageing.py": "ledger recorder report",
    "history/ledger/books.py": "ledger recorder report",
    "history/ledger/checking.py": "ledger",
    "history/ledger/filling.py": "ledger",
    "history/ledger/records.py": "ledger recorder report",
    "history/recorder.py": "recorder ledger",
    "history/report/drawing.py": "page",
    "history/report/figures.py": "report page",
    "history/report/page.py": "page",
    "history/report/paper.py": "page",
    "history/report/text.py": "report",
    "history/report/words.py": "report page",
}


TESTS: list[str] = []  # instead of these, where they are given


class Change(NamedTuple):
    """One change of a module: the bytes from ``begin`` to ``end`` become ``after``."""

    module: str  # below the package
    line: int
    lines: frozenset[int]  # of the statement; a test that comes through none of them cannot notice
    begin: int
    end: int
    before: str
    after: str
    text: str  # of its line

    def __str__(self) -> str:
        before, after = (" ".join(text.split())[:110] for text in (self.before, self.after))
        return f"surpluscharge/{self.module}:{self.line}: {before}  ->  {after}"

    @property
    def key(self) -> tuple[str, str, str]:
        return self.module, self.text, " ".join(self.after.split())


# --- what can be changed ---------------------------------------------------------------------------------------------

COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
RECKONED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv,
}
NAMED = {"min": "max", "max": "min", "any": "all", "all": "any"}
SQL = re.compile(r"\b(SELECT|INSERT|UPDATE|DELETE FROM|PRAGMA|CREATE|WHERE|ORDER BY)\b")
SQL_WORDS = [
    (r" <= ", " < "), (r" >= ", " > "), (r" < ", " <= "), (r" > ", " >= "), (r" = \?", " != ?"), (r"\bAND\b", "OR"),
    (r"\bDESC\b", "ASC"), (r"\bMIN\(", "MAX("), (r"\bMAX\(", "MIN("), (r"\bIS NULL\b", "IS NOT NULL"),
    (r"\bIS NOT NULL\b", "IS NULL"), (r" \+ ", " - "), (r" - ", " + "), (r"\bOR REPLACE\b", "OR IGNORE"),
    (r"\bOR IGNORE\b", "OR REPLACE"), (r"\bIMMEDIATE\b", "DEFERRED"), (r"= FULL\b", "= OFF"), (r"\bWAL\b", "MEMORY"),
    (r"\bNOT NULL\b", ""), (r"\bDISTINCT\b", ""), (r"\bLIMIT 1\b", "LIMIT 2"),
]  # fmt: skip
LOGGED = {"_say", "debug", "info", "warning", "error", "exception"}


class Finder(ast.NodeVisitor):
    """Collects what can be changed in one module."""

    def __init__(self, module: str, source: bytes) -> None:
        self.module, self.source = module, source
        self.texts = source.decode().splitlines()
        self.starts = [0]
        for line in source.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))
        self.found: list[Change] = []
        self.statement: ast.AST | None = None

    def place(self, node: Any) -> tuple[int, int]:
        return self.starts[node.lineno - 1] + node.col_offset, self.starts[node.end_lineno - 1] + node.end_col_offset

    def add(self, node: Any, after: str) -> None:
        begin, end = self.place(node)
        whole: Any = self.statement or node
        last = whole.end_lineno
        if isinstance(whole, (ast.If, ast.While, ast.For, ast.With, ast.FunctionDef, ast.AsyncFunctionDef)):
            last = max(whole.lineno, whole.body[0].lineno - 1)  # its head
        before = self.source[begin:end].decode()
        if before != after:
            lines = frozenset(range(whole.lineno, last + 1))
            text = self.texts[node.lineno - 1].strip()
            self.found.append(Change(self.module, node.lineno, lines, begin, end, before, after, text))

    def visit(self, node: ast.AST) -> None:
        held = self.statement
        if isinstance(node, ast.stmt):
            self.statement = node
            self.leave_out(node)
        if not self.is_talk(node):
            super().visit(node)
        self.statement = held

    def is_talk(self, node: ast.AST) -> bool:
        call = node.value if isinstance(node, ast.Expr) else None
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Attribute) and call.func.attr in LOGGED:
            return True
        return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)  # a docstring

    def leave_out(self, node: ast.stmt) -> None:
        if self.is_talk(node):
            return
        dropped = isinstance(node, (ast.Expr, ast.AugAssign, ast.Raise, ast.Break, ast.Continue, ast.Delete)) or (
            isinstance(node, ast.Assign)
            and all(isinstance(one, (ast.Attribute, ast.Subscript)) for one in node.targets)
        )
        if dropped and not (isinstance(node, ast.Expr) and isinstance(node.value, ast.Yield)):
            self.add(node, "pass")

    # Not looked into: the text of what is said, and what is there for the type checker and the reader only.
    def visit_JoinedStr(self, node: ast.JoinedStr) -> None: ...
    def visit_Raise(self, node: ast.Raise) -> None: ...

    def visit_arg(self, node: ast.arg) -> None: ...

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value:
            self.visit(node.value)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self.visit(node.args)
        for statement in node.body:
            self.visit(statement)

    visit_AsyncFunctionDef = visit_FunctionDef  # type: ignore[assignment]  # noqa: N815

    def visit_Compare(self, node: ast.Compare) -> None:
        for place, op in enumerate(node.ops):
            ops = [COMPARED[type(op)]() if place == index else other for index, other in enumerate(node.ops)]
            self.add(node, ast.unparse(ast.Compare(node.left, ops, node.comparators)))
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        self.add(node, f"({ast.unparse(ast.BoolOp(other, node.values))})")
        for index in range(len(node.values)):
            left = [value for place, value in enumerate(node.values) if place != index]
            self.add(node, f"({ast.unparse(ast.BoolOp(node.op, left) if len(left) > 1 else left[0])})")
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        if type(node.op) in RECKONED and not any(isinstance(side, ast.JoinedStr) for side in (node.left, node.right)):
            self.add(node, ast.unparse(ast.BinOp(node.left, RECKONED[type(node.op)](), node.right)))
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, (ast.Not, ast.USub)):
            self.add(node, f"({ast.unparse(node.operand)})")
        self.generic_visit(node)

    def visit_If(self, node: ast.If) -> None:
        self.add(node.test, f"not ({ast.unparse(node.test)})")
        self.generic_visit(node)

    def visit_IfExp(self, node: ast.IfExp) -> None:
        self.add(node, f"({ast.unparse(ast.IfExp(node.test, node.orelse, node.body))})")
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        if isinstance(node.func, ast.Name) and node.func.id in NAMED:
            self.add(node.func, NAMED[node.func.id])
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        value = node.value
        if isinstance(value, bool):
            self.add(node, str(not value))
        elif isinstance(value, int):
            self.add(node, str(value + 1))
        elif isinstance(value, float):
            self.add(node, repr(value * 1.5 if value else 1.0))
        elif isinstance(value, str) and SQL.search(value):
            text = self.source[slice(*self.place(node))].decode()
            for word, other in SQL_WORDS:
                for match in re.finditer(word, text):
                    self.add(node, text[: match.start()] + other + text[match.end() :])


def changes(module: str, source: bytes) -> list[Change]:
    """Return every change of a module that still compiles, in the order of its text."""
    finder = Finder(module, source)
    finder.visit(ast.parse(source))
    compiled = []
    for change in sorted(set(finder.found), key=lambda one: (one.begin, one.after)):
        try:
            compile(applied(change, source), module, "exec")
        except SyntaxError:
            continue
        compiled.append(change)
    return compiled


def applied(change: Change, source: bytes) -> bytes:
    return source[: change.begin] + change.after.encode() + source[change.end :]


# --- trying them -----------------------------------------------------------------------------------------------------


# A change that no test comes by was not reached; one there was no time for was not tried.
OUTCOMES = {"found": ".", "hung": "H", "survived": "S", "not reached": "N", "not tried": " "}
UNNOTICED = ("survived", "not reached")


class Tried(NamedTuple):
    change: Change
    outcome: str  # a key of OUTCOMES
    by: str = ""


def marked(source: bytes, begin: int) -> bytes:
    """Return a module that notes the lines of the statements it comes by, as ``begin`` and more.

    A trace would slow down all that runs.
    """
    texts = source.decode().splitlines(keepends=True)
    marks: dict[int, set[int]] = {}
    tree = ast.parse(source)
    for node in ast.walk(tree):
        bodies = [getattr(node, name, None) for name in ("body", "orelse", "finalbody")]
        for body in bodies if not isinstance(node, (ast.Module, ast.ClassDef)) else []:
            for statement in body if isinstance(body, list) else []:
                said = isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant)
                decorators = getattr(statement, "decorator_list", [])
                line = min([statement.lineno, *(decorator.lineno for decorator in decorators)])
                own = not texts[line - 1].encode()[: statement.col_offset].strip(b" @")
                if own and not said and not texts[line - 1].lstrip().startswith("elif"):
                    marks.setdefault(line, set()).update(begin + head for head in heads(statement))
    for line in sorted(marks, reverse=True):
        text = texts[line - 1]
        texts.insert(line - 1, f"{text[: len(text) - len(text.lstrip())]}_mutants_came_by({marks[line]})\n")
    first = next(node for node in tree.body if not (isinstance(node, (ast.Expr, ast.ImportFrom))))
    opening = "from mutants_marks import came_by as _mutants_came_by\n"
    texts.insert(first.lineno - 1, opening)  # before any function
    return "".join(texts).encode()


# What marked modules import, beside the package. A process that a test starts, and may kill, writes its lines down.
MARKS = """
import os

lines = set()
shared, ours = os.environ["MUTANTS_SHARED"], os.environ["MUTANTS_PID"] == str(os.getpid())


def came_by(new):
    if not new <= lines:
        lines.update(new)
        if not ours:
            with open(shared, "a") as file:
                file.write("".join(f"{line}\\n" for line in new))
"""


def heads(statement: ast.stmt) -> set[int]:
    """Return the line of a statement, and those of the questions that follow it with elif."""
    lines = {statement.lineno}
    while isinstance(statement, ast.If) and len(statement.orelse) == 1 and isinstance(statement.orelse[0], ast.If):
        statement = statement.orelse[0]
        lines.add(statement.lineno)
    return lines


class Walked:
    """A plugin of pytest that notes which lines of marked modules each test comes by, and how long it takes."""

    def __init__(self) -> None:
        self.lines: dict[str, set[int]] = {}
        self.took_s: dict[str, float] = {}
        self.failed: list[str] = []

    def add(self, other: Walked) -> None:
        self.lines |= other.lines
        self.took_s |= other.took_s
        self.failed += other.failed

    def of_lines(self, begin: int, end: int) -> Walked:
        """Return the same of one module: its lines from ``begin`` until before ``end``, counted from its own begin."""
        part = Walked()
        part.took_s, part.failed = self.took_s, self.failed
        part.lines = {
            test: {line - begin for line in lines if begin <= line < end} for test, lines in self.lines.items()
        }
        return part

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        marks = importlib.import_module("mutants_marks")
        marks.lines.clear()
        began_s = time.monotonic()
        try:
            return (yield)
        finally:
            self.took_s[item.nodeid] = time.monotonic() - began_s
            shared = Path(marks.shared)
            elsewhere = shared.read_text().splitlines() if shared.is_file() else []
            shared.unlink(missing_ok=True)
            self.lines[item.nodeid] = set(marks.lines) | {int(line) for line in elsewhere if line.isdigit()}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.append(report.nodeid)


class Chosen:
    """A plugin of pytest that runs these tests only, in this order, and notes the first that fails."""

    def __init__(self, chosen: list[str]) -> None:
        self.order = {nodeid: place for place, nodeid in enumerate(chosen)}
        self.by = ""

    def pytest_sessionstart(self) -> None:
        # After tests/conftest.py, and before the tests are read: the simplest failing example is not looked for.
        quick = (hypothesis.Phase.explicit, hypothesis.Phase.generate)
        hypothesis.settings.register_profile("mutants", hypothesis.settings(), phases=quick, derandomize=True)
        hypothesis.settings.load_profile("mutants")

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted((item for item in items if item.nodeid in self.order), key=lambda one: self.order[one.nodeid])

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.by:
            self.by = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.by:
            self.by = f"{report.nodeid}, when it is read"


def test_files(module: str) -> list[str]:
    names = dict.fromkeys(TESTS or [*MAP.get(module, "").split(), Path(module).stem])
    return [f"tests/test_{name}.py" for name in names if (ROOT / f"tests/test_{name}.py").is_file()]


RUNNING: set[int] = set()  # process groups that are to end with us, and
FOLDERS: set[Path] = set()  # what is to be removed then


def in_a_fork(work: Any, within_s: float) -> Any:
    """Return what ``work`` returns in a process of its own; None if it takes longer or dies."""
    context = get_context("fork")
    ours, theirs = context.Pipe(duplex=False)

    def child() -> None:
        os.setpgid(0, 0)
        for number in ENDS:
            signal.signal(number, signal.default_int_handler if number == signal.SIGINT else signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_SETMASK, set())
        with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
            theirs.send(work())
        theirs.close()
        os._exit(0)

    process = context.Process(target=child)
    # No end of ours between its start and its having a group of its own.
    signal.pthread_sigmask(signal.SIG_BLOCK, ENDS)
    process.start()
    assert process.pid is not None
    os.setpgid(process.pid, 0)
    RUNNING.add(process.pid)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDS)
    theirs.close()
    result = None
    try:
        if ours.poll(within_s):
            result = ours.recv()
    except EOFError:
        pass
    finally:
        end_group(process.pid)  # and the brokers and daemons it has started
        process.join()
        RUNNING.discard(process.pid)
    return result


def end_group(group: int) -> None:
    with suppress(ProcessLookupError):
        os.killpg(group, signal.SIGKILL)


ENDS = {signal.SIGTERM, signal.SIGINT, signal.SIGHUP}


def end_clean(with_parent: bool) -> None:
    """When we are told to end (or, if so said, the one who started us dies), end what we run and leave nothing."""

    def end(number: int, frame: Any) -> None:
        for group in RUNNING:
            end_group(group)
        for folder in FOLDERS:
            shutil.rmtree(folder, ignore_errors=True)
        os._exit(128 + number)

    for number in ENDS:
        signal.signal(number, end)
    if with_parent:
        ctypes.CDLL(None).prctl(1, int(signal.SIGTERM))  # PR_SET_PDEATHSIG of prctl(2)


class Copy:
    """A checkout of its own to change things in."""

    def __init__(self, of: Path, most_s: float = MOST_TESTS_S) -> None:
        self.most_s = most_s
        self.folder = Path(tempfile.mkdtemp(prefix="mutants-"))
        FOLDERS.add(self.folder)
        left = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache", ".hypothesis", "build", "*.egg-info")
        shutil.copytree(of, self.folder, ignore=left, dirs_exist_ok=True)

    def pytest(self, plugin: Any, *arguments: str, compiled: bool = False) -> None:
        os.chdir(self.folder)
        os.environ["PYTHONPATH"] = str(self.folder)
        os.environ["CI"] = "true"  # the same examples each time
        os.environ["PYTHONDONTWRITEBYTECODE"] = "" if compiled else "1"
        sys.dont_write_bytecode = not compiled
        sys.path.insert(0, str(self.folder))
        for name in [name for name in sys.modules if name.split(".")[0] in ("surpluscharge", "tests")]:
            del sys.modules[name]
        pytest.main(["-q", "-p", "no:cacheprovider", f"--basetemp={self.folder}/tmp", *arguments], plugins=[plugin])

    def walk(self, module: str) -> Walked | None:
        """Return which tests come by which lines; kept in the temporary folder while module and test file stay."""
        whole = Walked()
        for name in test_files(module):
            kept = self.kept(module, name)
            if not kept.is_file() and not self.walk_file(name):
                return None
            whole.add(pickle.loads(kept.read_bytes()))
        return whole

    def kept(self, module: str, test_file: str) -> Path:
        read = (self.folder / "surpluscharge" / module).read_bytes() + (self.folder / test_file).read_bytes()
        mark = f"{module.replace('/', '-')}-{Path(test_file).stem}-{hashlib.sha256(read).hexdigest()[:16]}"
        return Path(tempfile.gettempdir()) / f"surpluscharge-mutants-{os.getuid()}" / mark

    def walk_file(self, test_file: str) -> bool:
        """Run a test file once, and keep what its tests come by in all modules; say whether that ended."""
        package = self.folder / "surpluscharge"
        sources = {path: path.read_bytes() for path in package.rglob("*.py") if path.name != "__init__.py"}
        modules = {str(path.relative_to(package)): path for path in sources}
        begins = {module: 10000 * place for place, module in enumerate(modules)}

        def work() -> Walked:
            os.environ |= {"MUTANTS_SHARED": str(self.folder / "came-by"), "MUTANTS_PID": str(os.getpid())}
            walked = Walked()
            self.pytest(walked, test_file)
            return walked

        (self.folder / "mutants_marks.py").write_text(MARKS)
        for module, path in modules.items():
            path.write_bytes(marked(sources[path], begins[module]))
        try:
            walked = in_a_fork(work, 1200.0)
        finally:
            for path, source in sources.items():
                path.write_bytes(source)
        if walked is None:
            return False
        for module, begin in begins.items():
            kept = self.kept(module, test_file)
            kept.parent.mkdir(mode=0o700, exist_ok=True)
            kept.write_bytes(pickle.dumps(walked.of_lines(begin, begin + 10000)))
        return True

    def warm(self, module: str) -> None:
        """Keep everything compiled but the module that will change: a change within a second may look like none."""

        def work() -> None:
            self.pytest(Chosen([]), "--collect-only", *test_files(module), compiled=True)

        in_a_fork(work, 600.0)
        path = self.folder / "surpluscharge" / module
        for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*"):
            compiled.unlink()

    def attempt(self, change: Change, walked: Walked, loaded: frozenset[int]) -> Tried:
        reached = [nodeid for nodeid, lines in walked.lines.items() if lines & change.lines]
        # What is read at import concerns every test.
        if change.lines & loaded and not reached:
            reached = list(walked.lines)
        reached = sorted((nodeid for nodeid in reached if nodeid not in walked.failed), key=walked.took_s.__getitem__)
        if not reached:
            return Tried(change, "not reached")
        chosen: list[str] = []
        takes_s = 0.0
        for nodeid in reached:
            takes_s += walked.took_s[nodeid]
            if chosen and takes_s > self.most_s:
                break
            chosen.append(nodeid)
        path = self.folder / "surpluscharge" / change.module
        source = path.read_bytes()
        path.write_bytes(applied(change, source))
        files = list(dict.fromkeys(nodeid.split("::")[0] for nodeid in chosen))

        def work() -> tuple[str, int]:
            plugin = Chosen(chosen)
            self.pytest(plugin, "-x", *files)
            return plugin.by, len(plugin.order)

        try:
            result = in_a_fork(work, LEAST_S + FACTOR * takes_s)
        finally:
            path.write_bytes(source)
        if result is None:
            return Tried(change, "hung")
        return Tried(change, "found" if result[0] else "survived", result[0])


def import_lines(source: bytes) -> frozenset[int]:
    """Return the lines that are carried out when a module is read: all that are in no function's body."""
    lines: set[int] = set()

    def look(body: list[ast.stmt]) -> None:
        for node in body:
            if isinstance(node, ast.ClassDef):
                look(node.body)
            elif isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
                lines.update(range(node.lineno, node.body[0].lineno))
            else:
                lines.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))

    look(ast.parse(source).body)
    return frozenset(lines)


def try_module(job: tuple[Path, str, list[Change], float, float]) -> tuple[str, list[Tried], list[str]]:
    """Try changes of one module until it is time to end."""
    folder, module, chosen, end_s, most_s = job
    copy, tried = Copy(folder, most_s), []
    try:
        walked = copy.walk(module) if time.monotonic() < end_s else Walked()
        if walked is None:
            return module, [], ["the tests did not end"]
        copy.warm(module)
        loaded = import_lines((folder / "surpluscharge" / module).read_bytes())
        for change in chosen:
            outcome = Tried(change, "not tried") if time.monotonic() > end_s else copy.attempt(change, walked, loaded)
            tried.append(outcome)
            told = f"\n{outcome.outcome}: {change}\n" if outcome.outcome in UNNOTICED else OUTCOMES[outcome.outcome]
            print(told, end="", file=sys.stderr, flush=True)
        return module, tried, walked.failed
    finally:
        shutil.rmtree(copy.folder, ignore_errors=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="control,daemon,history", help="parts of module paths, with commas")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="in the random order of each module")
    parser.add_argument("--count", type=int, default=20, help="of each module")
    parser.add_argument("--minutes", type=float, default=8.0, help="begin no change later than this")
    parser.add_argument("--seconds", type=float, default=MOST_TESTS_S, help="of tests for each change, at the most")
    parser.add_argument("--tests", default="", help="files of tests instead of those in MAP: controller,pauses")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--lines", default="", help="of these lines only: 120-180")
    parser.add_argument("--list", action="store_true", help="print the changes and how many there are; try none")
    options = parser.parse_args()
    end_clean(with_parent=False)
    TESTS.extend(filter(None, options.tests.split(",")))
    still = Copy(ROOT)  # so that one can go on working meanwhile
    atexit.register(shutil.rmtree, still.folder, ignore_errors=True)
    package = still.folder / "surpluscharge"
    modules = sorted(
        str(path.relative_to(package))
        for path in package.rglob("*.py")
        if path.name != "__init__.py"
        and any(part in str(path.relative_to(package)) for part in options.only.split(","))
    )
    jobs, end_s = [], time.monotonic() + 60 * options.minutes
    for module in modules:
        possible = changes(module, (package / module).read_bytes())
        if options.lines:
            low, high = map(int, options.lines.split("-"))
            possible = [change for change in possible if low <= change.line <= high]
        open_ = [change for change in possible if change.key not in EQUIVALENT]
        random.Random(f"{options.seed} {module}").shuffle(open_)
        chosen = open_[options.first : options.first + options.count]
        print(f"{module}: {len(possible)} changes, {len(possible) - len(open_)} equivalent, {len(chosen)} chosen")
        if options.list:
            for change in chosen:
                print("  ", change)
        elif chosen:
            jobs.append((still.folder, module, chosen, end_s, options.seconds))
    if options.list:
        return 0
    survivors = 0
    with ProcessPoolExecutor(options.jobs, get_context("fork"), end_clean, (True,)) as pool:
        for done in as_completed([pool.submit(try_module, job) for job in jobs]):
            module, tried, failed = done.result()
            count = {what: sum(one.outcome == what for one in tried) for what in OUTCOMES}
            print(f"\n{module}: " + ", ".join(f"{number} {what}" for what, number in count.items() if number))
            for nodeid in failed:
                print(f"  fails unchanged, so left out: {nodeid}")
            for one in tried:
                if one.outcome in UNNOTICED:
                    survivors += 1
                    print(f"  {one.outcome}: {one.change}")
            sys.stdout.flush()
    return 1 if survivors else 0


if __name__ == "__main__":
    raise SystemExit(main())
