"""The command `commission`: measure the constants of a stand, step by step."""

from __future__ import annotations

import getpass
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright import Unmeasurable
from glasswright.config import StandConstant, check, is_same_serial, scan_yaml, show_changes
from glasswright.outputs import make_folder
from glasswright.plugin.paper import write_file
from glasswright_camera.commissioning.report import collect_report, draw_page, draw_pdf
from glasswright_camera.commissioning.steps import LEDGER_STEPS, STEPS, LedgerStep, Step
from glasswright_camera.commissioning.writing import (
    compare_findings,
    keep_names_apart,
    propose_text,
    read_found,
    write_found,
    write_result,
)
from glasswright_camera.stand import Stand

if TYPE_CHECKING:
    from glasswright.config import Document
    from glasswright_camera.commissioning.step_result import ShotBody, StepResult

EXAMPLE = """\b
Examples: lay out the folders; shoot; work out one step; read the report
  glasswright commission begin configs/stands/north_bench.yaml bench
  glasswright commission sensor configs/stands/north_bench.yaml bench --by "K. Moreau"
  glasswright commission report configs/stands/north_bench.yaml bench --out bench/report.pdf
"""

STAND = click.argument("stand", type=click.Path(path_type=Path, dir_okay=False, exists=True))
FOLDER = click.argument("folder", type=click.Path(path_type=Path, file_okay=False))


@click.group(epilog=EXAMPLE, short_help="Measure the stand itself, step by step.")
def commission() -> None:
    """Measure the stand itself, step by step, and write its constants into the stand file.

    The steps do not depend on each other. A step reads its shots, prints its results and the proposed change of the
    stand file, and writes only after a yes. A repeated step also prints the differences from the last results.
    """


@commission.command(epilog=EXAMPLE)
@STAND
@FOLDER
def begin(stand: Path, folder: Path) -> None:
    """Make a folder for each step's shots; print what to shoot and whether the step is done."""
    document = scan_yaml(stand)
    constants = _read_constants(document)
    make_folder(folder)
    for number, step in enumerate(STEPS, start=1):
        for name in ("", *step.folders):
            make_folder(folder / step.name / name)
        for name, text in step.notes.items():
            if not (folder / step.name / name).exists():
                write_file(folder / step.name / name, text.encode())
        write_file(folder / step.name / "to_shoot.md", _write_instruction(step).encode())
        click.echo(f"{number}. {step.title}: {_describe_state(constants.get(step.name))}")
        for line in step.shoot:
            click.echo(f"   - {line}")
    click.echo(f"together about {sum(step.minutes for step in STEPS)} minutes at the stand")
    click.echo("then, from measured tickets:")
    for number, later in enumerate(LEDGER_STEPS, start=len(STEPS) + 1):
        click.echo(f"{number}. {later.title}: {describe_later(later, document)}")
        for line in later.do:
            click.echo(f"   - {line}")
    click.echo(f"the instructions are also in the folders, for example {folder / STEPS[0].name / 'to_shoot.md'}")


def describe_later(step: LedgerStep, document: Document) -> str:
    """Return the state of a step that is done from measured tickets."""
    return step.describe_state(document.data if isinstance(document.data, dict) else {}) or "not done"


def _write_instruction(step: Step) -> str:
    lines = [f"# {step.title}", "", f"About {step.minutes} minutes at the stand.", ""]
    lines += [f"{number}. {line}" for number, line in enumerate(step.shoot, start=1)]
    lines += ["", *(f"Caution: {line}" for line in step.cautions)]
    return "\n".join(lines) + "\n"


def _describe_state(constant: StandConstant | None) -> str:
    if constant is None:
        return "not done"
    late = " (too old: do it again)" if date.today() > constant.last_day else ""
    return f"done on {constant.measured}, valid until {constant.last_day}{late}"


def _read_constants(document: Document) -> dict[str, StandConstant]:
    if not isinstance(document.data, dict) or "constants" not in document.data:
        return {}
    found, problems = check(document, dict[str, StandConstant], "constants")
    if found is None:
        raise click.ClickException(str(problems[0]))
    return found


