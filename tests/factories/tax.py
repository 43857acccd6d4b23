"""A co-op that files: two jurisdictions of an invented state, an office with terms, and tickets taxed by the pure computation."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.accounts import dealer_account, tender_account, unclaimed_account
from coop.books.domain.entries import EntryDraft, netted
from coop.books.service import post_entry, posting_date
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.tax.domain.compiled import compile_stack
from coop.tax.domain.compute import tax_ticket
from coop.tax.domain.rules import ClassRate, JurisdictionRules, Span, Stack
from coop.tax.domain.ticket import DELIVERY, LineToTax, TicketTax, TicketToTax
from coop.tax.models import Jurisdiction, TaxCertificate, TaxCharged, TaxImport, TaxRate, TaxRule, TaxSetting, TaxUntaxed
from coop.tax.service import add_jurisdiction, set_place, set_rate

OFFICE = "Elder Revenue Office"
STATE = "97"
"""No state's number."""


@dataclass
class Filer:
    """A mall with its stack and its dealers, and what rings tickets up there."""

    session: Session
    now: datetime
    mall: Mall
    dealers: list[Dealer]
    jurisdictions: list[Jurisdiction]
    stack: Stack
    count: int = field(default=0)

    def sell(
        self,
        on: date,
        *prices: int,
        dealer: int | None = 0,
        posted_on: date | None = None,
        ticket: TicketToTax | None = None,
        stack: Stack | None = None,
    ) -> TicketTax:
        """Take a ticket: its rows of tax, and its entry on the day of sale or the first open day after."""
        self.count += 1
        taxed = ticket or TicketToTax(on, tuple(LineToTax(price, -1 if price < 0 else 1) for price in prices))
        tax = tax_ticket(taxed, compile_stack(stack or self.stack, on))
        self.keep(f"desk:{self.count}", on, taxed, tax, dealer=dealer, posted_on=posted_on)
        return tax

    def give_back(self, on: date, tax: TicketTax, cents: int, *, dealer: int | None = 0) -> None:
        """A return of everything on a ticket, at what was charged whatever the rates are by now."""
        self.count += 1
        back = TicketTax(
            tuple(p._replace(taxable_cents=-p.taxable_cents, amount_cents=-p.amount_cents) for p in tax.parts),
            tuple(u._replace(amount_cents=-u.amount_cents) for u in tax.untaxed),
        )
        ticket = TicketToTax(on, (LineToTax(-cents, -1),))
        self.keep(f"desk:{self.count}", on, ticket, back, dealer=dealer)

    def keep(
        self, key: str, on: date, ticket: TicketToTax, tax: TicketTax, *, dealer: int | None, posted_on: date | None = None
    ) -> None:
        session, mall = self.session, self.mall
        day = posted_on or posting_date(session, mall.id, on)
        dealer_id = None if dealer is None else self.dealers[dealer].id
        accounts = {j.id: j.account_id for j in self.jurisdictions}
        goods = sum(line.price_cents - line.discount_cents - line.seller_coupon_cents for line in ticket.lines)
        goods += ticket.delivery_cents - ticket.discount_cents
        owner = unclaimed_account(session, mall) if dealer is None else dealer_account(session, mall, self.dealers[dealer])
        postings = [(tender_account(session, mall, "cash"), goods + tax.total_cents), (owner, -goods)]
        postings += [(accounts[part.jurisdiction_id], -part.amount_cents) for part in tax.parts]
        posted = netted(postings)
        if posted:
            post_entry(session, self.now, EntryDraft(mall.id, day, "sale", "ticket", key, "sale", posted))
        same: dict[str, Any] = {"mall_id": mall.id, "posting_date": day, "sold_on": on, "ticket_key": key}
        for part in tax.parts:
            session.add(
                TaxCharged(
                    **same,
                    position=part.line,
                    dealer_id=None if part.line == DELIVERY else dealer_id,
                    jurisdiction_id=part.jurisdiction_id,
                    rate_id=part.rate_id,
                    part=part.part,
                    taxable_cents=part.taxable_cents,
                    amount_cents=part.amount_cents,
                )
            )
        for row in tax.untaxed:
            session.add(
                TaxUntaxed(
                    **same,
                    position=row.line,
                    dealer_id=None if row.line == DELIVERY else dealer_id,
                    jurisdiction_id=row.jurisdiction_id,
                    kind=row.kind,
                    reason=row.reason,
                    amount_cents=row.amount_cents,
                )
            )
        session.flush()


