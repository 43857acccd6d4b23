"""Each line of a statement and what it is made of, from the books, the till, the leases; and where these do not agree."""

from __future__ import annotations

import dataclasses
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import select, update

from coop.books.models import Opening
from coop.closing.queries import items_sold
from coop.core.db import Sessions, transaction
from coop.core.periods import Month
from coop.leases.models import Charge, LeaseShare, LeaseSpace, LeaseTerm, RentRate
from coop.leases.posting import post_commissions, post_fee
from coop.leases.queries import latest_leases
from coop.leases.settling import close_dispute, give_back, open_dispute
from coop.leases.turn_charges import charge_turn
from coop.sales.card_cost import card_parts, card_tickets
from coop.sales.domain import LineIn, TenderIn
from coop.sales.layaway import Terms, agree_layaway, cancel_layaway
from coop.sales.queries import month_sales
from coop.sales.service import take_tickets
from coop.statements.building import build_value
from coop.statements.domain import StatementValue, from_json
from coop.statements.line_money import layaway_page, opening_page, tax_owed_page, tax_page
from coop.statements.line_pages import line_page, line_said, lines_of, place_of_key
from coop.statements.line_parts import SECTIONS, LinePage, Of, Place
from coop.statements.line_sales import sale_page
from coop.statements.models import Statement
from coop.statements.service import freeze_statement
from coop.tax.filing import move_tax_to_dealers
from tests.factories.coops import MARCH, SmallCoop, build_coop, line, ticket
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.stated import build_stated, shut
from tests.factories.tax import OFFICE, make_filer, setting

SEPTEMBER = Month(2026, 9)
SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


@pytest.fixture
def coop(sessions: Sessions, now: datetime) -> SmallCoop:
    with transaction(sessions) as session:
        return build_stated(session, now)


def statement(session, number: str) -> tuple[Statement, StatementValue]:
    found = session.scalars(select(Statement).where(Statement.number == number)).one()
    return found, from_json(found.value_json)


def page_of(session, number: str, section: str, n: int = 0) -> LinePage:
    page = line_page(session, statement(session, number)[0], section, n)
    assert page is not None
    return page


def facts(page: LinePage) -> dict[str, str]:
    return {fact.label: fact.words for fact in page.facts}


def rows(page: LinePage, part: int = 0) -> list[tuple[str, ...]]:
    return [row.cells for row in page.parts[part].rows]


def test_every_line_of_every_statement_has_a_page_that_agrees_with_it(sessions, coop):
    with transaction(sessions) as session:
        kinds = set()
        for one in session.scalars(select(Statement)).all():
            value = from_json(one.value_json)
            for section in SECTIONS:
                for n in range(len(lines_of(value, section))):
                    page = line_page(session, one, section, n)
                    assert page is not None
                    assert page.differs == [], (one.number, section, n)
                    assert page.facts or page.parts, (one.number, section, n)
                    assert place_of_key(value, page.place.key) == (section, n)
                    assert line_said(value, page.place.key)
                    kinds.add(section)
                assert line_page(session, one, section, len(lines_of(value, section))) is None
            assert line_page(session, one, "sales", -1) is None
            assert line_page(session, one, "nothing", 0) is None
        assert kinds == set(SECTIONS) - {"tax-owed", "turns", "layaways"}


def test_no_page_names_another_dealer_or_a_buyer(sessions, coop):
    with transaction(sessions) as session:
        for one in session.scalars(select(Statement)).all():
            value = from_json(one.value_json)
            others = [dealer.member.name for code, dealer in coop.dealers.items() if code != value.dealer_code]
            for section in SECTIONS:
                for n in range(len(lines_of(value, section))):
                    said = repr(line_page(session, one, section, n))
                    assert not [name for name in (*others, "buyer-") if name in said], (one.number, section, n)


