"""That the black-box run can still do its work: it shares nothing with the package, and its bugs can be planted."""

from __future__ import annotations

import ast
import random
import sys
from pathlib import Path

import pytest

from surpluscharge.config import parse
from tests.bench import blackbox, outside
from tests.bench.blackbox import PLANTED, Bug, draw_settings, plant

OUTSIDE = {"aiomqtt", "paho", "tests"} | sys.stdlib_module_names


@pytest.mark.parametrize("module", [blackbox, outside])
def test_the_oracle_imports_nothing_of_the_package(module: object) -> None:
    tree = ast.parse(Path(str(module.__file__)).read_text(encoding="utf-8"))
    named = [alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names]
    named += [str(node.module) for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    assert {name.split(".")[0] for name in named} <= OUTSIDE
    assert {name for name in named if name.startswith("tests")} <= {"tests.bench.outside"}


@pytest.mark.parametrize("bug", PLANTED, ids=lambda bug: bug.what)
def test_each_bug_can_be_planted_and_still_compiles(bug: Bug, tmp_path: Path) -> None:
    package = plant(bug, blackbox.ROOT, tmp_path) / "surpluscharge"
    compile((package / bug.file).read_text(encoding="utf-8"), bug.file, "exec")
    assert {name for name, _, _ in blackbox.ACTIONS} | set(blackbox.FINALES) >= set(bug.focus)


def test_a_bug_whose_text_is_gone_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="0 times"):
        plant(PLANTED[0]._replace(old="no such line"), blackbox.ROOT, tmp_path)


def test_there_is_a_bug_for_every_invariant() -> None:
    assert {bug.invariant for bug in PLANTED} == set(blackbox.INVARIANTS) - {0}


@pytest.mark.parametrize("kind", ["plain", "budget", "time-cap", "energy-cap"])
def test_its_settings_are_a_configuration(kind: str, tmp_path: Path) -> None:
    chance = random.Random(kind)
    for _ in range(20):
        settings = draw_settings(chance, kind)
        config = parse(settings.toml(1883, tmp_path), "bench.toml")
        assert config.meter[0].fresh_s == settings.fresh_s
        assert config.control.starts_per_hour == settings.starts_per_hour
        assert config.session.energy_cap_wh in (None, settings.energy_cap_wh)