def make_filer(session: Session, now: datetime, mall: Mall, dealers: list[Dealer], **rules: Any) -> Filer:
    """State 5% and Alder county 0.5% from 2020 on, at a mall, filed by the month with OFFICE; `rules` are the state's."""
    state = add_jurisdiction(session, code="EL", name="State of Elder", kind="state")
    county = add_jurisdiction(session, code="EL-ALDER", name="Alder county", kind="county")
    state.state_fips = county.state_fips = STATE
    state.fips, county.fips = STATE, "001"
    since = date(2020, 1, 1)
    rates = [set_rate(session, j, Decimal(p), starts_on=since) for j, p in ((state, "5"), (county, "0.5"))]
    set_place(session, mall.id, [state, county], starts_on=since)
    setting(session, starts_on=since)
    stack = Stack((rules_of(state, rates[0], **rules), rules_of(county, rates[1])))
    return Filer(session, now, mall, dealers, [state, county], stack)


def filer_of(session: Session, now: datetime, mall: Mall, *, count: int = 0, more: int = 0) -> Filer:
    """What make_filer made, taken up again; `more` further counties that tax nothing here."""
    jurisdictions = list(session.scalars(select(Jurisdiction).where(Jurisdiction.code.in_(("EL", "EL-ALDER")))))
    rates = {rate.jurisdiction_id: rate for rate in session.scalars(select(TaxRate))}
    for n in range(more):
        other = add_jurisdiction(session, code=f"EL-{n:02d}", name=f"County {n}", kind="county")
        set_rate(session, other, Decimal(1), starts_on=date(2020, 1, 1))
    stack = Stack(tuple(rules_of(j, rates[j.id]) for j in sorted(jurisdictions, key=lambda j: j.code)))
    dealers = list(session.scalars(select(Dealer).order_by(Dealer.code)))
    return Filer(session, now, mall, dealers, jurisdictions, stack, count)


def rules_of(jurisdiction: Jurisdiction, *rates: TaxRate, **rules: Any) -> JurisdictionRules:
    stored = tuple(ClassRate(r.id, r.percent, r.tax_class, Span(r.starts_on, r.ends_on)) for r in rates)
    return JurisdictionRules(jurisdiction.id, jurisdiction.name, STATE, stored, **rules)


def setting(session: Session, *, starts_on: date, mall_id: int | None = None, **terms: Any) -> TaxSetting:
    """A setting of the whole state: filed by the month with OFFICE by the 20th, 2% kept in time, 3% a year when late."""
    usual: dict[str, Any] = {
        "owed_by": "coop",
        "layaway_at": "completion",
        "office": OFFICE,
        "frequency": "month",
        "year_begins": 1,
        "remits": "greater",
        "due_day": 20,
        "due_months_after": 1,
        "due_region": "",
        "due_roll": "next",
        "closed_days": [],
        "allowance": {"tiers": [[None, "2"]]},
        "interest_percent": Decimal(3),
        "interest_per": "year",
    }
    scope = f"state:{STATE}" + (f"/mall:{mall_id}" if mall_id else "")
    made = TaxSetting(scope=scope, state_fips=STATE, mall_id=mall_id, starts_on=starts_on, **{**usual, **terms})
    session.add(made)
    session.flush()
    return made


def add_papers(session: Session, now: datetime, filer: Filer) -> None:
    """What the pages of tax list beside returns: rules, certificates, a file that was read."""
    state = filer.jurisdictions[0]
    since = date(2026, 1, 1)
    session.add_all(
        [
            TaxRule(jurisdiction_id=state.id, kind="exempt", starts_on=since, terms={"tax_class": "books"}),
            TaxRule(
                jurisdiction_id=state.id,
                kind="holiday",
                starts_on=date(2026, 8, 1),
                ends_on=date(2026, 8, 3),
                terms={"name": "school week", "tax_classes": ["clothing"], "limit": "100.00"},
            ),
            TaxCertificate(
                number="R-1001",
                kind="resale",
                buyer_name="Corner Mill Antiques",
                states=[STATE],
                starts_on=since,
                expires_on=date(2026, 10, 31),
                created_at=now,
            ),
            TaxCertificate(
                number="E-7", kind="exempt", buyer_name="Alder Free School", states=[STATE], starts_on=since, created_at=now
            ),
            TaxImport(
                kind="rates",
                file_name="ELR2026Q4.csv",
                sha256="0" * 64,
                content=b"",
                state="proposed",
                proposal={
                    "counts": {"added": 1, "ended": 1, "changed": 0, "unchanged": 40, "overlapping": 0, "refused": 1},
                    "added": ["city 97 042: general 1.5 percent from 2026-10-01"],
                    "ended": ["city 97 042: general 1.25 percent from 2020-01-01; without an end, now ended 2026-09-30"],
                    "changed": [],
                    "overlapping": [],
                    "refused": [[7, "has a negative rate."]],
                },
                proposed_at=now,
            ),
        ]
    )
    session.flush()
