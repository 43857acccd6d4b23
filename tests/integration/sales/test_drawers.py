"""Drawers counted against the books, cash put in and paid out, and what a month-end asks of drawers and devices."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event, func, select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, dealer_account, tender_account
from coop.books.checking import check_books
from coop.books.domain.entries import EntryDraft
from coop.books.models import Entry
from coop.books.queries import balances
from coop.books.rules import Rules, set_rules
from coop.books.service import ensure_period, post_entry
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.floor.service import add_mall
from coop.sales.devices import devices_of, register_device, report_queue, retire_device, waiting_devices
from coop.sales.drawers import (
    SecondRefused,
    count_drawer,
    counts_of,
    drawers_of,
    over_short,
    pay_out,
    put_float,
)
from coop.sales.models import DrawerCount
from coop.sales.uncounted import uncounted, uncounted_drawers
from tests.factories.books import shut
from tests.factories.coops import SmallCoop, found
from tests.factories.house import add_person

OCTOBER, NOVEMBER = Month(2026, 10), Month(2026, 11)
SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


def on(day: int, month: int = 10) -> date:
    return date(2026, month, day)


@dataclass
class Till:
    """The drawers of MAIN, on a day of November; dealer D01's things are sold from them."""

    session: Session
    now: datetime
    coop: SmallCoop
    keys: int = 0

    def key(self) -> str:
        self.keys += 1
        return f"key-{self.keys}"

    def cash(self, cents: int, day: date, drawer: str = "", *, kind: str = "sale") -> int:
        """Cash came into a drawer."""
        account = tender_account(self.session, self.coop.mall, "cash", drawer=drawer)
        hers = dealer_account(self.session, self.coop.mall, self.coop.dealers["D01"])
        draft = EntryDraft(self.coop.mall.id, day, kind, "test", self.key(), kind, ((account, cents), (hers, -cents)))
        return post_entry(self.session, self.now, draft)

    def to_bank(self, cents: int, day: date) -> None:
        drawer, bank = tender_account(self.session, self.coop.mall, "cash"), bank_account(self.session)
        draft = EntryDraft(self.coop.mall.id, day, "to bank", "test", self.key(), "to bank", ((bank, cents), (drawer, -cents)))
        post_entry(self.session, self.now, draft)

    def count(self, cents: int, day: date, drawer: str = "", **more: Any) -> DrawerCount:
        asked = {"key": self.key(), "drawer": drawer, "on": day, "counted_cents": cents, **more}
        return count_drawer(self.session, self.now, self.coop.mall, **asked)

    def later(self, hours: int = 1) -> None:
        self.now += timedelta(hours=hours)

    def stands(self, *paths: str) -> list[int]:
        there = {b.path: b.amount_cents for b in balances(self.session)}
        return [there.get(path, 0) for path in paths]

    def uncounted(self, month: Month = OCTOBER) -> list[str]:
        return uncounted(self.session, self.coop.mall, month)


@pytest.fixture
def till(sessions: Sessions, now: datetime) -> Iterator[Till]:
    with sessions() as session:
        yield Till(session, now, found(session, now, dealers=["D01"]))


# --- counting -----------------------------------------------------------------------------------------------------------


def test_over_and_short_are_posted_in_full_sight(till: Till) -> None:
    till.cash(250_00, on(5))
    till.cash(80_00, on(5), "front")
    till.cash(999_00, on(6))
    short = till.count(247_50, on(5), note="A roll of quarters was open")
    assert (short.expected_cents, short.counted_cents) == (250_00, 247_50)
    entry = till.session.get_one(Entry, short.entry_id)
    assert (entry.kind, entry.source_kind, entry.business_date, entry.memo) == (
        "over or short",
        "drawer count",
        on(5),
        "Drawer, short",
    )
    till.count(81_00, on(5), "front")
    assert till.stands("Assets:Drawer:MAIN", "Assets:Drawer:MAIN:front", "Expenses:Over-short:MAIN") == [1246_50, 81_00, 1_50]
    assert till.count(1246_50, on(6)).entry_id is None
    assert check_books(till.session) == []


def test_a_second_count_posts_only_what_it_differs_by(till: Till) -> None:
    till.cash(100_00, on(5))
    till.count(98_00, on(5))
    again = till.count(99_00, on(5))
    assert again.expected_cents == 98_00
    assert till.stands("Assets:Drawer:MAIN", "Expenses:Over-short:MAIN") == [99_00, 1_00]
    same = till.count(5, on(5), key=again.key)
    assert (same.id, till.stands("Assets:Drawer:MAIN")) == (again.id, [99_00])


