"""Leaving: notice and its days, the list, moving out, the deposit, the end; and one lease walked through it all."""

from __future__ import annotations

from datetime import date

import pytest
from sqlalchemy import func, select

from coop.books.accounts import bank_account, dealer_account
from coop.books.checking import check_books
from coop.books.domain.entries import EntryDraft
from coop.books.models import Account, Posting
from coop.books.queries import dealer_balances_before
from coop.books.service import close_period, ensure_period, lock_period, post_entry
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.leases.agreements import Terms, renew_lease, sign_in_portal, state_of
from coop.leases.asking import ask_for_space
from coop.leases.changing import give_up_space, resize_space
from coop.leases.deposits import check_deposits, deposit_held, take_deposit
from coop.leases.domain.deposit import Deduction
from coop.leases.holding import add_space_to_lease
from coop.leases.leaving import (
    end_lease,
    end_stated_leases,
    first_last_day,
    give_notice,
    list_of,
    move_out,
    settle_leaving,
    take_back_notice,
    tick_item,
    untick_item,
)
from coop.leases.models import DepositLine, Lease
from coop.leases.offering import accept_offer, make_offer
from coop.leases.posting import post_rents
from coop.leases.pricing import Asked
from coop.leases.rules import CHECKLIST, set_rules
from coop.statements.service import freeze_statement
from tests.integration.leases.conftest import Yard

JUNE_1, LATER = date(2026, 6, 1), date(2030, 1, 1)
DECEMBER_31, NEW_YEAR = date(2026, 12, 31), date(2027, 1, 1)


def on(month: int, day: int) -> date:
    return date(2026, month, day)


def notice(yard: Yard, lease: Lease, **more: object) -> date:
    terms: dict[str, object] = {"by": "dealer", "given_on": yard.today}
    return give_notice(yard.session, yard.now, lease, **(terms | more))  # type: ignore[arg-type]


# --- notice -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("terms", "given_on", "last_day"),
    [
        (Terms(), on(11, 3), on(12, 31)),
        (Terms(notice_to_month_end=False), on(11, 3), on(12, 3)),
        (Terms(notice_to_month_end=False), on(10, 20), on(11, 19)),
        (Terms(notice_days=0, notice_to_month_end=False), on(11, 3), on(11, 3)),
        (Terms(term_ends_on=date(2027, 3, 31)), on(11, 3), date(2027, 3, 31)),
        (Terms(term_ends_on=on(10, 31)), on(11, 3), on(12, 31)),
    ],
    ids=["to a month's end", "thirty days", "given earlier", "none demanded", "a term that runs", "a term that is over"],
)
def test_the_earliest_last_day(yard: Yard, terms: Terms, given_on: date, last_day: date) -> None:
    """Thirty days to a month's end unless the lease says otherwise; never within a term. Common practice, no source."""
    lease = yard.lease("D01", "12", terms=terms)
    assert first_last_day(lease, given_on) == last_day
    assert notice(yard, lease, given_on=given_on) == last_day
    assert (lease.ends_on, lease.notice_on, lease.notice_by) == (last_day, given_on, "dealer")
    assert yard.spans(lease) == [("12", JUNE_1, last_day, 12000)]
    assert [item.what for item in list_of(yard.session, lease)] == list(CHECKLIST)
    assert state_of(lease, yard.today) == "noticed"


def test_notices_that_are_refused(yard: Yard) -> None:
    lease = yard.lease("D01", "12")
    for more, said in (
        ({"by": "landlord"}, "Notice is given by 'landlord': choose dealer or coop"),
        ({"given_on": on(11, 4)}, "The notice of Nov 4, 2026 is to come"),
        ({"last_day": on(11, 30)}, "Notice given on Nov 3, 2026 with 30 days to run, .* ends on Dec 31, 2026 at the earliest"),
        ({"last_day": date(2027, 1, 15)}, "Jan 15, 2027 is not the last day of a month: choose Jan 31, 2027"),
        ({"last_day": on(5, 1), "agreed": "both say so"}, "The lease of D01 begins on Jun 1, 2026: it cannot end before that"),
    ):
        with pytest.raises(Refusal, match=said):
            notice(yard, lease, **more)  # type: ignore[arg-type]
    assert yard.spans(lease) == [("12", JUNE_1, None, 12000)]
    add_space_to_lease(yard.session, yard.now, lease, Asked(yard.spaces["13"]), on=date(2027, 2, 1))
    with pytest.raises(Refusal, match="Booth 13 begins under this lease on Feb 1, 2027, after its last day: withdraw it first"):
        notice(yard, lease)


