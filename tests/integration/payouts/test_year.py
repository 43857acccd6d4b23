"""The year's totals against the ledger, thresholds, and a surplus shared: worked by hand on the small co-op of March 2025."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import event, select
from sqlalchemy.orm import Session

from coop.books.checking import check_books
from coop.books.models import Entry, Opening, OpeningMemo, Period
from coop.books.queries import balances
from coop.books.service import ensure_period, pay_dealer, reverse_entry
from coop.closing.steps import BODIES
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.payouts.domain.year import Figures
from coop.payouts.models import Patronage, PatronageShare
from coop.payouts.patronage import approve_patronage, check_patronage, drop_patronage, patronage_of, propose_patronage
from coop.payouts.year import set_threshold, thresholds_of, year_totals
from tests.factories.books import shut
from tests.factories.coops import MARCH, SmallCoop, build_coop
from tests.factories.house import add_person

NOW = datetime(2026, 1, 12, 18, tzinfo=UTC)
ON = date(2026, 1, 10)


@dataclass
class Year:
    """The small co-op with March 2025 charged and D01 paid twice, once in vain."""

    session: Session
    coop: SmallCoop
    users: list[int]
    """D01's manager, and a bookkeeper."""

    def close(self) -> None:
        for month in (Month(2025, number) for number in range(3, 13)):
            shut(self.session, NOW, ensure_period(self.session, self.coop.mall.id, month))

    def propose(self, **more: object) -> Patronage:
        terms: dict[str, object] = {"surplus_cents": 100_00, "cash_percent": Decimal(20), "on": ON, "user_id": self.users[0]}
        return propose_patronage(self.session, NOW, 2025, **{**terms, **more})  # type: ignore[arg-type]


@pytest.fixture
def year(sessions: Sessions) -> Iterator[Year]:
    with transaction(sessions) as session:
        coop = build_coop(session, NOW)
        for step in ("rent", "commission"):
            BODIES[step](session, NOW, coop.mall, MARCH)
        ida = coop.dealers["D01"]
        for amount, reference in ((40_00, "1"), (60_00, "2")):
            entry_id = pay_dealer(session, NOW, coop.mall, ida, amount_cents=amount, on=date(2025, 3, 31), reference=reference)
        reverse_entry(session, NOW, entry_id, on=date(2025, 3, 31), memo="Check 2 was lost")
        users = [
            add_person(session, NOW, "manager@example.org", ("manager", "dealer"), ida.member_id),
            add_person(session, NOW, "books@example.org", ("bookkeeper",)),
        ]
        yield Year(session, coop, users)


def paper(year: Year, *, state: str = "signed") -> None:
    """Before the books began: D03 sold 500.00 gross, 480.00 net; was charged 48.00 and 97.00 of rent; was paid 200.00."""
    signed = {"signed_by": year.users[1], "signed_at": NOW} if state == "signed" else {}
    opening = Opening(
        file_name="opening.csv",
        file_sha256="0" * 64,
        content="",
        first_day=date(2025, 3, 1),
        totals={},
        state=state,
        read_by=year.users[0],
        read_at=NOW,
        **signed,
    )
    year.session.add(opening)
    year.session.flush()
    for what, cents in (("gross", 500_00), ("net", 480_00), ("commission", 48_00), ("rent", 97_00), ("paid", 200_00)):
        about = {"opening_id": opening.id, "mall_id": year.coop.mall.id, "dealer_id": year.coop.dealers["D03"].id}
        year.session.add(OpeningMemo(**about, what=what, year=2025, amount_cents=cents))
    year.session.flush()


def test_every_figure_by_hand_and_the_controls_tie(year: Year) -> None:
    # From the tickets of March: D01 sold 125.00 + 42.50 + 1.01, less 4.25, with 7.00 brought back; a tenth of 157.26 is 15.73.
    # Booth 1 is 120 sq ft at 2.25. D02: 19.99 + 2 x 333.33, of which 333.33 came back; an eighth of 353.32 is 44.17 (44.165).
    # D03 holds booth 2, 90 sq ft at 2.25, for 15 days of 31: 97.98. D04: 5.00 + 799.00 less 50.00; 8% of 754.00 is 60.32.
    totals = year_totals(year.session, 2025)
    assert {row.code: row.books for row in totals.rows} == {
        "D01": Figures(3, 168_51, 157_26, 0, 15_73, 270_00, 0, 40_00, 0, 0, 0, -168_47),
        "D02": Figures(2, 686_65, 353_32, 0, 44_17, 45_00, 0, 0, 0, 0, 0, 264_15),
        "D03": Figures(0, 0, 0, 0, 0, 97_98, 0, 0, 0, 0, 0, -97_98),
        "D04": Figures(2, 804_00, 754_00, 0, 60_32, 0, 0, 0, 0, 0, 0, 693_68),
    }
    assert all(row.books.reckoned_cents == row.books.closing_cents for row in totals.rows)
    assert [(one.what, one.ties) for one in totals.controls if not one.ties] == []
    assert totals.controls[0].ledger_cents == 157_26 + 353_32 + 754_00
    assert totals.controls[-1].ledger_cents == sum(row.books.closing_cents for row in totals.rows)
    assert totals.unfinished == ("MAIN has closed no month of 2025: its figures may still change.",)
    # The next year begins with what is owed, and has nothing else.
    after = year_totals(year.session, 2026)
    assert {row.code: row.books for row in after.rows}["D02"] == Figures(opening_cents=264_15, closing_cents=264_15)
    assert year_totals(year.session, 2024).rows == ()


