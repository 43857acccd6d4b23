"""A charge of a statement and how it came about: the rule in words, its base with its parts, the dated price, days, share."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from fractions import Fraction

from sqlalchemy import func, select
from sqlalchemy.orm import aliased

from coop.books.models import Entry
from coop.books.rules import rules_on as money_rules_on
from coop.core.errors import Refusal
from coop.core.geometry import format_length
from coop.core.money import cents, format_dollars, format_price, round_half_up
from coop.core.periods import Month, days_within
from coop.core.templating import day, dollars, money, percent, short_day, sqft
from coop.leases.agreement_words import late_in_words
from coop.leases.domain.rates import DatedRate
from coop.leases.models import Charge, Dispute, Lease, LeaseShare, LeaseSpace, LeaseTerm
from coop.leases.pricing import named
from coop.leases.queries import charges_of, rates_by_zone
from coop.leases.rents import month_rents
from coop.leases.rules import rules_on
from coop.leases.settling import GIVEN_BACK
from coop.leases.wording import PRORATION, UNITS, term_sentence
from coop.sales.card_cost import card_tickets
from coop.sales.models import TicketLine
from coop.sales.queries import credited_between
from coop.statements.building import charge_lines
from coop.statements.figures import next_rent
from coop.statements.line_parts import LinePage, Of, Part, Row, nth_equal
from coop.statements.wording import charge_label

NOT_FOUND = (
    "The charges posted for this month are not those that were stated. What stands here is the statement's; ask the manager."
)
_NAMES = {"discount": "discount", "turns": "discount", "percentage": "percentage"}
"""Kinds of a lease's terms by what a charge is for."""


def charge_page(of: Of, n: int) -> LinePage:
    line = of.value.charges[n]
    page = LinePage(of.place("charges", n), charge_label(line), "Charge", line.amount_cents)
    page.fact("Working", line.working)
    which = nth_equal(of.value.charges, n, charge_lines(of.session, of.mall.id, of.dealer.id, of.month))
    if which is None:
        page.differs.append(NOT_FOUND)
        return page
    charge = charges_of(of.session, of.mall.id, of.month, dealer_id=of.dealer.id)[which]
    _posted(of, page, charge)
    lease = of.session.get_one(Lease, charge.lease_id)
    month = Month.of(charge.first_day)
    what = charge.what.partition(":")[0]
    if what == GIVEN_BACK:
        page.notes.append("You disputed a charge; this was given back when the dispute was decided.")
    elif charge.kind == "commission":
        _commission(of, page, charge, lease)
    elif charge.kind == "card":
        _card(of, page, charge)
    elif charge.kind == "late":
        page.fact("Rule", late_in_words(rules_on(of.session, of.mall.id, _day_of(of, charge))))
        page.notes.append("No late fee is taken on a fee, nor on a charge that you dispute.")
    elif what == "space":
        _space(of, page, charge.what, lease, month)
        _compare(of, page, charge)
    elif what in _NAMES:
        _terms(page, lease, _NAMES[what], month)
        if what == "discount":
            _compare(of, page, charge)
    elif charge.kind == "turn":
        page.notes.append("Turns are the times you work at the desk. A turn worked beyond those owed is to your credit.")
    return page


def next_rent_page(of: Of, n: int) -> LinePage:
    """A line of next month's rent, by the leases: as they stood then, and as they stand."""
    line = of.value.next_rent[n]
    month = of.month.next
    page = LinePage(of.place("next-rent", n), f"{charge_label(line)}, {month.name}", "For information", line.amount_cents)
    page.fact("Working", line.working)
    page.fact("Charged", f"in {month.name}")
    try:
        drafts = month_rents(of.session, of.mall, month, dealer_id=of.dealer.id)
    except Refusal:
        page.differs.append("The rent of that month cannot be worked out today: the office is told why.")
        return page
    which = nth_equal(of.value.next_rent, n, next_rent(of.session, of.mall, of.dealer.id, of.month))
    if which is None:
        now = [draft for draft in drafts if draft.label == line.label]
        said = f"it comes to {money(-sum(draft.rent.amount_cents for draft in now))} now" if now else "it is not among them now"
        page.differs.append(f"This is by your leases when the statement was made; as they stand today, {said}.")
        return page
    draft = drafts[which]
    lease = of.session.get_one(Lease, draft.lease_id)
    what = draft.what.partition(":")[0]
    if what == "space":
        _space(of, page, draft.what, lease, month)
    elif what in _NAMES:
        _terms(page, lease, _NAMES[what], month)
    return page


def _day_of(of: Of, charge: Charge) -> date:
    return of.session.get_one(Entry, charge.entry_id).business_date if charge.entry_id else Month.of(charge.first_day).last_day