@SQLITE
def test_a_sale_says_its_discount_its_tax_how_it_was_paid_and_what_was_given_back(sessions, coop):
    """42.50 less 4.25 is 38.25; at 6 percent together the ticket's tax is 2.30 (2.295 half-up)."""
    with transaction(sessions) as session:
        page = page_of(session, "MAIN.D01.2025-03", "sales", 1)
        told = facts(page)
        assert (page.kind, page.amount_cents) == ("Sale", 3825)
        assert told["Ticket"] == "1002"
        assert told["Sold"].startswith("Mar 3, 2025, ")
        assert "Spring sale" in told["Discount"]
        assert told["Paid by"] == "card"
        assert facts(page_of(session, "MAIN.D01.2025-03", "sales", 2))["Paid by"] == "card and cash"
        tax = rows(page)
        assert [row[0] for row in tax] == ["State of Elmora", "Pine County"]
        assert [row[1] for row in tax] == ["5.5%", "0.5%"]
        assert page.parts[0].total[-1] == "2.30"
        # Sold in March for 333.33, given back in March and again in April: each leads to its own line.
        first, second = (page_of(session, "MAIN.D02.2025-03", "sales", n) for n in (1, 2))
        backs = {fact.place for page in (first, second) for fact in page.facts if fact.label == "Given back"}
        assert backs == {Place("MAIN.D02.2025-03", "returns", 0), Place("MAIN.D02.2025-04", "returns", 0)}
        returned = page_of(session, "MAIN.D02.2025-04", "returns", 0)
        (original,) = [fact for fact in returned.facts if fact.label == "Original sale"]
        assert original.place is not None
        assert original.place.number == "MAIN.D02.2025-03"
        assert original.words == "ticket 1003 of Mar 8, 2025, 333.33"
        assert "untied" in facts(page_of(session, "MAIN.D01.2025-03", "returns", 0))["Original sale"]


@SQLITE
def test_commission_says_its_rule_and_its_base_with_its_parts(sessions, coop):
    """D01 in March: 125.00 + 42.50 + 100.00 + 1.01 sold at tag, less 4.25, less 7.00 given back: 257.26 at 10%."""
    with transaction(sessions) as session:
        _one, value = statement(session, "MAIN.D01.2025-03")
        n = next(n for n, each in enumerate(value.charges) if each.kind == "commission")
        page = page_of(session, "MAIN.D01.2025-03", "charges", n)
        assert facts(page)["Rule"] == "10% of your net sales, by your lease from Mar 1, 2025"
        assert facts(page)["Working"] == "10% of $257.26"
        assert [row[-1] for row in rows(page)] == ["268.51", "−4.25", "−7.00"]
        assert page.parts[0].total[-1] == "257.26"
        assert page.charge_id is not None
        rent = facts(page_of(session, "MAIN.D03.2025-03", "charges", 0))
        assert rent["Area"] == "90.00 sq ft, as you signed for"
        assert rent["Price"] == "zone front: $2.25 a square foot a month, since Jan 1, 2025"
        assert rent["Days"] == "15 of 31, from Mar 17, 2025 to Mar 31, 2025, counted by the days of its month"
        case = facts(page_of(session, "MAIN.D02.2025-03", "charges", 0))
        assert (case["Price"], case["Days"]) == ("zone case: $45.00 a month, flat, since Jan 1, 2025", "the whole of March 2025")


def test_commission_by_tiers_is_told_by_tier(sessions, now):
    """D02: 19.99 up to 20.00 at 20 percent, 333.33 twice and once back at 5: 4.00 and 16.67, together 20.66 when rounded once."""
    with transaction(sessions) as session:
        coop = build_coop(session, now)
        lease = latest_leases(session, coop.mall.id, date(2025, 3, 31))[coop.dealers["D02"].id]
        tiers = {"tiers": [{"upto": "20.00", "percent": "20"}, {"percent": "5"}]}
        session.add(LeaseTerm(lease_id=lease.id, kind="commission", starts_on=date(2025, 3, 1), ends_on=None, terms=tiers))
        session.flush()
        session.expire_all()
        sold = {d: s.net_cents for d, s in month_sales(session, coop.mall.id, MARCH).items() if d is not None}
        from_till = items_sold(session, coop.mall.id, MARCH)
        post_commissions(session, now, coop.mall, MARCH, sold, sold_by=from_till)
        made = freeze_statement(session, now, coop.mall, coop.dealers["D02"], MARCH)
        page = line_page(session, made, "charges", 0)
        assert page is not None
        assert rows(page, 1) == [
            ("Items up to $20.00", "20%", "19.99", "4.00"),
            ("Every dearer item", "5%", "333.33", "16.67"),
        ]
        assert page.amount_cents == -2066
        assert page.differs == []


