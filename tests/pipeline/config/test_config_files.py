"""Stand files, the files they name, and tickets."""

import dataclasses
import hashlib
import os
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated

import pytest
from pydantic import Field, TypeAdapter

from glasswright import Artefact
from glasswright.config import (
    ConfigFile,
    ConfigModel,
    DataFile,
    did_you_mean,
    find_idle_spreads,
    load_plan,
    load_stand,
    load_ticket,
    match_stand,
    read_config,
    read_yaml,
    validate,
)
from glasswright.config.stand.file import read_files
from glasswright.errors import ConfigError
from support.config_toys import GOOD_BOARD, GOOD_PLAN, GOOD_STAND, GOOD_TICKET, TOYS, Bench, Board, Lamp


def write(folder, **texts):
    for name, text in texts.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    (folder / "map.bin").write_bytes(b"even light")
    return folder / "stand.yaml"


def problems_of(action):
    with pytest.raises(ConfigError) as caught:
        action()
    return [(problem.file.rsplit("/", 1)[-1], problem.line, problem.message) for problem in caught.value.problems]


def test_a_good_stand_is_read_with_what_it_names(tmp_path):
    stand = load_stand(write(tmp_path, stand=GOOD_STAND, board=GOOD_BOARD), TOYS)
    assert stand.name == "toy-bench"
    assert stand.bodies == ("Ostrel D7",)
    bench = stand.sections["toy"]
    assert bench == Bench(
        board=Board(name="small", pitch_mm=12.0),
        map=DataFile(path=str(tmp_path / "map.bin"), sha256=hashlib.sha256(b"even light").hexdigest()),
        lamps=(Lamp(level_frac=0.25, colour="cold"),),
        lamp=Lamp(),
    )
    assert type(bench.board.pitch_mm) is float
    assert stand.repeatability["average_chart.left.offset_px"].of(7.0) == 0.01
    assert stand.reproducibility["average_*.*_px"].of(-7.0) == pytest.approx(0.14)
    digests = {name: hashlib.sha256((tmp_path / name).read_bytes()).hexdigest() for name in ("board.yaml", "map.bin")}
    assert stand.files == digests == read_files(stand.text)
    assert stand.text == GOOD_STAND + (
        "# SHA-256 of the files named above, as they were when this was read:\n"
        f"# {digests['board.yaml']}  board.yaml\n# {digests['map.bin']}  map.bin\n"
    )
    assert stand.sha256 == hashlib.sha256(stand.text.encode()).hexdigest()


def test_a_data_files_path_is_not_part_of_its_identity():
    (path,) = (field for field in dataclasses.fields(DataFile) if field.name == "path")
    assert path.metadata["address"] is False


def test_a_section_may_be_left_out(tmp_path):
    text = GOOD_STAND[: GOOD_STAND.index("toy:")]
    assert load_stand(write(tmp_path, stand=text, board=GOOD_BOARD), TOYS).sections == {}


def test_a_byte_order_mark_before_a_file_is_no_part_of_its_text(tmp_path):
    plain = load_stand(write(tmp_path, stand=GOOD_STAND, board=GOOD_BOARD), TOYS)
    (tmp_path / "stand.yaml").write_text(GOOD_STAND, encoding="utf-8-sig")
    assert load_stand(tmp_path / "stand.yaml", TOYS) == plain


