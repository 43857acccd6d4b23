"""What the rows of a file from paper are in this co-op: the malls, dealers and leases they name, what they post, their lists."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from decimal import Decimal
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.accounts import (
    bank_account,
    coupon_account,
    dealer_account,
    ensure_account,
    equity_account,
    gift_account,
    tender_account,
    unclaimed_account,
)
from coop.books.domain.hand import KIND_OF_ROOT
from coop.books.domain.opening_csv import OpeningRead, OpeningRow
from coop.books.models import BankItem, OpeningMemo
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.templating import day as written
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.deposits import deposit_account
from coop.leases.models import DepositLine, Lease
from coop.sales.domain import LineIn
from coop.sales.layaway_books import layaway_account
from coop.sales.models import GiftCertificate, GiftMove, LayawayAgreement, LayawayLine, LayawayMove, Ticket, TicketLine
from coop.sales.taxing import Facts, Taxer, line_to_tax
from coop.tax.domain.rules import GENERAL
from coop.tax.domain.ticket import Layaway, TicketRefused
from coop.tax.models import Jurisdiction

FROM_PAPER = "From-paper"
PAPER = "paper"
"""Source of the tickets that stand for unclaimed sales from paper."""


@dataclass
class Found:
    """The rows of a file with what they name, as it is in this co-op."""

    read: OpeningRead
    opening_day: date
    """The last day on paper."""
    malls: dict[str, Mall]
    dealers: dict[str, Dealer]
    jurisdictions: dict[str, Jurisdiction]
    leases: dict[int, Lease] = field(default_factory=dict)
    """Of deposits, by row."""
    tax_cents: dict[int, int] = field(default_factory=dict)
    """Of layaways, by row: the tax of the first month's first day."""
    faults: list[str] = field(default_factory=list)


def find_rows(session: Session, read: OpeningRead, opening_day: date, first_day: date) -> Found:
    """What the rows name, with a sentence for each that names what is not here or cannot be brought."""
    found = Found(
        read,
        opening_day,
        {mall.code: mall for mall in session.scalars(select(Mall).order_by(Mall.id))},
        {dealer.code: dealer for dealer in session.scalars(select(Dealer))},
        {one.code: one for one in session.scalars(select(Jurisdiction))},
    )
    taxers: dict[str, Taxer] = {}
    for row in read.rows:
        faults = _faults(found, row)
        if not faults and row.kind == "deposit":
            faults = _lease_faults(session, found, row)
        if not faults and row.kind == "layaway":
            mall = found.malls[row.mall]
            faults = _layaway_faults(taxers.setdefault(row.mall, Taxer(session, mall)), found, row, first_day)
        found.faults += [f"Row {row.row}: {fault}" for fault in faults]
    return found


def _faults(found: Found, row: OpeningRow) -> list[str]:
    faults = []
    if row.mall and row.mall not in found.malls:
        faults.append(f"there is no mall {row.mall}. There is: {', '.join(found.malls)}.")
    if row.dealer and row.dealer not in found.dealers:
        faults.append(f"there is no dealer {row.dealer}: add the dealer first, or mend the code.")
    if row.kind == "tax" and row.what not in found.jurisdictions:
        codes = ", ".join(sorted(found.jurisdictions)[:10]) or "none yet"
        faults.append(f"there is no jurisdiction {row.what}. There is: {codes}.")
    if row.on is not None and row.on > found.opening_day:
        faults.append(f"{written(row.on)} lies after {written(found.opening_day)}, the last day on paper.")
    return faults


def _lease_faults(session: Session, found: Found, row: OpeningRow) -> list[str]:
    """A deposit is held of a lease: the one that runs, or the last that was not settled."""
    lease = session.scalar(
        select(Lease)
        .where(
            Lease.mall_id == found.malls[row.mall].id,
            Lease.dealer_id == found.dealers[row.dealer].id,
            Lease.settled_on.is_(None),
        )
        .order_by(Lease.starts_on.desc(), Lease.id.desc())
        .limit(1)
    )
    if lease is None:
        return [f"{row.dealer} has no lease at {row.mall} whose deposit this could be: make the lease first."]
    found.leases[row.row] = lease
    return []


