"""The dealers as a list: what each holds, is owed, sold this month, was last told. No query grows with the dealers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import and_, false, func, or_, select, tuple_
from sqlalchemy.orm import Session, load_only

from coop.books.domain.tree import OWED
from coop.books.sums import account_sums
from coop.core.clock import local_date
from coop.core.listing import Column, Listing, OneOf, Words
from coop.core.money import plain_cents
from coop.core.periods import Month
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall, Space
from coop.leases.models import Lease, LeaseShare, LeaseSpace
from coop.leases.pricing import named
from coop.sales.models import TicketLine
from coop.statements.models import Statement

STATES = {"now": "rents now", "to come": "rents later", "left": "left", "never": "never rented"}


@dataclass(frozen=True)
class Told:
    """A dealer's last statement."""

    number: str
    month: Month
    closing_cents: int


@dataclass(frozen=True)
class DealerRow:
    """A dealer as the list shows her."""

    code: str
    name: str
    trade_name: str
    email: str
    phone: str
    joined_on: date
    state: str
    """One of STATES."""
    malls: frozenset[str]
    """Codes of where she has ever rented."""
    spaces: Sequence[str]
    """Those she holds or shares today, `Booth 12`, with their mall where there is more than one: `Booth 12, Main Hall`."""
    balance_cents: int
    """Owed to her by every mall together, this month's sales before commission and rent with it; below zero: she owes."""
    net_cents: int
    """Sold this month, less what came back."""
    told: Told | None


def dealer_rows(session: Session, now: datetime, malls: Sequence[Mall]) -> list[DealerRow]:
    """Every dealer by code, on each mall's own date. Ten queries at most."""
    if not malls:
        today, days = now.date(), {}
    else:
        days = {mall.id: local_date(now, mall.timezone) for mall in malls}
        today = min(days.values())
    codes = {mall.id: mall.code for mall in malls}
    leases: dict[int, list[_Span]] = defaultdict(list)
    spans = select(Lease.dealer_id, Lease.mall_id, Lease.starts_on, Lease.ends_on).order_by(Lease.starts_on)
    for dealer_id, mall_id, starts_on, ends_on in session.execute(spans):
        leases[dealer_id].append((mall_id, starts_on, ends_on))
    held, owed, sold, told = _held(session, days, malls), _owed(session, today), _sold(session, days), _told(session)
    # Plain values: of hundreds of dealers, making an object of each and of each of her leases takes longer than all the rest.
    dealers = (
        select(Dealer.id, Dealer.code, Member.name, Dealer.trade_name, Member.email, Member.phone, Member.joined_on)
        .join(Member, Member.id == Dealer.member_id)
        .order_by(Dealer.code)
    )
    return [
        DealerRow(
            code,
            name,
            trade_name,
            email,
            phone,
            joined_on,
            _state(leases[dealer_id], days),
            frozenset(codes[mall_id] for mall_id, _starts_on, _ends_on in leases[dealer_id]),
            held.get(dealer_id, ()),
            owed.get(code, 0),
            sold.get(dealer_id, 0),
            told.get(dealer_id),
        )
        for dealer_id, code, name, trade_name, email, phone, joined_on in session.execute(dealers)
    ]


_Span = tuple[int, date, date | None]
"""A lease's mall, its first day and its last."""


def _state(leases: Iterable[_Span], days: dict[int, date]) -> str:
    """By her leases alone: one who still owes after her last has left."""
    found = "never"
    for mall_id, starts_on, ends_on in leases:
        today = days[mall_id]
        if ends_on is not None and ends_on < today:
            found = "left" if found == "never" else found
        elif starts_on <= today:
            return "now"
        else:
            found = "to come"
    return found