def _posted(of: Of, page: LinePage, charge: Charge) -> None:
    if charge.entry_id is not None:
        page.fact("In the books", f"on {day(_day_of(of, charge))}, entry {charge.entry_id}")
    own = Month.of(charge.first_day)
    if own != of.month:
        page.fact("For", f"{own.name}, which was closed already")
    if charge.change:
        page.notes.append("What this charge came to changed after it was first posted; this is the difference.")
    dispute = of.session.scalar(select(Dispute).where(Dispute.charge_id == charge.id).order_by(Dispute.id.desc()).limit(1))
    if dispute is not None:
        said = f", decided on {day(dispute.closed_on)}: {dispute.outcome}" if dispute.closed_on else ", not decided yet"
        page.fact("Disputed", f"since {day(dispute.opened_on)}{said}")
    elif charge.amount_cents > 0:
        page.charge_id = charge.id


def _compare(of: Of, page: LinePage, charge: Charge) -> None:
    """Say so where the leases and prices as they stand today make another rent of that month."""
    month = Month.of(charge.first_day)
    posted = of.session.scalar(
        select(func.sum(Charge.amount_cents)).where(
            Charge.mall_id == charge.mall_id,
            Charge.dealer_id == charge.dealer_id,
            Charge.what == charge.what,
            Charge.first_day == charge.first_day,
        )
    )
    try:
        drafts = month_rents(of.session, of.mall, month, dealer_id=of.dealer.id)
    except Refusal:
        page.differs.append("By the leases and prices as they stand today this rent cannot be worked out again.")
        return
    now = sum(draft.rent.amount_cents for draft in drafts if draft.what == charge.what)
    if now != int(posted or 0):
        page.differs.append(
            f"By the leases and prices as they stand today it would be {money(-now)}; for {month.name} "
            f"{money(-int(posted or 0))} was charged in all. A difference is charged or given back in a month that is open."
        )


# --- commission ---------------------------------------------------------------------------------------------------------


def _commission(of: Of, page: LinePage, charge: Charge, lease: Lease) -> None:
    value, month = of.value, Month.of(charge.first_day)
    on = min(month.last_day, lease.ends_on or date.max)
    term = next((one for one in lease.terms if one.kind == "commission" and _holds(one, on)), None)
    if term is None:
        page.fact("Rule", f"{percent(lease.commission_percent)} of your net sales, by your lease from {day(lease.starts_on)}")
    else:
        said = term_sentence("commission", term.terms, term.starts_on, term.ends_on)
        percent_said = (
            ""
            if "percent" in term.terms or "tiers" in term.terms
            else f" The lease's own is {percent(lease.commission_percent)}."
        )
        page.fact("Rule", said + percent_said)
    if month != value.month:
        return
    rows = [Row((f"Tag prices of what was sold, {_lines(len(value.sales))}", money(value.gross_cents)))]
    if value.discounts_cents:
        discounted = sum(1 for line in value.sales if line.discount_cents)
        rows.append(Row((f"Less discounts, on {_lines(discounted)}", money(-value.discounts_cents))))
    if value.returns_cents:
        rows.append(Row((f"Less returns, {_lines(len(value.returns))}", money(-value.returns_cents))))
    total = ("Net sales, on which commission is taken", money(value.net_cents))
    page.parts.append(Part("What it is taken on", ("What", "Amount"), tuple(rows), total))
    if term is not None and "tiers" in term.terms:
        _tiers(of, page, term)
    if term is None or "tiers" not in term.terms:
        workings = of.session.scalars(
            select(Charge.working).where(
                Charge.what == charge.what, Charge.first_day == charge.first_day, Charge.mall_id == of.mall.id
            )
        ).all()
        # Of several, posted as sales came in, the last names the month's whole.
        if not any(format_dollars(value.net_cents) in working for working in workings):
            page.differs.append(f"The working names another base than the month's net sales of {dollars(value.net_cents)}.")


def _tiers(of: Of, page: LinePage, term: LeaseTerm) -> None:
    """The month's net sales by the tier of each item's price; a return in the tier of its sale."""
    original = aliased(TicketLine)
    each = func.coalesce(original.unit_price, TicketLine.unit_price)
    found = of.session.execute(
        select(each, func.sum(TicketLine.price_cents))
        .outerjoin(original, original.id == TicketLine.returns_line_id)
        .where(credited_between(of.mall.id, of.month.first_day, of.month.last_day), TicketLine.dealer_id == of.dealer.id)
        .group_by(each)
    ).all()
    tiers = term.terms["tiers"]
    limits = [cents(Decimal(tier["upto"])) for tier in tiers if "upto" in tier]
    nets = [0] * len(tiers)
    for price, net in found:
        nets[sum(cents(price) > limit for limit in limits)] += int(net)
    rows = []
    for n, (tier, net) in enumerate(zip(tiers, nets, strict=True)):
        items = f"Items up to {dollars(limits[n])}" if n < len(limits) else "Every dearer item" if limits else "Every item"
        exactly = Fraction(net) * Fraction(tier["percent"]) / 100
        rows.append(Row((items, percent(Decimal(tier["percent"])), money(net), money(round_half_up(exactly)))))
    note = "Each part is rounded here to be read; the commission is rounded once."
    if "turns" in term.terms:
        note += " Before what turns worked take off."
    page.parts.append(Part("By the price of the item", ("Tier", "Rate", "Net sales", "Commission"), tuple(rows), (), note))
    if sum(nets) != of.value.net_cents:
        page.differs.append(
            f"The till's lines by tier add up to {money(sum(nets))}, the statement's net sales to {money(of.value.net_cents)}."
        )