STAND_MUTATIONS = MappingProxyType(
    {
        "unknown section": ("toy:\n", "tooy:\n", "stand.yaml", 7, "unknown key; did you mean `toy`?"),
        "unknown key in a section": ("  map: ", "  mapp: ", "stand.yaml", 9, "`toy.mapp`: unknown key; did you mean"),
        "an engine's field": ("  map: map.bin", "  caveats: []", "stand.yaml", 9, "`toy.caveats`: unknown key; known:"),
        "unknown key in a list": ("colour:", "color:", "stand.yaml", 11, "did you mean `colour`?"),
        "out of range": (
            "0.25",
            "-1",
            "stand.yaml",
            11,
            "`toy.lamps[0].level_frac`: must be greater than 0",
        ),
        "neither branch": (
            "cold",
            "blue",
            "stand.yaml",
            11,
            "must be 'warm' or 'cold', found the text `blue`, or",
        ),
        "a missing data file": ("map.bin", "nap.bin", "stand.yaml", 9, "there is no file"),
        "a data file that is a number": ("map.bin", "3", "stand.yaml", 9, "must be the name of a file, found `3`"),
        "a missing file": ("board.yaml", "bored.yaml", "stand.yaml", 8, "there is no file"),
        "a file that names itself": ("board.yaml", "stand.yaml", "stand.yaml", 1, "which it names in turn"),
        "unknown key below a name of one's own": (
            "{u: 0.01,",
            "{u: 0.01, orgin: x,",
            "stand.yaml",
            4,
            "did you mean `orig",
        ),
        "a file that is no YAML": (
            "board.yaml",
            "map.bin",
            "map.bin",
            1,
            "must be a mapping (`key: value`), found the te",
        ),
        "a file that is not even that": ("board.yaml", "bad.yaml", "bad.yaml", 2, "not valid YAML: "),
        "both uncertainties": ("{u: 0.01,", "{u: 0.01, relative_u: 1e-2,", "stand.yaml", 4, "give either `u`"),
        "no uncertainty": ("{u: 0.01,", "{", "stand.yaml", 4, "give either `u` (in the field's unit) or `relative_u`"),
        "an uncertainty of nothing": ("u: 0.01", "u: 0", "stand.yaml", 4, "must be greater than 0, found `0`"),
        "no origin": (
            'true, origin: "declared, 2026-03, K. Moreau"',
            "true",
            "stand.yaml",
            6,
            "`reproducibility.average_*.*_px`: `origin` is missing",
        ),
        "no field": ("average_*.*_px", "average", "stand.yaml", 6, "names no field: write `step.field`"),
        "no bodies": ("[Ostrel D7]", "[]", "stand.yaml", 2, "must have at least 1 element"),
        "a name that is no file name": ("toy-bench", "toy bench", "stand.yaml", 1, "must be usable as a file name"),
        "two names": ("stand: toy-bench", "stand: [a, b]", "stand.yaml", 1, "must be text, found a list of 2"),
    }
)


@pytest.mark.parametrize("name", STAND_MUTATIONS)
def test_a_broken_stand_is_refused_for_one_reason(tmp_path, name):
    old, new, file, line, message = STAND_MUTATIONS[name]
    assert GOOD_STAND.count(old) == 1
    path = write(tmp_path, stand=GOOD_STAND.replace(old, new), board=GOOD_BOARD, bad="a: [\n")
    found = problems_of(lambda: load_stand(path, TOYS))
    assert [(*at, message in message_text) for *at, message_text in found] == [(file, line, True)], found


def test_the_mistakes_of_all_files_come_together(tmp_path):
    stand = GOOD_STAND.replace("map.bin", "nap.bin").replace("Ostrel D7", "7")
    path = write(tmp_path, stand=stand, board="nam: small\npitch_mm: wide\npitch_mm: 3\n")
    found = problems_of(lambda: load_stand(path, TOYS))
    assert [at for *at, _ in found] == [
        ["board.yaml", 1],
        ["board.yaml", 1],
        ["board.yaml", 2],
        ["board.yaml", 3],
        ["stand.yaml", 2],
        ["stand.yaml", 9],
    ], found
    assert found[0][2] == "`nam`: unknown key; did you mean `name`?"
    assert found[4][2] == '`bodies[0]`: must be text, found `7`: put it in quotes ("7")'


def test_a_named_file_is_relative_to_the_file_that_names_it(tmp_path):
    (tmp_path / "charts").mkdir()
    (tmp_path / "charts" / "board.yaml").write_text(GOOD_BOARD, encoding="utf-8")
    path = write(tmp_path, stand=GOOD_STAND.replace("board.yaml", "charts/board.yaml"))
    assert load_stand(path, TOYS).sections["toy"].board.pitch_mm == 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Inner(Artefact):
    depth_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Middle(Artefact):
    inner: ConfigFile[Inner]
    optional: ConfigFile[Inner] | None = None
    several: tuple[ConfigFile[Inner], ...] = ()


class Outer(ConfigModel):
    middle: ConfigFile[Middle]


