"""What comes back of a run: payments the bank returned, checks never cashed; and the proof of what was paid."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from sqlalchemy import select

from coop.books.checking import check_books
from coop.books.models import BankLine, BankMatch, Entry
from coop.books.queries import balances, dealer_balances_before
from coop.books.service import reverse_entry
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.payouts.holding import hold_reasons, lift_hold
from coop.payouts.models import PayoutPart
from coop.payouts.paying_out import check_payouts, mark_paid, mark_stale, owe_again, return_payment, stale_checks
from coop.payouts.runs import prepare_run
from tests.factories.banking import add_bank_lines
from tests.factories.payouts import NOVEMBER, OCTOBER, close_month, sell
from tests.integration.payouts.conftest import Office

PAID_ON = date(2026, 11, 10)


def _paid(office: Office) -> None:
    office.prepare()
    office.approved()
    with transaction(office.sessions) as session:
        mark_paid(session, office.now, office.run(session), on=date(2026, 11, 3))


def test_a_returned_payment_is_paid_by_the_next_run(office: Office) -> None:
    _paid(office)
    dealer_id = office.malls.dealers["D04"]
    office.now += timedelta(days=3)
    with transaction(office.sessions) as session:
        line = office.lines(session)["D04"]
        with pytest.raises(Refusal, match="Write in at most 120 characters why"):
            return_payment(session, office.now, line, on=date(2026, 11, 5), reason=" ")
        return_payment(session, office.now, line, on=date(2026, 11, 5), reason="R03, no account of that number")
        with pytest.raises(Refusal, match="came back since Nov 5, 2026 already"):
            return_payment(session, office.now, line, on=date(2026, 11, 5), reason="R03")
        memos = session.scalars(select(Entry.memo).where(Entry.kind == "returned")).all()
        assert memos == ["Payout, run 1, came back, R03"] * 2
        assert check_payouts(session) == [] == check_books(session)
        [reason] = hold_reasons(session, office.now, OCTOBER)[dealer_id]
        assert reason.words == "held by hand: the payment of run 1 came back: R03, no account of that number"
        assert prepare_run(session, office.now, OCTOBER) is None
        lift_hold(session, office.now, session.get_one(Dealer, dealer_id), user_id=office.malls.bookkeeper)
        for mall_id in (office.malls.main, office.malls.east):
            sell(session, office.now, mall_id, dealer_id, 10_00, date(2026, 11, 6), f"november/{mall_id}")
        close_month(session, office.now + timedelta(days=30), NOVEMBER)
        run = prepare_run(session, office.now + timedelta(days=30), NOVEMBER)
        assert run is not None
        assert office.lines(session, run.number)["D04"].amount_cents == 1545_55 + 20_00


def test_an_entry_that_was_reversed_by_hand_is_found_and_noted(office: Office) -> None:
    _paid(office)
    with transaction(office.sessions) as session:
        line = office.lines(session)["D02"]
        entry_id = session.scalars(select(PayoutPart.entry_id).where(PayoutPart.line_id == line.id)).one()
        assert entry_id is not None
        reverse_entry(session, office.now, entry_id, on=date(2026, 11, 3), memo="Voided")
        [fault] = check_payouts(session)
        assert "was reversed by hand, and the run does not say so" in fault
        return_payment(session, office.now, line, on=date(2026, 11, 3), reason="voided")
        assert check_payouts(session) == []


def test_a_check_that_was_never_cashed(office: Office) -> None:
    _paid(office)
    ruth = office.malls.dealers["D03"]
    with transaction(office.sessions) as session:
        line = office.lines(session)["D03"]
        assert stale_checks(session, date(2027, 5, 1)) == []
        office.now += timedelta(days=181)
        with pytest.raises(Refusal, match="Check 1042 is 179 days old on May 1, 2027: by the house rules it is stale after 180"):
            mark_stale(session, office.now, line, on=date(2027, 5, 1))
        assert [one.reference for one in stale_checks(session, date(2027, 5, 2))] == ["1041", "1042"]
        mark_stale(session, office.now, line, on=date(2027, 5, 2))
        # It stands with the mall that gave the most of it.
        stale = {one.path: one.amount_cents for one in balances(session) if "Stale" in one.path}
        assert stale == {"Liabilities:Stale-payouts:EAST": -218_76}
        with pytest.raises(Refusal, match="is stale since May 2, 2027 already"):
            return_payment(session, office.now, line, on=date(2027, 5, 2), reason="lost")
        assert check_payouts(session) == [] == check_books(session)
        owe_again(session, office.now, line, on=date(2027, 5, 3))
        with pytest.raises(Refusal, match="owed to D03 again already"):
            owe_again(session, office.now, line, on=date(2027, 5, 3))
        assert dealer_balances_before(session, office.malls.east, date(2027, 6, 1))[ruth] == 218_76
        with pytest.raises(Refusal, match="only a check goes stale"):
            mark_stale(session, office.now, office.lines(session)["D04"], on=date(2027, 5, 2))


def test_a_check_that_the_bank_has_paid_is_not_stale(office: Office) -> None:
    _paid(office)
    office.now += timedelta(days=181)
    with transaction(office.sessions) as session:
        line = office.lines(session)["D02"]
        add_bank_lines(session, office.now)
        cashed = BankMatch(
            line_id=session.scalars(select(BankLine.id).limit(1)).one(),
            entry_id=line.parts[0].entry_id,
            amount_cents=-640_10,
            how="hand",
            made_at=office.now,
        )
        session.add(cashed)
        session.flush()
        assert [one.reference for one in stale_checks(session, date(2027, 5, 2))] == ["1042"]
        with pytest.raises(Refusal, match="Check 1041 was cashed: a line of the bank is matched with it"):
            mark_stale(session, office.now, line, on=date(2027, 5, 2))
        cashed.undone_at = office.now
        session.flush()
        assert [one.reference for one in stale_checks(session, date(2027, 5, 2))] == ["1041", "1042"]
        mark_stale(session, office.now, line, on=date(2027, 5, 2))


def test_the_proof_finds_what_was_tampered_with(office: Office) -> None:
    office.prepare()
    with transaction(office.sessions) as session:
        line = office.lines(session)["D02"]
        session.add(PayoutPart(line_id=line.id, mall_id=office.malls.east, amount_cents=1))
        session.flush()
        assert check_payouts(session) == ["Run 1 pays D02 $640.10; its parts are $640.11."]
        session.rollback()