def _holds(term: LeaseTerm, on: date) -> bool:
    return term.starts_on <= on <= (term.ends_on or date.max)


def _lines(number: int) -> str:
    return f"{number:,} {'line' if number == 1 else 'lines'}"


# --- card cost ----------------------------------------------------------------------------------------------------------


def _card(of: Of, page: LinePage, charge: Charge) -> None:
    month = Month.of(charge.first_day)
    rate = money_rules_on(of.session, month.last_day).card_percent
    page.fact(
        "Rule", f"{percent(rate)} of what of your sales was paid by card, without the tax; what went back to a card is taken off"
    )
    tickets = card_tickets(of.session, of.mall.id, month, of.dealer.id)
    whole = round_half_up(sum((one.part for one in tickets), Fraction(0)))
    rows = tuple(
        Row((f"{short_day(one.sold_on)}, ticket {one.number}", money(one.price_cents), money(round_half_up(one.part))))
        for one in tickets
    )
    note = (
        "Of a ticket paid partly by card, each line has its part. Each is rounded here to be read; "
        "the sum is not made of rounded ones."
    )
    page.parts.append(
        Part("Tickets paid by card", ("Ticket", "Price of your lines", "By card"), rows, ("By card", "", money(whole)), note)
    )
    if format_dollars(whole) not in charge.working:
        page.differs.append(f"The till's tickets today make {dollars(whole)} by card: not what the working says.")


# --- rent ---------------------------------------------------------------------------------------------------------------


def _space(of: Of, page: LinePage, what: str, lease: Lease, month: Month) -> None:
    """What is rented, at which dated price, for how many days, and which share of it is hers."""
    span = of.session.get(LeaseSpace, int(what.partition(":")[2]))
    if span is None:
        return
    holder = of.session.get_one(Lease, span.lease_id)
    spans = [
        one
        for one in holder.spaces
        if one.space_id == span.space_id and one.starts_on <= month.last_day and (one.ends_on or date.max) >= month.first_day
    ]
    page.fact("Space", named(span.space))
    rates = rates_by_zone(of.session, of.mall.id).get(span.space.zone, [])
    for held in spans:
        first = max(held.starts_on, holder.starts_on, lease.starts_on, month.first_day)
        last = min(held.ends_on or date.max, holder.ends_on or date.max, lease.ends_on or date.max, month.last_day)
        if first > last:
            continue
        page.fact("Area" if held.leased_area_sqft100 else "Size", _measured(held))
        page.fact("Price", _price(held, rates, first, last, holder))
        days = days_within(month, first, last)
        if days < month.days:
            page.fact("Days", f"{days} of {month.days}, from {day(first)} to {day(last)}, counted {PRORATION[lease.proration]}")
        else:
            page.fact("Days", f"the whole of {month.name}")
        share = of.session.scalar(
            select(LeaseShare.share_percent).where(LeaseShare.lease_space_id == held.id, LeaseShare.lease_id == lease.id)
        )
        if share is not None:
            page.fact("Your share", f"{percent(share)} of the rent of a shared space")
    for term in holder.terms:
        if term.kind == "escalation" and term.starts_on <= month.last_day and (term.ends_on or date.max) >= month.first_day:
            page.fact("Increases", term_sentence(term.kind, term.terms, term.starts_on, term.ends_on))
    page.fact("Lease", f"from {day(lease.starts_on)}" + (f" to {day(lease.ends_on)}" if lease.ends_on else ""))


def _measured(held: LeaseSpace) -> str:
    parts = [sqft(held.leased_area_sqft100)] if held.leased_area_sqft100 else []
    if held.leased_length_in16:
        parts.append(f"{format_length(held.leased_length_in16)} long")
    return ", ".join([*parts, "as you signed for"]) if parts else "none: its price is for the space as a whole"


def _price(held: LeaseSpace, rates: list[DatedRate], first: date, last: date, holder: Lease) -> str:
    if held.agreed_price is not None and held.agreed_per is not None:
        return f"${format_price(held.agreed_price)} {UNITS[held.agreed_per]}, agreed for this lease"
    kept = [term.starts_on for term in holder.terms if term.kind == "escalation" and term.starts_on <= last]
    if kept:
        # With raises of its own, a lease keeps the price of the day they begin on.
        first = last = max(max(kept), min((rate.starts_on for rate in rates), default=first))
    begun = [rate for rate in rates if rate.starts_on <= first]
    in_force = begun[-1:] + [rate for rate in rates if first < rate.starts_on <= last]
    said = [f"${format_price(rate.price)} {UNITS[rate.per]}, since {day(rate.starts_on)}" for rate in in_force]
    zone = held.space.zone
    return f"zone {zone}: {'; '.join(said)}" if said else ""


def _terms(page: LinePage, lease: Lease, kind: str, month: Month) -> None:
    for term in lease.terms:
        if term.kind == kind and term.starts_on <= month.last_day and (term.ends_on or date.max) >= month.first_day:
            page.fact("Term of your lease", term_sentence(term.kind, term.terms, term.starts_on, term.ends_on))