def test_files_name_files_name_files(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "outer.yaml").write_text("middle: a/middle.yaml\n")
    (tmp_path / "a" / "middle.yaml").write_text(
        "inner: ../inner.yaml\noptional: ../inner.yaml\nseveral: [../inner.yaml]\n"
    )
    (tmp_path / "inner.yaml").write_text("depth_mm: 1\n")
    inner = Inner(depth_mm=1.0)
    assert read_config(tmp_path / "outer.yaml", Outer).middle == Middle(inner=inner, optional=inner, several=(inner,))
    (tmp_path / "inner.yaml").write_text("depth_mm: one\n")
    found = problems_of(lambda: read_config(tmp_path / "outer.yaml", Outer))
    assert found == [("inner.yaml", 1, "`depth_mm`: must be a number, found the text `one`")]


def test_a_part_of_a_document_is_read_with_its_own_lines(tmp_path):
    (tmp_path / "file.yaml").write_text("one: 1\nparts:\n  - depth_mm: 2\n  - depth: 3\n")
    document = read_yaml(tmp_path / "file.yaml")
    assert validate(document, Inner, "parts", 0) == Inner(depth_mm=2.0)
    found = problems_of(lambda: validate(document, Inner, "parts", 1))
    assert [line for _, line, _ in found] == [4, 4]


class Strict(ConfigModel):
    number: float = 0.0
    whole: int = 0
    flag: bool = False
    words: tuple[str, ...] = ()
    limited: Annotated[float, Field(le=1)] = 0.0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("number: '1.5'", "`number`: must be a number, found the text `1.5`"),
        ("number: true", "`number`: must be a number, found `true`"),
        ("number:", "`number`: must be a number, found nothing"),
        ("whole: 1.0", "`whole`: must be a whole number, found `1.0`"),
        ("whole: false", "`whole`: must be a whole number, found `false`"),
        ("flag: yes", "`flag`: must be `true` or `false`, found the text `yes`"),
        ("flag: 1", "`flag`: must be `true` or `false`, found `1`"),
        ("number: " + "9" * 399, "`number`: must be a finite number, found `" + "9" * 399 + "`"),
        ("words: a", "`words`: must be a list, found the text `a`"),
        ("words: [1.50]", '`words[0]`: must be text, found `1.50`: put it in quotes ("1.50")'),
        ("words: [true]", '`words[0]`: must be text, found `true`: put it in quotes ("true")'),
        ("words: [a, ]\nlimited: 2", "`limited`: must be less than or equal to 1, found `2`"),
        ("- 1", "must be a mapping (`key: value`), found a list of 1"),
        ("", "must be a mapping (`key: value`), found nothing"),
    ],
)
def test_nothing_is_converted_but_int_to_float_and_list_to_tuple(tmp_path, text, message):
    (tmp_path / "file.yaml").write_text(text + "\n")
    found = problems_of(lambda: read_config(tmp_path / "file.yaml", Strict))
    assert [message_text for *_, message_text in found] == [message]
    (tmp_path / "file.yaml").write_text("number: 1\nwords: [a]\n")
    good = read_config(tmp_path / "file.yaml", Strict)
    assert (good.number, type(good.number), good.words) == (1.0, float, ("a",))


@pytest.mark.parametrize(
    ("word", "options", "expected"),
    [
        ("wide", ["width", "wide_px"], "did you mean `wide_px`?"),
        ("WIDTH", ["width", "height"], "did you mean `width`?"),
        ("zzz", ["b", "a", "a"], "known: `a`, `b`"),
        (
            "zzz",
            [f"option_{n:02}" for n in range(14)],
            "known: " + ", ".join(f"`option_{n:02}`" for n in range(12)) + " and 2 more",
        ),
        ("zzz", [], "there is none to choose from"),
    ],
)
def test_the_message_of_an_unknown_value_lists_the_valid_ones(word, options, expected):
    assert did_you_mean(word, options) == expected


def test_a_field_that_names_a_file_is_read_from_a_file_only():
    with pytest.raises(TypeError, match=r"is validated with glasswright\.config\.validate"):
        TypeAdapter(DataFile).validate_python("map.bin")


