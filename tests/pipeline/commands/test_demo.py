"""The demo's commands are commands of the program, and what it expects of the gate is what whole nights are tested for.

The demo itself is run by hand: it takes minutes. `tests/night/test_verdicts.py` sees each fault held and healthy lenses
released.
"""

import re
import shlex

import pytest

from glasswright.commands.main import glasswright
from support import ROOT

DEMO = (ROOT / "ci/demo").read_text().replace("\\\n", " ")
FILES = ["--stand", "s.yaml", "--cards", "cards", "--ledger", "b.ledger"]


def words_of(line):
    """Return the words of a command as the shell would hand them on, without what follows a redirection or a pipe."""
    line = line.replace('"${files[@]}"', shlex.join(FILES)).replace('"${@:2}"', "")
    return shlex.split(re.split(r"\s(?:[12]?>>?|\||\|\|)\s?", line)[0])[1:]


def commands():
    found = re.findall(r"glasswright [a-z].*", DEMO)
    made = re.findall(r"^make \w+ (.*)$", DEMO, flags=re.MULTILINE)
    return [words_of(line.split(" }")[0]) for line in found] + [
        ["rehearse", "more", *shlex.split(line.rstrip(" &"))] for line in made
    ]


@pytest.mark.parametrize("words", commands(), ids=lambda words: " ".join(words)[:60])
def test_the_program_takes_every_command(words):
    outer = glasswright.make_context("glasswright", list(words))
    name, command, rest = glasswright.resolve_command(outer, [*outer._protected_args, *outer.args])
    assert command is not None
    assert command.make_context(name, rest, parent=outer).params


def test_all_commands_were_read():
    assert {words[0] for words in commands()} == {"rehearse", "run", "gate", "pages", "record"}
    assert len(commands()) >= 8


def test_it_expects_of_the_gate_what_the_lenses_are():
    night, repaired = (
        re.search(rf"{name}.* --tickets.*", DEMO)[0] for name in (r'rehearse "\$night" ', "make repaired")
    )
    faults = {f"T-{place:04d}": name for place, name in enumerate(re.findall(r"--fault (\w+)", night), start=1)}
    (moved,) = re.findall(r"take repaired/tickets/T-\d+ (T-\d+)", DEMO)
    assert re.findall(r"--fault (\w+)", repaired) == ["none"]
    faults[moved] = "none"
    expected = dict(reversed(pair) for pair in re.findall(r"^expect (\d+) (T-\d+)$", DEMO, flags=re.MULTILINE))
    assert {"0", "10"} == set(expected.values())
    held = (ROOT / "tests/night/conftest.py").read_text()
    for ticket, code in expected.items():
        assert (code == "0") == (faults[ticket] == "none")
        assert faults[ticket] == "none" or f'"{faults[ticket]}": "measure_' in held
