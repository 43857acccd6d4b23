"""`coop floor`: a mall's plan from a file and into one, and what is wrong with it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import click
from sqlalchemy.orm import Session

from coop.cli.context import data_option, database_faults, find_mall, open_coop
from coop.cli.tax import DAY
from coop.core.clock import local_date, utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.geometry import format_length
from coop.core.pdf import PdfError
from coop.core.periods import shown_day
from coop.floor.domain.draft import PlanChange
from coop.floor.domain.finding import CAUTION, Finding
from coop.floor.domain.plan_csv import COLUMNS, HELP, PlanFileRefused, plan_csv, read_plan_csv
from coop.floor.domain.scale import PAPERS_IN, parse_scale
from coop.floor.dxf import plan_dxf
from coop.floor.models import Mall
from coop.floor.planning import save_plan
from coop.floor.queries import judge, plan_version
from coop.floor.rendering import plan_paper
from coop.floor.sheets import PlanPaper, plan_pdf
from coop.floor.svg import Look, drawing_css, plan_svg
from coop.overflow.survey_asking import plan_changed
from coop.overflow.surveying import read_ground, survey, why_move

FORMATS = ("svg", "pdf", "dxf", "csv")

mall_option = click.option("--mall", "mall_code", required=True, metavar="CODE", help="The mall.")
on_option = click.option("--on", "on", type=DAY, help="The day whose spaces and widths count (else today).")


class ScaleType(click.ParamType[int]):
    """`1:48`"""

    name = "SCALE"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if isinstance(value, int):
            return value
        try:
            return parse_scale(value)
        except ValueError as error:
            return self.fail(f"{value!r} {error}", param, ctx)


@click.group("floor")
def floor_command() -> None:
    """A mall's floor plan: typed in a file or drawn, checked, and put out as SVG, PDF, DXF or CSV."""


@floor_command.command(
    "import",
    help="""Show what a file would make of a mall's plan, and what is wrong with the plan then. With --apply, do it.

    FILE is CSV and the whole plan: what it does not name is taken away. Its first row names the columns, in any order; a row each
    for the outline, every part of the building and every space:

    \b
    """
    + "\n    ".join(f"  {column:<10} {HELP[column]}" for column in COLUMNS)
    + """

    All bad rows are told at once, and then nothing is changed. `coop floor export --format csv` writes such a file.
    """,
)
@click.argument("file", type=click.Path(path_type=Path))
@mall_option
@click.option("--apply", "apply", is_flag=True, help="Do it; without this nothing is changed.")
@data_option
def import_command(file: Path, mall_code: str, apply: bool, data: Path | None) -> None:
    try:
        draft = read_plan_csv(file.read_bytes())
    except OSError as error:
        raise Refusal(f"{file} cannot be read: {error.strerror}.") from error
    except PlanFileRefused as error:
        more = f"{len(error.faults)} faults, and nothing has been changed:\n" if len(error.faults) > 1 else ""
        raise Refusal(f"{file}: {more}{error}") from error
    coop = open_coop(data)
    now = utc_now()
    with database_faults(), coop.sessions() as session:
        mall = find_mall(session, mall_code)
        change = save_plan(session, now, mall, draft, version=plan_version(session, mall.id))
        plan_changed(session, now, mall)
        _show_change(change)
        _show_findings(judge(session, mall, local_date(now, mall.timezone)))
        if apply:
            session.commit()
        else:
            # Tried as a whole, so that what the database would refuse is told now, and then taken back.
            session.rollback()
    click.echo("The plan is saved." if apply else "Nothing has been changed. To do it, run the same command with --apply.")


def _show_change(change: PlanChange) -> None:
    for what, names in (("added", change.added), ("changed", change.changed), ("taken away", change.removed)):
        click.echo(f"{what:>10} {len(names):>5}" + (f"  {', '.join(names)}" if names else ""))


def _show_findings(findings: list[Finding]) -> None:
    for number, finding in enumerate(findings, 1):
        xs, ys = [x for x, _ in finding.at], [y for _, y in finding.at]
        place = f"x {_place(min(xs), max(xs))}, y {_place(min(ys), max(ys))}"
        click.echo(f"finding {number}: {finding.sentence} At {place}.")
    click.echo(f"{len(findings) or 'No'} finding{'' if len(findings) == 1 else 's'}. {CAUTION}")


def _place(low: int, high: int) -> str:
    return format_length(low) if low == high else f"{format_length(low)} to {format_length(high)}"


