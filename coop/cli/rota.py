"""`coop rota`: rotas drafted and solved. Loads the solver, which takes a second: only when the command is asked for."""

from __future__ import annotations

import time
from pathlib import Path

import click

from coop.cli.context import MONTH, data_option, database_faults, find_mall, open_coop
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.shifts.drafting import (
    MOST_SECONDS,
    SECONDS,
    draft,
    hold_unchanged,
    keep_draft,
    require_draftable,
    said_outcome,
    stop_of,
)
from coop.shifts.month_facts import read_facts
from coop.shifts.planning import ensure_rota
from coop.shifts.solving.checking import check
from coop.shifts.solving.instances import read_instance
from coop.shifts.solving.outcome import Outcome, Progress, Stop
from coop.shifts.solving.problem import Problem
from coop.shifts.solving.solve import ImpossibleProblem, solve
from coop.shifts.solving.uncovered import conflict_sentence


@click.group("rota")
def rota_command() -> None:
    """Turns at the desk: draft a month, and try the solver on the published instances."""


@rota_command.command("solve")
@click.argument("file", metavar="INSTANCE", type=click.Path(path_type=Path))
@click.option("--seconds", type=click.IntRange(1, 86_400), default=60, show_default=True, help="Stop the search after so long.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Where the search begins.")
@click.option("--workers", type=click.IntRange(1, 64), default=2, show_default=True, help="Searches side by side.")
@click.option(
    "--limit", type=click.IntRange(1), help="Stop after so much of the solver's own count of work; with --workers 1 repeatable."
)
def solve_command(file: Path, seconds: int, seed: int, workers: int, limit: int | None) -> None:
    """Solve a staff-scheduling instance (Curtois and Qu 2014) and say what it costs, the bound, and the rota.

    Each better rota is told as it is found. A cost that equals its bound is proven: no rota is better.
    """
    try:
        problem = read_instance(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise Refusal(f"{file} cannot be read: {getattr(error, 'strerror', None) or 'it is no UTF-8 text'}.") from error
    stop = Stop(None if limit else seconds, limit, workers, seed)
    begun = time.monotonic()
    try:
        outcome = solve(problem, stop, progress=_tell)
    except ImpossibleProblem as error:
        raise Refusal(str(error)) from error
    _say(problem, outcome, round(10 * (time.monotonic() - begun)))


@rota_command.command("draft")
@click.argument("month", type=MONTH)
@click.option("--mall", "mall_code", required=True, help="Code of the mall.")
@click.option(
    "--seed", type=click.IntRange(0, 2**31 - 1), help="The same draft again for the same month: one search, by its work."
)
@click.option("--seconds", type=click.IntRange(1, MOST_SECONDS), default=SECONDS, show_default=True, help="Stop after so long.")
@data_option
def draft_command(month: Month, mall_code: str, seed: int | None, seconds: int, data: Path | None) -> None:
    """Draft the turns of a mall's month, and say how it went.

    Hours that cannot be covered are named with what stands in the way; the rest is drafted. Turns that are locked stay.
    """
    coop = open_coop(data)
    with database_faults():
        with transaction(coop.sessions) as session:
            rota = ensure_rota(session, utc_now(), find_mall(session, mall_code), month)
            require_draftable(session, rota)
            session.flush()
            rota_id, version, facts = rota.id, rota.version, read_facts(session, rota)
            again = rota.drafted_at is not None
        problem, outcome = draft(facts, stop_of(seconds, seed), keep=again, progress=_tell)
        with transaction(coop.sessions) as session:
            rota = hold_unchanged(session, rota_id, version)
            keep_draft(session, utc_now(), rota, facts, problem, outcome, seed=seed)
            for line in said_outcome(rota.outcome or {}):
                click.echo(line)


def _tell(progress: Progress) -> None:
    click.echo(f"{progress.tier}: {progress.value} found, not below {progress.bound}", err=True)


def _say(problem: Problem, outcome: Outcome, tenths: int) -> None:
    if not outcome.found:
        raise Refusal("No rota was found in this time. Give it more with --seconds.")
    for conflict in outcome.conflicts:
        click.echo(f"left out: {conflict_sentence(problem, conflict)}")
    click.echo(f"objective  {outcome.objective}")
    click.echo(f"bound      {outcome.bound}")
    click.echo(f"proven     {'yes' if outcome.proven else f'no, {outcome.objective - outcome.bound} may be left'}")
    click.echo(f"seconds    {tenths // 10}.{tenths % 10}")
    broken = check(problem, outcome.turns).broken
    click.echo(f"rules      {'all kept' if not broken else f'{len(broken)} broken'} (checked apart from the solver)\n")
    kinds = {(turn.person, turn.day): turn.kind for turn in outcome.turns}
    wide = max(len(kind.id) for kind in problem.kinds)
    for person in problem.people:
        row = " ".join(kinds.get((person.id, day), "-").ljust(wide) for day in range(problem.days))
        click.echo(f"{person.id:<10} {row.rstrip()}")
