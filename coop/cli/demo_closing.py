"""The month-ends of the demo, each closed in its time: with the documents of its year left to be made behind the pages, and those
of the last month made and mailed by the clock of then.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import click
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.cli.context import open_coop
from coop.cli.demo_coop import MALLS, MANAGER, Demo, DemoMall, mall_of, turn_of, user_of
from coop.cli.demo_money import decide_holds
from coop.closing.models import MonthClose
from coop.closing.queries import dealer_rows, group_of
from coop.closing.service import hand_out_on_paper, start_close
from coop.closing.steps import TITLES
from coop.core.behind import put_behind
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.jobs import claim_next, run_job
from coop.core.periods import Month
from coop.core.runner import RENEW_EXIT, Stop, run_loop
from coop.dealers.models import Dealer
from coop.statements.figures import mall_middle, next_rents
from coop.statements.payday import paydays_of
from coop.statements.service import freeze_statement

_ON_PAPER = "The dealers had them on paper, with their checks: statements are mailed since the month after."


def close_in_its_time(demo: Demo, now: datetime, made: DemoMall, month: Month, *, is_last: bool = False) -> None:
    """A month-end of the past: everything but the paper, with each statement frozen as it was then.

    None is mailed, and the paper is made behind the pages; but the last month's goes its usual way (`make_papers`).
    """
    with transaction(demo.coop.sessions) as session:
        manager = user_of(session, MANAGER)
        close = start_close(session, now, mall_id=mall_of(session, made).id, month=month, user_id=manager)
        if not is_last:
            hand_out_on_paper(session, now, close, reason=_ON_PAPER, user_id=manager)
        close_id = close.id
    # The papers of its statements are of another queue.
    work_group(demo, now, "default", group_of(close_id))
    if _decide(demo, now, close_id, month):
        with transaction(demo.coop.sessions) as session:
            start_close(session, now, mall_id=mall_of(session, made).id, month=month, user_id=manager)
        work_group(demo, now, "default", group_of(close_id))
    with transaction(demo.coop.sessions) as session:
        _require(session.get_one(MonthClose, close_id), month, paper_to_come=True)
        _freeze_all(session, now, made, month)
        if not is_last:
            put_behind(session, turn_of(month), kind="statements.make", group_key=group_of(close_id))


def make_papers(demo: Demo, month: Month) -> None:
    """The papers and mails of both malls' last month-end, made now and dated from the moment it was locked on."""
    groups: list[tuple[str, datetime]] = []
    with transaction(demo.coop.sessions) as session:
        for made in MALLS:
            mall = mall_of(session, made)
            close = _close_of(session, made, month)
            assert close.locked_at is not None, "papers are made of a month that is closed"
            groups.append((group_of(close.id), close.locked_at))
            statements = len(dealer_rows(session, mall.id, month))
            click.echo(f"Making the statements of {month.name} at {made.name}: {statements} ...")
    # Fresh processes: what a thread or a fork would share of the database and of the typesetting is not made for it.
    fresh = multiprocessing.get_context("spawn")
    args = (demo.coop.settings.data, groups, utc_now())
    workers = [fresh.Process(target=_work_as_then, args=args) for _ in range(os.cpu_count() or 1)]
    try:
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()
    finally:
        for worker in workers:
            if worker.is_alive():
                worker.terminate()
    with transaction(demo.coop.sessions) as session:
        for made in MALLS:
            _require(_close_of(session, made, month), month)


def _close_of(session: Session, made: DemoMall, month: Month) -> MonthClose:
    return session.scalars(
        select(MonthClose).where(MonthClose.mall_id == mall_of(session, made).id, MonthClose.first_day == month.first_day)
    ).one()


def _work_as_then(data: Path, groups: Sequence[tuple[str, datetime]], begun_at: datetime) -> None:
    """Do groups' work by a clock that stood at each one's moment when the work began."""
    coop, stop = open_coop(data), Stop().on_signals()
    for group_key, then in groups:

        def clock(then: datetime = then) -> datetime:
            return then + (utc_now() - begun_at)

        while run_loop(coop.sessions, coop.settings, stop, until_idle=True, group_key=group_key, clock=clock) == RENEW_EXIT:
            pass


def work_group(demo: Demo, now: datetime, queue: str, group_key: str) -> None:
    """Do a group's jobs here, by the clock of then, as far as they go."""
    coop = demo.coop
    while True:
        with transaction(coop.sessions) as session:
            claimed = claim_next(session, now, coop.lease, (queue,), group_key)
        if claimed is None:
            return
        job_id, token = claimed
        run_job(coop.sessions, job_id, lease=coop.lease, settings=coop.settings, token=token, clock=lambda: now)


def _decide(demo: Demo, now: datetime, close_id: int, month: Month) -> bool:
    """Whether the month-end waited for a word on somebody's payout, which is said now."""
    with transaction(demo.coop.sessions) as session:
        held = any(step.name == "holds" and step.state == "refused" for step in session.get_one(MonthClose, close_id).steps)
        if held:
            decide_holds(session, now, month)
    return held


def _freeze_all(session: Session, now: datetime, made: DemoMall, month: Month) -> None:
    """What each dealer was told of the month, before anything later is in the books."""
    mall = mall_of(session, made)
    middle = mall_middle(session, mall.id, month)
    dealers = [row.dealer_id for row in dealer_rows(session, mall.id, month)]
    rents = next_rents(session, mall, dealers, month)
    for dealer_id, payday in paydays_of(session, now, dealers, month).items():
        dealer = session.get_one(Dealer, dealer_id)
        freeze_statement(session, now, mall, dealer, month, middle=middle, to_come=rents[dealer_id], payday=payday)


def _require(close: MonthClose, month: Month, *, paper_to_come: bool = False) -> None:
    """Refuse to go on with a month-end that stopped, or, unless its paper is to come, that has not ended."""
    stopped = any(step.state == "refused" for step in close.steps)
    if stopped or (close.finished_at is None and not paper_to_come):
        said = "; ".join(f"{TITLES[s.name]}: {s.report or s.state}" for s in close.steps if s.state != "done")
        raise Refusal(f"The demo's month-end of {month.name} did not finish. {said}")