def _layaway_faults(taxer: Taxer, found: Found, row: OpeningRow, first_day: date) -> list[str]:
    """It is taxed when it is completed here, so it must be one that is, and what is paid is at most what it comes to."""
    try:
        at = taxer.layaway_at(first_day)
        facts = Facts(f"L{row.number}", first_day, layaway=Layaway(row.on or first_day, first_day), layaway_at="completion")
        tax = taxer.tax(facts, [line_to_tax(_item(found, row))]).total_cents
    except (TicketRefused, Refusal) as error:
        return [f"the layaway cannot be taxed at {row.mall} on {written(first_day)}: {error}"]
    if at == "agreement":
        return [
            f"at {row.mall} a layaway is taxed at its agreement, so the tax of this one was charged on paper: finish it on "
            "paper, and count its money among the accounts with a row of the kind account."
        ]
    if row.cents > row.price_cents + tax:
        return [
            f"{format_dollars(row.cents)} is paid on layaway {row.number}, more than its price with tax, "
            f"{format_dollars(row.price_cents + tax)}."
        ]
    found.tax_cents[row.row] = tax
    return []


def _item(found: Found, row: OpeningRow) -> LineIn:
    return LineIn(
        position=1,
        dealer_id=found.dealers[row.dealer].id,
        tag=row.what,
        description=row.words,
        quantity=1,
        unit_price=Decimal(row.price_cents) / 100,
        tag_cents=row.price_cents,
    )


# --- what they post -----------------------------------------------------------------------------------------------------


def postings_of(session: Session, found: Found) -> dict[str, list[tuple[int, int]]]:
    """Each mall's postings by its code, and the co-op's own under nothing; what is left over stands against `From-paper`."""
    posted: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for row in found.read.rows:
        amount = row.debit_cents
        if amount and not (row.kind == "equity" and row.what in ("", FROM_PAPER)):
            posted[row.mall].append((_account(session, found, row), amount))
        elif row.kind == "equity":
            posted.setdefault(row.mall, [])
    paper = equity_account(session, FROM_PAPER)
    for postings in posted.values():
        left = sum(amount for _, amount in postings)
        if left:
            postings.append((paper, -left))
    return {code: postings for code, postings in posted.items() if postings}


def _account(session: Session, found: Found, row: OpeningRow) -> int:
    mall = found.malls[row.mall] if row.mall else None
    if mall is None:
        if row.kind == "tax":
            # Not the account of the tickets here, which a return takes in: this is filed on paper, and paid by an entry by hand.
            return ensure_account(session, f"Liabilities:Tax-on-paper:{row.what}", KIND_OF_ROOT["Liabilities"])
        if row.kind in ("bank", "outstanding"):
            return bank_account(session)
        if row.kind == "equity":
            return equity_account(session, row.what)
        return ensure_account(session, row.what, _kind(row))
    if row.kind in ("dealer", "deposit"):
        make = dealer_account if row.kind == "dealer" else deposit_account
        return make(session, mall, found.dealers[row.dealer])
    if row.kind in ("drawer", "checks", "cards"):
        tender = {"drawer": "cash", "checks": "check", "cards": "card"}[row.kind]
        return tender_account(session, mall, tender, drawer=row.what)
    if row.kind == "gift":
        return gift_account(session)
    if row.kind == "account":
        return ensure_account(session, row.what, _kind(row), mall_id=mall.id)
    make_one = {"layaway": layaway_account, "unclaimed": unclaimed_account, "coupons": coupon_account}[row.kind]
    return make_one(session, mall)


def _kind(row: OpeningRow) -> str:
    return KIND_OF_ROOT[row.what.partition(":")[0]]


# --- their lists --------------------------------------------------------------------------------------------------------


def write_lists(
    session: Session,
    now: datetime,
    found: Found,
    entries: dict[str, int],
    *,
    opening_id: int,
    key: str,
    user_id: int | None,
) -> None:
    """The rows behind the balances, so that each list comes to what the ledger says. `entries`: id by mall's code."""
    tickets = 0
    for row in found.read.rows:
        if row.kind == "deposit":
            session.add(
                DepositLine(
                    lease_id=found.leases[row.row].id,
                    kind="taken",
                    amount_cents=row.cents,
                    on=found.opening_day,
                    reason="From paper",
                    entry_id=entries[row.mall],
                )
            )
        elif row.kind == "layaway":
            _set_aside(session, now, found, row, entries[row.mall], key=key, user_id=user_id)
        elif row.kind == "gift":
            _certificate(session, found, row, entries[row.mall], key=key, user_id=user_id)
        elif row.kind == "unclaimed":
            tickets += 1
            _sale(session, now, found, row, entries[row.mall], number=tickets, key=key)
        elif row.kind == "outstanding":
            session.add(
                BankItem(
                    entry_id=entries[""],
                    on=row.on or found.opening_day,
                    amount_cents=row.cents,
                    reference=row.number,
                    words=row.words,
                )
            )
        elif row.kind in ("year", "turns"):
            session.add(
                OpeningMemo(
                    opening_id=opening_id,
                    mall_id=found.malls[row.mall].id,
                    dealer_id=found.dealers[row.dealer].id,
                    what=row.what or row.kind,
                    year=found.opening_day.year,
                    amount_cents=row.cents if row.kind == "year" else None,
                    turns=row.turns,
                )
            )
    session.flush()


