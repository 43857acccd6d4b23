"""What a ticket carries beside its prices, in the books and in the tax: certificates, coupons, trade-ins, delivery, layaways."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.checking import check_books
from coop.books.queries import balances
from coop.closing.steps import check_dealers, check_tax
from coop.core.db import Sessions
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.models import Tender, Ticket, TicketLine
from coop.sales.service import take_tickets
from coop.sales.taxing import recomputed_tax
from coop.statements.building import build_value
from coop.tax import filing
from coop.tax.domain.returns import FilingPeriod
from coop.tax.domain.ticket import DELIVERY, Layaway
from coop.tax.models import Jurisdiction, TaxCertificate, TaxCharged, TaxRate, TaxUntaxed
from coop.tax.queries import charged_by_account
from coop.tax.service import add_rule, change_rate, file_certificate, set_place, set_rate
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.tax import OFFICE, STATE, make_filer, setting

SEPTEMBER, OCTOBER = Month(2026, 9), Month(2026, 10)
SINCE = date(2020, 1, 1)
ALONE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


@dataclass
class House:
    """A mall of state (5%, 6% from September 15) and county (0.5%), whose rules on coupons, trade-ins and delivery differ."""

    session: Session
    now: datetime
    mall: Mall
    dealers: list[Dealer]

    def take(self, *tickets: TicketIn) -> None:
        take_tickets(self.session, self.now, self.mall, tickets)

    def balance(self, path: str) -> int:
        return next((b.amount_cents for b in balances(self.session) if b.path == path), 0)

    def tax(self, key: str) -> dict[str, int]:
        rows = (
            select(Jurisdiction.code, func.sum(TaxCharged.amount_cents))
            .join(Jurisdiction, Jurisdiction.id == TaxCharged.jurisdiction_id)
            .where(TaxCharged.ticket_key == key)
            .group_by(Jurisdiction.code)
        )
        return {code: int(cents) for code, cents in self.session.execute(rows)}

    def agrees(self) -> None:
        """The books hold, and each month taxed again, its returns and its dealers' statements say the same."""
        assert check_books(self.session) == []
        for month in (SEPTEMBER, OCTOBER):
            charged = charged_by_account(self.session, self.mall.id, month)
            assert recomputed_tax(self.session, self.mall, month) == {a: c for a, c in charged.items() if c}
            check_tax(self.session, self.now, self.mall, month)
            check_dealers(self.session, self.now, self.mall, month)
            period = FilingPeriod(month, "month")
            sheet = filing.draft_return(self.session, OFFICE, period, filed_on=date(2026, 12, 1))
            assert sheet.apart == ()
            in_month = Ticket.sold_on.between(month.first_day, month.last_day), Ticket.taxed.is_(True)
            goods = self.session.scalar(select(func.sum(TicketLine.tag_cents)).join(Ticket).where(*in_month)) or 0
            brought = self.session.scalar(select(func.sum(Ticket.delivery_cents)).where(*in_month)) or 0
            assert {line.gross_cents for line in sheet.value.lines} == {int(goods + brought)}
            for dealer in self.dealers:
                build_value(self.session, self.mall, dealer, month, made_on=date(2026, 11, 3))


@pytest.fixture
def house(sessions: Sessions, now: datetime) -> Iterator[House]:
    with sessions() as session:
        make_coop(session, now)
        mall = make_mall(session, now)
        dealers = [make_dealer(session, now, code) for code in ("D01", "D02", "D03")]
        filer = make_filer(session, now, mall, dealers)
        state, county = filer.jurisdictions
        rate = session.scalars(select(TaxRate).where(TaxRate.jurisdiction_id == state.id)).one()
        change_rate(session, rate, Decimal(6), from_day=date(2026, 9, 15))
        set_rate(session, state, Decimal(2), starts_on=SINCE, tax_class="food")
        add_rule(session, county, "exempt", {"tax_class": "food"}, starts_on=SINCE)
        yes, no = {"trade_in": True, "seller_coupon": True, "maker_coupon": False}, {"trade_in": False, "seller_coupon": False}
        add_rule(session, state, "reduction", yes, starts_on=SINCE)
        add_rule(session, county, "reduction", {**no, "maker_coupon": True}, starts_on=SINCE)
        add_rule(session, county, "delivery", {"how": "proportion"}, starts_on=SINCE)
        set_place(session, mall.id, [state, county], starts_on=date(2026, 9, 10), basis="item")
        set_place(session, mall.id, [state, county], starts_on=date(2026, 9, 20), aggregated=False)
        setting(session, starts_on=date(2026, 9, 5), layaway_at="agreement")
        for number, kind in (("R-17", "resale"), ("E-4", "exempt")):
            file_certificate(
                session, now, number=number, kind=kind, buyer_name="Orla Quint", states=[STATE], starts_on=date(2026, 8, 1)
            )
        yield House(session, now, mall, dealers)


