"""House rules: imports, docstrings of stages, validity of all configuration files."""

import ast
import dataclasses
import graphlib
from collections.abc import Iterator
from fnmatch import fnmatchcase
from pathlib import Path

import click
import pytest
import yaml
from click.testing import CliRunner

import glasswright
import glasswright.config
import glasswright.judging.card_facts
import glasswright.judging.hand_check_entry
import glasswright.outputs
import glasswright.plugin.drawing
import glasswright.plugin.paper
import glasswright.preparing
import glasswright.waiting
from glasswright.commands.card_notes import note_stand
from glasswright.commands.main import glasswright as command_line
from glasswright.config import find_idle_spreads, load_plan, load_stand, match_stand, read_config
from glasswright.config.plan.method import find_closure
from glasswright.config.schema.plugins import load_plugins
from glasswright.judging.adopting import find_changes
from glasswright.judging.card import Limit
from glasswright.judging.cards import check_card, load_cards
from glasswright.plugin.sources import read_imports
from glasswright_camera.field_names import FIELD_NAMES, IN_ORDER
from glasswright_camera.stand import ChartLayout, RampLayout
from support import ROOT

ENGINE = ROOT / "pipeline" / "glasswright"
CAMERA = ROOT / "stages" / "glasswright_camera"
REHEARSAL = ROOT / "stages" / "glasswright_rehearsal"
CONFIGS = ROOT / "configs"

MODULES = sorted(path for package in (ENGINE, CAMERA, REHEARSAL) for path in package.rglob("*.py"))