@SQLITE
def test_card_cost_lists_the_tickets_with_a_card_part(sessions, coop):
    """All by card but ticket 1010, half of whose 159.00 with tax was: 125.00 + 38.25 + 50.00 + 1.01 - 7.00 = 207.26; 5.18."""
    with transaction(sessions) as session:
        _one, value = statement(session, "MAIN.D01.2025-03")
        n = next(n for n, each in enumerate(value.charges) if each.kind == "card")
        page = page_of(session, "MAIN.D01.2025-03", "charges", n)
        assert page.amount_cents == -518
        assert [row[-1] for row in rows(page)] == ["125.00", "38.25", "50.00", "−7.00", "1.01"]
        assert rows(page)[2] == ("Mar 9, ticket 1010", "100.00", "50.00")
        assert page.parts[0].total == ("By card", "", "207.26")
        for code, dealer in coop.dealers.items():
            whole = card_parts(session, coop.mall.id, MARCH).get(dealer.id, 0)
            assert sum(one.part for one in card_tickets(session, coop.mall.id, MARCH, dealer.id)) == whole, code


def test_a_payment_names_what_it_puts_right_and_what_put_it_right(sessions, coop):
    with transaction(sessions) as session:
        paid, back = (page_of(session, "MAIN.D02.2025-04", "payments", n) for n in (0, 1))
        assert facts(paid)["Kind"] == "Paid to you"
        (since,) = [fact for fact in paid.facts if fact.label == "Put right since"]
        (right,) = [fact for fact in back.facts if fact.label == "Puts right"]
        assert since.place == Place("MAIN.D02.2025-04", "payments", 1)
        assert right.place == Place("MAIN.D02.2025-04", "payments", 0)
        opening = page_of(session, "MAIN.D02.2025-04", "opening")
        assert opening.facts[0].place == Place("MAIN.D02.2025-03", "closing")
        assert "first statement" in facts(page_of(session, "MAIN.D02.2025-03", "opening"))["Comes from"]
        year = page_of(session, "MAIN.D02.2025-04", "year", 1)
        assert [row[0] for row in rows(year)] == ["March 2025", "April 2025"]


@SQLITE
def test_what_no_longer_agrees_with_the_statement_is_said(sessions, coop):
    with transaction(sessions) as session:
        for number, section, n, sentence in (
            ("MAIN.D01.2025-03", "charges", 0, "By the leases and prices as they stand today"),
            ("MAIN.D01.2025-04", "next-rent", 0, "This is by your leases when the statement was made"),
        ):
            assert page_of(session, number, section, n).differs == []
            session.execute(update(RentRate).where(RentRate.zone == "front").values(price=Decimal("3.00")))
            session.expire_all()
            (said,) = page_of(session, number, section, n).differs
            assert said.startswith(sentence)
            session.execute(update(RentRate).where(RentRate.zone == "front").values(price=Decimal("2.25")))
            session.expire_all()
        # A statement that tells of sales the till has not.
        one, value = statement(session, "MAIN.D01.2025-03")
        other = dataclasses.replace(value, sales=(dataclasses.replace(value.sales[0], description="Another"), *value.sales[1:]))
        of = Of(session, one, other, coop.mall, coop.dealers["D01"])
        page = sale_page(of, "sales", 0)
        assert page.heading == "Another"
        assert "not what was stated" in page.differs[0]
        assert sale_page(of, "sales", 1).differs == []