def _add_step(step: Step) -> None:
    @commission.command(name=step.name, epilog=EXAMPLE, short_help=f"{step.title}.")
    @STAND
    @FOLDER
    @click.option("--by", default="", help="Who commissions the stand. Default: the user's name.")
    @click.option("--body-serial", help="Serial number of the camera body, if the files have none.")
    @click.option("--yes", is_flag=True, help="Write into the stand file without asking.")
    @click.option("--no", "is_dry", is_flag=True, help="Print the results and write nothing.")
    def run(stand: Path, folder: Path, by: str, body_serial: str | None, *, yes: bool, is_dry: bool) -> None:
        _run_step(step, stand, folder, by or getpass.getuser(), body_serial, yes=yes, is_dry=is_dry)

    run.help = f"{step.title}.\n\nReads the shots in FOLDER/{step.name}. " + " ".join(step.shoot)


for _step in STEPS:
    _add_step(_step)


def _run_step(
    step: Step, path: Path, folder: Path, by: str, body_serial: str | None, *, yes: bool, is_dry: bool
) -> None:
    document = scan_yaml(path)
    stand, problems = check(document, Stand, "camera")
    if stand is None:
        raise click.ClickException("\n".join(map(str, problems)))
    constants = _read_constants(document)
    try:
        result = keep_names_apart(step.find(folder / step.name, stand, date.today()))
    except Unmeasurable as reason:
        raise click.ClickException(f"step {step.name}: {reason}") from reason
    result = _name_body(result, body_serial)
    _refuse_other_body(document, result.body)
    for line in compare_findings(result, constants.get(step.name)):
        click.echo(line)
    for note in result.notes:
        click.echo(f"- {note}")
    write_found(folder / step.name, result)
    text = propose_text(document, result, by)
    changes = show_changes(document, text)
    if not changes:
        click.echo("the stand file has these constants already")
        return
    click.echo(changes)
    if is_dry or not (yes or click.confirm("write this into the stand file?")):
        click.echo("nothing was written")
        return
    write_result(document, result, text)
    click.echo(f"written: {path}")


def _name_body(result: StepResult, serial: str | None) -> StepResult:
    """Return the result with a declared serial number of the body, where the files have none."""
    if serial is None or result.body is None:
        return result
    found = result.body.serial
    if found is not None and not is_same_serial(found, serial):
        raise click.ClickException(
            f"--body-serial {serial}: the files are of the body with serial number `{found}`: leave the option out"
        )
    return result if found is not None else replace(result, body=replace(result.body, serial=serial))


def _refuse_other_body(document: Document, body: ShotBody | None) -> None:
    data = document.data if isinstance(document.data, dict) else {}
    bodies = tuple(data.get("bodies") or ())
    if body is not None and bodies and body.model not in bodies:
        named = ", ".join(map(str, bodies))
        raise click.ClickException(
            f"the shots are from the body `{body.model}`, but {document.path} lists {named} under `bodies`: shoot with "
            "a listed body, or add this one first"
        )


@commission.command(epilog=EXAMPLE)
@STAND
@FOLDER
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="The page (.html) or document (.pdf) to write.",
)
def report(stand: Path, folder: Path, out: Path) -> None:
    """Write what the stand can tell apart and what not, its constants, and how long each is valid.

    OUT ends in .pdf or .html.
    """
    if out.suffix not in {".html", ".pdf"}:
        raise click.UsageError(f"--out {out}: must end in .html or .pdf")
    document = scan_yaml(stand)
    constants = _read_constants(document)
    found = {step.name: read_found(folder / step.name) for step in STEPS}
    data = document.data if isinstance(document.data, dict) else {}
    content = collect_report(stand.name, data, constants, found, date.today())
    write_file(out, draw_pdf(content) if out.suffix == ".pdf" else draw_page(content).encode())
    click.echo(str(out))
