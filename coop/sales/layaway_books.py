"""What a layaway holds, posts and is taxed: its money against the ledger, its rows of tax under the key of its ticket to come."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from sqlalchemy import ColumnElement, case, func, insert, or_, select
from sqlalchemy.orm import Session

from coop.books.accounts import ensure_account, tender_account
from coop.books.domain.entries import EntryDraft, netted
from coop.books.models import Account, Posting
from coop.books.queries import LAYAWAY
from coop.books.service import post_entry
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.sales.models import LayawayAgreement, LayawayLine, LayawayMove
from coop.sales.returning import rows_of
from coop.sales.taxing import Facts, Taxer, layaway_line, tax_rows
from coop.tax.domain.ticket import Layaway, TicketTax
from coop.tax.models import Jurisdiction, TaxCharged, TaxUntaxed

TENDERS = {"cash": "cash", "card": "card", "check": "check"}
"""How money of a layaway comes and goes."""
HELD: ColumnElement[int] = func.coalesce(
    func.sum(case((LayawayMove.kind == "paid", LayawayMove.amount_cents), else_=-LayawayMove.amount_cents)), 0
)


def layaway_account(session: Session, mall: Mall) -> int:
    """What buyers have paid on layaways that are not theirs yet: the buyers' money, held."""
    return ensure_account(session, f"Liabilities:Layaway:{mall.code}", "layaway", mall_id=mall.id)


def layaway_tax_account(session: Session, mall: Mall) -> int:
    """Tax charged at agreements, until their end: owed by the buyers, so that what they paid stays whole."""
    return ensure_account(session, f"Assets:Layaway-tax:{mall.code}", "layaway tax", mall_id=mall.id)


def held_of(session: Session, layaway: LayawayAgreement) -> int:
    """Cents of the buyer's money that are held."""
    return int(session.scalar(select(HELD).where(LayawayMove.layaway_id == layaway.id)) or 0)


def check_layaways(session: Session) -> list[str]:
    """Hold each mall's layaway money, and the tax buyers owe of agreements, against the ledger; a sentence for what differs."""
    at_agreement = (LayawayAgreement.taxed_at == "agreement") & (LayawayAgreement.state == "open")
    held = select(LayawayAgreement.mall_id, HELD).join(LayawayMove).group_by(LayawayAgreement.mall_id)
    owed = select(LayawayAgreement.mall_id, func.sum(LayawayAgreement.tax_cents)).where(at_agreement)
    found = []
    for kind, sign, what, rows in (
        ("layaway", -1, "the layaway money held", held),
        ("layaway tax", 1, "the tax owed on layaways", owed.group_by(LayawayAgreement.mall_id)),
    ):
        said: dict[int | None, int] = {mall_id: int(amount) for mall_id, amount in session.execute(rows)}
        ledger: dict[int | None, int] = {
            mall_id: sign * int(amount)
            for mall_id, amount in session.execute(
                select(Account.mall_id, func.sum(Posting.amount_cents))
                .join(Posting, Posting.account_id == Account.id)
                .where(Account.kind == kind)
                .group_by(Account.mall_id)
            )
        }
        for mall_id in sorted(said.keys() | ledger.keys(), key=lambda one: one or 0):
            mine, books = said.get(mall_id, 0), ledger.get(mall_id, 0)
            if mine != books:
                code = session.get_one(Mall, mall_id).code
                found.append(f"At {code} {what} is {format_dollars(mine)} by its rows and {format_dollars(books)} in the ledger.")
    return found


def taxed_before_sale(session: Session, mall: Mall, month: Month) -> tuple[list[str], list[str]]:
    """Ticket keys of the layaways taxed at their agreement that a month has tax of, and of those it sold: for statements.

    Their tax belongs to a dealer's sales of the month in which the things were handed over; to none when cancelled.
    """
    days = (month.first_day, month.last_day)
    touched = session.scalars(
        select(LayawayAgreement).where(
            LayawayAgreement.mall_id == mall.id,
            LayawayAgreement.taxed_at == "agreement",
            or_(LayawayAgreement.accepted_on.between(*days), LayawayAgreement.closed_on.between(*days)),
        )
    ).all()
    sold = [one for one in touched if one.state == "completed" and one.closed_on and Month.of(one.closed_on) == month]
    return [ticket_key(mall, one) for one in touched], [ticket_key(mall, one) for one in sold]


# --- money --------------------------------------------------------------------------------------------------------------


def source_of(mall: Mall, layaway: LayawayAgreement) -> str:
    return f"{mall.code}/{layaway.number}"


def ticket_key(mall: Mall, layaway: LayawayAgreement) -> str:
    """Key of its ticket, and of its tax rows before there is one."""
    return f"layaway/{source_of(mall, layaway)}"


def post(
    session: Session,
    now: datetime,
    mall: Mall,
    layaway: LayawayAgreement,
    purpose: str,
    on: date,
    postings: Sequence[tuple[int, int]],
) -> int:
    draft = EntryDraft(
        mall_id=mall.id,
        business_date=on,
        kind=LAYAWAY,
        source_kind=LAYAWAY,
        source_id=source_of(mall, layaway),
        purpose=purpose,
        postings=netted(postings),
        memo=f"Layaway {layaway.number}",
    )
    return post_entry(session, now, draft)