COUNTED = st.lists(
    st.tuples(st.sampled_from(["cash", "count", "paid out"]), st.integers(1, 28), st.integers(0, 90_00)), max_size=8
)


@SQLITE
@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(moves=COUNTED)
def test_after_a_count_the_books_say_what_was_counted_and_the_counts_make_up_over_short(
    sessions: Sessions, now: datetime, moves: list[tuple[str, int, int]]
) -> None:
    with sessions() as session:
        till = Till(session, now, found(session, now, dealers=["D01"]))
        second = add_person(session, now, "ada@example.org", ("desk",))
        for what, day, cents in sorted(moves, key=lambda move: move[1]):
            if what == "cash":
                till.cash(cents + 1, on(day))
            elif what == "count":
                till.count(cents, on(day), seconded_by=second)
                assert drawers_of(session, till.coop.mall, on(day))[0].balance_cents == cents
            elif till.stands("Assets:Drawer:MAIN")[0] >= cents > 0:
                more = {"key": till.key(), "drawer": "", "amount_cents": cents, "on": on(day)}
                pay_out(session, now, till.coop.mall, what_for="Postage", reason="Stamps", **more)
        over = sum(row.over_cents for row in counts_of(session, till.coop.mall, OCTOBER))
        assert till.stands("Expenses:Over-short:MAIN") == [-over]
        session.rollback()


def test_who_counted_and_what_each_drawer_came_to(till: Till) -> None:
    users = [add_person(till.session, till.now, f"{name}@example.org", ("desk",)) for name in ("ada", "ben")]
    till.cash(10_00, on(5))
    till.cash(20_00, on(6), "front")
    till.count(9_00, on(5), counted_by=users[0], seconded_by=users[1])
    till.count(22_00, on(6), "front", counted_by=users[1])
    till.count(10_50, on(7), counted_by=users[0])
    rows = counts_of(till.session, till.coop.mall, OCTOBER)
    assert [(row.counted_by, row.seconded_by, row.over_cents) for row in rows] == [
        ("ada@example.org", "", 1_50),
        ("ben@example.org", "", 2_00),
        ("ada@example.org", "ben@example.org", -1_00),
    ]
    assert over_short(rows) == ({"": 50, "front": 2_00}, {"ada@example.org": 50, "ben@example.org": 2_00})


def test_far_off_nobody_counts_alone(till: Till) -> None:
    ada, ben = (add_person(till.session, till.now, f"{name}@example.org", ("desk",)) for name in ("ada", "ben"))
    till.cash(500_00, on(5))
    far = "The drawer is more than \\$100.00 off what the books say"
    for cents in (399_99, 600_01):
        with pytest.raises(SecondRefused, match=far):
            till.count(cents, on(5), counted_by=ada)
    till.count(400_00, on(5), counted_by=ada)
    # Nor in small steps.
    with pytest.raises(SecondRefused, match=far):
        till.count(399_99, on(5), counted_by=ada)
    till.count(499_00, on(5), counted_by=ada)
    assert till.count(20_00, on(5), counted_by=ada, seconded_by=ben).expected_cents == 499_00
    set_rules(till.session, till.now, Rules(journal_limit_cents=10_00), starts_on=on(6))
    with pytest.raises(SecondRefused, match=r"more than \$10\.00 off"):
        till.count(30_01, on(6), counted_by=ada)
    till.count(30_00, on(6), counted_by=ada)


def test_counts_that_are_refused(till: Till) -> None:
    till.cash(10_00, on(5))
    user = add_person(till.session, till.now, "ada@example.org", ("desk",))
    till.count(10_00, on(6))
    for cents, day, more, sentence in (
        (-1, on(6), {}, "cannot be below zero"),
        (1, on(6), {"counted_by": user, "seconded_by": user}, "cannot be the second person too"),
        (1, on(6), {"drawer": "back"}, "There is no drawer back at MAIN. There is: drawer; a new one begins with its float"),
        (1, on(4, 11), {}, "Nov 4, 2026 is still to come"),
        (1, on(5), {}, "The drawer was counted for Oct 6, 2026 already"),
    ):
        with pytest.raises(Refusal, match=sentence):
            till.count(cents, day, **more)
    shut(till.session, till.now, ensure_period(till.session, till.coop.mall.id, OCTOBER))
    with pytest.raises(Refusal, match="October 2026 is closed"):
        till.count(10_00, on(31))
    assert till.session.scalar(select(func.count()).select_from(DrawerCount)) == 1