def test_rent_says_its_share_its_raises_its_agreed_price_and_its_discount(sessions, now):
    """D03 and D04 share booth 2, 60 to 40, from the 17th; D02's case is agreed at 30.00, rises by the year, and is less 5.00."""
    with transaction(sessions) as session:
        coop = build_coop(session, now)
        leases = latest_leases(session, coop.mall.id, date(2025, 3, 31))
        vera, otis, amos = (leases[coop.dealers[code].id] for code in ("D03", "D04", "D02"))
        (booth,) = session.scalars(select(LeaseSpace).where(LeaseSpace.lease_id == vera.id))
        for lease, percent in ((vera, 60), (otis, 40)):
            session.add(LeaseShare(lease_space_id=booth.id, lease_id=lease.id, share_percent=Decimal(percent)))
        (case,) = session.scalars(select(LeaseSpace).where(LeaseSpace.lease_id == amos.id))
        case.agreed_per, case.agreed_price = "flat", Decimal(30)
        for kind, terms in (
            ("escalation", {"how": "percent", "percent": "3"}),
            ("discount", {"reason": "member", "name": "for members", "dollars": "5.00"}),
        ):
            session.add(LeaseTerm(lease_id=amos.id, kind=kind, starts_on=date(2025, 3, 1), ends_on=None, terms=terms))
        session.flush()
        session.expire_all()
        made = shut(session, now, coop, MARCH)
        pages = {(code, n): line_page(session, made[code], "charges", n) for code, n in (("D04", 0), ("D02", 0), ("D02", 1))}
        shared, flat, discount = (facts(page) for page in pages.values() if page)
        assert shared["Your share"] == "40% of the rent of a shared space"
        assert shared["Days"].startswith("15 of 31, from Mar 17, 2025")
        assert shared["Price"] == "zone front: $2.25 a square foot a month, since Jan 1, 2025"
        assert flat["Price"] == "$30.00 a month, flat, agreed for this lease"
        assert flat["Increases"] == "From Mar 1, 2025 on, the rent rises by 3% every year."
        assert discount["Term of your lease"] == "From Mar 1, 2025 on, the rent is $5.00 a month less for members."
        assert [page.differs for page in pages.values() if page] == [[], [], []]


@SQLITE
def test_a_late_fee_a_turn_and_a_fee_say_their_rule_and_their_day(sessions, now):
    with transaction(sessions) as session:
        coop = build_coop(session, now)
        lease = latest_leases(session, coop.mall.id, date(2025, 3, 31))[coop.dealers["D01"].id]
        charge = {"working": "as a test has it", "on": date(2025, 3, 12)}
        post_fee(session, now, lease, 2500, key="late", label="Late fee", kind="late", **charge)
        charge_turn(session, now, lease, -4000, key="2025-03", label="Turn beyond those owed", **charge)
        made = shut(session, now, coop, MARCH)["D01"]
        kinds = {each.kind: n for n, each in enumerate(from_json(made.value_json).charges)}
        late, turn = (line_page(session, made, "charges", kinds[kind]) for kind in ("late", "turn"))
        assert late is not None
        assert facts(late)["Rule"] == "There is no late fee."
        assert facts(late)["In the books"].startswith("on Mar 12, 2025, entry ")
        assert late.charge_id is not None
        assert turn is not None
        assert (turn.amount_cents, turn.charge_id, turn.differs) == (4000, None, [])
        assert "to your credit" in turn.notes[0]


@SQLITE
def test_what_was_given_back_after_a_dispute_says_of_what_and_why(sessions, now):
    """Of 25.00 of a fee for keys, 10.00: a line of its own on the statement, with nothing of the fee's rule beside it."""
    with transaction(sessions) as session:
        coop = build_coop(session, now)
        lease = latest_leases(session, coop.mall.id, date(2025, 3, 31))[coop.dealers["D01"].id]
        post_fee(session, now, lease, 2500, key="keys", label="Keys", working="two sets", on=date(2025, 3, 12))
        keys = session.scalars(select(Charge).where(Charge.what == "keys")).one()
        dispute = open_dispute(session, keys, on=date(2025, 3, 13), reason="One set")
        close_dispute(session, dispute, on=date(2025, 3, 14), outcome="It was one set")
        give_back(session, now, dispute, 1000, on=date(2025, 3, 14))
        made = shut(session, now, coop, MARCH)["D01"]
        labels = [each.label for each in from_json(made.value_json).charges]
        back = line_page(session, made, "charges", labels.index("Given back: Keys"))
        assert back is not None
        assert (back.amount_cents, back.charge_id, back.differs) == (1000, None, [])
        assert facts(back)["Working"] == "of $25.00 charged for March 2025, disputed: It was one set"
        assert facts(back)["In the books"].startswith("on Mar 14, 2025, entry ")
        assert back.notes == ["You disputed a charge; this was given back when the dispute was decided."]


