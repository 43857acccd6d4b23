"""A run from its preparing to the bank: who is paid what, two people, the file, what posts."""

from __future__ import annotations

from datetime import date, timedelta

import achkit
import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError

from coop.books.checking import check_books
from coop.books.models import Entry, MoneyRule
from coop.books.payments import receive_payment
from coop.books.queries import balances, dealer_balances_before
from coop.books.service import pay_dealer
from coop.core.db import transaction
from coop.core.documents import Document
from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.dealers.paying import Paying, set_detail
from coop.floor.models import Mall
from coop.leases.models import Charge, Dispute
from coop.leases.posting import post_rents
from coop.leases.settling import arrears_of_dealer, close_dispute, open_dispute
from coop.payouts.bank_file import files_fault, make_files_again, set_origin, taken_bank_file
from coop.payouts.holding import decide_hold, hold_reasons, is_held, lift_hold, place_hold, undecided
from coop.payouts.models import HoldDecision, PayoutRun
from coop.payouts.paying_out import check_payouts, mark_paid
from coop.payouts.queries import last_check, payables
from coop.payouts.runs import approve_run, cancel_run, changed_since, prepare_run
from tests.factories.payouts import NOVEMBER, OCTOBER, close_month, sell
from tests.integration.leases.test_two_at_once import race
from tests.integration.payouts.conftest import Office

PAID_ON = date(2026, 11, 10)


def test_who_is_paid_what_and_why_not(office: Office) -> None:
    with transaction(office.sessions) as session:
        ids = {dealer_id: code for code, dealer_id in office.malls.dealers.items()}
        held = hold_reasons(session, office.now, OCTOBER)
        assert {ids[dealer]: [one.kind for one in each] for dealer, each in held.items()} == {
            "D01": ["arrears"],
            "D05": ["minimum"],
        }
        assert held[office.malls.dealers["D01"]][0].words == "owed since before the end of October 2026: $270.00 at EAST"
        main, east = session.get_one(Mall, office.malls.main), session.get_one(Mall, office.malls.east)
        asked = ["D01: owed since before the end of October 2026: $270.00 at EAST. Decide whether the payout goes out."]
        assert undecided(session, office.now, main, OCTOBER) == asked == undecided(session, office.now, east, OCTOBER)
    office.prepare()
    with transaction(office.sessions) as session:
        lines = office.lines(session)
        assert {code: (line.amount_cents, line.method) for code, line in lines.items()} == {
            "D02": (640_10, "check"),
            "D03": (218_76, "check"),
            "D04": (1545_55, "ach"),
        }
        assert office.run(session).pay_on == PAID_ON
        # Prepared again, it is the same run.
        assert prepare_run(session, office.now, OCTOBER) is office.run(session)


def test_what_she_owes_at_one_mall_is_netted_once_somebody_else_decided_that_she_is_paid(office: Office) -> None:
    with transaction(office.sessions) as session:
        ida = session.get_one(Dealer, office.malls.dealers["D01"])
        with pytest.raises(Refusal, match="You cannot decide on your own payout"):
            decide_hold(
                session, office.now, OCTOBER, ida, kind="arrears", pays=True, reason="I am good.", user_id=office.malls.manager
            )
        office.pay_d01(session)
        assert undecided(session, office.now, session.get_one(Mall, office.malls.main), OCTOBER) == []
        with pytest.raises(Refusal, match="D01 is not held for that in October 2026: what holds is arrears"):
            decide_hold(session, office.now, OCTOBER, ida, kind="dispute", pays=True, reason="None.", user_id=1)
    office.prepare()
    with transaction(office.sessions) as session:
        parts = {part.mall_id: part.amount_cents for part in office.lines(session)["D01"].parts}
        assert parts == {office.malls.main: 812_40, office.malls.east: -270_00}
    office.approved()
    with transaction(office.sessions) as session:
        # D01 two parts, D02 one, D03 and D04 two each.
        office.now += timedelta(days=7)
        assert mark_paid(session, office.now, office.run(session), on=PAID_ON, user_id=office.malls.bookkeeper) == 7
    with transaction(office.sessions) as session:
        assert mark_paid(session, office.now, office.run(session), on=PAID_ON) == 0
        bank = next(one.amount_cents for one in balances(session) if one.path == "Assets:Bank")
        assert bank == -(542_40 + 640_10 + 218_76 + 1545_55)
        for mall_id in (office.malls.main, office.malls.east):
            left = {
                dealer: cents for dealer, cents in dealer_balances_before(session, mall_id, date(2026, 12, 1)).items() if cents
            }
            assert left == ({office.malls.dealers["D05"]: 9_99} if mall_id == office.malls.main else {})
        # What one mall gave for the other has settled the rent there.
        assert arrears_of_dealer(session, office.malls.east, office.malls.dealers["D01"], PAID_ON).open_cents == 0
        memos = session.scalars(select(Entry.memo).where(Entry.kind == "payout").order_by(Entry.id)).all()
        assert memos[:3] == [
            "Payout, run 1, bank transfer",
            "Payout, run 1, bank transfer: what was owed here, taken off it",
            "Payout, run 1, check 1041",
        ]
        assert check_payouts(session) == [] == check_books(session)
        assert prepare_run(session, office.now, OCTOBER) is None
        with pytest.raises(Refusal, match="Run 1 was paid on Nov 10, 2026"):
            mark_paid(session, office.now, office.run(session), on=date(2026, 11, 9))


