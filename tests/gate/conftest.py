"""Fixtures for attacks on the gate: the engine's helpers and its toy bench."""

import pytest

from support.shop_of_numbers import NumbersShop
from support.toy_install import bench, toy_site

__all__ = ["bench", "toy_site"]


@pytest.fixture
def shop(bench, capsys):
    return NumbersShop(bench, capsys)
