"""What settles what, how old the rest is, and the late fee on it. Every rule is common practice, no source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.leases.domain import TermsError
from coop.leases.domain.late import LateRule, late_fee
from coop.leases.domain.settlement import Arrears, Owed, Paid, Settled, arrears, settle

MARCH = Owed("march", date(2026, 3, 1), 270_00)
APRIL = Owed("april", date(2026, 4, 1), 270_00)
FEE = Owed("fee", date(2026, 3, 6), 25_00, "late")


def on(month: int, day: int) -> date:
    return date(2026, month, day)


def test_the_oldest_charge_is_settled_first() -> None:
    made = settle([APRIL, FEE, MARCH], [Paid("check", on(4, 3), 300_00)], on(4, 30))
    assert made.settled == (
        Settled("march", "check", on(4, 3), 270_00),
        Settled("fee", "check", on(4, 3), 25_00),
        Settled("april", "check", on(4, 3), 5_00),
    )
    assert (made.open_cents, made.credit_cents) == ({"march": 0, "fee": 0, "april": 265_00}, {})


def test_money_that_comes_early_waits_for_what_falls_due() -> None:
    early = [Paid("sales", on(3, 31), 400_00)]
    assert settle([MARCH, APRIL], early, on(3, 31)).credit_cents == {"sales": 130_00}
    made = settle([MARCH, APRIL], early, on(4, 1))
    assert made.settled[-1] == Settled("april", "sales", on(4, 1), 130_00)
    assert made.credit_cents == {}


def test_what_is_in_dispute_is_passed_over_until_it_is_decided() -> None:
    disputed = replace(MARCH, disputed_from=on(3, 10))
    paid = [Paid("check", on(4, 3), 400_00)]
    assert settle([disputed, APRIL], paid, on(4, 30)).open_cents == {"march": 270_00, "april": 0}
    # Decided on April 20: the credit that waited settles it that day, and what was settled before stays.
    decided = settle([replace(disputed, disputed_until=on(4, 20)), APRIL], paid, on(4, 30))
    assert decided.settled == (Settled("april", "check", on(4, 3), 270_00), Settled("march", "check", on(4, 20), 130_00))


@pytest.mark.parametrize(
    ("day", "ages"),
    [
        (on(3, 1), (270_00, 0, 0, 0, 0)),
        (on(3, 2), (0, 270_00, 0, 0, 0)),
        (on(3, 31), (0, 270_00, 0, 0, 0)),
        (on(4, 1), (0, 0, 270_00, 0, 0)),
        (on(4, 30), (0, 0, 270_00, 0, 0)),
        (on(5, 1), (0, 0, 0, 270_00, 0)),
        (on(5, 30), (0, 0, 0, 270_00, 0)),
        (on(5, 31), (0, 0, 0, 0, 270_00)),
    ],
)
def test_arrears_by_age_at_each_edge(day: date, ages: tuple[int, ...]) -> None:
    assert arrears([MARCH], [], day).ages == ages


def test_arrears_with_a_dispute_and_a_credit() -> None:
    disputed = replace(MARCH, disputed_from=on(3, 10))
    made = arrears([disputed, APRIL], [Paid("check", on(4, 3), 280_00)], on(4, 10))
    assert made == Arrears(disputed_cents=270_00, credit_cents=10_00)  # In no age: what is there is late.
    assert (made.open_cents, made.late_cents) == (270_00, 0)
    # On the day it is decided it is in dispute no more, and the credit settles of it what it can.
    made = arrears([replace(disputed, disputed_until=on(4, 10)), APRIL], [Paid("check", on(4, 3), 280_00)], on(4, 10))
    assert made == Arrears(days_31_60_cents=260_00)
    assert made.late_cents == 260_00


DAYS = st.dates(date(2026, 1, 1), date(2026, 3, 31))
CENTS = st.integers(1, 500_00)


@st.composite
def some_owed(draw: st.DrawFn) -> list[Owed]:
    made = []
    for n, (due, cents) in enumerate(draw(st.lists(st.tuples(DAYS, CENTS), max_size=8))):
        begin = draw(st.none() | DAYS)
        end = draw(st.none() | st.dates(begin, date(2026, 4, 30))) if begin else None
        made.append(Owed(f"o{n}", due, cents, disputed_from=begin, disputed_until=end))
    return made


PAID = st.lists(st.tuples(DAYS, CENTS), max_size=8).map(lambda rows: [Paid(f"p{n}", day, c) for n, (day, c) in enumerate(rows)])


@given(owed=some_owed(), paid=PAID, through=DAYS)
def test_settled_and_open_are_what_was_charged_and_paid(owed: list[Owed], paid: list[Paid], through: date) -> None:
    made = settle(owed, paid, through)
    for charge in owed:
        settled = sum(s.amount_cents for s in made.settled if s.owed == charge.key)
        assert settled + made.open_cents[charge.key] == charge.amount_cents
        assert made.open_cents[charge.key] >= 0
    for payment in paid:
        used = sum(s.amount_cents for s in made.settled if s.paid == payment.key)
        assert used + made.credit_cents.get(payment.key, 0) == (payment.amount_cents if payment.on <= through else 0)
    assert all(s.amount_cents > 0 for s in made.settled)
    # Credit waits only while nothing undisputed is due.
    due = [o for o in owed if o.due_on <= through and not o.in_dispute(through) and made.open_cents[o.key]]
    assert not (due and made.credit_cents)
    assert arrears(owed, paid, through).open_cents == sum(made.open_cents.values())


@given(owed=some_owed(), paid=PAID, through=DAYS, data=st.data())
def test_the_order_of_payments_on_one_day_is_irrelevant(
    owed: list[Owed], paid: list[Paid], through: date, data: st.DataObject
) -> None:
    """Neither the order they are handed in nor which of the day's payments is called what changes what is open."""
    keys = data.draw(st.permutations([p.key for p in paid]))
    renamed = [replace(p, key=key) for p, key in zip(paid, keys, strict=True)]
    assert settle(owed, renamed, through).open_cents == settle(owed, paid, through).open_cents
    shuffled = data.draw(st.permutations(paid))
    assert settle(data.draw(st.permutations(owed)), shuffled, through).settled == settle(owed, paid, through).settled