@floor_command.command("check")
@mall_option
@on_option
@data_option
def check_command(mall_code: str, on: date | None, data: Path | None) -> None:
    """Tell everything wrong with a mall's plan, each with its place. The exit status is 1 when anything is."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        paper = _paper(session, mall_code, on)
    _show_findings(list(paper.findings))
    if paper.findings:
        sys.exit(1)


@floor_command.command("bays")
@mall_option
@on_option
@data_option
def bays_command(mall_code: str, on: date | None, data: Path | None) -> None:
    """Tell which bays a mall's aisles have, and what of that which stands in them must move. Nothing is changed.

    With --on a day to come, by the widths and house rules that hold then.
    """
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        mall: Mall = find_mall(session, mall_code)
        today = local_date(utc_now(), mall.timezone)
        day = on or today
        if day < today:
            raise Refusal(f"{shown_day(day)} is past: leave --on out for today, or name a day to come.")
        ground = read_ground(session, mall, day)
    if ground is None:
        raise Refusal(f"{mall.name} has no plan yet: draw or import one first.")
    found = survey(ground)
    for aisle in found.cut.aisles:
        click.echo(aisle.sentence)
    for bay in found.cut.bays:
        behind = f"{bay.backing} {bay.before}".strip()
        click.echo(f"{bay.code:>10} {format_length(bay.length_in16):>10} by {format_length(bay.depth_in16):<10} at {behind}")
    with database_faults(), transaction(coop.sessions) as session:
        why = why_move(session, find_mall(session, mall_code), day, found.must_move)
    moving = (f"{one.bay:>10} {why[one.key]}" for one in found.must_move)
    for sentence in (*ground.basis.lost, *moving, *found.findings):
        click.echo(sentence)
    click.echo(f"{len(found.must_move) or 'No'} piece{'' if len(found.must_move) == 1 else 's'} must move. {CAUTION}")


@floor_command.command("export")
@click.argument("file", type=click.Path(path_type=Path, allow_dash=True))
@mall_option
@click.option("--format", "kind", type=click.Choice(FORMATS), help="What FILE is to be (else by its ending).")
@click.option(
    "--scale", type=ScaleType(), default="1:48", show_default=True, help='Of a PDF: 1:48, or "1/4 in. = 1 ft", which is the same.'
)
@click.option("--paper", type=click.Choice(list(PAPERS_IN)), default="letter", show_default=True, help="Of a PDF.")
@on_option
@data_option
def export_command(
    file: Path, mall_code: str, kind: str | None, scale: int, paper: str, on: date | None, data: Path | None
) -> None:
    """Write a mall's plan to FILE (- for standard output).

    A PDF is at the scale, over as many sheets as it takes, with the list of findings. A DXF is in inches, a layer for each
    kind of thing. A CSV is what `coop floor import` reads. Print a PDF at 100%, and measure its bar.
    """
    kind = kind or file.suffix.removeprefix(".").lower()
    if kind not in FORMATS:
        raise Refusal(
            f"{file}: its ending does not say what it is to be; add --format {', '.join(FORMATS[:-1])} or {FORMATS[-1]}."
        )
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        value = _paper(session, mall_code, on)
    try:
        content = _MADE[kind](value, scale, paper)
    except PdfError as error:
        raise Refusal(str(error)) from error
    if str(file) == "-":
        sys.stdout.buffer.write(content)
        return
    try:
        file.write_bytes(content)
    except OSError as error:
        raise Refusal(f"{file} cannot be written: {error.strerror}.") from error
    click.echo(f"{file}: the plan of {value.mall}, version {value.version}. {CAUTION}")


def _svg(value: PlanPaper, scale: int, _paper: str) -> bytes:
    title = f"Floor plan of {value.mall}"
    return plan_svg(value.draft, value.findings, title=title, look=Look(scale), css=drawing_css()).encode()


_MADE: dict[str, Callable[[PlanPaper, int, str], bytes]] = {
    "svg": _svg,
    "pdf": lambda value, scale, paper: plan_pdf(value, scale=scale, paper=paper),
    "dxf": lambda value, _scale, _paper: plan_dxf(value.draft),
    "csv": lambda value, _scale, _paper: plan_csv(value.draft).encode("utf-8-sig"),
}


def _paper(session: Session, mall_code: str, on: date | None) -> PlanPaper:
    mall: Mall = find_mall(session, mall_code)
    return plan_paper(session, mall, on or local_date(utc_now(), mall.timezone))
