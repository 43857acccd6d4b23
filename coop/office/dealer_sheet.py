"""What the office knows of one dealer, as the manager needs it when she telephones. No query grows with the rows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import Select, and_, func, or_, select
from sqlalchemy.orm import Session, selectinload

from coop.books.models import Account, Entry, Posting
from coop.books.queries import SALE_KINDS
from coop.core.audit import AuditLog
from coop.core.charts import Chart, chart_of_months
from coop.core.clock import local_date
from coop.core.listing import Column, Listing
from coop.core.money import plain_cents
from coop.core.periods import Month
from coop.dealers.models import Dealer, UserAccount
from coop.floor.models import Mall
from coop.leases.agreements import state_of
from coop.leases.domain.settlement import Arrears
from coop.leases.models import Charge, Dispute, Lease, LeaseShare, LeaseSpace
from coop.leases.posting import INCOME
from coop.leases.settling import arrears_of_dealer
from coop.leases.wording import STATES
from coop.office import letter_queries
from coop.office.lease_queries import Part, parts_on
from coop.office.log_queries import NO_PERSON
from coop.sales.models import Claim, TicketLine
from coop.sales.queries import sold_by_month
from coop.statements.models import Statement, StatementQuestion

MOST_STATEMENTS, MOST_MONEY, MOST_LOGGED, MOST_DISPUTES = 6, 8, 20, 5


@dataclass(frozen=True)
class HeldLease:
    """A lease with what it holds today; of one to come, on its first day; of one that is over, on its last."""

    lease: Lease
    mall: Mall
    words: str
    parts: Sequence[Part]


@dataclass(frozen=True)
class AtMall:
    """How a dealer stands with a mall."""

    mall: Mall
    path: str
    """Of her account in the books; empty before the first entry."""
    balance_cents: int
    """Owed to her as of today; below zero: she owes."""
    arrears: Arrears


@dataclass(frozen=True)
class Moved:
    """Money that came from a dealer or went to her, with its entry."""

    entry_id: int
    on: date
    kind: str
    memo: str
    cents: int
    """As her balance moved: what she paid and what was corrected to her side is above zero."""


@dataclass(frozen=True)
class Logged:
    """A line of the log and the mail address of who did it, or that no person did."""

    line: AuditLog
    who: str


@dataclass(frozen=True)
class AskedSale:
    """An unclaimed sale that a dealer says is hers."""

    mall_code: str
    line_id: int
    description: str


@dataclass(frozen=True)
class Disputed:
    """A charge she disputes or disputed."""

    mall_code: str
    charge: Charge
    dispute: Dispute


@dataclass(frozen=True)
class Sheet:
    """A dealer's page."""

    leases: Sequence[HeldLease]
    standing: Sequence[AtMall]
    months: Sequence[tuple[Month, int | None]]
    """Net sales of each of the last months, every mall together, the running one last; cents, None before her first sale."""
    statements: Sequence[Stated]
    money: Sequence[Moved]
    mails: dict[str, int]
    """How many letters of hers are in each state."""
    claims: Sequence[AskedSale]
    """Unclaimed sales she asks for, which wait for the manager; the oldest first."""
    questions: Sequence[StatementQuestion]
    """That wait for an answer, the oldest first."""
    disputes: Sequence[Disputed]
    """Those that wait for a decision first, then the latest decided."""
    log: Sequence[Logged]

    @property
    def balance_cents(self) -> int:
        return sum(one.balance_cents for one in self.standing)

    @property
    def late_cents(self) -> int:
        return sum(one.arrears.late_cents for one in self.standing)

    @property
    def chart(self) -> Chart:
        return chart_of_months("Net sales by month", self.months)


def sheet_of(session: Session, now: datetime, dealer: Dealer, malls: Sequence[Mall], timezone: str) -> Sheet:
    """Everything of a dealer's page; some twenty queries, and two for each mall she rents or rented at."""
    leases = _leases(session, now, dealer, malls)
    today = local_date(now, timezone)
    return Sheet(
        leases,
        _standing(session, now, dealer, malls, {held.mall.id for held in leases}),
        sold_by_month(session, TicketLine.dealer_id == dealer.id, today),
        _latest_statements(session, dealer.id),
        _money(session, dealer),
        letter_queries.counts(session, letter_queries.Sift(dealer=dealer.code), timezone=timezone),
        _claims(session, dealer),
        session.scalars(
            select(StatementQuestion)
            .join(Statement, Statement.id == StatementQuestion.statement_id)
            .where(Statement.dealer_id == dealer.id, StatementQuestion.answered_at.is_(None))
            .order_by(StatementQuestion.id)
        ).all(),
        _disputes(session, dealer),
        _log(session, dealer, [held.lease.id for held in leases]),
    )


def _leases(session: Session, now: datetime, dealer: Dealer, malls: Sequence[Mall]) -> list[HeldLease]:
    """Her leases, those that run first, then the newest."""
    by_id = {mall.id: mall for mall in malls}
    leases = session.scalars(
        select(Lease)
        .where(Lease.dealer_id == dealer.id)
        .options(selectinload(Lease.spaces))
        .order_by(Lease.starts_on.desc(), Lease.id.desc())
    ).all()
    shared: dict[int, list[tuple[LeaseSpace, LeaseShare]]] = defaultdict(list)
    pairs = (
        select(LeaseSpace, LeaseShare)
        .join(LeaseShare, LeaseShare.lease_space_id == LeaseSpace.id)
        .where(LeaseShare.lease_id.in_([lease.id for lease in leases]))
        .order_by(LeaseSpace.id)
    )
    for span, share in session.execute(pairs):
        shared[share.lease_id].append((span, share))
    found = []
    for lease in leases:
        mall = by_id[lease.mall_id]
        today = local_date(now, mall.timezone)
        shown = max(lease.starts_on, min(today, lease.ends_on or today))
        words = (
            f"begins {lease.starts_on:%b} {lease.starts_on.day}" if lease.starts_on > today else STATES[state_of(lease, today)]
        )
        found.append(HeldLease(lease, mall, words, parts_on(lease, shared, shown)))
    return sorted(found, key=lambda one: one.lease.ends_on is not None and one.lease.ends_on < local_date(now, one.mall.timezone))


