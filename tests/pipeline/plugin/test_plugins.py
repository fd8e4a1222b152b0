"""Plugins are found by entry point; one that fails is reported and does not stop the others."""

import sys
from importlib.metadata import EntryPoint

import pytest

from glasswright.config.schema.plugins import STAGE_GROUP, collect_plugins, load_plugins
from glasswright.config.stand.keys import StandKeys

GOOD = '''
"""A toy."""
from dataclasses import dataclass
from glasswright import Artefact, Shot, stage

@dataclass(frozen=True, kw_only=True)
class Bench(Artefact):
    gap_mm: float

@dataclass(frozen=True, kw_only=True)
class Weight(Artefact):
    weight_frac: float

@stage
def weigh(shot: Shot, bench: Bench) -> Weight:
    """Weigh a shot."""
    raise NotImplementedError

def plain_function(anything):
    return anything

STAND_SECTION = Bench
'''


@pytest.fixture
def packages(tmp_path, monkeypatch):
    """Write packages that can be imported in this test alone."""
    monkeypatch.syspath_prepend(str(tmp_path))
    before = set(sys.modules)

    def write(name, text, **more):
        (tmp_path / name).mkdir()
        (tmp_path / name / "__init__.py").write_text(text)
        for module, inner in more.items():
            (tmp_path / name / f"{module}.py").write_text(inner)
        return EntryPoint(name=name.removeprefix("pack_"), value=name, group=STAGE_GROUP)

    yield write
    for name in set(sys.modules) - before:
        del sys.modules[name]


def test_a_plugin_gives_stages_and_a_section(packages):
    found = collect_plugins([packages("pack_good", GOOD)])
    assert found.failures == ()
    assert list(found.stages) == ["good.weigh"]
    assert found.stages["good.weigh"].summary == "Weigh a shot."
    assert found.sections["good"].__name__ == "Bench"


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("import nothing_of_this_name", "loading pack_bad failed: ModuleNotFoundError: No module named 'nothing_of"),
        ("raise SystemExit(3)", "loading pack_bad failed: SystemExit: 3"),
        ("1 / 0", "loading pack_bad failed: ZeroDivisionError: division by zero"),
        ("def", "loading pack_bad failed: SyntaxError: "),
        (
            GOOD.replace("weight_frac: float", "weight: float"),
            "bad.weigh: field `weight` of Weight is a number without",
        ),
        (GOOD.replace("= Bench", "= 'Bench'"), "STAND_SECTION is 'Bench': make it a dataclass that derives from Artef"),
        (
            GOOD.replace("class Bench(Artefact)", "class Bench"),
            "bad.weigh: input `bench` is Bench: before the `*` come",
        ),
    ],
)
def test_one_that_fails_is_reported_and_the_others_serve(packages, text, reason):
    points = [packages("pack_bad", text), packages("pack_good", GOOD)]
    found = collect_plugins(points)
    assert list(found.stages) == ["good.weigh"]
    (failure,) = found.failures
    assert failure.plugin == "bad"
    assert reason in failure.reason
    assert str(failure).startswith("plugin `bad` cannot be used: ")


def test_an_invalid_stand_section_is_refused(packages):
    text = GOOD.replace("gap_mm: float", "gaps: list[Thing]").replace("@dataclass", "class Thing: ...\n\n@dataclass", 1)
    (failure,) = collect_plugins([packages("pack_bad", text)]).failures
    expected = "STAND_SECTION Bench cannot be read from a file: PydanticSchemaGenerationError: Unable to generate"
    assert failure.reason.startswith(expected)


def test_a_plugin_may_have_several_sections(packages):
    text = GOOD + 'STAND_SECTIONS = {"more": Weight}\n'
    found = collect_plugins([packages("pack_good", text)])
    assert {name: kind.__name__ for name, kind in found.sections.items()} == {"good": "Bench", "good_more": "Weight"}
    (failure,) = collect_plugins([packages("pack_bad", GOOD + 'STAND_SECTIONS = {"more": 3}\n')]).failures
    assert failure.reason == 'STAND_SECTIONS["more"] is 3: make it a dataclass that derives from Artefact'