def test_the_file_and_the_papers(office: Office) -> None:
    with transaction(office.sessions) as session:
        office.pay_d01(session)
    office.prepare()
    with transaction(office.sessions) as session:
        assert last_check(session) is None
    office.approved()
    with transaction(office.sessions) as session:
        run = office.run(session)
        name, content = taken_bank_file(session, office.now, run, office.keys, user_id=office.malls.bookkeeper)
        assert name == "payouts-run-1.ach"
        text = content.decode("ascii")
        # Another program reads it and finds nothing wrong (PyPI achkit 0.2, run offline).
        assert achkit.validate(text)["errors"] == []
        batches = achkit.parse(text)["batches"]
        found = [(b["sec"], b["effective_date"], e["account"].strip(), e["amount_cents"]) for b in batches for e in b["entries"]]
        assert found == [("PPD", "261110", "000123456789", 542_40), ("CCD", "261110", "55500041", 1545_55)]
        lines = office.lines(session)
        references = {code: line.reference for code, line in lines.items()}
        assert references == {"D01": "111000020000001", "D02": "1041", "D03": "1042", "D04": "111000020000002"}
        assert (run.first_check, last_check(session)) == (1041, 1042)
        # What is kept has no whole account number, and nothing else is in its place.
        kept = session.get_one(Document, run.ach_document_id).content.decode("ascii")
        assert "********6789" in kept
        assert "****0041" in kept
        assert kept == text.replace("000123456789", "********6789").replace("55500041", "****0041")
        session.get_one(Dealer, office.malls.dealers["D01"]).member.name = "Ida Fenwick Moss"
        session.flush()
        with pytest.raises(Refusal, match="does not come out as it was made"):
            taken_bank_file(session, office.now, run, office.keys)
        pages = session.get_one(Document, run.remittance_document_id)
        assert pages.content.startswith(b"%PDF")
        assert files_fault(session, run) == ""
        with pytest.raises(Refusal, match="The files of run 1 are made"):
            make_files_again(session, office.now, run)


def test_a_balanced_file_has_the_debit_of_the_co_ops_account(office: Office) -> None:
    terms = {"bank_routing": "111000025", "bank_name": "Savings", "company_id": "1911144442", "company_name": "Lantern Yard"}
    with transaction(office.sessions) as session:
        with pytest.raises(Refusal, match="write the number of the co-op's own account"):
            set_origin(session, office.now, office.keys, **terms, balanced=True)
        with pytest.raises(Refusal, match="a digit of the routing number is wrong"):
            set_origin(session, office.now, office.keys, **{**terms, "bank_routing": "111000026"}, balanced=False)
        set_origin(session, office.now, office.keys, **terms, balanced=True, account="70007")
        kept = set_origin(session, office.now, office.keys, **terms, balanced=True)
        assert (kept.account_last4, office.keys.open(kept.account_sealed)) == ("0007", "70007")
    office.prepare()
    office.approved()
    with transaction(office.sessions) as session:
        text = taken_bank_file(session, office.now, office.run(session), office.keys)[1].decode("ascii")
        [batch] = achkit.parse(text)["batches"]
        assert [(e["account"].strip(), e["amount_cents"]) for e in batch["entries"]] == [
            ("55500041", 1545_55),
            ("70007", 1545_55),
        ]
        assert achkit.validate(text)["errors"] == []