def on(day: int, month: int = 9) -> datetime:
    return datetime(2026, month, day, 18, 0, tzinfo=UTC)


def item(house: House, cents: int, position: int = 1, *, dealer: int | None = 0, quantity: int = 1, **facts: Any) -> LineIn:
    return LineIn(
        position=position,
        dealer_id=None if dealer is None else house.dealers[dealer].id,
        tag=f"T-{position}",
        description="Slag-glass lamp",
        quantity=quantity,
        unit_price=round(Decimal(cents) / 100 / quantity, 6),
        tag_cents=cents,
        **facts,
    )


def ticket(number: str, at: datetime, *lines: LineIn, kind: str = "sale", **facts: Any) -> TicketIn:
    key = f"desk:{number}" if kind == "sale" else f"desk:{number}:back"
    number = number.partition(":")[0]
    return TicketIn(key, number, "desk", kind, at, lines, (TenderIn("cash"),), **{"buyer_key": f"b{number}", **facts})


def back_of(sold: TicketIn, at: datetime) -> TicketIn:
    """Everything on a ticket, brought back. What it had of coupons and trade-ins is not said again."""
    lines = tuple(
        replace(
            line,
            quantity=-line.quantity,
            tag_cents=-line.tag_cents,
            discount_cents=-line.discount_cents,
            seller_coupon_cents=-line.seller_coupon_cents,
            maker_coupon_cents=0,
            trade_in_cents=0,
        )
        for line in sold.lines
    )
    return ticket(sold.number, at, *lines, kind="return", delivery_cents=-sold.delivery_cents)


# --- coupons, trade-ins -------------------------------------------------------------------------------------------------


def test_who_bears_a_coupon_and_a_trade_in(house: House) -> None:
    """$100 less the dealer's coupon of $5: she is credited $95. $10 of it the maker owes, $20 she has taken in kind.

    State: 5% of 100 - 5 - 20; the maker's coupon does not lower it. County: 0.5% of 100 - 10. Together 4.20: the buyer pays
    95 - 10 - 20 + 4.20 = 69.20.
    """
    sold = ticket("1", on(2), item(house, 100_00, seller_coupon_cents=5_00, maker_coupon_cents=10_00, trade_in_cents=20_00))
    house.take(sold)
    assert house.tax("desk:1") == {"EL": 3_75, "EL-ALDER": 45}
    assert house.balance("Assets:Drawer:MAIN") == 69_20
    assert house.balance("Assets:Maker-coupons:MAIN") == 10_00
    assert house.balance("Liabilities:Dealers:MAIN:D01") == -75_00
    assert dict(house.session.execute(select(Tender.kind, Tender.amount_cents)).all()) == {
        "cash": 69_20,
        "coupon": 10_00,
        "trade-in": 20_00,
    }
    value = build_value(house.session, house.mall, house.dealers[0], SEPTEMBER, made_on=date(2026, 10, 3))
    assert (value.gross_cents, value.discounts_cents, value.net_cents, value.paid_cents) == (100_00, 5_00, 95_00, -20_00)
    assert [(line.label, line.amount_cents) for line in value.payments] == [
        ("Trade-in on ticket 1, which you took in part payment", -20_00)
    ]
    house.agrees()
    house.take(back_of(sold, on(20)))
    assert {b.amount_cents for b in balances(house.session)} == {0}
    house.agrees()


