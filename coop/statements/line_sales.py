"""A sale or a return of a statement: what the till has of it, its tax, how it was paid, what it gave back."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session, undefer

from coop.core.money import format_price
from coop.core.periods import Month
from coop.core.templating import day, joined, money, percent
from coop.sales.models import Tender, Ticket, TicketLine
from coop.sales.queries import StatedLine, lines_of_dealer
from coop.statements.building import sale_line
from coop.statements.documents import REASONS, item, original
from coop.statements.domain import SaleLine, StatementValue, from_json
from coop.statements.line_parts import LinePage, Of, Part, Place, Row, nth_equal
from coop.statements.models import Statement
from coop.tax.models import Jurisdiction, TaxCharged, TaxRate

TENDERS = {
    "cash": "cash",
    "card": "card",
    "check": "check",
    "coupon": "a maker's coupon",
    "trade-in": "a trade-in",
    "layaway": "what was paid on a layaway",
    "gift": "a gift certificate",
}
NOT_FOUND = "The till's record of this line is not what was stated. What stands here is the statement's; ask the manager."


def sale_page(of: Of, section: str, n: int) -> LinePage:
    """A line of the sales, or of the returns."""
    lines = of.value.sales if section == "sales" else of.value.returns
    line = lines[n]
    is_sale = section == "sales"
    page = LinePage(of.place(section, n), item(line), "Sale" if is_sale else "Return", line.price_cents)
    stated = lines_of_dealer(of.session, of.mall.id, of.dealer.id, of.month, ticket=line.ticket)
    which = nth_equal(lines, n, [sale_line(each) for each in stated])
    found = stated[which] if which is not None else None
    _as_stated(page, line, found, of.mall.timezone)
    if found is None:
        page.differs.append(NOT_FOUND)
        return page
    _tax(of, page, found)
    _tenders(of, page, found)
    if is_sale:
        _given_back(of, page, found)
    else:
        _original(of, page, found)
    return page


def _as_stated(page: LinePage, line: SaleLine, found: StatedLine | None, timezone: str) -> None:
    page.fact("Ticket", line.ticket)
    what = "Sold" if page.kind == "Sale" else "Given back"
    page.fact(what, _at(found.ticket.sold_at, timezone) if found and found.ticket.sold_on == line.sold_on else day(line.sold_on))
    page.fact("Tag", line.tag)
    pieces = ""
    if found and abs(line.quantity) != 1:
        pieces = f", {abs(line.quantity)} pieces at ${format_price(found.line.unit_price)}"
    page.fact("Tag price", f"{money(line.tag_cents)}{pieces}")
    page.fact("Discount", discount_words(line))
    if line.coupon_cents:
        page.fact("Coupon of yours", money(-line.coupon_cents))
    page.fact(
        "Price", f"{money(line.price_cents)}, which is {'credited to you' if line.price_cents >= 0 else 'taken back from you'}"
    )
    if line.claimed_on:
        page.fact("Claimed", f"on {day(line.claimed_on)}: until then it was nobody's, and it counts from that day")
    elif line.posted_on != line.sold_on:
        page.fact("In the books", f"on {day(line.posted_on)}, for its month was closed already")


def discount_words(line: SaleLine) -> str:
    """What was taken off, why, and by whose rule."""
    cents = line.discount_cents - line.coupon_cents
    if not cents and not line.discount_reason:
        return "" if line.coupon_cents else "none"
    reason = REASONS.get(line.discount_reason, line.discount_reason) or "discount"
    authority = line.discount_authority
    by = (f", {authority}" if authority.startswith("approved") else f", by the rule: {authority}") if authority else ""
    return f"{money(-cents)}: {reason}{by}"


def _at(moment: datetime, timezone: str) -> str:
    there = moment.astimezone(ZoneInfo(timezone))
    return f"{day(there.date())}, {there.hour % 12 or 12}:{there.minute:02d} {'am' if there.hour < 12 else 'pm'}"


def _tax(of: Of, page: LinePage, found: StatedLine) -> None:
    rows = of.session.execute(
        select(Jurisdiction.name, TaxRate.percent, TaxCharged.part, TaxCharged.taxable_cents, TaxCharged.amount_cents)
        .join(Jurisdiction, Jurisdiction.id == TaxCharged.jurisdiction_id)
        .join(TaxRate, TaxRate.id == TaxCharged.rate_id)
        .where(
            TaxCharged.ticket_key == found.ticket.key,
            TaxCharged.position == found.line.position,
            TaxCharged.mall_id == found.ticket.mall_id,
        )
        .order_by(TaxCharged.id)
    ).all()
    if not rows:
        why = {"resale": ": the buyer showed a certificate for resale", "exempt": ": the buyer showed a certificate of exemption"}
        page.fact("Sales tax", f"none{why.get(found.ticket.certificate_kind, '')}")
        return
    whole = sum(amount for *_, amount in rows)
    page.parts.append(
        Part(
            "Sales tax, paid with the price",
            ("For", "Rate", "On", "Tax"),
            tuple(
                Row((f"{name}, {part}" if part else name, percent(rate), money(taxable), money(amount)))
                for name, rate, part, taxable, amount in rows
            ),
            ("Tax on this line", "", "", money(whole)) if len(rows) > 1 else (),
            "It is no part of the price. Where it was rounded on the whole ticket, a line has its part of that.",
        )
    )


def _tenders(of: Of, page: LinePage, found: StatedLine) -> None:
    kinds = of.session.scalars(select(Tender.kind).where(Tender.ticket_id == found.ticket.id).order_by(Tender.id)).all()
    words = joined([TENDERS.get(kind, kind) for kind in dict.fromkeys(kinds)])
    page.fact("Paid by" if page.kind == "Sale" else "Given back by", words)


def _given_back(of: Of, page: LinePage, found: StatedLine) -> None:
    rows = of.session.execute(
        select(TicketLine, Ticket)
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .where(TicketLine.returns_line_id == found.line.id)
        .order_by(TicketLine.id)
    ).all()
    for line, ticket in rows:
        words = f"{money(line.price_cents)} on {day(ticket.sold_on)}, ticket {ticket.number}"
        place = place_of(of, StatedLine(line, ticket, found.ticket.number))
        page.fact("Given back", words, place)


def _original(of: Of, page: LinePage, found: StatedLine) -> None:
    if found.line.returns_line_id is None:
        page.fact("Original sale", "none was named (untied): it was taken back at the price on the return")
        return
    line, ticket = of.session.execute(
        select(TicketLine, Ticket)
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .where(TicketLine.id == found.line.returns_line_id)
    ).one()
    words = f"ticket {ticket.number} of {day(ticket.sold_on)}, {money(line.price_cents)}"
    if line.dealer_id != of.dealer.id:
        page.differs.append("The sale it gives back is not among yours: ask the manager.")
        words = f"ticket {original(of.value.returns[page.place.n])}"
    page.fact("Original sale", words, place_of(of, StatedLine(line, ticket, "")))


def place_of(of: Of, stated: StatedLine) -> Place | None:
    """Where a line of this dealer stands on one of her statements at this mall; None where it is on none yet."""
    line = stated.line
    if line.dealer_id != of.dealer.id or line.credited_on is None:
        return None
    value: StatementValue | None = of.value
    if Month.of(line.credited_on) != of.month:
        value = statement_of(of.session, of, Month.of(line.credited_on))
    if value is None:
        return None
    section = "sales" if stated.ticket.kind == "sale" else "returns"
    lines = value.sales if section == "sales" else value.returns
    wanted = sale_line(stated)
    return Place(value.number, section, lines.index(wanted)) if wanted in lines else None


def statement_of(session: Session, of: Of, month: Month) -> StatementValue | None:
    """The same dealer's statement of another month at the same mall."""
    row = session.scalar(
        select(Statement)
        .where(
            Statement.mall_id == of.statement.mall_id,
            Statement.dealer_id == of.statement.dealer_id,
            Statement.first_day == month.first_day,
        )
        .options(undefer(Statement.value_json))
    )
    return from_json(row.value_json) if row is not None else None
