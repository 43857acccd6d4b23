"""The list of payout runs: its columns, what it is sorted by and what narrows it."""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy import func
from sqlalchemy.orm import Session

from coop.core.listing import Column, FromDay, Listed, Listing, OneOf
from coop.core.money import plain_cents
from coop.core.periods import Month
from coop.payouts.models import PayoutRun
from coop.payouts.queries import PAID_CENTS, PAYEES, RunRow, runs_query

DAY = func.coalesce(PayoutRun.paid_on, PayoutRun.pay_on)
STATES = ("prepared", "approved", "paid", "cancelled")

RUNS: Listing[RunRow] = Listing(
    columns=(
        Column("run", "Run", lambda row: str(row.run.number), order=PayoutRun.number),
        Column("month", "Month", lambda row: str(Month.of(row.run.first_day)), order=PayoutRun.first_day),
        Column("state", "State", lambda row: row.run.state, order=PayoutRun.state),
        Column("day", "Day", lambda row: (row.run.paid_on or row.run.pay_on).isoformat(), order=DAY),
        Column("payees", "Payees", lambda row: str(row.lines), order=PAYEES, amount=True),
        Column("amount", "Dollars", lambda row: plain_cents(row.amount_cents), order=PAID_CENTS, amount=True),
    ),
    usual="-run",
    filters=(
        OneOf("state", "State", tuple((state, state) for state in STATES), narrow=lambda state: PayoutRun.state == state),
        FromDay("from", "From", day=DAY),
        FromDay("to", "Up to", day=DAY, to_day=True),
    ),
    tie=PayoutRun.number.desc(),
)


def read_runs(session: Session, asked: Mapping[str, str]) -> Listed[RunRow]:
    return RUNS.read(session, runs_query(), asked, lambda row: RunRow(row[0], row[1], int(row[2])))
