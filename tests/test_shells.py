"""The manual page and the completions: as the commands are, as their readers want them, and tried in real shells."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from surpluscharge import cli
from tests.conftest import tool
from tests.shells import COMPLETIONS, PAGE

ROOT = PAGE.parent.parent
# What is typed last is what is to be completed: the commands, options and files of ours that then fit.
TYPED = [
    (("sta",), {"status"}),
    (("export", "--what", "re"), {"readings"}),
    (("charge", "--h"), {"--help", "--hours"}),
    (("check", "--config", "config.ex"), {"config.example.toml"}),
    (("history", "--config", "config.example.toml", "--m"), {"--mend"}),
    (("fl",), set()),
]


def run(*command: str | Path) -> str:
    """Run it in the clone; return what it printed. It must do without a word on standard error."""
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, cwd=ROOT)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


def test_readers_of_manual_pages_find_nothing_wrong() -> None:
    """mandoc's own checker, and groff's warnings; lexgrog reads the line that whatis and apropos show."""
    assert run(tool("mandoc"), "-Tlint", PAGE) == ""
    run(tool("man"), "--warnings", "--local-file", PAGE)
    assert run(tool("lexgrog"), PAGE).partition(": ")[2].startswith('"surpluscharge - charge an electric car')


def test_the_page_has_what_help_has(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """As a terminal shows it: every command, and every word of its help."""
    monkeypatch.setenv("COLUMNS", "200")
    word = re.compile(r"[\w-]+")
    shown = set(word.findall(re.sub(".\b", "", run(tool("mandoc"), "-Tutf8", "-Owidth=200", PAGE))))
    for name in cli.COMMANDS:
        with pytest.raises(SystemExit):
            cli.main([name, "--help"])
        said = capsys.readouterr().out.partition("\n\n")[2].replace("show this help message and exit", "")
        assert set(word.findall(said)) - shown <= {"options", "positional", "arguments", "-h"}, name


@pytest.mark.parametrize(("words", "wanted"), TYPED, ids=[" ".join(words) for words, _ in TYPED])
def test_bash_completes(words: tuple[str, ...], wanted: set[str]) -> None:
    """As it calls what `complete -F` names: the words so far in COMP_WORDS, the answers in COMPREPLY."""
    script = (
        'source "$1"; shift; set -- surpluscharge "$@"; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1));'
        "[[ $(complete -p surpluscharge) =~ -F\\ ([^ ]+) ]];"
        '"${BASH_REMATCH[1]}" surpluscharge "${@: -1}" "${@: -2:1}"; printf "%s\\n" "${COMPREPLY[@]}"'
    )
    given = run("bash", "--norc", "-c", script, "bash", COMPLETIONS["bash"], *words)
    assert set(given.split()) == wanted


@pytest.mark.parametrize(("words", "wanted"), TYPED, ids=[" ".join(words) for words, _ in TYPED])
def test_fish_completes(words: tuple[str, ...], wanted: set[str]) -> None:
    line = " ".join(("surpluscharge", *words))
    given = run(tool("fish"), "--no-config", "-c", f"source {COMPLETIONS['fish']}; complete -C '{line}'")
    assert {answer.partition("\t")[0] for answer in given.splitlines()} == wanted


def test_zsh_reads_it() -> None:
    """Its first line is how zsh finds out what it is for."""
    assert COMPLETIONS["zsh"].read_text().splitlines()[0] == "#compdef surpluscharge"
    run(tool("zsh"), "-f", "-n", COMPLETIONS["zsh"])