@SQLITE
def test_tax_that_is_hers_to_file_is_told_ticket_by_ticket(sessions, now):
    """5 percent and 0.5: the co-op's until the 15th, hers from then. Each page has the tickets of its own days, and no other."""
    with transaction(sessions) as session:
        make_coop(session, now)
        dealer = make_dealer(session, now, "D01")
        mall = make_mall(session, now)
        make_filer(session, now, mall, [dealer])
        setting(session, starts_on=date(2026, 1, 1), frequency="quarter")
        setting(session, starts_on=date(2026, 9, 15), owed_by="dealer", office=OFFICE, frequency="quarter", year_begins=1)
        sold = ((3, 100_00), (20, 30_00), (21, 40_00))
        take_tickets(session, now, mall, [ticket(str(on), date(2026, 9, on), [line(dealer, cents)]) for on, cents in sold])
        move_tax_to_dealers(session, now, mall, SEPTEMBER)
        value = build_value(session, mall, dealer, SEPTEMBER, made_on=date(2026, 10, 2))
        of = Of(session, Statement(mall_id=mall.id, dealer_id=dealer.id), value, mall, dealer)
        owed, collected = tax_owed_page(of, 0), tax_page(of, 0)
        assert owed.differs == collected.differs == []
        assert rows(owed) == [("Sep 20, ticket 20", "30.00", "1.50"), ("Sep 21, ticket 21", "40.00", "2.00")]
        assert rows(collected) == [("Sep 3, ticket 3", "100.00", "5.00")]
        assert facts(owed)["File it with"] == OFFICE
        # With a ticket of a later day among them it is not the sum that was stated.
        take_tickets(session, now, mall, [ticket("30", date(2026, 9, 30), [line(dealer, 10_00)])])
        assert "not what was stated" in tax_owed_page(of, 0).differs[0]


@SQLITE
def test_a_layaway_says_what_became_of_it_and_an_opening_from_paper_that_it_is_from_paper(sessions, now):
    with transaction(sessions) as session:
        coop = build_coop(session, now)
        ida = coop.dealers["D01"]
        chest = LineIn(1, ida.id, "D01-77", "Bow-front chest", 1, Decimal(240), 240_00)
        set_aside = agree_layaway(
            session,
            datetime(2025, 3, 20, 18, tzinfo=UTC),
            coop.mall,
            [chest],
            Terms("Orla Quint", due_days=90),
            deposit=TenderIn("cash", 48_00),
            key="one",
        )
        paper = {"file_name": "paper.csv", "file_sha256": "0" * 64, "content": "", "totals": {}, "state": "signed"}
        session.add(Opening(first_day=MARCH.first_day, read_at=now, signed_at=now, **paper))
        session.flush()
        value = build_value(session, coop.mall, ida, MARCH, made_on=date(2025, 5, 2))
        of = Of(session, Statement(mall_id=coop.mall.id, dealer_id=ida.id), value, coop.mall, ida)
        assert facts(layaway_page(of, 0))["Today"] == "still set aside"
        cancel_layaway(session, datetime(2025, 4, 3, 18, tzinfo=UTC), set_aside, tender="cash")
        session.flush()
        page = layaway_page(of, 0)
        assert facts(page)["Since"] == "cancelled on Apr 3, 2025: the item is yours to sell again"
        assert page.differs == []
        assert "Orla" not in repr(page)
        assert facts(opening_page(of))["Comes from"].startswith("paper: the books here begin with March 2025")