def _held(session: Session, days: dict[int, date], malls: Sequence[Mall]) -> dict[int, list[str]]:
    """The spaces each dealer holds or shares today in words, by dealer id: in two malls there may be two of one number."""
    at = {mall.id: f", {mall.name}" if len(malls) > 1 else "" for mall in malls}
    on = or_(
        false(),  # where there is no mall yet
        *(
            and_(
                Space.mall_id == mall_id,
                LeaseSpace.starts_on <= day,
                or_(LeaseSpace.ends_on.is_(None), LeaseSpace.ends_on >= day),
            )
            for mall_id, day in days.items()
        ),
    )
    shares = select(LeaseShare.id).where(LeaseShare.lease_space_id == LeaseSpace.id).exists()
    whole = select(Lease.dealer_id, Space).join(LeaseSpace, LeaseSpace.lease_id == Lease.id)
    shared = (
        select(Lease.dealer_id, Space)
        .join(LeaseShare, LeaseShare.lease_id == Lease.id)
        .join(LeaseSpace, LeaseSpace.id == LeaseShare.lease_space_id)
    )
    held: dict[int, list[str]] = defaultdict(list)
    for query in (whole.where(~shares), shared) if days else ():
        named_only = load_only(Space.mall_id, Space.kind, Space.code)
        for dealer_id, space in session.execute(query.join(Space, Space.id == LeaseSpace.space_id).where(on).options(named_only)):
            held[dealer_id].append(f"{named(space)}{at[space.mall_id]}")
    return {dealer_id: sorted(spaces) for dealer_id, spaces in held.items()}


def _owed(session: Session, today: date) -> dict[str, int]:
    """What the ledger owes each dealer at the end of today, every mall together: dealer's code -> cents."""
    owed: dict[str, int] = defaultdict(int)
    for account in account_sums(session, today, today):
        if account.dealers and account.path.startswith(f"{OWED}:"):
            owed[account.path.rpartition(":")[2]] -= account.after_cents
    return owed


def _sold(session: Session, days: dict[int, date]) -> dict[int, int]:
    """This month's net sales at every mall together: dealer id -> cents."""
    if not days:
        return {}
    this_month = or_(
        *(
            and_(TicketLine.mall_id == mall_id, TicketLine.credited_on.between(Month.of(day).first_day, Month.of(day).last_day))
            for mall_id, day in days.items()
        )
    )
    rows = session.execute(
        select(TicketLine.dealer_id, func.sum(TicketLine.price_cents)).where(this_month).group_by(TicketLine.dealer_id)
    )
    return {dealer_id: int(cents) for dealer_id, cents in rows if dealer_id is not None}


def _told(session: Session) -> dict[int, Told]:
    """Each dealer's newest statement, of the mall whose code comes first where she has two of a month."""
    newest = select(Statement.dealer_id, func.max(Statement.first_day)).group_by(Statement.dealer_id)
    rows = session.execute(
        select(Statement.dealer_id, Statement.number, Statement.first_day, Statement.closing_cents)
        .where(tuple_(Statement.dealer_id, Statement.first_day).in_(newest))
        .order_by(Statement.number.desc())
    )
    return {dealer_id: Told(number, Month.of(day), closing) for dealer_id, number, day, closing in rows}


DEALERS: Listing[DealerRow] = Listing(
    columns=(
        Column("code", "Dealer", lambda row: row.code, by=lambda row: row.code),
        Column("name", "Name", lambda row: row.name, by=lambda row: row.name.casefold()),
        Column(
            "trade_name",
            "Trade name",
            lambda row: row.trade_name,
            by=lambda row: (row.trade_name or row.name).casefold(),
        ),
        Column("mail", "Mail", lambda row: row.email),
        Column("phone", "Telephone", lambda row: row.phone),
        Column("joined", "Joined", lambda row: row.joined_on.isoformat(), by=lambda row: row.joined_on),
        Column("state", "State", lambda row: STATES[row.state], by=lambda row: list(STATES).index(row.state)),
        Column("spaces", "Spaces", lambda row: "; ".join(row.spaces), by=lambda row: row.spaces or ["~"]),
        Column(
            "balance", "Balance so far", lambda row: plain_cents(row.balance_cents), by=lambda row: row.balance_cents, amount=True
        ),
        Column("net", "Sold this month", lambda row: plain_cents(row.net_cents), by=lambda row: row.net_cents, amount=True),
        Column(
            "told",
            "Last statement",
            lambda row: "" if row.told is None else str(row.told.month),
            by=lambda row: row.told.month.first_day if row.told else date.min,
        ),
    ),
    usual="code",
    filters=(
        Words("find", "Code, name, mail or telephone", of=lambda row: [row.code, row.name, row.trade_name, row.email, row.phone]),
        OneOf("mall", "Rents or rented at", (), of=lambda row: row.malls),
        OneOf("state", "State", tuple(STATES.items()), of=lambda row: row.state),
    ),
)