def test_a_coupon_that_leaves_no_price_but_a_tax(house: House) -> None:
    """The dealer's coupon pays for all of it; the county taxes the price all the same, and gives that back."""
    sold = ticket("1", on(2), item(house, 40_00, quantity=2, seller_coupon_cents=40_00))
    house.take(sold)
    assert house.tax("desk:1") == {"EL": 0, "EL-ALDER": 20}
    house.take(back_of(sold, on(20)))
    assert {b.amount_cents for b in balances(house.session)} == {0}
    house.agrees()


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        (
            {"maker_coupon_cents": 60_00, "trade_in_cents": 50_00},
            "Line 1: discount, coupons and trade-in together must lie between",
        ),
        ({"dealer": None, "trade_in_cents": 50_00}, "item 1 has a trade-in and no dealer who took it in"),
        ({"seller_coupon_cents": -1}, "together must lie between nothing and the price"),
    ],
)
@pytest.mark.parametrize("taxed", [True, False])
def test_reductions_that_cannot_be(house: House, facts: dict[str, Any], said: str, taxed: bool) -> None:
    with pytest.raises(Refusal, match=f"Ticket 1: .*{said}"):
        house.take(ticket("1", on(2), item(house, 100_00, **facts), taxed=taxed))


# --- certificates -------------------------------------------------------------------------------------------------------


def test_a_resale_buyer_takes_one_item_for_the_shop_itself(house: House) -> None:
    lines = item(house, 100_00), item(house, 50_00, 2, own_use=True)
    sold = ticket("1", on(2), *lines, certificate="R-17")
    house.take(sold)
    assert house.tax("desk:1") == {"EL": 2_50, "EL-ALDER": 25}
    rows = house.session.execute(select(TaxUntaxed.position, TaxUntaxed.reason, TaxUntaxed.certificate, TaxUntaxed.amount_cents))
    assert set(rows.all()) == {(1, "resale", "R-17", 100_00)}
    kept = house.session.scalars(select(Ticket)).one()
    assert (kept.certificate, kept.certificate_kind) == ("R-17", "resale")
    house.take(back_of(sold, on(20)))
    numbers = house.session.scalars(select(TaxUntaxed.certificate).where(TaxUntaxed.amount_cents < 0))
    assert set(numbers) == {"R-17"}
    house.agrees()


def test_a_certificate_that_runs_out_later_changes_no_ticket(house: House) -> None:
    house.take(ticket("1", on(2), item(house, 100_00), certificate="E-4"))
    filed = house.session.scalars(select(TaxCertificate).where(TaxCertificate.number == "E-4")).one()
    filed.expires_on, filed.kind = date(2026, 8, 31), "resale"
    house.session.flush()
    house.agrees()
    with pytest.raises(Refusal, match="Ticket 2: Certificate E-4 expired on 2026-08-31: tax the sale, or ask the buyer"):
        house.take(ticket("2", on(2), item(house, 100_00), certificate="E-4"))


def test_certificates_that_do_not_hold(house: House) -> None:
    file_certificate(
        house.session, house.now, number="R-99", kind="resale", buyer_name="Abel Rook", states=["96"], starts_on=SINCE
    )
    for number, said in (
        ("R-0", "Certificate R-0 is not on file"),
        ("R-99", "R-99 does not hold in the state of State of Elder"),
    ):
        with pytest.raises(Refusal, match=said):
            house.take(ticket("1", on(2), item(house, 100_00), certificate=number))


# --- delivery -----------------------------------------------------------------------------------------------------------