def _standing(session: Session, now: datetime, dealer: Dealer, malls: Sequence[Mall], rented: set[int]) -> list[AtMall]:
    """Where she rents or rented, or has an account: her balance today by the ledger, and what is open."""
    days = {mall.id: local_date(now, mall.timezone) for mall in malls}
    until = or_(*(and_(Account.mall_id == mall_id, Entry.business_date <= day) for mall_id, day in days.items()))
    rows = session.execute(
        select(Account.mall_id, Account.path, func.sum(Posting.amount_cents))
        .join(Posting, Posting.account_id == Account.id)
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Account.kind == "dealer", Account.dealer_id == dealer.id, until)
        .group_by(Account.mall_id, Account.path)
    )
    accounts = {mall_id: (path, -int(cents)) for mall_id, path, cents in rows}
    return [
        AtMall(mall, *accounts.get(mall.id, ("", 0)), arrears_of_dealer(session, mall.id, dealer.id, days[mall.id]))
        for mall in malls
        if mall.id in rented or mall.id in accounts
    ]


@dataclass(frozen=True)
class Stated:
    """A statement with its mall."""

    statement: Statement
    mall: Mall


def statements_of(dealer_id: int) -> Select[Statement, Mall]:
    """A dealer's statements with their malls."""
    return select(Statement, Mall).join(Mall, Mall.id == Statement.mall_id).where(Statement.dealer_id == dealer_id)


def _latest_statements(session: Session, dealer_id: int) -> list[Stated]:
    newest = statements_of(dealer_id).order_by(Statement.first_day.desc(), Mall.code).limit(MOST_STATEMENTS)
    return [Stated(statement, mall) for statement, mall in session.execute(newest)]


STATEMENTS: Listing[Stated] = Listing(
    columns=(
        Column("number", "Statement", lambda row: row.statement.number, order=Statement.number),
        Column("month", "Month", lambda row: str(Month.of(row.statement.first_day)), order=Statement.first_day),
        Column("mall", "Mall", lambda row: row.mall.code, order=Mall.code),
        Column(
            "opening",
            "Brought forward",
            lambda row: plain_cents(row.statement.opening_cents),
            order=Statement.opening_cents,
            amount=True,
        ),
        Column(
            "closing",
            "Balance",
            lambda row: plain_cents(row.statement.closing_cents),
            order=Statement.closing_cents,
            amount=True,
        ),
    ),
    usual="-month",
    tie=Mall.code,
)


def _money(session: Session, dealer: Dealer) -> list[Moved]:
    """What moved her accounts beside sales and charges: payments, payouts, what came back, corrections; the newest first."""
    rows = session.execute(
        select(Entry.id, Entry.business_date, Entry.kind, Entry.memo, func.sum(-Posting.amount_cents))
        .join(Posting, Posting.entry_id == Entry.id)
        .join(Account, Account.id == Posting.account_id)
        .where(Account.kind == "dealer", Account.dealer_id == dealer.id, Entry.kind.not_in((*SALE_KINDS, *INCOME)))
        .group_by(Entry.id, Entry.business_date, Entry.kind, Entry.memo)
        .order_by(Entry.business_date.desc(), Entry.id.desc())
        .limit(MOST_MONEY)
    )
    return [Moved(entry_id, on, kind, memo, int(cents)) for entry_id, on, kind, memo, cents in rows]


def _claims(session: Session, dealer: Dealer) -> list[AskedSale]:
    rows = session.execute(
        select(Mall.code, TicketLine.id, TicketLine.description)
        .join(TicketLine, TicketLine.mall_id == Mall.id)
        .join(Claim, Claim.line_id == TicketLine.id)
        .where(Claim.dealer_id == dealer.id, Claim.state == "asked")
        .order_by(Claim.id)
    )
    return [AskedSale(*row) for row in rows]


def _disputes(session: Session, dealer: Dealer) -> list[Disputed]:
    rows = session.execute(
        select(Mall.code, Charge, Dispute)
        .join(Charge, Charge.mall_id == Mall.id)
        .join(Dispute, Dispute.charge_id == Charge.id)
        .where(Charge.dealer_id == dealer.id)
        .order_by(Dispute.closed_on.is_not(None), Dispute.closed_on.desc(), Dispute.id)
        .limit(MOST_DISPUTES)
    )
    return [Disputed(*row) for row in rows]


def _log(session: Session, dealer: Dealer, lease_ids: Sequence[int]) -> list[Logged]:
    """The last lines of the log about her and her leases."""
    rows = session.execute(
        select(AuditLog, func.coalesce(UserAccount.email, NO_PERSON))
        .outerjoin(UserAccount, UserAccount.id == AuditLog.user_id)
        .where(
            or_(
                and_(AuditLog.subject_kind == "dealer", AuditLog.subject_id == dealer.code),
                and_(AuditLog.subject_kind == "lease", AuditLog.subject_id.in_([str(lease_id) for lease_id in lease_ids])),
            )
        )
        .order_by(AuditLog.id.desc())
        .limit(MOST_LOGGED)
    )
    return [Logged(line, who) for line, who in rows]
