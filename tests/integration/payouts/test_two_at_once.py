"""Of two who do the same at once, one has done it and the other is told: payout details, releases, a surplus shared."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.models import Entry
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.core.outbox import Outbox
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.dealers.paying import Paying, detail_history, set_detail
from coop.floor.models import Mall
from coop.payouts.models import Release
from coop.payouts.patronage import approve_patronage, check_patronage, patronage_of, propose_patronage
from coop.payouts.releases import CERTIFICATES, approve_release, ask_releases
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.gifts import check_gifts
from coop.sales.models import GiftCertificate
from coop.sales.service import take_tickets
from tests.factories.books import ensure_period, shut
from tests.factories.release_rules import add_early_rule
from tests.factories.unclaimed import add_unclaimed
from tests.integration.books.test_concurrency import Other
from tests.integration.leases.test_two_at_once import race
from tests.integration.payouts.conftest import Office

LATER = datetime(2027, 6, 1, 17, tzinfo=UTC)


def test_a_form_of_bank_details_sent_twice_at_once_is_one_change(office: Office) -> None:
    with transaction(office.sessions) as session:
        ida = session.get_one(Dealer, office.malls.dealers["D01"])
        ida.member.email = "ida@example.org"
        before = len(detail_history(session, ida.id))
    way = Paying("ach", "person", "111000025", "777766665", "savings")
    keys = office.keys

    def send(session: Session) -> None:
        set_detail(session, office.now, keys, session.get_one(Dealer, ida.id), way, mail_domain="example.org")

    assert race(office.sessions, send, send) == ["", ""]
    with transaction(office.sessions) as session:
        assert len(detail_history(session, ida.id)) == before + 1
        assert session.scalar(select(func.count()).select_from(Outbox)) == 1


def test_a_release_is_asked_once_and_posts_once(office: Office) -> None:
    with transaction(office.sessions) as session:
        main = session.get_one(Mall, office.malls.main)
        add_unclaimed(session, office.now, main, session.get_one(Dealer, office.malls.dealers["D01"]))
        certificate = session.scalars(select(GiftCertificate.id)).one()
        rule = {"starts_on": date(2027, 1, 1), "after_days": 30, "goes_to": "state", "said_by": "an invented law"}
        add_early_rule(session, LATER, what=CERTIFICATES, **rule)

    def ask(session: Session) -> None:
        ask_releases(session, LATER, [(CERTIFICATES, certificate)], user_id=office.malls.bookkeeper)

    done, told = race(office.sessions, ask, ask)
    assert (done, "is asked for already" in told) == ("", True)

    def approve(session: Session) -> None:
        approve_release(session, LATER, session.scalars(select(Release)).one(), user_id=office.malls.manager)

    done, told = race(office.sessions, approve, approve)
    assert (done, "released already" in told) == ("", True)
    with transaction(office.sessions) as session:
        assert session.scalar(select(func.count()).where(Entry.kind == "release")) == 1
        assert check_gifts(session) == []


def test_a_certificate_used_while_its_release_is_approved_keeps_its_money(office: Office) -> None:
    with transaction(office.sessions) as session:
        main = session.get_one(Mall, office.malls.main)
        add_unclaimed(session, office.now, main, session.get_one(Dealer, office.malls.dealers["D01"]))
        certificate = session.scalars(select(GiftCertificate.id)).one()
        rule = {"starts_on": date(2027, 1, 1), "after_days": 30, "goes_to": "state", "said_by": "an invented law"}
        add_early_rule(session, LATER, what=CERTIFICATES, **rule)
        ask_releases(session, LATER, [(CERTIFICATES, certificate)], user_id=office.malls.bookkeeper)

    def approve(session: Session) -> None:
        approve_release(session, LATER, session.scalars(select(Release)).one(), user_id=office.malls.manager)

    with transaction(office.sessions) as session:
        line = LineIn(1, None, "", "Tin bird", 1, Decimal(10), 10_00)
        paid = (TenderIn("gift", 10_00, gift="1001"),)
        sold = datetime(2026, 11, 20, 18, tzinfo=UTC)
        ticket = TicketIn("test:591", "591", "desk-1", "sale", sold, lines=(line,), tenders=paid, taxed=False)
        take_tickets(session, LATER, session.get_one(Mall, office.malls.main), [ticket])
        other = Other(office.sessions, approve)
        other.waits()
    assert "is not as it was asked" in other.ends(Refusal)
    with transaction(office.sessions) as session:
        assert session.scalar(select(func.count()).where(Entry.kind == "release")) == 0
        assert check_gifts(session) == []


def test_a_surplus_is_proposed_once_and_posts_once(office: Office) -> None:
    now = datetime(2027, 2, 1, 17, tzinfo=UTC)
    with transaction(office.sessions) as session:
        for mall_id in (office.malls.main, office.malls.east):
            for month in (Month(2026, 11), Month(2026, 12)):
                shut(session, now, ensure_period(session, mall_id, month))

    def propose(session: Session) -> None:
        terms = {"surplus_cents": 100_00, "cash_percent": Decimal(20), "on": date(2027, 1, 31)}
        propose_patronage(session, now, 2026, **terms, user_id=office.malls.bookkeeper)

    done, told = race(office.sessions, propose, propose)
    assert (done, "is proposed already" in told) == ("", True)

    def approve(session: Session) -> None:
        shared = patronage_of(session, 2026)
        assert shared is not None
        # The manager is D01, who alone was charged rent: her own share is no bar.
        approve_patronage(session, now, shared, user_id=office.malls.manager)

    done, told = race(office.sessions, approve, approve)
    assert (done, "is posted already" in told) == ("", True)
    with transaction(office.sessions) as session:
        assert session.scalar(select(func.count()).where(Entry.kind == "patronage")) == 1
        assert check_patronage(session) == []