def test_a_correction_is_no_sale_and_stands_apart(year: Year) -> None:
    sold = year.session.scalars(select(Entry).where(Entry.kind == "sale").order_by(Entry.id).limit(1)).one()
    reverse_entry(year.session, NOW, sold.id, on=date(2025, 3, 31), memo="by mistake")
    totals = year_totals(year.session, 2025)
    rows = {row.code: row.books for row in totals.rows}
    # Ticket 1001: 125.00 of D01 and 19.99 of D02.
    assert (rows["D01"].other_cents, rows["D02"].other_cents, rows["D01"].net_cents) == (-125_00, -19_99, 157_26)
    assert all(one.ties for one in totals.controls)


@pytest.mark.parametrize("state", ["read", "signed"])
def test_what_came_from_paper_is_added_once_it_is_signed(year: Year, state: str) -> None:
    paper(year, state=state)
    row = next(row for row in year_totals(year.session, 2025).rows if row.code == "D03")
    if state == "read":
        assert row.paper == Figures()
        return
    assert (row.whole.gross_cents, row.whole.rent_cents, row.whole.paid_cents) == (500_00, 194_98, 200_00)
    assert row.books.rent_cents == 97_98
    assert all(one.ties for one in year_totals(year.session, 2025).controls)


def test_thresholds_are_dated_and_have_their_source(year: Year) -> None:
    # The amounts are invented, not the law's.
    for from_year, cents in ((2024, 600_00), (2026, 2000_00)):
        set_threshold(
            year.session, NOW, kind="payments", from_year=from_year, amount_cents=cents, least_count=2, said_by="an invented law"
        )
    set_threshold(year.session, NOW, kind="rents", from_year=2025, amount_cents=270_00, least_count=0, said_by="another")
    assert [(one.kind, one.amount_cents) for one in thresholds_of(year.session, 2025)] == [
        ("payments", 600_00),
        ("rents", 270_00),
    ]
    assert thresholds_of(year.session, 2023) == ()
    # D02 and D04 sold for more, D01 was charged the rent.
    reached = {row.code: row.reached for row in year_totals(year.session, 2025).rows}
    assert reached == {"D01": ("rents",), "D02": ("payments",), "D03": (), "D04": ("payments",)}
    again = set_threshold(
        year.session, NOW, kind="payments", from_year=2024, amount_cents=700_00, least_count=0, said_by="an invented law"
    )
    assert again.amount_cents == 700_00
    assert len(thresholds_of(year.session, 2025)) == 2
    good = {"kind": "rents", "from_year": 2026, "amount_cents": 0, "least_count": 0, "said_by": "a law"}
    for wrong, says in (
        ({"kind": "fees"}, "is of payments, rents, patronage"),
        ({"from_year": 26}, "year 26 is none"),
        ({"amount_cents": -1}, "below zero"),
        ({"said_by": " "}, "source is empty"),
    ):
        with pytest.raises(Refusal, match=says):
            set_threshold(year.session, NOW, **{**good, **wrong})  # type: ignore[arg-type]


def test_the_queries_do_not_grow_with_the_dealers(year: Year) -> None:
    asked: list[str] = []
    engine = year.session.get_bind()
    note = lambda *args: asked.append(args[2])  # noqa: E731
    event.listen(engine, "before_cursor_execute", note)
    try:
        year_totals(year.session, 2025)
    finally:
        event.remove(engine, "before_cursor_execute", note)
    assert len(asked) <= 18


# --- patronage ----------------------------------------------------------------------------------------------------------