def test_both_may_agree_on_an_earlier_day_but_not_on_one_that_is_closed(yard: Yard) -> None:
    lease = yard.lease("D01", "12")
    period = lock_period(yard.session, ensure_period(yard.session, yard.mall.id, Month(2026, 10)).id)
    close_period(yard.session, yard.now, period)
    with pytest.raises(Refusal, match="The lease of D01 ended, its rent from Oct 16, 2026 lies in a closed month"):
        notice(yard, lease, last_day=on(10, 15), agreed="she moves away")
    assert notice(yard, lease, last_day=on(11, 10), agreed="she moves away") == on(11, 10)
    with pytest.raises(Refusal, match="A lease under notice cannot be put under notice"):
        notice(yard, lease)


def test_notice_is_taken_back_and_the_term_runs_again(yard: Yard) -> None:
    lease = yard.lease("D01", "11", "12", terms=Terms(term_ends_on=date(2027, 3, 31)))
    with pytest.raises(Refusal, match="cannot have its notice taken back"):
        take_back_notice(yard.session, yard.now, lease)
    notice(yard, lease, by="coop")
    take_back_notice(yard.session, yard.now, lease)
    assert (lease.ends_on, lease.notice_on, lease.notice_by) == (None, None, "")
    assert yard.spans(lease) == [("11", JUNE_1, None, 12000), ("12", JUNE_1, None, 12000)]
    assert (state_of(lease, yard.today), list(list_of(yard.session, lease))) == ("fixed", [])
    notice(yard, lease)
    yard.lease("D02", "12", starts_on=date(2027, 4, 1))
    with pytest.raises(Refusal, match="Booth 12 is promised to another after Mar 31, 2027: the notice cannot be taken back"):
        take_back_notice(yard.session, yard.now, lease)


def test_a_space_given_up_for_the_same_day_stays_so_when_notice_is_taken_back(yard: Yard) -> None:
    """And may be another's by then, which is no hindrance."""
    lease = yard.lease("D01", "11", "12")
    give_up_space(yard.session, yard.now, lease.spaces[1], last_day=DECEMBER_31)
    assert notice(yard, lease) == DECEMBER_31
    yard.lease("D02", "12", starts_on=NEW_YEAR)
    take_back_notice(yard.session, yard.now, lease)
    assert yard.spans(lease) == [("11", JUNE_1, None, 12000), ("12", JUNE_1, DECEMBER_31, 12000)]


def test_notice_is_not_taken_back_after_the_last_day(yard: Yard) -> None:
    lease = yard.lease("D01", "12")
    notice(yard, lease)
    yard.on(NEW_YEAR)
    with pytest.raises(Refusal, match="The last day of Booth 12, Dec 31, 2026, is past: make a new lease instead"):
        take_back_notice(yard.session, yard.now, lease)


# --- moving out ---------------------------------------------------------------------------------------------------------


def tick_all(yard: Yard, lease: Lease) -> None:
    for item in list_of(yard.session, lease):
        tick_item(yard.session, yard.now, item, by="Ruth Ambler")


def test_the_list_says_who_looked_and_when(yard: Yard) -> None:
    set_rules(yard.session, yard.mall, on(1, 1), checklist=("Swept", "Keys given back"))
    lease = yard.lease("D01", "12")
    notice(yard, lease)
    swept, keys = list_of(yard.session, lease)
    with pytest.raises(Refusal, match="Swept: write who looked at it"):
        tick_item(yard.session, yard.now, swept, by=" ")
    with pytest.raises(Refusal, match="Swept: a name has 120 letters at most, a note 200"):
        tick_item(yard.session, yard.now, swept, by="R", note="x" * 201)
    tick_item(yard.session, yard.now, swept, by="Ruth  Ambler", note="a nail left")
    tick_item(yard.session, yard.now, swept, by="Somebody Else")
    assert (swept.done_on, swept.done_by, swept.note) == (yard.today, "Ruth Ambler", "a nail left")
    untick_item(yard.session, yard.now, swept)
    assert (swept.done_on, swept.done_by, swept.note) == (None, "", "")
    assert keys.done_on is None


