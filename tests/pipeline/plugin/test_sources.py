"""The imports of a stage determine its results' addresses; drawings, printing and commands do not."""

import shutil
import sys
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

from glasswright.config.schema.plugins import STAGE_GROUP, collect_plugins, load_plugins
from glasswright.plugin.sources import find_imported_sources, hash_sources
from glasswright_camera import compiled

CAMERA = Path(compiled.__file__).parent


@pytest.fixture
def package(tmp_path, monkeypatch):
    """Write a package whose modules import each other."""
    files = {
        "__init__": "from shop.stage import work\nfrom shop.drawing import draw\n",
        "stage": (
            "from typing import TYPE_CHECKING\nimport json\nfrom shop import parts\nfrom shop.room.kernel import FIT\n"
            "if TYPE_CHECKING:\n    from shop.only_types import T\nelse:\n    import shop.otherwise\n"
            "def work():\n    from .late import LATE\n    return LATE\n"
        ),
        "parts": "A = 1\n",
        "late": "LATE = 1\n",
        "otherwise": "",
        "only_types": "T = int\n",
        "drawing": "import shop.stage\n",
        "room/__init__": "from shop.room_data import TABLE\n",
        "room/kernel": "from . import inner\nFIT = 2\n",
        "room/inner": "import shop.stage\n",
        "room_data": "TABLE = ()\n",
    }
    for name, text in files.items():
        path = tmp_path / "shop" / f"{name}.py"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    return tmp_path / "shop"


COUNT = ["shop.late", "shop.otherwise", "shop.parts", "shop.room", "shop.room.inner", "shop.room.kernel"]
COUNT += ["shop.room_data", "shop.stage"]


def test_only_imported_modules_count(package):
    found = find_imported_sources(["shop.stage"], ["shop"])
    assert list(found) == COUNT
    assert found["shop.room"] == package / "room" / "__init__.py"
    assert "shop" in find_imported_sources(["shop"], ["shop"])
    assert find_imported_sources(["shop.stage", "json"], ["other"]) == {}


@pytest.mark.parametrize("name", [each.removeprefix("shop.") for each in COUNT if each != "shop.room"])
def test_a_change_of_a_counted_module_changes_the_hash(package, name):
    before = hash_sources(find_imported_sources(["shop.stage"], ["shop"]))
    for other in ("drawing", "only_types", "__init__"):
        (package / f"{other}.py").write_text("# changed\n", encoding="utf-8")
    assert hash_sources(find_imported_sources(["shop.stage"], ["shop"])) == before
    changed = package / Path(*name.split(".")).with_suffix(".py")
    changed.write_text(changed.read_text(encoding="utf-8") + "# changed\n", encoding="utf-8")
    assert hash_sources(find_imported_sources(["shop.stage"], ["shop"])) != before


def closures():
    plugins = load_plugins()
    return {
        name: set(find_imported_sources([stage.function.__module__], plugins.packages))
        for name, stage in plugins.stages.items()
    }


def test_no_stages_address_depends_on_drawings_printing_or_commands():
    found = closures()
    assert len(found) > 25
    for name, modules in found.items():
        idle = {each for each in modules if {"drawing", "printing", "command", "plots"} & set(each.split("."))}
        assert idle == set(), f"{name} imports {', '.join(sorted(idle))}: what it needs of that belongs elsewhere"


def test_the_kernel_counts_for_stages_that_use_it(tmp_path, monkeypatch):
    """A copy of the plugin under another name is used; the plugin itself must not be changed."""
    copy = tmp_path / "copied_camera"
    shutil.copytree(CAMERA, copy, ignore=shutil.ignore_patterns("__pycache__", "configs"))
    for path in copy.rglob("*.py"):
        path.write_text(path.read_text("utf-8").replace("glasswright_camera", "copied_camera"), encoding="utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))

    def addresses():
        """Hash of each module's sources, for the modules that hold stages."""
        modules = [each for each in copy.rglob("*.py") if "\n@stage\n" in each.read_text("utf-8")]
        names = [".".join(each.relative_to(tmp_path).with_suffix("").parts) for each in modules]
        return {name: hash_sources(find_imported_sources([name], ["copied_camera"])) for name in names}

    before = addresses()
    kernel = copy / "edges/kernel/equations.py"
    kernel.write_text(kernel.read_text("utf-8") + "# changed\n", encoding="utf-8")
    after = addresses()
    changed = {name.rpartition(".")[2] for name in before if before[name] != after[name]}
    assert "trace_edges" in changed
    assert "measure_vignetting" not in changed
    assert len(before) > 25


def test_the_cache_of_compiled_code_is_named_after_all_its_sources():
    found = compiled.compiled_sources()
    holders = {path for path in CAMERA.rglob("*.py") if "glasswright_camera.compiled import" in path.read_text("utf-8")}
    assert len(holders) > 8
    assert holders <= set(found.values())
    assert all(f"compiled-{hash_sources(found)[:16]}" in str(folder) for folder in [compiled.cache_folder()])


def test_plugins_name_their_packages(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(str(tmp_path))
    (tmp_path / "single_toy.py").write_text('"""A toy in one file."""\n', encoding="utf-8")
    found = collect_plugins([EntryPoint(name="toy", value="single_toy", group=STAGE_GROUP)])
    assert found.packages == {"single_toy"}
    assert list(find_imported_sources(["single_toy"], found.packages)) == ["single_toy"]
    del sys.modules["single_toy"]
