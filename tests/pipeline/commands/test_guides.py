"""The guides beside the configuration: the key reference is current, links lead somewhere, commands exist."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from glasswright.commands.main import COMMANDS
from glasswright.commands.main import glasswright as command_line
from glasswright.config.schema.reference import describe_kind, list_keys
from glasswright.config.ticket.file import TicketFile
from glasswright.judging.card import Card

CONFIGS = Path(__file__).parents[3] / "configs"
GUIDES = sorted(CONFIGS.glob("*.md"))


def test_the_key_reference_is_current():
    made = CliRunner().invoke(command_line, ["keys"])
    assert made.exit_code == 0
    assert (CONFIGS / "keys.md").read_text(encoding="utf-8") == made.output, "run `glasswright keys > configs/keys.md`"


def test_every_key_of_a_card_is_listed_with_its_bounds_and_default():
    keys = {key.path: key for key in list_keys(Card)}
    assert keys["confidence"].kind == "number above 0.5, below 1"
    assert keys["confidence"].default == "0.95"
    assert keys["valid_for.where[].is"].default == ""
    assert {"limits[].at.f_number", "hand_checks", "history[].changed"} <= set(keys)
    assert keys["card"].default == "needed"


def test_kinds_of_values_are_described_in_words():
    keys = {key.path: key for key in list_keys(TicketFile)}
    assert keys["phase"].kind == "`intake`, `release`, `reference`, `study`"
    assert keys["shots[].f_number"].kind == "number above 0"
    assert keys["hand_checks.<name>.answer"].kind == "`pass`, `fail`, `not_applicable`"
    assert describe_kind(tuple[float, float]) == "[number, number]"


@pytest.mark.parametrize("guide", GUIDES, ids=[path.name for path in GUIDES])
def test_links_of_guides_lead_to_files_and_commands_exist(guide):
    text = guide.read_text(encoding="utf-8")
    for link in re.findall(r"\]\(([^)#]+)\)", text):
        assert (guide.parent / link).is_file(), link
    known = {*COMMANDS, "print", "rehearse", "setup", "ticket", "hand-checks", "reference-values"}
    assert set(re.findall(r"`glasswright ([a-z-]+)", text)) <= known | set(command_line.list_commands(None))