def test_every_fault_of_a_plugin_is_named(packages):
    text = GOOD.replace("weight_frac: float", "weight: float") + (
        "@stage\ndef heave(shot: Shot) -> float:\n    'Heave.'\n    return 1.0\n"
    )
    (failure,) = collect_plugins([packages("pack_bad", text)]).failures
    assert "bad.heave: returns float" in failure.reason
    assert "bad.weigh: field `weight`" in failure.reason


def test_two_plugins_of_one_name_are_refused(packages):
    first = packages("pack_one", GOOD)
    second = packages("pack_two", GOOD)
    twin = EntryPoint(name="one", value=second.value, group=STAGE_GROUP)
    found = collect_plugins([first, twin])
    assert list(found.stages) == ["one.weigh"]
    assert [str(each) for each in found.failures] == [
        "plugin `one` cannot be used: another plugin has this name; uninstall one of them"
    ]


@pytest.mark.parametrize("name", ["Camera", "my-bench", "a.b"])
def test_a_plugin_name_must_be_valid_in_a_plan(packages, name):
    point = EntryPoint(name=name, value=packages("pack_good", GOOD).value, group=STAGE_GROUP)
    (failure,) = collect_plugins([point]).failures
    assert "lower-case letters, digits and `_`" in failure.reason


@pytest.mark.parametrize("key", sorted(StandKeys.model_fields))
def test_a_section_of_the_stand_file_bears_no_key_of_the_engine(packages, key):
    first, _, suffix = key.partition("_")
    text = GOOD if not suffix else GOOD.replace("STAND_SECTION = Bench", f'STAND_SECTIONS = {{"{suffix}": Bench}}')
    point = EntryPoint(name=first, value=packages("pack_good", text).value, group=STAGE_GROUP)
    (failure,) = collect_plugins([point]).failures
    assert failure.reason.endswith(f"would be `{key}` in the stand file, which is the engine's own key: rename it")


def test_a_section_of_the_stand_file_is_one_plugins(packages):
    first = packages("pack_one_more", GOOD)
    second = packages("pack_one", GOOD.replace("STAND_SECTION = Bench", 'STAND_SECTIONS = {"more": Bench}'))
    (failure,) = collect_plugins([second, first]).failures
    assert failure.plugin == "one_more"
    assert failure.reason.endswith("would be `one_more` in the stand file, which is another plugin's key: rename it")


def test_an_entry_point_to_a_function_is_refused(packages):
    packages("pack_good", GOOD)
    point = EntryPoint(name="good", value="pack_good:weigh", group=STAGE_GROUP)
    (failure,) = collect_plugins([point]).failures
    assert failure.reason == "its entry point pack_good:weigh is not a module: name the package itself"


def test_the_installed_camera_plugin_loads():
    found = load_plugins()
    assert found.failures == ()
    assert "camera.decode_raw" in found.stages
    assert found.sections["camera"].__name__ == "Stand"


def test_two_plugins_may_declare_a_role_only_equally(packages):
    text = "from glasswright import Role\nROLES = {'panel': Role(shareable=True)}\n"
    same, other = text, text.replace("True", "False")
    points = [packages("pack_a", same), packages("pack_b", same), packages("pack_c", other)]
    found = collect_plugins(points)
    assert [name for name, role in found.roles.items() if role.shareable] == ["panel"]
    (failure,) = found.failures
    assert failure.plugin == "c"
    assert failure.reason.startswith("declares role `panel` as Role(shareable=False, ")
    assert failure.reason.endswith(": declare it alike")


@pytest.mark.parametrize("roles", ["['panel']", "{'panel': True}", "{'Panel!': Role()}"])
def test_roles_that_are_no_mapping_of_roles_are_refused(packages, roles):
    found = collect_plugins([packages("pack_a", f"from glasswright import Role\nROLES = {roles}\n")])
    assert "make it a mapping from names (lower-case letters, digits, `_`) to Role" in found.failures[0].reason