def test_control_characters_are_escaped(tmp_path):
    (tmp_path / "file.yaml").write_text('"\\e[31m": 1\n"a\\nb": 1\n"a\\nb": 2\n')
    found = problems_of(lambda: read_config(tmp_path / "file.yaml", Strict))
    assert all(message.isprintable() for *_, message in found)
    assert "`\\x1b[31m`: unknown key" in found[0][2]
    assert any("key `a\\nb` is given twice" in message for *_, message in found)


def test_a_long_text_is_shown_cut(tmp_path):
    (tmp_path / "file.yaml").write_text("number: " + "x" * 5000 + "\n")
    ((_, _, message),) = problems_of(lambda: read_config(tmp_path / "file.yaml", Strict))
    assert message == "`number`: must be a number, found the text `" + "x" * 80 + "...`"


def test_a_pipe_is_no_configuration_file(tmp_path):
    os.mkfifo(tmp_path / "pipe.yaml")
    assert problems_of(lambda: read_config(tmp_path / "pipe.yaml", Strict)) == [("pipe.yaml", 0, "is not a plain file")]


@pytest.mark.parametrize("name", ["x" * 5000, '"a\\0b"', "board.yaml/more", "/", "."])
def test_a_file_name_that_cannot_be_is_a_problem_with_its_line(tmp_path, name):
    path = write(tmp_path, stand=GOOD_STAND.replace("map.bin", name), board=GOOD_BOARD)
    ((file, line, _),) = problems_of(lambda: load_stand(path, TOYS))
    assert (file, line) == ("stand.yaml", 9)


def test_a_stand_is_matched_with_a_plan(tmp_path):
    (tmp_path / "plan.yaml").write_text(GOOD_PLAN)
    plan = load_plan(tmp_path / "plan.yaml", TOYS)
    path = write(tmp_path, stand=GOOD_STAND, board=GOOD_BOARD)
    assert match_stand(load_stand(path, TOYS), plan) == ()
    assert find_idle_spreads(load_stand(path, TOYS), plan) == ()
    mixed = GOOD_STAND.replace("average_chart.left.offset_px: {u", "average_*.*: {u").replace("average_*.*_px", "a.b")
    path = write(tmp_path, stand=mixed, board=GOOD_BOARD)
    assert [(each.line, each.message) for each in match_stand(load_stand(path, TOYS), plan)] == [
        (
            4,
            "`average_*.*` matches fields in count and in pixel, but `u` is in one unit: write one line for each "
            "unit, or use `relative_u`",
        )
    ]
    assert [(each.line, each.message) for each in find_idle_spreads(load_stand(path, TOYS), plan)] == [
        (6, "no field of plan `toy_plan` is `a.b`")
    ]
    many = (
        "".join(f"  other_{k % 2}.field_{k}_px: {{u: 0.1, origin: x}}\n" for k in range(5))
        + "  average_chart.no_px: {u: 0.1, origin: x}\n"
    )
    start = GOOD_STAND.index("  average_chart.left.offset_px")
    path = write(tmp_path, stand=GOOD_STAND[:start] + many + GOOD_STAND[start:], board=GOOD_BOARD)
    assert [(each.line, each.message) for each in find_idle_spreads(load_stand(path, TOYS), plan)] == [
        (9, "no field of plan `toy_plan` is `average_chart.no_px`"),
        (4, "5 entries are of steps that plan `toy_plan` does not have: `other_0`, `other_1`"),
    ]
    path = write(tmp_path, stand=GOOD_STAND[: GOOD_STAND.index("toy:")])
    assert [each.message for each in match_stand(load_stand(path, TOYS), plan)] == [
        "section `toy` is missing; step `open_chart` of plan `toy_plan` takes it"
    ]


def load_ticket_text(tmp_path, text):
    (tmp_path / "ticket.yaml").write_text(text, encoding="utf-8")
    return load_ticket(tmp_path, TOYS.roles)


TWICE = "{file: chart/1.dng, by: K. Moreau, why: knocked}"
REPLACES_ITSELF = "replaces: {ticket: T-0412, by: K. Moreau, why: mistyped}"


def test_a_good_ticket_is_read(tmp_path):
    ticket = load_ticket_text(tmp_path, GOOD_TICKET)
    assert (ticket.ticket, ticket.lens.model, ticket.lens.serial) == ("T-0412", "Corvane 50 mm f/2", "C50-00417")
    assert (ticket.phase, ticket.body.serial, ticket.rehearsed, ticket.notes) == ("release", None, False, "")
    assert ticket.shots[0].f_number == 2.0