def test_a_surplus_is_shared_by_commission_and_rent_and_posted_by_a_second_person(year: Year) -> None:
    paper(year)
    with pytest.raises(Refusal, match="MAIN has closed no month of 2025"):
        year.propose()
    year.close()
    shared = year.propose()
    # Business: D01 15.73 + 270.00 = 285.73; D02 44.17 + 45.00 = 89.17; D03 97.98 and 145.00 on paper = 242.98; D04 60.32.
    # Together 678.20. 100.00 x 28573/67820 = 42.1307, 13.1481, 35.8272, 8.8941: cents 4213, 1314, 3582, 889 make 9998, and the
    # two left go to the largest remainders, .81 of D02 and .72 of D03. A fifth in cash, rounded half-up.
    ids = {dealer.id: code for code, dealer in year.coop.dealers.items()}
    rows = year.session.scalars(select(PatronageShare).order_by(PatronageShare.id)).all()
    assert [(ids[row.dealer_id], row.business_cents, row.share_cents, row.cash_cents, row.retained_cents) for row in rows] == [
        ("D01", 285_73, 42_13, 8_43, 33_70),
        ("D02", 89_17, 13_15, 2_63, 10_52),
        ("D03", 242_98, 35_83, 7_17, 28_66),
        ("D04", 60_32, 8_89, 1_78, 7_11),
    ]
    before = {row.path: row.amount_cents for row in balances(year.session)}
    with pytest.raises(Refusal, match="You entered the sharing of 2025's surplus yourself"):
        approve_patronage(year.session, NOW, shared, user_id=year.users[0])
    with pytest.raises(Refusal, match="sign in"):
        approve_patronage(year.session, NOW, shared, user_id=None)
    assert approve_patronage(year.session, NOW, shared, user_id=year.users[1]) == 4
    moved = {row.path: row.amount_cents - before.get(row.path, 0) for row in balances(year.session)}
    assert {path: cents for path, cents in moved.items() if cents} == {
        "Equity:Patronage": 100_00,
        **{
            f"Liabilities:Dealers:MAIN:{code}": -cash
            for code, cash in (("D01", 8_43), ("D02", 2_63), ("D03", 7_17), ("D04", 1_78))
        },
        **{f"Equity:Retained:{code}": -kept for code, kept in (("D01", 33_70), ("D02", 10_52), ("D03", 28_66), ("D04", 7_11))},
    }
    with pytest.raises(Refusal, match="posted already"):
        approve_patronage(year.session, NOW, shared, user_id=year.users[1])
    with pytest.raises(Refusal, match="The surplus of 2025 is shared already"):
        year.propose()
    assert check_patronage(year.session) == [] == check_books(year.session)
    # It is of the year it is posted in, and ties there.
    totals = year_totals(year.session, 2026)
    assert totals.books.patronage_cents == 20_01
    assert all(one.ties for one in totals.controls)
    memos = set(year.session.scalars(select(Entry.memo).where(Entry.kind == "patronage")))
    assert "Patronage of 2025: $42.13, 20% in cash" in memos


def test_ones_own_share_is_no_bar_and_a_dropped_proposal_makes_room(year: Year) -> None:
    year.close()
    first = year.propose(user_id=year.users[1])
    with pytest.raises(Refusal, match="proposed already: approve it, or drop it first"):
        year.propose()
    drop_patronage(year.session, NOW, first)
    with pytest.raises(Refusal, match="dropped already"):
        drop_patronage(year.session, NOW, first)
    again = year.propose(user_id=year.users[1], cash_percent=Decimal(0))
    # The manager is D01.
    assert approve_patronage(year.session, NOW, again, user_id=year.users[0]) == 4
    assert patronage_of(year.session, 2025) is again
    assert check_patronage(year.session) == []


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"surplus_cents": 0}, r"surplus is \$0.00: write an amount above zero"),
        ({"cash_percent": Decimal(101)}, "from 0 to 100"),
        ({"on": date(2025, 12, 31)}, "not after 2025"),
    ],
)
def test_what_cannot_be_shared_is_refused(year: Year, wrong: dict[str, object], says: str) -> None:
    year.close()
    with pytest.raises(Refusal, match=says):
        year.propose(**wrong)
    assert patronage_of(year.session, 2025) is None


def test_a_proposal_of_a_day_to_come_waits(year: Year) -> None:
    year.close()
    shared = year.propose(on=date(2026, 1, 20))
    with pytest.raises(Refusal, match="approve it from that day on"):
        approve_patronage(year.session, NOW, shared, user_id=year.users[1])
    assert year.session.scalar(select(Period.id).where(Period.first_day == date(2026, 1, 1))) is None
