"""Attacks on the gate use the engine's helpers and its toy bench."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "pipeline"))

import pytest
from shop_of_numbers import NumbersShop
from toy_install import bench, toy_site

__all__ = ["bench", "toy_site"]


@pytest.fixture
def shop(bench, capsys):
    return NumbersShop(bench, capsys)