@pytest.mark.parametrize(
    ("old", "new", "line", "message"),
    [
        ("T-0412", "../T-0412", 1, "must be usable as a file name"),
        ("T-0412", ".hidden", 1, "must be usable as a file name"),
        ("T-0412", "T/0412", 1, "must be usable as a file name"),
        ("T-0412", "'T 0412'", 1, "must be usable as a file name"),
        ("T-0412", "T-0412.", 1, "must be usable as a file name"),
        ("T-0412", "T" * 65, 1, "must be usable as a file name"),
        ("T-0412", "412", 1, '`ticket`: must be text, found `412`: put it in quotes ("412")'),
        ("T-0412", "1e5", 1, '`ticket`: must be text, found `1e5`: put it in quotes ("1e5")'),
        ("T-0412", "0412", 1, '`0412` may be text or a number; put it in quotes ("0412")'),
        ('"C50-00417"', "00417", 2, '`00417` may be text or a number; put it in quotes ("00417")'),
        ('"C50-00417"', "417", 2, '`lens.serial`: must be text, found `417`: put it in quotes ("417")'),
        ('"C50-00417"', "true", 2, 'put it in quotes ("true")'),
        ('"C50-00417"', '""', 2, "must not be empty"),
        ('"C50-00417"', '" x"', 2, "must be one line without blanks at its ends"),
        ('"C50-00417"', '"a\\nb"', 2, "must be one line"),
        ("phase: release", "phase: sold", 3, "must be 'intake', 'release', 'reference' or 'study'"),
        ("phase: release\n", "", 1, "`phase` is missing"),
        ('body: {model: "Ostrel D7"}', "body: Ostrel D7", 4, "must be a mapping (`key: value`)"),
        (
            "phase: release",
            f"phase: release\n{REPLACES_ITSELF}",
            1,
            "`replaces` names the ticket itself: give the wrong",
        ),
        ("shots:", "shot:", 5, "unknown key; did you mean `shots`?"),
        (", focal_length_mm: 50, f_number: 2", "", 6, "gives no setting for its files: give one of `focal_length_mm`"),
        ("chart/*_f2_*.dng", "../chart/*.dng", 6, "must be a path below the ticket's folder"),
        ("chart/*_f2_*.dng", "/chart/*.dng", 6, "must be a path below the ticket's folder"),
        ("chart/*_f2_*.dng", "*.dng", 6, "must be `role/pattern`, such as `chart/*.dng`"),
        ("chart/*_f2_*.dng", "charts/*.dng", 6, "unknown role `charts`; did you mean `chart`?"),
        (
            "shots:",
            f"set_aside: [{TWICE}, {TWICE}]\nshots:",
            1,
            "`set_aside` names chart/1.dng twice: remove one",
        ),
        *(
            (
                "shots:",
                f"set_aside: [{{file: {name}, by: K. Moreau, why: knocked}}]\nshots:",
                5,
                "must be the name of one shot",
            )
            for name in (
                "1.dng",
                "chart/a/1.dng",
                "../1.dng",
                "/1.dng",
                "'chart\\1.dng'",
                "chart/..",
                "'chart/a\\1.dng'",
            )
        ),
        ("f_number: 2}", "f_number: -2}", 6, "must be greater than 0, found `-2`"),
        ("f_number: 2}", "f_number: f/2}", 6, "must be a number, found the text `f/2`"),
    ],
)
def test_a_broken_ticket_is_refused_for_one_reason(tmp_path, old, new, line, message):
    assert GOOD_TICKET.count(old) == 1
    found = problems_of(lambda: load_ticket_text(tmp_path, GOOD_TICKET.replace(old, new)))
    assert [(file, at, message in message_text) for file, at, message_text in found] == [("ticket.yaml", line, True)], (
        found
    )


def test_a_folder_without_a_ticket_file_says_so(tmp_path):
    assert problems_of(lambda: load_ticket(tmp_path, TOYS.roles)) == [
        ("ticket.yaml", 0, "there is no such file: correct the path")
    ]