def test_of_two_who_count_at_once_the_second_counts_against_the_first(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        till = Till(session, now, found(session, now, dealers=["D01"]))
        till.cash(100_00, on(5))
        mall = till.coop.mall
    go = threading.Barrier(2)

    def count(n: int) -> None:
        go.wait()
        with transaction(sessions) as session:
            count_drawer(session, now, session.merge(mall), key=f"count {n}", drawer="", on=on(5), counted_cents=97_00)

    both = [threading.Thread(target=count, args=(n,)) for n in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join()
    with transaction(sessions) as session:
        assert sorted(row.expected_cents for row in session.scalars(select(DrawerCount))) == [97_00, 100_00]
        assert {b.path: b.amount_cents for b in balances(session)}["Expenses:Over-short:MAIN"] == 3_00


# --- cash in and out ----------------------------------------------------------------------------------------------------


def test_a_float_begins_a_drawer_and_an_expense_is_paid_out_of_it(till: Till) -> None:
    mall = till.coop.mall
    asked: dict[str, Any] = {"drawer": "front", "on": on(5)}
    first = put_float(till.session, till.now, mall, key="f", amount_cents=200_00, reason="for the fair", **asked)
    assert put_float(till.session, till.now, mall, key="f", amount_cents=200_00, **asked) == first
    paid: dict[str, Any] = {"amount_cents": 12_40, "what_for": "Postage", "reason": "two rolls of stamps", **asked}
    out = pay_out(till.session, till.now, mall, key="p", **paid)
    assert pay_out(till.session, till.now, mall, key="p", **paid) == out
    assert till.session.get_one(Entry, out).memo == "Paid out of the drawer front: two rolls of stamps"
    assert till.stands("Assets:Bank", "Assets:Drawer:MAIN:front", "Expenses:Postage:MAIN") == [-200_00, 187_60, 12_40]
    for more, sentence in (
        ({"amount_cents": 187_61}, "By the books \\$187.60 was in the drawer front on Oct 5, 2026"),
        ({"amount_cents": 0}, "must be above zero"),
        ({"reason": " "}, "write what was bought"),
        ({"what_for": "Wages"}, "postage, repairs, refreshments or something else, not for 'Wages'"),
        ({"drawer": "back"}, "There is no drawer back at MAIN. There is: drawer front"),
        ({"on": on(4, 11)}, "is still to come"),
    ):
        with pytest.raises(Refusal, match=sentence):
            pay_out(till.session, till.now, mall, key="q", **{**paid, **more})
    for name in ("front desk", "-x", "x" * 13, "Ü"):
        with pytest.raises(Refusal, match="write letters, figures and hyphens"):
            put_float(till.session, till.now, mall, key="q", amount_cents=1, drawer=name, on=on(5))


# --- what a month-end asks ----------------------------------------------------------------------------------------------


def test_a_month_asks_for_every_drawer_in_which_cash_moved(till: Till) -> None:
    assert till.uncounted() == []
    till.cash(10_00, on(5))
    till.cash(20_00, on(7), "front")
    till.cash(5_00, on(2, 11))
    assert till.uncounted() == [
        "The drawer of MAIN was never counted, and cash moved in it on Oct 5, 2026: count it.",
        "The drawer front of MAIN was never counted, and cash moved in it on Oct 7, 2026: count it.",
    ]
    till.count(10_00, on(5))
    till.count(0, on(6), "front")
    assert till.uncounted() == [
        "The drawer front of MAIN was last counted for Oct 6, 2026, and cash moved in it on Oct 7, 2026: count it."
    ]
    till.count(20_00, on(2, 11), "front")
    assert (till.uncounted(), len(till.uncounted(NOVEMBER))) == ([], 1)


def test_what_comes_into_the_books_after_the_count_asks_for_another(till: Till) -> None:
    till.cash(100_00, on(31))
    till.count(100_00, on(31))
    till.later()
    till.to_bank(90_00, on(31))
    assert till.uncounted() == []
    till.cash(3_00, on(30))
    assert till.uncounted() == [
        "The drawer of MAIN was counted for Oct 31, 2026, and cash of days before came into the books since: count it."
    ]
    till.later()
    till.count(10_00, on(31))
    assert (till.uncounted(), till.stands("Expenses:Over-short:MAIN")) == ([], [3_00])


def test_the_drawers_of_many_malls_are_asked_for_together_and_by_one_rule(till: Till) -> None:
    """Each mall through its own day; a drawer of the same name at another mall is another drawer."""
    other = add_mall(till.session, till.now, "EAST", name="East Street", timezone="America/Chicago")
    till.cash(10_00, on(5))
    till.cash(20_00, on(6), "front")
    till.count(20_00, on(6), "front")
    put_float(till.session, till.now, other, key="east", drawer="front", amount_cents=40_00, on=on(7))
    till.later()
    till.cash(1_00, on(4), "front")

    def told(main: date, east: date, month: Month | None = None) -> list[tuple[int, str, date, date | None]]:
        through = {till.coop.mall.id: main, other.id: east}
        return [
            (row.mall_id, row.name, row.moved_on, row.last and row.last.on)
            for row in uncounted_drawers(till.session, through, month)
        ]

    mains, easts = (
        [(till.coop.mall.id, "", on(5), None), (till.coop.mall.id, "front", on(6), on(6))],
        (other.id, "front", on(7), None),
    )
    assert told(on(31), on(31)) == told(on(31), on(31), OCTOBER) == [easts, *mains]
    assert told(on(31), on(6)) == mains
    assert told(on(4), on(7)) == [easts, (till.coop.mall.id, "front", on(4), on(6))]
    assert told(on(30, 11), on(30, 11), NOVEMBER) == []
    assert len(till.uncounted()) == 2


def test_the_questions_do_not_grow_with_the_days(till: Till) -> None:
    asked: list[str] = []
    event.listen(till.session.get_bind(), "before_cursor_execute", lambda *args: asked.append(args[2]))
    numbers = []
    for n in (1, 6):
        for day in range(n, 2 * n):
            till.cash(5_00, on(day))
            till.count(5_00, on(day))
        asked.clear()
        drawers_of(till.session, till.coop.mall, on(3, 11))
        counts_of(till.session, till.coop.mall, OCTOBER)
        till.uncounted()
        numbers.append(len(asked))
    assert numbers[0] == numbers[1]


def test_a_month_waits_for_devices_until_they_say_that_nothing_waits(till: Till) -> None:
    mall, september = till.coop.mall, datetime(2026, 9, 20, 15, tzinfo=UTC)
    register_device(till.session, september, mall, "front")
    register_device(till.session, september, mall, "back")
    register_device(till.session, till.now, mall, "new")
    report_queue(till.session, datetime(2026, 11, 1, 3, tzinfo=UTC), mall, "back", 0)  # October 31 at the mall.
    assert waiting_devices(till.session, mall, OCTOBER) == [
        "back was not heard of since Oct 31, 2026: have it report that nothing waits on it, or retire it.",
        "front was not heard of yet: have it report that nothing waits on it, or retire it.",
    ]
    report_queue(till.session, till.now, mall, "back", 2)
    report_queue(till.session, till.now, mall, "front", 0)
    assert waiting_devices(till.session, mall, OCTOBER) == ["back has 2 tickets that the books have not had: have it send them."]
    report_queue(till.session, till.now, mall, "back", 0)
    assert waiting_devices(till.session, mall, OCTOBER) == []
    assert len(waiting_devices(till.session, mall, NOVEMBER)) == 3


def test_devices_that_are_refused(till: Till) -> None:
    mall = till.coop.mall
    device = register_device(till.session, till.now, mall, " front ")
    for name, sentence in (("front", "registered at MAIN already"), (" ", "is empty"), ("x" * 41, "more than 40")):
        with pytest.raises(Refusal, match=sentence):
            register_device(till.session, till.now, mall, name)
    with pytest.raises(Refusal, match="There is no device back in use at MAIN"):
        report_queue(till.session, till.now, mall, "back", 0)
    with pytest.raises(Refusal, match="write 0 or more"):
        report_queue(till.session, till.now, mall, "front", -1)
    report_queue(till.session, till.now, mall, "front", 1)
    with pytest.raises(Refusal, match="has 1 ticket it has not sent"):
        retire_device(till.session, till.now, device)
    retire_device(till.session, till.now, device, reason="It fell into the pond")
    assert (devices_of(till.session, mall), waiting_devices(till.session, mall, OCTOBER)) == ([], [])
    with pytest.raises(Refusal, match="was retired already"):
        retire_device(till.session, till.now, device)
    again = register_device(till.session, till.now, mall, "front")
    assert (again.id, again.waiting, again.reported_at) == (device.id, 0, None)
