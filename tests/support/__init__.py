"""Helpers for tests: toy plugins and ledgers, drawn frames, invented traces."""

from pathlib import Path

ROOT = Path(__file__).parents[2]
CONFIGS = ROOT / "configs"