def add_move(
    session: Session,
    layaway: LayawayAgreement,
    kind: str,
    tender: str,
    amount_cents: int,
    on: date,
    entry_id: int,
    *,
    key: str,
    user_id: int | None,
) -> LayawayMove:
    move = LayawayMove(
        layaway_id=layaway.id,
        key=key,
        kind=kind,
        tender=tender,
        amount_cents=amount_cents,
        on=on,
        entry_id=entry_id,
        made_by=user_id,
    )
    session.add(move)
    session.flush()
    return move


def _tender_account(session: Session, mall: Mall, tender: str) -> int:
    if tender not in TENDERS:
        raise Refusal(f"{tender or 'Nothing'} is no way to pay a layaway: choose cash, card or check.")
    return tender_account(session, mall, tender)


def take(
    session: Session,
    now: datetime,
    mall: Mall,
    layaway: LayawayAgreement,
    tender: str,
    amount_cents: int,
    *,
    key: str,
    user_id: int | None,
) -> LayawayMove:
    on = local_date(now, mall.timezone)
    count = session.scalar(select(func.count()).where(LayawayMove.layaway_id == layaway.id, LayawayMove.kind == "paid")) or 0
    account = _tender_account(session, mall, tender)
    postings = [(account, amount_cents), (layaway_account(session, mall), -amount_cents)]
    entry_id = post(session, now, mall, layaway, f"payment {count + 1}", on, postings)
    return add_move(session, layaway, "paid", tender, amount_cents, on, entry_id, key=key, user_id=user_id)


def give_back(
    session: Session,
    now: datetime,
    mall: Mall,
    layaway: LayawayAgreement,
    tender: str,
    amount_cents: int,
    on: date,
    *,
    purpose: str,
    user_id: int | None,
) -> None:
    account = _tender_account(session, mall, tender)
    postings = [(layaway_account(session, mall), amount_cents), (account, -amount_cents)]
    entry_id = post(session, now, mall, layaway, purpose, on, postings)
    add_move(session, layaway, "given back", tender, amount_cents, on, entry_id, key=f"{layaway.id}:{purpose}", user_id=user_id)


# --- its tax ------------------------------------------------------------------------------------------------------------


def items_of(session: Session, layaway: LayawayAgreement) -> list[LayawayLine]:
    return list(session.scalars(select(LayawayLine).where(LayawayLine.layaway_id == layaway.id).order_by(LayawayLine.position)))


def facts_of(layaway: LayawayAgreement, on: date) -> Facts:
    at = "agreement" if layaway.taxed_at == "agreement" else "completion"
    return Facts(f"L{layaway.number}", on, layaway=Layaway(layaway.accepted_on, on), layaway_at=at)  # type: ignore[arg-type]


def whole_tax(session: Session, mall: Mall, layaway: LayawayAgreement, on: date) -> TicketTax:
    """Its tax when it is completed on a day."""
    return Taxer(session, mall).tax(facts_of(layaway, on), [layaway_line(item) for item in items_of(session, layaway)])


def charged_of(session: Session, mall: Mall, layaway: LayawayAgreement) -> TicketTax:
    """What was charged at its agreement, as it is kept; by index of the items."""
    charged, untaxed = rows_of(session, {ticket_key(mall, layaway)})
    return TicketTax(
        tuple(part._replace(line=position - 1) for (_, position), parts in sorted(charged.items()) for part in parts),
        tuple(row._replace(line=position - 1) for (_, position), rows in sorted(untaxed.items()) for row in rows),
    )


def charge(
    session: Session, now: datetime, mall: Mall, layaway: LayawayAgreement, tax: TicketTax, on: date, taxer: Taxer
) -> None:
    """Write rows of tax of a day under the key of its ticket."""
    dealers = {item.position: item.dealer_id for item in items_of(session, layaway)}

    def place(line: int, jurisdiction_id: int) -> tuple[int, int | None]:
        # The co-op charged it and gives it back, also where dealers have come to file their sales themselves since.
        theirs = taxer.theirs(jurisdiction_id, on)
        return line + 1, None if theirs else dealers[line + 1]

    of_ticket = {"mall_id": mall.id, "posting_date": on, "sold_on": on, "ticket_key": ticket_key(mall, layaway)}
    for table, rows in zip((TaxCharged, TaxUntaxed), tax_rows(of_ticket, tax, place), strict=True):
        if rows:
            session.execute(insert(table), rows)


def to_states(session: Session, tax: TicketTax) -> list[tuple[int, int]]:
    accounts = dict(session.execute(select(Jurisdiction.id, Jurisdiction.account_id)).all())
    return [(accounts[jurisdiction_id], -amount) for jurisdiction_id, amount in tax.by_jurisdiction().items()]


def total_on(session: Session, mall: Mall, layaway: LayawayAgreement, on: date) -> int:
    """Cents that the whole comes to when it is completed on a day: its prices, and its tax by the day that counts."""
    return layaway.net_cents + whole_tax(session, mall, layaway, on).total_cents