def test_a_delivery_is_the_malls_income_taxed_by_the_places_rule(house: House) -> None:
    """$30 for general goods of $60 and food of $40. State: all of it, 5% on 60% and 2% on 40%. County: 60% of it, 0.5%."""
    lines = item(house, 60_00), item(house, 40_00, 2, tax_class="food")
    sold = ticket("1", on(2), *lines, delivery_cents=30_00)
    house.take(sold)
    assert house.balance("Income:Delivery:MAIN") == -30_00
    bases = (
        select(Jurisdiction.code, TaxCharged.taxable_cents)
        .join(Jurisdiction, Jurisdiction.id == TaxCharged.jurisdiction_id)
        .where(TaxCharged.position == DELIVERY, TaxCharged.dealer_id.is_(None))
    )
    assert sorted(house.session.execute(bases).all()) == [("EL", 12_00), ("EL", 18_00), ("EL-ALDER", 18_00)]
    kept = house.session.scalars(select(Ticket)).one()
    assert kept.total_cents == 130_00 + kept.tax_cents
    house.agrees()
    # The items alone first: the charge comes back with a later return of the same ticket's items, or not at all.
    half = replace(back_of(sold, on(20)), lines=back_of(sold, on(20)).lines[:1], delivery_cents=-10_00)
    house.take(half, replace(back_of(sold, on(21)), key="rest", lines=back_of(sold, on(21)).lines[1:], delivery_cents=-20_00))
    assert house.session.scalars(select(Ticket.delivery_of_id).where(Ticket.kind == "return")).all() == [kept.id, kept.id]
    assert {b.amount_cents for b in balances(house.session)} == {0}
    house.agrees()


def test_a_delivery_given_back_beyond_what_was_charged_is_untied(house: House) -> None:
    """It is taken at the file's price and taxed by its own day, as an untied item is."""
    sold = ticket("1", on(2), item(house, 60_00), delivery_cents=10_00)
    house.take(sold, replace(back_of(sold, on(20)), delivery_cents=-11_00))
    assert house.session.scalars(select(Ticket.delivery_of_id).where(Ticket.kind == "return")).all() == [None]
    house.agrees()


def test_a_delivery_of_the_wrong_sign(house: House) -> None:
    with pytest.raises(Refusal, match="Ticket 1: a delivery is charged on a sale and given back on a return; mend its sign"):
        house.take(ticket("1", on(2), item(house, 60_00), delivery_cents=-1))


# --- layaways -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("accepted", "tax"),
    [
        pytest.param(date(2026, 9, 2), {"EL": 6_00, "EL-ALDER": 50}, id="of before the setting: at completion"),
        pytest.param(date(2026, 9, 6), {"EL": 5_00, "EL-ALDER": 50}, id="of after it: at the agreement"),
    ],
)
def test_a_layaway_across_a_rate_change(house: House, accepted: date, tax: dict[str, int]) -> None:
    """5% until September 14, 6% from the 15th; layaways accepted from September 5 on are taxed at the agreement."""
    sold = ticket("1", on(25), item(house, 100_00), layaway=Layaway(accepted, date(2026, 9, 25)))
    house.take(sold)
    assert house.tax("desk:1") == tax
    house.agrees()
    house.take(back_of(sold, on(2, 10)))
    assert {b.amount_cents for b in balances(house.session)} == {0}
    house.agrees()


@pytest.mark.parametrize(
    ("layaway", "said"),
    [
        (Layaway(date(2026, 9, 2)), "The layaway is not completed"),
        (Layaway(date(2026, 9, 2), date(2026, 9, 24)), "it is completed on the ticket's day, 2026-09-25"),
        (Layaway(date(2026, 9, 26), date(2026, 9, 25)), "accepted on that day or before"),
    ],
)
def test_layaways_that_are_no_sale(house: House, layaway: Layaway, said: str) -> None:
    with pytest.raises(Refusal, match=said):
        house.take(ticket("1", on(25), item(house, 100_00), layaway=layaway))


def test_a_return_is_no_layaway(house: House) -> None:
    back = item(house, -100_00, quantity=-1)
    with pytest.raises(Refusal, match="a return is no layaway"):
        house.take(ticket("1", on(25), back, kind="return", layaway=Layaway(date(2026, 9, 2), date(2026, 9, 25))))


# --- everything at once -------------------------------------------------------------------------------------------------


@st.composite
def _line(draw: st.DrawFn, position: int) -> dict[str, Any]:
    tag = draw(st.integers(0, 30_000))
    left, parts = tag, {}
    for name in ("discount_cents", "seller_coupon_cents", "maker_coupon_cents", "trade_in_cents"):
        parts[name] = draw(st.one_of(st.just(0), st.integers(0, left)))
        left -= parts[name]
    dealer = draw(st.sampled_from([0, 1, 2, None]))
    if dealer is None:
        parts["trade_in_cents"] = 0
    return {
        "cents": tag,
        "position": position,
        "dealer": dealer,
        "quantity": draw(st.integers(1, 3)),
        "tax_class": draw(st.sampled_from(["general", "food"])),
        "own_use": draw(st.booleans()),
        **parts,
    }


