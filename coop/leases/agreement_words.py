"""The agreement in words: a lease's spaces, prices and terms, clauses, who signs; and what other letters share."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.money import exact, round_half_up
from coop.core.periods import Month
from coop.core.templating import day, dollars, joined, length, percent, sqft
from coop.dealers.models import Cooperative, Dealer
from coop.floor.models import Mall
from coop.leases.documents import CAUTION, LetterValue, Signature, Table
from coop.leases.domain import plain
from coop.leases.domain.late import LateRule
from coop.leases.domain.rent import Piece
from coop.leases.holding import code_of
from coop.leases.models import Lease, LeaseShare, LeaseSpace
from coop.leases.pricing import known_rates, measures, monthly_rent, named, rate_of
from coop.leases.rents import RentBook
from coop.leases.rules import HouseRules, rules_on
from coop.leases.wording import KINDS, PRORATION, UNITS, term_sentence

_ISO_DAY = re.compile(r"\b\d{4}-\d{2}-\d{2}\b")


def letter_of(
    session: Session,
    mall_id: int,
    kind: str,
    made_on: date,
    to: Sequence[str],
    reference: str,
    title: str,
    outcome: str,
    **said: object,
) -> LetterValue:
    coop, mall = session.get_one(Cooperative, 1), session.get_one(Mall, mall_id)
    return LetterValue(
        kind=kind,
        paper=coop.paper,
        made_on=made_on,
        coop_name=coop.name,
        mall_name=mall.name,
        mall_address=mall.address,
        to=tuple(line for line in to if line),
        reference=reference,
        title=title,
        outcome=outcome,
        **said,  # type: ignore[arg-type]
    )


def to_dealer(session: Session, lease: Lease) -> tuple[Dealer, tuple[str, ...]]:
    dealer = session.get_one(Dealer, lease.dealer_id)
    return dealer, (dealer.member.name, dealer.trade_name, *dealer.member.address.splitlines())


def spaces_in_words(session: Session, lease: Lease, on: date) -> str:
    """`Booth 12 and Case C3`, as held or shared on a day."""
    names = sorted({named(held.space) for held in spans_on(session, lease, on)})
    return joined(names) or "no space"


def spans_on(session: Session, lease: Lease, on: date) -> Sequence[LeaseSpace]:
    """What a lease holds on a day or later, and pays a share of, by space and first day."""
    shared = select(LeaseShare.lease_space_id).where(LeaseShare.lease_id == lease.id)
    return session.scalars(
        select(LeaseSpace)
        .where(
            or_(LeaseSpace.lease_id == lease.id, LeaseSpace.id.in_(shared)),
            or_(LeaseSpace.ends_on.is_(None), LeaseSpace.ends_on >= on),
        )
        .order_by(LeaseSpace.space_id, LeaseSpace.starts_on)
    ).all()


def rent_on(session: Session, lease: Lease, on: date) -> tuple[int, str]:
    """What a whole month costs at the prices, raises and shares of a day, before discounts, in cents, and how."""
    book = RentBook(session, session.get_one(Mall, lease.mall_id), Month.of(on))
    found = book.spaces(Month.of(on), only=lease.id).get(lease.id)
    if book.faults:
        raise Refusal(" ".join(dict.fromkeys(book.faults)))
    pieces: list[Piece] = [p for p in found.pieces if p.starts_on <= on <= p.ends_on] if found else []
    total = sum((piece.monthly for piece in pieces), Fraction(0))
    return round_half_up(total * 100), with_days(" + ".join(piece.words for piece in pieces)) or "no space is held"


def with_days(text: str) -> str:
    """A working with its dates as people write them."""
    return _ISO_DAY.sub(lambda found: day(date.fromisoformat(found[0])), text)


# --- the agreement ---------------------------------------------------------------------------------------------------------


def agreement(session: Session, lease: Lease, made_on: date) -> LetterValue:
    """The agreement with all its terms, to be signed or as it was signed. Refuses one of a zone without a rate."""
    dealer, to = to_dealer(session, lease)
    rules = rules_on(session, lease.mall_id, lease.starts_on)
    on = max(made_on, lease.starts_on)
    spans = spans_on(session, lease, on)
    table, rent = _spaces_table(session, lease, spans, on)
    mall, coop = session.get_one(Mall, lease.mall_id), session.get_one(Cooperative, 1)
    tables = (table,) if spans else ()
    return letter_of(
        session,
        lease.mall_id,
        "agreement",
        made_on,
        to,
        dealer.code,
        "Lease agreement",
        f"{coop.name} leases {spaces_in_words(session, lease, on)} at {mall.name} to {dealer.member.name}, "
        f"from {day(lease.starts_on)}.",
        body=(*_measured_otherwise(spans), *_shares_in_words(session, lease, spans)),
        tables=tables,
        terms=_terms_in_words(session, lease, rules, rent),
        clauses=tuple(line.strip() for line in rules.clauses.splitlines() if line.strip()),
        signatures=_signatures(coop, dealer, lease),
        caution=CAUTION,
    )


def _spaces_table(session: Session, lease: Lease, spans: Sequence[LeaseSpace], on: date) -> tuple[Table, int]:
    rates = known_rates(session, lease.mall_id)
    rows, total = [], 0
    for held in spans:
        at = max(on, held.starts_on)
        rent, rate = monthly_rent(held, rates, at), rate_of(held, rates, at)
        area, run = measures(held)
        measure = length(run) if rate.per == "foot" and run else sqft(area)
        name = named(held.space)
        if held.starts_on > lease.starts_on or held.ends_on is not None:
            name += f", from {day(held.starts_on)}" + (f" to {day(held.ends_on)}" if held.ends_on else "")
        if held.starts_on <= on:
            total += round_half_up(Fraction(rent.amount_cents) * exact(_share_of(lease, held)) / 100)
        agreed = ", agreed for this lease" if held.agreed_price is not None else ""
        price = f"${plain(rate.price)} {UNITS[rate.per]}{agreed}"
        rows.append((name, held.space.zone, measure, price, dollars(rent.amount_cents)))
    return Table("The spaces", ("Space", "Zone", "Leased", "Price", "A whole month"), tuple(rows)), total


def _share_of(lease: Lease, held: LeaseSpace) -> Decimal:
    return next((share.share_percent for share in held.shares if share.lease_id == lease.id), Decimal(100))


def _measured_otherwise(spans: Sequence[LeaseSpace]) -> list[str]:
    said = []
    for held in spans:
        space = held.space
        if space.measured_area_sqft100 and held.leased_area_sqft100 != space.measured_area_sqft100:
            when = f" on {day(space.measured_on)}" if space.measured_on else ""
            who = f" by {space.measured_by}" if space.measured_by else ""
            said.append(
                f"{named(space)} was measured at {sqft(space.measured_area_sqft100)}{when}{who}; the rent goes by the "
                f"{sqft(held.leased_area_sqft100)} leased."
            )
    return said


def _shares_in_words(session: Session, lease: Lease, spans: Sequence[LeaseSpace]) -> list[str]:
    said = []
    for held in spans:
        if held.shares:
            sharers = [(share.share_percent, session.get_one(Lease, share.lease_id)) for share in held.shares]
            codes = [f"{percent(part)} by {code_of(session, sharer)}" for part, sharer in sharers]
            since = f", from {day(held.starts_on)}" if held.starts_on > lease.starts_on else ""
            said.append(
                f"{named(held.space)} is shared{since}: its rent is paid {', '.join(codes)}. What each sells stays her own."
            )
    return said


def _terms_in_words(session: Session, lease: Lease, rules: HouseRules, rent_cents: int) -> tuple[tuple[str, str], ...]:
    coop, dealer = session.get_one(Cooperative, 1), session.get_one(Dealer, lease.dealer_id)
    when = (
        "It is charged in advance, on the first day of the month."
        if rules.in_advance
        else "It is charged in arrears, on the last day of the month, and taken from that month's sales."
    )
    shared = " and shares" if any(held.shares for held in spans_on(session, lease, lease.starts_on)) else ""
    rent = (
        f"{dollars(rent_cents)} for a whole month at the prices{shared} above. {when} "
        f"A part of a month is charged {PRORATION[lease.proration]}."
    )
    kinds: dict[str, list[str]] = {}
    for term in lease.terms:
        kinds.setdefault(term.kind, []).append(term_sentence(term.kind, term.terms, term.starts_on, term.ends_on))
    side = " to the last day of a month" if lease.notice_to_month_end else ""
    commission = f"{percent(lease.commission_percent)} of the month's net sales, once a month."
    deposit = (
        f"{dollars(lease.deposit_cents)}. It stays the dealer's: after moving out it is returned, less what is owed and damage."
        if lease.deposit_cents
        else "None."
    )
    rows = [
        ("Between", f"{coop.name} (the co-op) and {dealer.member.name} (the dealer, {dealer.code})."),
        ("Term", term_in_words(lease)),
        ("Rent", rent),
        *((KINDS[kind], " ".join(said)) for kind, said in kinds.items() if kind != "commission"),
        ("Increases", f"Any other increase of the rent is told {rules.increase_days} days before it begins."),
        ("Commission", " ".join([commission, *kinds.get("commission", ())])),
        ("Late payment", late_in_words(rules)),
        ("Deposit", deposit),
        ("Notice", f"{lease.notice_days} days{side}, in writing, by either side{_not_within(lease)}."),
        (
            "Moving out",
            f"Gone through together: {_listed(rules.checklist)}." if rules.checklist else "The space is handed over.",
        ),
    ]
    return tuple(rows)


def term_in_words(lease: Lease) -> str:
    if lease.term_ends_on is None:
        return f"From {day(lease.starts_on)}, by the month."
    return (
        f"From {day(lease.starts_on)} through {day(lease.term_ends_on)}; "
        "after that it runs on by the month, unless it is ended or renewed."
    )


def _not_within(lease: Lease) -> str:
    return "" if lease.term_ends_on is None else "; no earlier than the last day of the term"


def late_in_words(rules: HouseRules) -> str:
    rule = rules.late_rule
    if rule is None:
        return "There is no late fee."
    return (
        f"What is unpaid after day {rules.late_after_day} of a month costs {_late_cost(rules, rule)}, once a month; "
        "never on a fee, and not while a charge is in dispute."
    )


def _late_cost(rules: HouseRules, rule: LateRule) -> str:
    flat, share = dollars(rules.late_flat_cents), f"{percent(rules.late_percent)} of it"
    if rules.late_how == "greater":
        return f"{flat} or {share}, whichever is more"
    return flat if rules.late_how == "flat" else share


def _listed(items: Sequence[str]) -> str:
    return "; ".join(item[:1].lower() + item[1:].rstrip(".") for item in items)


def _signatures(coop: Cooperative, dealer: Dealer, lease: Lease) -> tuple[Signature, ...]:
    if lease.signed_on is None:
        return Signature(f"For {coop.name}"), Signature(f"The dealer, {dealer.code}")
    how = "on paper" if lease.signed_how == "paper" else "by name in the portal"
    said = f"Signed by {lease.signed_name} on {day(lease.signed_on)}, {how}."
    return Signature(f"For {coop.name}"), Signature(f"The dealer, {dealer.code}", said)