@given(owed=some_owed(), paid=PAID, days=st.tuples(DAYS, DAYS))
def test_a_later_day_changes_nothing_settled_before_it(owed: list[Owed], paid: list[Paid], days: tuple[date, date]) -> None:
    early, late = sorted(days)
    before = settle(owed, paid, early).settled
    assert settle(owed, paid, late).settled[: len(before)] == before


FLAT = LateRule(5, flat_cents=25_00)
GREATER = LateRule(5, flat_cents=25_00, percent=10)


@pytest.mark.parametrize(
    ("rule", "owed", "paid", "day", "cents", "working"),
    [
        (FLAT, [APRIL], [], on(4, 6), 25_00, "$25.00, as $270.00 overdue after Apr 5, 2026"),
        (LateRule(5, percent=5), [APRIL], [], on(4, 6), 13_50, "5% of $270.00 overdue after Apr 5, 2026"),
        (GREATER, [APRIL], [], on(4, 6), 27_00, "the greater of $25.00 and 10% of $270.00 overdue after Apr 5, 2026 ($27.00)"),
        (GREATER, [replace(APRIL, amount_cents=90_00)], [], on(4, 6), 25_00, None),
        (FLAT, [APRIL], [], on(4, 5), 0, "nothing is late before Apr 5, 2026 has passed"),
        # Paid on the grace day is in time, a day later is not; part paid bears the percent of the rest.
        (
            GREATER,
            [APRIL],
            [Paid("p", on(4, 5), 270_00)],
            on(4, 6),
            0,
            "nothing that bears a late fee was overdue after Apr 5, 2026",
        ),
        (FLAT, [APRIL], [Paid("p", on(4, 6), 270_00)], on(4, 7), 25_00, None),
        (LateRule(5, percent=10), [APRIL], [Paid("p", on(4, 2), 200_00)], on(4, 30), 7_00, None),
        # Once a month.
        (
            FLAT,
            [APRIL, Owed("f", on(4, 6), 25_00, "late")],
            [],
            on(4, 20),
            0,
            "the late fee for April 2026 was charged already",
        ),
        # Never on a fee.
        (FLAT, [FEE, Owed("f", on(4, 1), 10_00, "fee")], [], on(4, 6), 0, None),
        # Never on what is in dispute, then or now, nor while a payment is.
        (FLAT, [replace(APRIL, disputed_from=on(4, 2))], [], on(4, 6), 0, None),
        (FLAT, [replace(APRIL, disputed_from=on(4, 2), disputed_until=on(4, 5))], [], on(4, 6), 0, None),
        (FLAT, [replace(APRIL, disputed_from=on(4, 8))], [], on(4, 8), 0, None),
        (FLAT, [APRIL], [Paid("p", on(4, 2), 1, disputed=True)], on(4, 6), 0, "no late fee while a payment is in dispute"),
        # What fell due in an earlier month bears no second fee, unless the rule says so.
        (LateRule(5, percent=10), [MARCH], [], on(4, 6), 0, None),
        (LateRule(5, percent=10), [MARCH, APRIL], [], on(4, 6), 27_00, None),
        (LateRule(5, percent=10, arrears_again=True), [MARCH, APRIL], [], on(4, 6), 54_00, None),
        # Rent in arrears, due on the last of the month before: late this month, but not once more in the next.
        (FLAT, [Owed("m", on(3, 31), 270_00)], [], on(4, 6), 25_00, "$25.00, as $270.00 overdue after Apr 5, 2026"),
        (FLAT, [Owed("m", on(3, 31), 270_00)], [], on(5, 6), 0, "nothing that bears a late fee was overdue after May 5, 2026"),
        # What is no charge bears none.
        (
            FLAT,
            [Owed("o", on(4, 1), 270_00, "other")],
            [],
            on(4, 6),
            0,
            "nothing that bears a late fee was overdue after Apr 5, 2026",
        ),
        # Due after the grace day: not late this month.
        (FLAT, [Owed("o", on(4, 10), 1_00)], [], on(4, 30), 0, None),
    ],
)
def test_the_late_fee(
    rule: LateRule, owed: Sequence[Owed], paid: Sequence[Paid], day: date, cents: int, working: str | None
) -> None:
    made = late_fee(rule, owed, paid, day)
    assert made.amount_cents == cents
    assert working is None or made.working == working


