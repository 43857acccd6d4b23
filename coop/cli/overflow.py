"""`coop overflow`: the floor of a period drafted, and the draft there is shown. The solver is loaded by the job alone."""

from __future__ import annotations

import time
from datetime import datetime
from pathlib import Path

import click
from sqlalchemy.orm import Session

from coop.cli.context import Coop, data_option, database_faults, find_mall, open_coop
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job, claim_next, run_job
from coop.overflow.drafting import (
    MOST_SECONDS,
    MOST_WEEKS,
    SECONDS,
    WEEKS,
    ask_draft,
    draft_of,
    group_of,
    is_drafted_now,
    last_day_of,
    said_outcome,
)
from coop.overflow.models import OverflowDraft
from coop.overflow.survey_asking import group_of as survey_group_of


@click.group("overflow")
def overflow_command() -> None:
    """Floor lent in the aisles: draft who stands where in a period, and show the draft."""


@overflow_command.command("draft")
@click.option("--mall", "mall_code", required=True, help="Code of the mall.")
@click.option("--first-day", type=click.DateTime(["%Y-%m-%d"]), required=True, help="The period's first day, such as 2027-01-04.")
@click.option("--weeks", type=click.IntRange(1, MOST_WEEKS), default=WEEKS, show_default=True, help="How long it is.")
@click.option(
    "--seed", type=click.IntRange(0, 2**31 - 1), help="The same draft again of the same facts: one search, by its work."
)
@click.option("--seconds", type=click.IntRange(1, MOST_SECONDS), default=SECONDS, show_default=True, help="Stop after so long.")
@data_option
def draft_command(mall_code: str, first_day: datetime, weeks: int, seed: int | None, seconds: int, data: Path | None) -> None:
    """Draft a period of overflow, with bays that are worked out first where they are out of date, and say how it went.

    Nothing stands before the draft is published in the office.
    """
    coop = open_coop(data)
    with database_faults():
        with transaction(coop.sessions) as session:
            mall = find_mall(session, mall_code)
            row = ask_draft(session, utc_now(), mall, first_day=first_day.date(), weeks=weeks, seconds=seconds, seed=seed)
            draft_id, groups = row.id, (survey_group_of(mall.id), group_of(row))
        _work_off(coop, draft_id, groups)
        with transaction(coop.sessions) as session:
            _show(session, session.get_one(OverflowDraft, draft_id))


def _work_off(coop: Coop, draft_id: int, groups: tuple[str, ...]) -> None:
    """Do the draft's jobs here, unless a worker that runs is quicker; then wait for it."""
    while True:
        with transaction(coop.sessions) as session:
            if not is_drafted_now(session, session.get_one(OverflowDraft, draft_id)):
                return
            found = (claim_next(session, utc_now(), coop.lease, group_key=group) for group in groups)
            claimed = next((one for one in found if one), None)
        if claimed is None:
            time.sleep(1)
        else:
            run_job(coop.sessions, claimed[0], lease=coop.lease, settings=coop.settings, token=claimed[1])


@overflow_command.command("show")
@click.option("--mall", "mall_code", required=True, help="Code of the mall.")
@data_option
def show_command(mall_code: str, data: Path | None) -> None:
    """Show the draft that waits to be published, with what each asker would be told."""
    coop = open_coop(data)
    with database_faults(), transaction(coop.sessions) as session:
        mall = find_mall(session, mall_code)
        row = draft_of(session, mall.id)
        if row is None:
            raise Refusal(f"No draft of {mall.name} waits: make one with coop overflow draft.")
        _show(session, row)


def _show(session: Session, row: OverflowDraft) -> None:
    if row.outcome is None:
        job = None if row.job_id is None else session.get(Job, row.job_id)
        raise Refusal(job.error if job is not None and job.state == "failed" else "The draft is not worked out yet.")
    click.echo(f"{row.first_day} to {last_day_of(row)}, {row.weeks} weeks")
    for line in said_outcome(row.outcome):
        click.echo(line)
    for one in row.outcome["placements"]:
        click.echo(f"{one['dealer']:<6} {one['bay']:<8} {one['starts_on']} to {one['ends_on']}")
    for one in row.outcome["answers"]:
        click.echo(f"{one['dealer']:<6} {one['answer']}: {one['sentence']}")