def test_whoever_prepared_it_does_not_approve_it(office: Office) -> None:
    office.prepare()
    with transaction(office.sessions) as session:
        run = office.run(session)
        with pytest.raises(Refusal, match="You entered the payout run 1 yourself"):
            approve_run(session, office.now, run, user_id=office.malls.bookkeeper, first_check=1)
        with pytest.raises(Refusal, match="Say who approves"):
            approve_run(session, office.now, run, user_id=None, first_check=1)
        with pytest.raises(Refusal, match="only an approved run is paid"):
            mark_paid(session, office.now, run, on=date(2026, 11, 3))
        with pytest.raises(Refusal, match="write the number of the first one"):
            approve_run(session, office.now, run, user_id=office.malls.second)
    with office.sessions() as session, pytest.raises(IntegrityError, match="second_person"):
        session.execute(
            PayoutRun.__table__.update().values(approved_by=office.malls.bookkeeper, approved_at=office.now, state="approved")
        )


def test_nobody_alone_approves_her_own_payout_that_the_month_end_prepared(office: Office) -> None:
    with transaction(office.sessions) as session:
        office.pay_d01(session)
        run = prepare_run(session, office.now, OCTOBER)
        assert run is not None
        with pytest.raises(Refusal, match="You are paid by the payout run 1 yourself"):
            approve_run(session, office.now, run, user_id=office.malls.manager, first_check=1)
        approve_run(session, office.now, run, user_id=office.malls.second, first_check=1)


def test_whoever_entered_bank_details_does_not_approve_the_first_payment_to_them(office: Office) -> None:
    dealer_id = office.malls.dealers["D04"]
    with transaction(office.sessions) as session:
        way = Paying("ach", "business", "111000025", "999000999", "checking")
        dealer, earlier = session.get_one(Dealer, dealer_id), office.now - timedelta(days=9)
        set_detail(session, earlier, office.keys, dealer, way, mail_domain="a.b", user_id=office.malls.second)
    office.prepare()
    with transaction(office.sessions) as session:
        run = office.run(session)
        with pytest.raises(Refusal, match="You entered the bank details of D04 yourself"):
            approve_run(session, office.now, run, user_id=office.malls.second, first_check=1)
        approve_run(session, office.now, run, user_id=office.malls.manager, first_check=1)
    office.work()
    with transaction(office.sessions) as session:
        with pytest.raises(Refusal, match="Nobody has taken the bank file of run 1"):
            mark_paid(session, office.now, office.run(session), on=date(2026, 11, 3))
        mark_paid(session, office.now, office.run(session), on=date(2026, 11, 3), sent_otherwise=True)
        for mall_id in (office.malls.main, office.malls.east):
            sell(session, office.now, mall_id, dealer_id, 10_00, date(2026, 11, 6), f"november/{mall_id}")
        close_month(session, office.now + timedelta(days=30), NOVEMBER)
        later = office.now + timedelta(days=30)
        run = prepare_run(session, later, NOVEMBER, user_id=office.malls.bookkeeper)
        assert run is not None
        # Money has reached the account by now.
        approve_run(session, later, run, user_id=office.malls.second, first_check=2000)


def test_two_approve_at_once(office: Office) -> None:
    office.prepare()

    def approve(user_id: int):  # type: ignore[no-untyped-def]
        return lambda session: approve_run(session, office.now, office.run(session), user_id=user_id, first_check=1041)

    said = race(office.sessions, approve(office.malls.manager), approve(office.malls.second))
    assert said == ["", "Run 1 is approved already."]


def test_two_prepare_and_two_pay_at_once(office: Office) -> None:
    def prepare(session):  # type: ignore[no-untyped-def]
        prepare_run(session, office.now, OCTOBER, user_id=office.malls.bookkeeper)

    assert race(office.sessions, prepare, prepare) == ["", ""]
    office.approved()

    def pay(session):  # type: ignore[no-untyped-def]
        mark_paid(session, office.now, office.run(session), on=date(2026, 11, 3))

    assert race(office.sessions, pay, pay) == ["", ""]
    with transaction(office.sessions) as session:
        assert session.scalar(select(func.count(PayoutRun.id))) == 1
        assert session.scalar(select(func.count(Entry.id)).where(Entry.kind == "payout")) == 5
        assert check_payouts(session) == []


def test_cut_between_posting_and_its_end_nothing_is_posted_and_again_it_is_once(office: Office) -> None:
    office.prepare()
    office.approved()
    with office.sessions() as session:
        assert mark_paid(session, office.now, office.run(session), on=date(2026, 11, 3)) == 5
        session.rollback()
    with transaction(office.sessions) as session:
        assert session.scalar(select(func.count(Entry.id)).where(Entry.kind == "payout")) == 0
        assert office.run(session).state == "approved"
        assert mark_paid(session, office.now, office.run(session), on=date(2026, 11, 3)) == 5
        assert check_payouts(session) == []


