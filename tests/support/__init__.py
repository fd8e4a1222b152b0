"""What tests share: toy plugins and ledgers, drawn frames, made-up traces."""

from pathlib import Path

ROOT = Path(__file__).parents[2]
CONFIGS = ROOT / "configs"