@st.composite
def _facts(draw: st.DrawFn) -> tuple[int, list[dict[str, Any]], dict[str, Any], int]:
    day = draw(st.integers(1, 28))
    lines = [draw(_line(n)) for n in range(1, draw(st.integers(1, 3)) + 1)]
    facts: dict[str, Any] = {
        "delivery_cents": draw(st.one_of(st.just(0), st.integers(1, 5000))),
        "certificate": draw(st.sampled_from(["", "", "R-17", "E-4"])),
        "taxed": draw(st.sampled_from([True, True, True, False])),
    }
    if draw(st.booleans()):
        accepted = date(2026, 9, day) - timedelta(days=draw(st.integers(0, 25)))
        facts["layaway"] = Layaway(accepted, date(2026, 9, day))
    return day, lines, facts, draw(st.integers(1, 3))


@ALONE
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(drawn=st.lists(_facts(), min_size=1, max_size=4))
def test_all_that_was_charged_and_posted_comes_back(
    house: House, drawn: Sequence[tuple[int, list[dict[str, Any]], dict[str, Any], int]]
) -> None:
    """Entries balance, the month taxed again is what was charged; everything returned, in parts, leaves nothing behind."""
    with house.session.begin_nested() as example:
        sold = [
            (ticket(str(n), on(day), *(item(house, **line) for line in lines), **facts), portions)
            for n, (day, lines, facts, portions) in enumerate(drawn, 1)
        ]
        house.take(*(one for one, _ in sold))
        house.agrees()
        for one, portions in sold:
            house.take(*_in_portions(house, one, portions))
        house.agrees()
        session = house.session
        assert {path: cents for path, cents in ((b.path, b.amount_cents) for b in balances(session)) if cents} == {}
        left: dict[Any, int] = defaultdict(int)
        for t in session.scalars(select(TaxCharged)):
            left["tax", t.dealer_id, t.position, t.jurisdiction_id, t.rate_id, t.part] += t.amount_cents
            left["base", t.dealer_id, t.position, t.jurisdiction_id, t.rate_id, t.part] += t.taxable_cents
        for u in session.scalars(select(TaxUntaxed)):
            left["not", u.dealer_id, u.position, u.jurisdiction_id, u.kind, u.reason, u.certificate] += u.amount_cents
        for tender in session.scalars(select(Tender)):
            left[tender.kind, tender.account_id] += tender.amount_cents
        for taken in session.scalars(select(Ticket)):
            for name in ("net_cents", "tax_cents", "delivery_cents", "total_cents"):
                left[name] += getattr(taken, name)
        assert {key: cents for key, cents in left.items() if cents} == {}
        example.rollback()
    session.expire_all()
    session.info.pop("account_ids", None)


def _in_portions(house: House, sold: TicketIn, portions: int) -> list[TicketIn]:
    """A ticket's returns: each line's articles, money and the delivery split as far as they go."""
    made = []
    for n in range(portions):
        lines = []
        for line in sold.lines:
            quantity = _part(line.quantity, portions, n)
            if quantity:
                count = min(line.quantity, portions)
                first = [k for k in range(portions) if _part(line.quantity, portions, k)].index(n)
                lines.append(
                    replace(
                        line,
                        quantity=-quantity,
                        tag_cents=-_part(line.tag_cents, count, first),
                        discount_cents=-_part(line.discount_cents, count, first),
                        seller_coupon_cents=-_part(line.seller_coupon_cents, count, first),
                        maker_coupon_cents=0,
                        trade_in_cents=0,
                    )
                )
        if lines:
            back = ticket(sold.number, on(1 + n, 10), *lines, kind="return", taxed=sold.taxed)
            count = min(max(line.quantity for line in sold.lines), portions)
            made.append(replace(back, key=f"{back.key}{n}", delivery_cents=-_part(sold.delivery_cents, count, len(made))))
    return made


def _part(whole: int, portions: int, n: int) -> int:
    """The n-th of so many parts, the first ones larger by one."""
    return whole // portions + (n < whole % portions)
