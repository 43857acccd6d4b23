"""Leases of every state in the house's mall, a waiting list, an offer, letters, a dispute: what the pages of leases show."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.documents import keep_document
from coop.core.periods import Month
from coop.dealers.membership import add_dealer
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall, Space
from coop.floor.service import add_space
from coop.leases import asking, deposits, leaving, rules
from coop.leases.agreement_words import agreement
from coop.leases.agreements import Terms, make_lease, sign_on_paper
from coop.leases.documents import to_value
from coop.leases.models import Charge, Dispute, Lease, LeaseRule, Letter, MoveOutItem, Offer, Waiting
from coop.leases.posting import post_rents
from coop.leases.settling import open_dispute

FOOT = 192
OCTOBER = Month(2026, 10)
CLAUSES = "Nothing is stored above the walls of a booth.\nCandles are sold, not lit."
RISE = {"how": "percent", "percent": "3", "every_months": 2}
MEMBER = {"reason": "member", "name": "for members", "percent": "5"}
PDF = b"%PDF-1.7\n% bytes of a test, not a rendering\n%%EOF\n"


def add_lease_rows(session: Session, now: datetime, mall: Mall) -> None:
    """One row of each thing that an address of leases names; they change nothing else in the house, its log neither.

    Rules to come, a list for moving out, a charge of nothing in dispute, two who wait, an offer and a letter to D01.
    """
    ida, amos = (session.scalars(select(Dealer).where(Dealer.code == code)).one() for code in ("D01", "D02"))
    hers, his = (session.scalars(select(Lease).where(Lease.dealer_id == dealer.id)).one() for dealer in (ida, amos))
    rules.set_rules(session, mall, date(2027, 1, 1))
    rules.add_term(session, hers, "discount", MEMBER, starts_on=date(2027, 2, 1))
    shelf = add_space(session, now, mall, "S1", kind="shelf", zone="front", width_in16=4 * FOOT, depth_in16=FOOT)
    charge = Charge(
        lease_id=hers.id,
        mall_id=mall.id,
        dealer_id=ida.id,
        kind="fee",
        what="fee:tag",
        first_day=date(2026, 11, 1),
        label="Tags",
        working="none were used",
        amount_cents=0,
    )
    wilma = Waiting(mall_id=mall.id, name="Wilma Rook", phone="555-0100", asked_on=date(2026, 9, 12), kind="wall")
    asked = Waiting(mall_id=mall.id, member_id=ida.member_id, asked_on=date(2026, 10, 1), kind="shelf", state="offered")
    name = "agreement-D01.pdf"
    paper = keep_document(session, now, file_name=name, media_type="application/pdf", content=PDF + b"lease", made_with="a test")
    session.add_all([MoveOutItem(lease_id=his.id, what="Keys given back"), charge, wilma, asked])
    session.flush()
    session.add(Dispute(charge_id=charge.id, opened_on=date(2026, 11, 2), reason="I had none.", outcome=""))
    days = {"made_on": date(2026, 11, 3), "answer_by": date(2026, 11, 10), "starts_on": date(2026, 11, 3)}
    session.add(Offer(waiting_id=asked.id, space_id=shelf.id, why="Shelf S1 goes to D01: the only one who waits.", **days))
    value = agreement(session, hers, date(2026, 11, 3))
    session.add(
        Letter(
            key=f"agreement/lease:{hers.id}/to-sign",
            mall_id=mall.id,
            kind="agreement",
            lease_id=hers.id,
            made_on=date(2026, 11, 3),
            subject="Lease agreement, D01",
            value=to_value(value),
            document_id=paper.id,
        )
    )
    session.flush()


@dataclass(frozen=True)
class Leasing:
    """Ids of what was built."""

    running: int
    fixed: int
    noticed: int
    moved_out: int
    charge: int
    offer: int
    letter: int


def build_leasing(session: Session, now: datetime, mall: Mall) -> Leasing:
    """Over a house of 3 November 2026: D03 for a fixed term, D04 under notice, D05 moved out; 14 and C2 vacant; rents posted."""
    session.query(LeaseRule).delete()
    rules.set_rules(session, mall, date(2026, 10, 1), late_how="flat", late_flat_cents=1500, late_after_day=10, clauses=CLAUSES)
    rules.set_rate(session, mall, "middle", Decimal("1.75"), per="sqft", starts_on=date(2026, 1, 1))
    rules.set_rate(session, mall, "case", Decimal("60"), per="flat", starts_on=date(2026, 1, 1))
    rules.set_rate(session, mall, "middle", Decimal("1.85"), per="sqft", starts_on=date(2027, 1, 1))
    rules.set_index(session, "CPI-X", Month(2026, 9), Decimal("324.8"))
    early = datetime(2026, 10, 1, 15, tzinfo=UTC)
    spaces = {
        code: add_space(
            session, early, mall, code, kind=kind, zone=zone, width_in16=10 * FOOT, depth_in16=8 * FOOT, x_in16=x * FOOT
        )
        for code, kind, zone, x in (
            ("14", "booth", "front", 10),
            ("15", "booth", "middle", 30),
            ("16", "booth", "middle", 40),
            ("C1", "case", "case", 60),
            ("C2", "case", "case", 70),
        )
    }
    nora = _dealer(session, early, "D03", "Nora Webb", "nora@example.org")
    fixed = _lease(session, early, mall, nora, spaces["15"], term_ends_on=date(2026, 12, 15), deposit_cents=14000)
    rules.add_term(
        session, fixed, "escalation", {"how": "percent", "percent": "3", "every_months": 2}, starts_on=date(2026, 10, 1)
    )
    deposits.take_deposit(session, early, fixed, 10000, on=date(2026, 10, 1), reference="check 118")
    tom = _dealer(session, early, "D04", "Tom Ashby", "")
    noticed = _lease(session, early, mall, tom, spaces["C1"], deposit_cents=6000)
    deposits.take_deposit(session, early, noticed, 6000, on=date(2026, 10, 1))
    leaving.give_notice(session, datetime(2026, 10, 20, 15, tzinfo=UTC), noticed, by="dealer", given_on=date(2026, 10, 20))
    una = _dealer(session, early, "D05", "Una Birch", "una@example.org")
    moved = _lease(session, early, mall, una, spaces["16"], deposit_cents=14000)
    deposits.take_deposit(session, early, moved, 14000, on=date(2026, 10, 1))
    leaving.give_notice(
        session,
        datetime(2026, 10, 5, 15, tzinfo=UTC),
        moved,
        by="dealer",
        given_on=date(2026, 10, 5),
        last_day=date(2026, 10, 31),
        agreed="she moves away",
    )
    leaving.move_out(session, now, moved, on=date(2026, 10, 31))
    post_rents(session, now, mall, OCTOBER)
    charge = session.scalars(select(Charge).where(Charge.what.startswith("space:"), Charge.lease_id == 1)).one()
    open_dispute(session, charge, on=date(2026, 11, 2), reason="The booth was closed for a week.")
    asking.ask_for_space(session, now, mall, asking.Outsider("Wilma Rook", email="wilma@example.org"), asked_on=date(2026, 9, 12))
    asking.ask_for_space(session, now, mall, session.get_one(Member, nora.member_id), asking.Wish(zone="front"))
    gone = asking.ask_for_space(session, now, mall, asking.Outsider("Perry Loom", phone="555-0101"), asking.Wish(kind="case"))
    asking.withdraw_asking(session, now, gone)
    offer = session.scalars(select(Offer)).one()
    letter = session.scalars(select(Letter)).first()
    assert letter is not None
    return Leasing(1, fixed.id, noticed.id, moved.id, charge.id, offer.id, letter.id)


def _dealer(session: Session, now: datetime, code: str, name: str, email: str) -> Dealer:
    return add_dealer(session, now, code, name=name, email=email, joined_on=date(2026, 10, 1))


def _lease(session: Session, now: datetime, mall: Mall, dealer: Dealer, space: Space, **terms: object) -> Lease:
    lease = make_lease(
        session,
        now,
        mall,
        dealer,
        starts_on=date(2026, 10, 1),
        commission_percent=Decimal(10),
        spaces=[space],
        terms=Terms(**terms),  # type: ignore[arg-type]
    )
    sign_on_paper(session, now, lease, name=dealer.member.name, on=date(2026, 10, 1))
    return lease