def short(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def imports_of(path: Path) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Return every import of a module, including those in functions: the module and the imported names."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((alias.name, ()) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{short(path)}:{node.lineno}: relative import"
            assert node.module is not None
            yield node.module, tuple(alias.name for alias in node.names)


def importers(package: Path, *names: str) -> list[str]:
    """Return the modules of a package that import any of the named top-level packages."""
    return [
        short(path)
        for path in sorted(package.rglob("*.py"))
        if any(module.partition(".")[0] in names for module, _ in imports_of(path))
    ]


def test_the_rules_have_something_to_look_at():
    assert len(MODULES) > 40
    assert {ENGINE / "ledger/store.py", CAMERA / "stand.py", REHEARSAL / "frames/render.py"} <= set(MODULES)
    assert PLANS
    assert STANDS
    assert CHARTS


ROOMS = {
    "glasswright": (
        ("plugin", "statistics"),
        ("config",),
        ("ledger",),
        ("intake",),
        ("study", "watch"),
        ("judging",),
        ("run", "tuning"),
        ("reports",),
        ("commands",),
    ),
    "glasswright_camera": (
        ("aperture", "hand_checks", "light", "roles"),
        ("chart", "printing", "raw", "spots", "vignetting"),
        ("edges",),
        ("distortion", "focus", "fringing", "glare", "sharpness", "shooting", "stabiliser"),
        ("centring", "sweep"),
        ("diagnosis", "moves"),
        ("commissioning", "shop"),
    ),
    "glasswright_rehearsal": (
        ("files", "scene"),
        ("faults", "optics"),
        ("frames",),
        ("night",),
        ("commissioning", "history"),
    ),
}
"""Package -> layers from the lowest; subpackages of one layer do not import each other."""


def dotted(path: Path) -> str:
    parts = path.relative_to(next(root for root in (ENGINE, CAMERA, REHEARSAL) if root in path.parents).parent)
    return ".".join(parts.with_suffix("").parts).removesuffix(".__init__")


GRAPH = {dotted(path): read_imports(dotted(path), path) for path in MODULES}
"""Module -> its imports at run time, without those for type checking."""


def find_circle(graph):
    """Return the nodes of a cycle, the first repeated at the end; empty if there is none."""
    try:
        graphlib.TopologicalSorter(graph).prepare()
    except graphlib.CycleError as error:
        return error.args[1]
    return []


def test_no_modules_import_each_other_in_a_circle():
    assert find_circle({name: imported & GRAPH.keys() for name, imported in GRAPH.items()}) == []
    assert find_circle({"a": {"b"}, "b": {"c"}, "c": {"a"}}) != []


@pytest.mark.parametrize("package", ROOMS)
def test_packages_import_only_from_layers_below(package):
    storey = {room: number for number, rooms in enumerate(ROOMS[package]) for room in rooms}
    root = next(root for root in (ENGINE, CAMERA, REHEARSAL) if root.name == package)
    assert {path.name for path in root.iterdir() if (path / "__init__.py").exists()} == set(storey)
    for name, imported in GRAPH.items():
        inside = name.split(".")
        for other in imported & GRAPH.keys():
            parts = other.split(".")
            if inside[0] == parts[0] == package and len(inside) > 2 and len(parts) > 2 and inside[1] != parts[1]:
                assert storey[parts[1]] < storey[inside[1]], f"{name} imports {other}, which lies no lower"


def test_the_engine_never_imports_a_plugin():
    assert importers(ENGINE, "glasswright_camera", "glasswright_rehearsal") == []


def test_the_engine_knows_no_optics_library():
    assert importers(ENGINE, "rawpy", "skimage", "tifffile", "numba", "cv2", "imagecodecs") == []


def test_one_engine_module_imports_the_cluster():
    assert len(importers(ENGINE, "dask", "distributed")) == 1
    assert importers(ROOT / "stages", "dask", "distributed") == []


def test_one_module_imports_the_database():
    assert importers(ROOT / "pipeline", "sqlite3") == ["pipeline/glasswright/ledger/store.py"]
    assert importers(ROOT / "stages", "sqlite3") == []


CAMERA_COMMANDS = ("commissioning", "diagnosis", "hand_checks", "printing", "shop")


def test_only_commands_import_the_command_line():
    found = [*importers(ENGINE, "click", "rich"), *importers(CAMERA, "click", "rich")]
    commands = ["pipeline/glasswright/run/progress.py"]
    commands += [f"stages/glasswright_camera/{room}/command.py" for room in CAMERA_COMMANDS]
    outside = [name for name in found if not name.startswith("pipeline/glasswright/commands/")]
    assert sorted(outside) == sorted(commands)
    own = ["stages/glasswright_rehearsal/command.py", "stages/glasswright_rehearsal/commissioning/command.py"]
    assert importers(REHEARSAL, "click", "rich") == own


def test_rehearsal_imports_nothing_that_measures():
    assert importers(REHEARSAL, "glasswright_camera", "rawpy", "skimage", "cv2") == []
    for path in REHEARSAL.rglob("*.py"):
        # where the shipped files lie, and how a rendered frame is marked, is told by the engine; what the files say is
        # read by the rehearsal itself
        engine = {
            module
            for module, names in imports_of(path)
            if module.partition(".")[0] == "glasswright"
            and (module, names) not in (("glasswright.config", ("find_shipped",)), ("glasswright", ("REHEARSED",)))
        }
        if path.parent.name == "history":
            # a rehearsed past is written into a ledger, as a night writes it, and names its plan
            engine -= {"glasswright", "glasswright.plugin.outcome", "glasswright.plugin.stage"}
            engine -= {"glasswright.config", "glasswright.config.schema.plugins"}
            engine = {module for module in engine if not module.startswith("glasswright.ledger")}
        assert engine <= {"glasswright.errors", "glasswright.processes", "glasswright.waiting"}, short(path)


def test_the_camera_takes_from_the_engine_only_what_is_offered():
    offered = {"glasswright": set(glasswright.__all__), "glasswright.config": set(glasswright.config.__all__)}
    offered["glasswright.plugin.drawing"] = set(vars(glasswright.plugin.drawing))
    offered["glasswright.judging.hand_check_entry"] = set(glasswright.judging.hand_check_entry.__all__)
    offered["glasswright.plugin.paper"] = set(glasswright.plugin.paper.__all__)
    offered["glasswright.judging.card_facts"] = set(glasswright.judging.card_facts.__all__)
    offered["glasswright.waiting"] = set(glasswright.waiting.__all__)
    offered["glasswright.preparing"] = set(glasswright.preparing.__all__)
    offered["glasswright.outputs"] = set(glasswright.outputs.__all__)
    offered["glasswright.intake.exif"] = {"read_facts"}
    for path in CAMERA.rglob("*.py"):
        for module, names in imports_of(path):
            if module.partition(".")[0] == "glasswright":
                assert module in offered, f"{short(path)} imports {module}"
                assert set(names) <= offered[module], f"{short(path)} imports {names} from {module}"
    assert importers(CAMERA, "glasswright_rehearsal") == []


def test_rawpy_stays_behind_one_module():
    assert len(importers(CAMERA, "rawpy")) <= 1


PLUGINS = load_plugins()


def test_every_plugin_loads():
    assert PLUGINS.failures == ()
    assert PLUGINS.stages


@pytest.mark.parametrize("stage", PLUGINS.stages.values(), ids=lambda stage: stage.id)
def test_every_setting_is_explained_in_its_stages_docstring(stage):
    assert [setting.name for setting in stage.setting_descriptions if not setting.summary] == []


PLANS = sorted((CONFIGS / "plans").glob("*.yaml"))
STANDS = sorted((CONFIGS / "stands").glob("*.yaml"))
CHARTS = sorted((CONFIGS / "charts").glob("*.yaml"))


@pytest.mark.parametrize("path", PLANS, ids=short)
def test_every_plan_checks_and_fits_every_stand(path):
    plan = load_plan(path, PLUGINS)
    for stand in STANDS:
        assert match_stand(load_stand(stand, PLUGINS), plan) == ()


@pytest.mark.parametrize("path", STANDS, ids=short)
def test_every_stand_checks_and_declares_only_measured_fields(path):
    stand = load_stand(path, PLUGINS)
    idle = [{(each.line, each.file) for each in find_idle_spreads(stand, load_plan(plan, PLUGINS))} for plan in PLANS]
    assert set.intersection(*idle, set(idle[0])) == set()


@pytest.mark.parametrize("path", CHARTS, ids=short)
def test_every_chart_checks_and_is_named_like_its_file(path):
    kind = RampLayout if path.stem.startswith("ramp") else ChartLayout
    assert read_config(path, kind).name == path.stem


def test_every_card_is_current_with_the_plan_that_it_names():
    plans = {plan.name: plan for plan in (load_plan(path, PLUGINS) for path in PLANS)}
    for file in load_cards(CONFIGS / "cards", PLUGINS).values():
        path, adopted = file.document.path, file.card.plan
        assert adopted is not None, f"{path} names no plan: run `glasswright adopt`"
        remedy = f'`glasswright adopt configs/plans/{adopted.name}.yaml "{file.card.card}" --cards configs/cards ...`'
        found = find_changes(file.card, plans[adopted.name])
        assert found == (), f"{path} was written for another plan than is shipped: look at the change and run {remedy}"
        assert find_closure(adopted, file.card.steps()) == adopted.stages, f"{path} names steps it has no use for"


def test_every_card_checks_against_a_plan():
    fields = [load_plan(path, PLUGINS).fields() for path in PLANS]
    cards = load_cards(CONFIGS / "cards")
    assert cards
    for file in cards.values():
        problems = [check_card(file, each) for each in fields]
        assert () in problems, f"{file.document.path} fits no plan: {problems}"


def test_every_caveat_that_a_card_accepts_is_explained():
    accepted = {
        each for file in load_cards(CONFIGS / "cards").values() for limit in file.card.limits for each in limit.accept
    }
    assert accepted
    assert accepted <= set(PLUGINS.field_names.by_caveat)


def test_every_named_measure_is_measured():
    fields = {name for path in PLANS for name in load_plan(path, PLUGINS).fields()}
    names = (*FIELD_NAMES, *IN_ORDER)
    assert [name for name in names if not any(fnmatchcase(field, name) for field in fields)] == []


@pytest.mark.parametrize("path", STANDS, ids=short)
def test_every_limit_of_a_card_can_be_passed_on_its_stand(path):
    stand = load_stand(path, PLUGINS)
    notes = [str(note) for file in load_cards(CONFIGS / "cards").values() for note in note_stand(file, stand)]
    assert notes == []


def test_limits_that_cannot_be_passed_are_named():
    stand = load_stand(STANDS[0], PLUGINS)
    file = load_cards(CONFIGS / "cards")["Corvane 50 mm f/2"]

    def limited(least, most):
        narrow = Limit(measure="measure_distortion.picture_height_worst_pct", min=least, max=most)
        return dataclasses.replace(file, card=file.card.model_copy(update={"limits": (narrow,)}))

    # 0.01 % with eight degrees of freedom: at 95 % Student's 2.306 times to both sides, not 1.860 as to one limit
    assert list(note_stand(limited(-0.02307, 0.02307), stand)) == []
    assert list(note_stand(limited(1.0, 1.0 + 2 * 0.02307), stand)) == []
    for file in (limited(-0.02305, 0.02305), limited(0.0, 0.02), limited(0.02, 0.02)):
        (note,) = note_stand(file, stand)
        assert "are too close together for the stand's uncertainty (0.01): not even the value in the middle" in str(
            note
        )
        assert str(note).endswith("is within both with a probability of 95 %: this limit is REVIEW at best")
    (note,) = note_stand(file, dataclasses.replace(stand, repeatability={}))
    assert "declares no repeatability for `measure_distortion.picture_height_worst_pct`, which is needed" in str(note)


def named_lenses():
    for path in STANDS:
        models = yaml.safe_load(path.read_text(encoding="utf-8"))["camera_lenses"]["models"]
        yield from ((path.parent / name).resolve() for name in models)


def test_every_file_in_configs_is_checked():
    # the stand file names the lenses, and is loaded with them
    known = {*PLANS, *STANDS, *CHARTS, *(CONFIGS / "cards").glob("*.yaml"), *named_lenses()}
    # test_shop.py fills the templates and checks what comes of them; test_guides.py looks at the guides
    known |= {*(CONFIGS / "templates").glob("*.yaml"), *CONFIGS.glob("*.md"), *(CONFIGS / "drawings").glob("*.svg")}
    # test_units.py
    known |= set((CONFIGS / "systemd").glob("glasswright-*"))
    assert {path for path in CONFIGS.rglob("*") if path.is_file()} == known


COMMANDS = command_line.list_commands(click.Context(command_line))


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_every_command_carries_an_example(name):
    command = command_line.get_command(click.Context(command_line), name)
    result = CliRunner().invoke(command, ["--help"])
    assert result.exit_code == 0
    assert "Example" in result.output
    assert f"glasswright {name}" in result.output