def test_a_mall_that_is_open_keeps_the_run_back(office: Office) -> None:
    with transaction(office.sessions) as session:
        sell(session, office.now, office.malls.main, office.malls.dealers["D02"], 5_00, date(2026, 11, 2), "november/1")
        assert prepare_run(session, office.now, NOVEMBER) is None


def test_what_is_not_as_it_was_is_not_approved(office: Office) -> None:
    office.prepare()
    with transaction(office.sessions) as session:
        main = session.get_one(Mall, office.malls.main)
        amos, ruth = (session.get_one(Dealer, office.malls.dealers[code]) for code in ("D02", "D03"))
        pay_dealer(session, office.now, main, amos, amount_cents=100_00, on=date(2026, 11, 3), reference="by hand 1")
        place_hold(session, office.now, ruth, "she asked to wait")
        set_detail(
            session,
            office.now,
            office.keys,
            session.get_one(Dealer, office.malls.dealers["D04"]),
            Paying("check"),
            mail_domain="a.b",
        )
        run = office.run(session)
        assert changed_since(session, office.now, run) == [
            "D02 is owed $540.10 by now, less than $640.10.",
            "D03 is held by now: held by hand: she asked to wait.",
            "D04 is paid in another way by now.",
        ]
        with pytest.raises(Refusal, match="Cancel run 1 and prepare it again"):
            approve_run(session, office.now, run, user_id=office.malls.second, first_check=1)
        cancel_run(session, office.now, run, user_id=office.malls.bookkeeper)
        with pytest.raises(Refusal, match="Run 1 is cancelled already"):
            cancel_run(session, office.now, run)
        again = prepare_run(session, office.now, OCTOBER)
        assert again is not None
        assert again.number == 2
        assert {code: line.amount_cents for code, line in office.lines(session, 2).items()} == {"D02": 540_10, "D04": 1545_55}


def test_what_is_on_its_way_is_not_given_again(office: Office) -> None:
    office.prepare()
    office.approved()
    with transaction(office.sessions) as session:
        sell(session, office.now, office.malls.main, office.malls.dealers["D02"], 50_00, date(2026, 11, 2), "november/1")
        sell(session, office.now, office.malls.east, office.malls.dealers["D03"], 20_00, date(2026, 11, 2), "november/2")
        close_month(session, office.now + timedelta(days=30), NOVEMBER)
        owed = payables(session, NOVEMBER)
        assert {dealer: one.amount_cents for dealer, one in owed.items()} == {
            office.malls.dealers["D01"]: 542_40,
            office.malls.dealers["D02"]: 50_00,
            office.malls.dealers["D03"]: 20_00,
            office.malls.dealers["D05"]: 9_99,
        }
    with transaction(office.sessions) as session:
        cancel_run(session, office.now, office.run(session))
        assert payables(session, NOVEMBER)[office.malls.dealers["D02"]].amount_cents == 690_10


def test_next_months_rent_is_netted_where_the_house_says_so_and_once(office: Office) -> None:
    with transaction(office.sessions) as session:
        assert payables(session, OCTOBER)[office.malls.dealers["D01"]].amount_cents == 542_40
        session.scalars(select(MoneyRule)).one().next_rent = "netted"
        session.flush()
        assert payables(session, OCTOBER)[office.malls.dealers["D01"]].amount_cents == 272_40


def test_what_is_in_dispute_waits_for_a_word_and_a_later_dispute_for_another(office: Office) -> None:
    dealer_id = office.malls.dealers["D01"]
    with transaction(office.sessions) as session:
        ida = session.get_one(Dealer, dealer_id)
        charge = session.scalars(select(Charge)).one()
        open_dispute(session, charge, on=date(2026, 10, 30), reason="The booth was closed.")
        reasons = {one.kind: one for one in hold_reasons(session, office.now, OCTOBER)[dealer_id]}
        # What is in dispute is not in arrears.
        assert {kind: one.words for kind, one in reasons.items()} == {"dispute": "in dispute: Booth 12, October 2026"}
        main = session.get_one(Mall, office.malls.main)
        assert undecided(session, office.now, main, OCTOBER) == [
            "D01: in dispute: Booth 12, October 2026. Decide whether the payout goes out."
        ]
        words = {"kind": "dispute", "reason": "It is small.", "user_id": office.malls.bookkeeper}
        decide_hold(session, office.now, OCTOBER, ida, pays=False, **words)  # type: ignore[arg-type]
        assert undecided(session, office.now, main, OCTOBER) == []
        assert is_held(hold_reasons(session, office.now, OCTOBER)[dealer_id])
        decide_hold(session, office.now, OCTOBER, ida, pays=True, **words)  # type: ignore[arg-type]
        assert not is_held(hold_reasons(session, office.now, OCTOBER)[dealer_id])
        # A word on one month says nothing of the next.
        assert is_held(hold_reasons(session, office.now, NOVEMBER)[dealer_id])
        close_dispute(session, session.scalars(select(Dispute)).one(), on=date(2026, 11, 3), outcome="It stands.")
        open_dispute(session, charge, on=date(2026, 11, 4), reason="Once more.")
        later = office.now + timedelta(days=2)
        assert [one.pays for one in hold_reasons(session, later, OCTOBER)[dealer_id]] == [None]