def _set_aside(
    session: Session, now: datetime, found: Found, row: OpeningRow, entry_id: int, *, key: str, user_id: int | None
) -> None:
    layaway = LayawayAgreement(
        mall_id=found.malls[row.mall].id,
        number=int(row.number),
        key=f"{key}/{row.mall}/{row.number}",
        buyer_name=row.buyer,
        accepted_on=row.on,
        due_on=row.due,
        taxed_at="completion",
        net_cents=row.price_cents,
        tax_cents=found.tax_cents[row.row],
        deposit_cents=row.cents,
        fee_cents=0,
        agreed_at=now,
        agreed_by=user_id,
        state="open",
    )
    session.add(layaway)
    session.flush()
    session.add(
        LayawayLine(
            layaway_id=layaway.id,
            position=1,
            dealer_id=found.dealers[row.dealer].id,
            tag=row.what,
            description=row.words,
            tax_class=GENERAL,
            quantity=1,
            unit_price=Decimal(row.price_cents) / 100,
            tag_cents=row.price_cents,
            discount_cents=0,
            discount_reason="",
            discount_authority="",
            price_cents=row.price_cents,
        )
    )
    session.add(
        LayawayMove(
            layaway_id=layaway.id,
            key=f"{key}/{row.mall}/{row.number}/paid",
            kind="paid",
            tender="on paper",
            amount_cents=row.cents,
            on=found.opening_day,
            entry_id=entry_id,
            made_by=user_id,
        )
    )


def _certificate(session: Session, found: Found, row: OpeningRow, entry_id: int, *, key: str, user_id: int | None) -> None:
    mall = found.malls[row.mall]
    certificate = GiftCertificate(
        number=row.number,
        mall_id=mall.id,
        sold_on=row.on or found.opening_day,
        amount_cents=row.cents,
        expires_on=None,
        sold_by=None,
    )
    session.add(certificate)
    session.flush()
    session.add(
        GiftMove(
            certificate_id=certificate.id,
            key=f"{key}/{row.number}",
            kind="brought over",
            amount_cents=row.cents,
            on=found.opening_day,
            mall_id=mall.id,
            entry_id=entry_id,
            made_by=user_id,
        )
    )


def _sale(session: Session, now: datetime, found: Found, row: OpeningRow, entry_id: int, *, number: int, key: str) -> None:
    """An unclaimed sale is a ticket's line that is nobody's, so it can be claimed as any other.

    Its ticket has no tax (that was collected and counted on paper) and no tender (its money is in drawer or bank already);
    its entry is the opening's, and it stands in the month before, which is closed.
    """
    mall = found.malls[row.mall]
    sold_on = row.on or found.opening_day
    ticket = Ticket(
        mall_id=mall.id,
        key=f"{key}/{row.mall}/sale {number}",
        number=row.number or f"paper {number}",
        source=PAPER,
        kind="sale",
        sold_at=datetime.combine(sold_on, time(12), ZoneInfo(mall.timezone)).astimezone(UTC),
        sold_on=sold_on,
        received_at=now,
        posting_date=found.opening_day,
        taxed=False,
        net_cents=row.cents,
        tax_cents=0,
        total_cents=row.cents,
        entry_id=entry_id,
    )
    session.add(ticket)
    session.flush()
    session.add(
        TicketLine(
            ticket_id=ticket.id,
            mall_id=mall.id,
            posting_date=found.opening_day,
            position=1,
            dealer_id=None,
            tag=row.what,
            description=row.words,
            quantity=1,
            unit_price=Decimal(row.cents) / 100,
            tag_cents=row.cents,
            price_cents=row.cents,
        )
    )
