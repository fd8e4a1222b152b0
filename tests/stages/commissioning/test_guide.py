"""The guide to commissioning has a section and a drawing for each step, and the drawings are those of the code."""

import importlib.util
from pathlib import Path

import pytest

from glasswright_camera.commissioning.steps import STEPS

ROOT = Path(__file__).resolve().parents[3]
GUIDE = (ROOT / "configs" / "commissioning.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def drawings():
    spec = importlib.util.spec_from_file_location("guide_drawings", ROOT / "ci" / "guide_drawings.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_drawing_is_as_drawn(drawings):
    for name in drawings.DRAWINGS:
        path = ROOT / "configs" / "drawings" / f"commission_{name}.svg"
        assert path.read_text(encoding="utf-8") == drawings.make_drawing(name), "run ci/guide_drawings.py"
        assert f"![{drawings.DRAWINGS[name][1]}](drawings/{path.name})" in GUIDE


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)
def test_every_step_has_a_section_with_time_and_drawing(step):
    section = GUIDE.split(f"## Step {step.name}:")[1].split("\n## ")[0]
    assert section.split("\n\n")[1].startswith(f"{step.minutes} minutes, ")
    assert f"drawings/commission_{step.name}.svg" in section
