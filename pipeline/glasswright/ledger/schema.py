"""The numbered SQL files of the ledger's schema."""

from __future__ import annotations

from importlib import resources


def migrations() -> list[list[str]]:
    """Return the statements of each migration, in order; the first creates the schema."""
    files = [each for each in resources.files("glasswright.ledger").iterdir() if each.name.endswith(".sql")]
    return [split_statements(file.read_text(encoding="utf-8")) for file in sorted(files, key=lambda file: file.name)]


def split_statements(text: str) -> list[str]:
    """Split a migration into its statements: each ends with a line that ends in `;`, a trigger with `END;`."""
    statements, current = [], ""
    for line in text.splitlines(keepends=True):
        current += line
        within_trigger = "CREATE TRIGGER" in current and not line.rstrip().endswith("END;")
        if line.rstrip().endswith(";") and not within_trigger:
            statements.append(current)
            current = ""
    return statements