def test_a_payment_since_settles_what_she_owed_and_the_months_rent_is_no_arrears(office: Office) -> None:
    dealer_id = office.malls.dealers["D01"]
    with transaction(office.sessions) as session:
        east = session.get_one(Mall, office.malls.east)
        post_rents(session, office.now, east, NOVEMBER)
        [reason] = hold_reasons(session, office.now, OCTOBER)[dealer_id]
        assert reason.words == "owed since before the end of October 2026: $270.00 at EAST"
        ida = session.get_one(Dealer, dealer_id)
        how = {"amount_cents": 270_00, "paid_by": "check", "on": date(2026, 11, 2), "reference": "211"}
        receive_payment(session, office.now, east, ida, **how)  # type: ignore[arg-type]
        assert dealer_id not in hold_reasons(session, office.now, OCTOBER)
        owed = payables(session, OCTOBER)[dealer_id]
        assert [(part.mall_id, part.amount_cents) for part in owed.parts] == [(office.malls.main, 812_40)]


# --- bank details ---------------------------------------------------------------------------------------------------------


def test_bank_details_changed_yesterday_wait(office: Office) -> None:
    dealer_id = office.malls.dealers["D04"]
    yesterday = office.now - timedelta(days=1)
    with transaction(office.sessions) as session:
        dealer = session.get_one(Dealer, dealer_id)
        way = Paying("ach", "business", "111000025", "999000999", "checking")
        set_detail(session, yesterday, office.keys, dealer, way, mail_domain="a.b", user_id=office.malls.bookkeeper)
        [reason] = hold_reasons(session, office.now, OCTOBER, dealer_id=dealer_id)[dealer_id]
        assert (reason.kind, reason.words) == ("new bank details", "the bank details are new and wait until Nov 9, 2026")
        said = {"kind": "new bank details", "pays": True, "reason": "I called her."}
        for user_id in (office.malls.bookkeeper, None):
            with pytest.raises(Refusal, match="somebody else than who entered them"):
                decide_hold(session, office.now, OCTOBER, dealer, **said, user_id=user_id)  # type: ignore[arg-type]
        decide_hold(session, office.now, OCTOBER, dealer, **said, user_id=office.malls.second)  # type: ignore[arg-type]
        assert not is_held(hold_reasons(session, office.now, OCTOBER)[dealer_id])
        # Changed once more, what was decided of those before says nothing.
        later = office.now + timedelta(minutes=1)
        way = Paying("ach", "business", "111000025", "111222333", "checking")
        set_detail(session, later, office.keys, dealer, way, mail_domain="a.b")
        assert is_held(hold_reasons(session, later, OCTOBER)[dealer_id])
        # The wait over, nothing holds.
        assert dealer_id not in hold_reasons(session, later + timedelta(days=7), OCTOBER)


def test_a_tax_form_is_asked_for_where_the_house_wants_it(office: Office) -> None:
    with transaction(office.sessions) as session:
        session.scalars(select(MoneyRule)).one().tax_form_needed = True
        session.flush()
        kinds = [one.kind for one in hold_reasons(session, office.now, OCTOBER)[office.malls.dealers["D02"]]]
        assert kinds == ["tax form"]
        assert undecided(session, office.now, session.get_one(Mall, office.malls.main), OCTOBER)[1:] == []


def test_a_hold_by_hand_stands_until_somebody_else_lifts_it(office: Office) -> None:
    with transaction(office.sessions) as session:
        ida = session.get_one(Dealer, office.malls.dealers["D01"])
        place_hold(session, office.now, ida, "a buyer complains", user_id=office.malls.manager)
        with pytest.raises(Refusal, match="held by hand already"):
            place_hold(session, office.now, ida, "again")
        with pytest.raises(Refusal, match="You cannot decide on your own payout"):
            lift_hold(session, office.now, ida, user_id=office.malls.manager)
        lift_hold(session, office.now, ida, user_id=office.malls.bookkeeper)
        with pytest.raises(Refusal, match="are not held by hand"):
            lift_hold(session, office.now, ida)
        assert session.scalar(select(func.count(HoldDecision.id))) == 0