def test_steps_of_leaving_out_of_their_order(yard: Yard) -> None:
    lease = yard.lease("D01", "12", terms=Terms(deposit_cents=270_00))
    take_deposit(yard.session, yard.now, lease, 270_00, on=yard.today)
    with pytest.raises(
        Refusal, match="A lease by the month cannot be moved out of: it can be renewed for a term or be put under notice"
    ):
        move_out(yard.session, yard.now, lease, on=yard.today)
    with pytest.raises(Refusal, match="A lease by the month cannot be ended"):
        end_lease(yard.session, yard.now, lease, on=yard.today, final_statement_made=True)
    with pytest.raises(Refusal, match="The lease of D01 is not moved out of: enter the day it was, then settle the deposit"):
        settle_leaving(yard.session, yard.now, lease, on=yard.today)
    notice(yard, lease)
    with pytest.raises(Refusal, match="Booth 12 is moved out of on Dec 30, 2026, a day to come: enter it when it is done"):
        move_out(yard.session, yard.now, lease, on=on(12, 30))
    with pytest.raises(Refusal, match="The lease of D01 begins on Jun 1, 2026: nobody moved out on May 1, 2026"):
        move_out(yard.session, yard.now, lease, on=on(5, 1))
    move_out(yard.session, yard.now, lease, on=yard.today)
    assert state_of(lease, yard.today) == "moved_out"
    with pytest.raises(
        Refusal, match="The lease of D01 runs through Dec 31, 2026, and rent with it: settle the deposit after that day"
    ):
        settle_leaving(yard.session, yard.now, lease, on=yard.today)
    yard.on(date(2027, 1, 2))
    with pytest.raises(Refusal, match="The moving-out list of the lease of D01 is not done: Space cleared and swept, Walls"):
        settle_leaving(yard.session, yard.now, lease, on=yard.today)
    tick_all(yard, lease)
    with pytest.raises(Refusal, match="The deposit is settled on Jan 3, 2027, a day to come"):
        settle_leaving(yard.session, yard.now, lease, on=date(2027, 1, 3))
    with pytest.raises(Refusal, match="The deduction for paint is"):
        settle_leaving(yard.session, yard.now, lease, on=yard.today, damages=[Deduction("paint", 0)])
    with pytest.raises(Refusal, match="The lease of Booth 12 cannot end yet: finish the final statement and the deposit first"):
        end_lease(yard.session, yard.now, lease, on=yard.today, final_statement_made=False)
    assert end_stated_leases(yard.session, yard.now, yard.mall.id, lease.dealer_id, Month(2026, 12)) == 0
    settle_leaving(yard.session, yard.now, lease, on=yard.today)
    assert end_stated_leases(yard.session, yard.now, yard.mall.id, lease.dealer_id, Month(2026, 11)) == 0
    assert end_stated_leases(yard.session, yard.now, yard.mall.id, lease.dealer_id, Month(2026, 12)) == 0
    assert end_stated_leases(yard.session, yard.now, yard.mall.id, lease.dealer_id, Month(2027, 1)) == 1
    assert (lease.settled_on, state_of(lease, yard.today)) == (yard.today, "ended")
    for again in (
        lambda: renew_lease(yard.session, yard.now, lease, term_ends_on=LATER),
        lambda: move_out(yard.session, yard.now, lease, on=yard.today),
        lambda: notice(yard, lease),
    ):
        with pytest.raises(Refusal, match="The lease has ended: nothing more can be done with it; make a new one"):
            again()
    with pytest.raises(Refusal, match="The lease of D01 has ended: its list stays as it is"):
        untick_item(yard.session, yard.now, list_of(yard.session, lease)[0])


# --- the whole ----------------------------------------------------------------------------------------------------------


def ledger(yard: Yard) -> dict[str, int]:
    """What each account holds, in cents, debit positive; accounts of nothing left out."""
    rows = yard.session.execute(
        select(Account.path, func.sum(Posting.amount_cents))
        .join(Posting, Posting.account_id == Account.id)
        .group_by(Account.path)
    )
    return {path: int(total) for path, total in rows if total}