@pytest.mark.parametrize(
    ("make", "more", "said"),
    [
        (LateRule, {"grace_day": 29, "flat_cents": 1}, "grace day is 29: choose a day of the month from 1 to 28"),
        (LateRule, {"grace_day": 5}, "neither dollars nor a percent"),
        (LateRule, {"grace_day": 5, "flat_cents": -1}, "cannot be negative"),
        (LateRule, {"grace_day": 5, "percent": 101}, "percent of the late fee is 101"),
        (Owed, {"key": "o", "due_on": on(1, 1), "amount_cents": 0}, "hand a credit in as a payment"),
        (
            Owed,
            {"key": "o", "due_on": on(1, 1), "amount_cents": 1, "disputed_from": on(1, 2), "disputed_until": on(1, 1)},
            "dispute of charge o ends before it begins",
        ),
        (Paid, {"key": "p", "on": on(1, 1), "amount_cents": -5}, "above zero"),
    ],
)
def test_bad_input_names_field_and_mend(make: Any, more: dict[str, Any], said: str) -> None:
    with pytest.raises(TermsError, match=said):
        make(**more)


def test_two_of_one_key_are_refused() -> None:
    with pytest.raises(TermsError, match="Two charges are called march: give each its own key"):
        settle([MARCH, MARCH], [], on(4, 1))