def _take_payment(yard: Yard, cents: int) -> None:
    account = dealer_account(yard.session, yard.mall, yard.dealer("D01"))
    post_entry(
        yard.session,
        yard.now,
        EntryDraft(
            mall_id=yard.mall.id,
            business_date=yard.today,
            kind="payment",
            source_kind="payment",
            source_id="check 118",
            purpose="payment",
            postings=((bank_account(yard.session), cents), (account, -cents)),
            memo="Check 118",
        ),
    )


def test_a_lease_from_asking_to_its_deposit_s_return(yard: Yard) -> None:
    """Hand-worked. Booth 12, 120 sq ft at $2.25 = $270.00 a month; deposit $270.00.

    November from the 16th: 15 of 30 days, $135.00. December: 60 sq ft given back on the 17th, $270 x 16/31 + $135 x 15/31 =
    139.3548 + 65.3226 = $204.68. January whole at 60 sq ft: $135.00. She pays $300.00 in January; $174.68 stay owed.
    The deposit: $174.68 owed, $20.00 for paint, $75.32 back.
    """
    session, november, december, january = yard.session, Month(2026, 11), Month(2026, 12), Month(2027, 1)
    asked = ask_for_space(session, yard.now, yard.mall, yard.member("D01"))
    offer = make_offer(session, yard.now, yard.spaces["12"], asked, starts_on=on(11, 16))
    yard.on(on(11, 5))
    lease = accept_offer(session, yard.now, offer, member_id=yard.member("D01").id)
    sign_in_portal(session, yard.now, lease, name="Ida Fenwick", member_id=yard.member("D01").id, user_id=1)
    yard.on(on(11, 16))
    take_deposit(session, yard.now, lease, lease.deposit_cents, on=yard.today)
    assert ledger(yard) == {"Assets:Bank": 270_00, "Liabilities:Deposits:MAIN:D01": -270_00}
    yard.on(on(12, 1))
    post_rents(session, yard.now, yard.mall, november)
    give_notice(session, yard.now, lease, by="dealer", given_on=on(12, 1))
    resize_space(session, yard.now, yard.held(lease), on=on(12, 17), area_sqft100=6000)
    assert yard.spans(lease) == [("12", on(11, 16), on(12, 16), 12000), ("12", on(12, 17), lease.ends_on, 6000)]
    assert lease.ends_on == on(12, 31)
    take_back_notice(session, yard.now, lease)
    assert give_notice(session, yard.now, lease, by="dealer", given_on=on(12, 1), last_day=date(2027, 1, 31)) == date(2027, 1, 31)
    yard.on(date(2027, 1, 31))
    post_rents(session, yard.now, yard.mall, december)
    post_rents(session, yard.now, yard.mall, january)
    move_out(session, yard.now, lease, on=date(2027, 1, 30))
    tick_all(yard, lease)
    assert dealer_balances_before(session, yard.mall.id, LATER)[lease.dealer_id] == -(135_00 + 204_68 + 135_00)
    _take_payment(yard, 300_00)
    yard.on(date(2027, 2, 3))
    settled = settle_leaving(session, yard.now, lease, on=yard.today, damages=[Deduction("paint", 20_00)])
    assert (settled.returned_cents, settled.owing_cents) == (75_32, 0)
    assert end_stated_leases(session, yard.now, yard.mall.id, lease.dealer_id, january) == 0
    statement = freeze_statement(session, yard.now, yard.mall, yard.dealer("D01"), Month(2027, 2))
    assert (statement.opening_cents, statement.closing_cents) == (-174_68, 0)
    assert (lease.settled_on, state_of(lease, yard.today)) == (yard.today, "ended")
    assert deposit_held(session, lease) == 0
    assert ledger(yard) == {
        "Assets:Bank": 300_00 + 174_68 + 20_00,
        "Income:Booth-rent:MAIN": -(135_00 + 204_68 + 135_00),
        "Income:Damages:MAIN": -20_00,
    }
    assert check_books(session) == []
    assert check_deposits(session) == []
    kinds = session.execute(select(DepositLine.kind, DepositLine.amount_cents).order_by(DepositLine.id)).all()
    assert [tuple(row) for row in kinds] == [("taken", 270_00), ("deducted", 174_68), ("deducted", 20_00), ("returned", 75_32)]
    post_rents(session, yard.now, yard.mall, Month(2027, 2))
    assert dealer_balances_before(session, yard.mall.id, LATER).get(lease.dealer_id, 0) == 0
