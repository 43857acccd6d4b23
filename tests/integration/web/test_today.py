"""Today: each thing that waits appears and vanishes, what the malls sold beside other days, and work that failed."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from html import unescape
from typing import Any

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from coop.books.domain.hand import HandLine
from coop.books.journal import enter_journal
from coop.books.models import BankFile, BankLine, BankMatch, Entry, Journal, MoneyRule, Opening, Period
from coop.books.rules import NO_RULES, set_rules
from coop.closing.models import CloseStep, MonthClose
from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.core.jobs import KINDS, Job, name_job
from coop.core.mail import Outbox
from coop.dealers.models import Dealer, WebSession
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.leases import rules as lease_rules
from coop.leases.models import Dispute, Lease, LeaseRule, Offer
from coop.office.failed_work import WORDS
from coop.office.waiting_counts import SHOWN_ELSEWHERE
from coop.payouts.models import Patronage, PayoutRun, Release
from coop.sales.claims import ask_claim
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.drawers import count_drawer, drawers_of, put_float
from coop.sales.models import Claim, LayawayAgreement, TicketLine
from coop.sales.service import take_tickets
from coop.statements.models import Statement, StatementQuestion
from coop.tax.models import TaxPlace, TaxReturn, TaxSetting
from tests.factories.tax import setting
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_office import count_queries

HALL = "Lantern Yard Antiques Hall"
"""What the house's mall is called."""


def told(web: Web, who: str = "manager") -> dict[str, str]:
    """What needs a decision: words -> by when, with a mark where that is past."""
    page = web.browser(who).get("/office/").text
    section = page.partition('id="waiting"')[2].partition("</section>")[0]
    rows = re.findall(r'<th scope="row"><a href="([^"]+)">([^<]+)</a></th>\s*<td class="date">(.*?)</td>', section, re.S)
    return {unescape(words): re.sub(r"<[^>]+>", "", by).strip() for _address, words, by in rows}


def led(web: Web, words: str) -> str:
    """Where something that waits leads."""
    page = web.browser("manager").get("/office/").text
    found = re.search(rf'<a href="([^"]+)">{re.escape(words)}</a>', page)
    assert found, f"{words} is not told of"
    return unescape(found[1])


def change(web: Web, *what: Any) -> None:
    with transaction(web.sessions) as session:
        for one in what:
            session.execute(one)


def put_on(web: Web, at: datetime) -> None:
    """Put the clock on, with sign-ins as good as they were."""
    web.clock.at = at
    change(web, update(WebSession).values(created_at=at, seen_at=at, expires_at=at + timedelta(days=7)))


def sell(web: Web, on: date, cents: int, *, mall_id: int | None = None, dealer: str | None = "D01") -> None:
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, mall_id or web.house.mall.id)
        whose = session.scalars(select(Dealer.id).where(Dealer.code == dealer)).one() if dealer else None
        line = LineIn(1, whose, "", "Thimble", 1, Decimal(cents) / 100, cents)
        sold_at = datetime(on.year, on.month, on.day, 18, tzinfo=UTC)
        key = f"sold:{mall.code}:{on}:{cents}"
        take_tickets(
            session,
            web.clock.at,
            mall,
            [TicketIn(key, key, "desk-1", "sale", sold_at, (line,), (TenderIn("cash"),), taxed=False)],
        )


def test_what_waits_of_the_whole_coop_appears_and_vanishes(web: Web) -> None:
    """Of each kind the house has something or it is made; then it is decided, and is told no more."""
    leads = {
        f"1 claim of {HALL} to decide": "/office/sales/MAIN/unclaimed",
        "1 entry by hand to approve": "/office/books/by-hand",
        "1 file of balances from paper to sign": "/office/beginning/",
        "1 payout run approved, to pay": "/office/payouts/",
        "2 releases to approve": "/office/payouts/releases/",
        "2 sharings of a surplus to approve": "/office/payouts/patronage",
        f"1 disputed charge of {HALL} to decide": "/office/leases/MAIN#late",
        "1 question to answer": "/office/letters/questions/",
        "1 letter refused": "/office/letters?state=failed",
    }
    there = told(web)
    assert there == told(web, "bookkeeper") == told(web, "auditor")
    for words, address in leads.items():
        assert words in there
        assert led(web, words) == address
    assert there["1 payout run approved, to pay"] == "Nov 10, 2026"
    at = {"decided_at": web.clock.at}
    change(
        web,
        update(Claim).values(state="refused", **at),
        update(Journal).values(state="refused", **at),
        update(Opening).values(state="dropped"),
        update(PayoutRun).values(state="cancelled"),
        update(Release).values(state="refused"),
        update(Patronage).values(state="dropped"),
        update(Dispute).values(closed_on=date(2026, 11, 3)),
        update(StatementQuestion).values(answered_at=web.clock.at, answer="It was not.", answered_by=web.house.users["manager"]),
    )
    send(web.browser("manager"), f"/office/letters/{web.house.failed_mail}/resend")
    assert not leads.keys() & told(web).keys()


def _letters_that_came_to_nothing_are_told_for_a_month(web: Web) -> None:
    """A letter that was sent again is not told of: its newest copy is."""
    change(web, update(Outbox).where(Outbox.id == web.house.failed_mail).values(state="given_up"))
    assert "1 letter given up" in told(web)
    assert led(web, "1 letter given up") == "/office/letters?state=given_up"
    send(web.browser("manager"), f"/office/letters/{web.house.failed_mail}/resend")
    assert "1 letter given up" not in told(web)
    change(web, update(Outbox).where(Outbox.resend_of_id == web.house.failed_mail).values(state="failed"))
    assert "1 letter refused" in told(web)
    put_on(web, web.clock.at + timedelta(days=31))
    assert "1 letter refused" not in told(web)


def _a_run_that_is_prepared_is_told_with_its_day_and_marked_when_that_is_past(web: Web) -> None:
    run = {"number": 7, "first_day": date(2026, 10, 1), "made_at": web.clock.at, "state": "prepared"}
    with transaction(web.sessions) as session:
        session.add(PayoutRun(pay_on=date(2026, 11, 2), **run))
    assert told(web)["1 payout run to approve"] == "✻Nov 2, 2026, which is past"
    assert next(iter(told(web))) in (f"1 drawer of {HALL} to count, October 2026", "1 payout run to approve")
    change(web, update(PayoutRun).where(PayoutRun.number == 7).values(state="cancelled"))
    assert "1 payout run to approve" not in told(web)


def _unclaimed_sales_are_told_once_they_are_older_than_the_house_rule(web: Web) -> None:
    """The house's two were sold on October 21, thirteen days ago."""
    words = f"2 unclaimed sales of {HALL} older than the house allows, to settle"
    for days, is_told in ((60, False), (12, True), (13, False)):
        with transaction(web.sessions) as session:
            rules = {name: getattr(NO_RULES, name) for name in NO_RULES.__dataclass_fields__} | {"unclaimed_days": days}
            set_rules(session, web.clock.at, type(NO_RULES)(**rules), starts_on=date(2026, 10, 1))
            assert session.scalars(select(MoneyRule.unclaimed_days)).one() == days
        assert (words in told(web)) is is_told, days


def _an_offer_is_told_in_its_last_three_days(web: Web) -> None:
    """It is November 3 at the mall."""
    for answer_by, by in ((date(2026, 11, 7), None), (date(2026, 11, 6), "Nov 6, 2026"), (date(2026, 11, 3), "Nov 3, 2026")):
        change(web, update(Offer).values(answer_by=answer_by))
        assert told(web).get(f"1 offer of {HALL} running out") == by
    change(web, update(Offer).values(state="declined"))
    assert f"1 offer of {HALL} running out" not in told(web)


def _a_fixed_term_is_told_when_its_malls_rule_asks_for_its_renewal(web: Web) -> None:
    words = f"1 lease of {HALL} ending without renewal"
    change(web, update(Lease).where(Lease.id == 1).values(term_ends_on=date(2027, 1, 2)))
    assert told(web)[words] == "Jan 2, 2027"
    with transaction(web.sessions) as session:
        lease_rules.set_rules(session, session.get_one(Mall, web.house.mall.id), date(2026, 11, 1), renewal_days=59)
    assert words not in told(web)
    change(web, update(LeaseRule).where(LeaseRule.starts_on == date(2026, 11, 1)).values(renewal_days=60))
    assert words in told(web)
    for over in ({"ends_on": date(2027, 1, 2)}, {"ends_on": None, "term_ends_on": date(2026, 11, 2)}):
        change(web, update(Lease).where(Lease.id == 1).values(**over))
        assert words not in told(web)


def _a_lease_that_ends_is_told_a_week_before_until_its_dealer_has_moved_out(web: Web) -> None:
    """It is November 3 at the mall."""
    words = f"1 lease of {HALL} ending: go through the move-out"
    for ends_on, by in (
        (date(2026, 11, 11), None),
        (date(2026, 11, 10), "Nov 10, 2026"),
        (date(2026, 11, 2), "✻Nov 2, 2026, which is past"),
    ):
        change(web, update(Lease).where(Lease.id == 1).values(ends_on=ends_on, term_ends_on=None))
        assert told(web).get(words) == by
    change(web, update(Lease).where(Lease.id == 1).values(moved_out_on=date(2026, 11, 2)))
    assert words not in told(web)


def _a_layaway_is_told_once_its_day_is_past(web: Web) -> None:
    words = f"1 layaway of {HALL} overdue"
    with transaction(web.sessions) as session:
        due = session.scalars(select(LayawayAgreement.due_on)).one()
    put_on(web, datetime(due.year, due.month, due.day, 18, tzinfo=UTC))
    assert words not in told(web)
    put_on(web, web.clock.at + timedelta(days=1))
    assert told(web)[words].startswith("✻")
    assert send(web.browser("manager"), "/office/layaways/MAIN/1/cancel").status_code == 303
    assert words not in told(web)


def _a_drawer_is_told_from_the_day_after_cash_moved_until_it_is_counted(web: Web) -> None:
    running, over = f"1 drawer of {HALL} to count, November 2026", f"1 drawer of {HALL} to count, September 2026"
    september = date(2026, 9, 7)

    def count(drawer: str, on: date) -> None:
        with transaction(web.sessions) as session:
            mall = session.get_one(Mall, web.house.mall.id)
            there = next(one.balance_cents for one in drawers_of(session, mall, on) if one.name == drawer)
            count_drawer(session, web.clock.at, mall, key=f"{drawer} {on}", drawer=drawer, on=on, counted_cents=there)

    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        for key, drawer, on in (("f", "fair", september), ("g", "front", date(2026, 11, 3))):
            put_float(session, web.clock.at, mall, key=key, drawer=drawer, amount_cents=80_00, on=on)
    # Cash moved in the mall's own drawer yesterday, and today: it is counted for yesterday, and tonight again.
    assert running in told(web)
    count("", date(2026, 11, 2))
    there = told(web)
    assert there[over] == "✻Sep 30, 2026, which is past"
    assert led(web, over) == "/office/sales/drawers/MAIN?month=2026-09"
    assert running not in there
    count("fair", september)
    assert over not in told(web)
    # The next day the drawer in front is to be counted for the day before, by the end of its month.
    put_on(web, web.clock.at + timedelta(days=1))
    count("", date(2026, 11, 4))
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        put_float(session, web.clock.at, mall, key="h", drawer="front", amount_cents=20_00, on=date(2026, 11, 4))
    assert told(web)[running] == "Nov 30, 2026"
    count("front", date(2026, 11, 3))
    assert running not in told(web)


def _a_drawer_is_told_again_when_cash_of_a_day_that_was_counted_comes_later(web: Web) -> None:
    words = f"1 drawer of {HALL} to count, November 2026"
    assert words not in told(web)
    web.clock.at += timedelta(minutes=1)
    sell(web, date(2026, 11, 2), 7_00)
    assert words in told(web)


def _a_line_of_the_bank_is_told_once_its_month_is_closed_until_it_is_matched(web: Web) -> None:
    words = "1 line of the bank not matched in July 2026, which is closed"
    with transaction(web.sessions) as session:
        days = {"first_day": date(2026, 7, 1), "last_day": date(2026, 7, 31)}
        file = BankFile(
            kind="csv", file_name="july.csv", file_sha256="7" * 64, lines=1, lines_here=0, read_at=web.clock.at, **days
        )
        session.add(file)
        session.flush()
        line = BankLine(file_id=file.id, key="july", on=date(2026, 7, 9), amount_cents=5_00)
        session.add(line)
        session.flush()
        line_id, entry_id = line.id, session.scalars(select(Entry.id).order_by(Entry.id).limit(1)).one()
    assert words not in told(web)
    with transaction(web.sessions) as session:
        july = Period(mall_id=None, **days)
        session.add(july)
        session.flush()
        july.state, july.closed_at = "closed", web.clock.at
    assert words in told(web)
    assert led(web, words) == "/office/bank/months/2026-07"
    matched = {"line_id": line_id, "entry_id": entry_id, "how": "hand", "made_at": web.clock.at}
    for cents, is_told in ((4_00, True), (1_00, False)):
        with transaction(web.sessions) as session:
            session.add(BankMatch(amount_cents=cents, **matched))
        assert (words in told(web)) is is_told


def _a_month_end_that_stopped_is_told_until_it_goes_on(web: Web) -> None:
    words = f"Month-end of October 2026, {HALL}: stopped"
    assert words not in told(web)
    change(web, update(Job).values(state="done"))
    assert told(web)[words] == "Nov 10, 2026"
    assert led(web, words) == "/office/months/MAIN/2026-10"
    change(web, update(Job).values(state="running"))
    assert words not in told(web)
    change(web, update(CloseStep).where(CloseStep.name == "statements").values(state="refused"))
    assert words in told(web)
    change(web, update(MonthClose).values(finished_at=web.clock.at))
    assert words not in told(web)


def _a_month_that_is_over_is_ready_for_its_month_end_until_that_begins(web: Web) -> None:
    words = f"November 2026, {HALL}: over and ready for its month-end"
    change(web, update(MonthClose).values(finished_at=web.clock.at), *_close(web, date(2026, 10, 1)))
    put_on(web, datetime(2026, 12, 1, 5, 59, tzinfo=UTC))
    assert words not in told(web), "it is not over in Chicago"
    put_on(web, datetime(2026, 12, 11, 18, tzinfo=UTC))
    assert told(web)[words] == "✻Dec 10, 2026, which is past"
    assert led(web, words) == "/office/months/MAIN/2026-11"
    with transaction(web.sessions) as session:
        close = MonthClose(mall_id=web.house.mall.id, first_day=date(2026, 11, 1), started_at=web.clock.at)
        session.add(close)
        session.flush()
        name_job(session, web.clock.at, "closing.step", {}, queue="default", group_key=f"close:{close.id}")
    assert words not in told(web)


def _close(web: Web, first_day: date) -> list[Any]:
    period = update(Period).where(Period.first_day == first_day, Period.mall_id == web.house.mall.id)
    return [period.values(state="closed", closed_at=web.clock.at)]


def _a_return_is_told_from_the_end_of_its_period_until_it_is_filed(web: Web) -> None:
    words = "Sales-tax return of November 2026 to file, Elder Revenue Office"
    assert words not in told(web)
    put_on(web, datetime(2026, 12, 1, 18, tzinfo=UTC))
    assert re.fullmatch(r"Dec \d+, 2026", told(web)[words])
    assert led(web, words) == "/office/tax/offices/elder-revenue-office/2026-11"
    put_on(web, datetime(2027, 1, 31, 18, tzinfo=UTC))
    several = "2 sales-tax returns to file, Elder Revenue Office"
    assert told(web)[several].startswith("✻Dec ")
    with transaction(web.sessions) as session:
        filed = session.scalars(select(TaxReturn)).one()
        for month in (11, 12):
            _file_like(session, filed, date(2026, month, 1), date(2026, month, 30 if month == 11 else 31))
    assert not {words, several} & told(web).keys()


def _tax_settings_that_contradict_each_other_are_told_and_stop_nothing(web: Web) -> None:
    with transaction(web.sessions) as session:
        made = setting(session, starts_on=date(2026, 1, 1), mall_id=web.house.mall.id, due_day=25).id
    (words,) = [words for words in told(web) if "different terms" in words]
    assert words.endswith("make them the same.")
    assert led(web, words) == "/office/tax/jurisdictions"
    change(web, delete(TaxSetting).where(TaxSetting.id == made))
    assert words not in told(web)


def _file_like(session: Session, filed: TaxReturn, first: date, last: date) -> None:
    """A return of other days, as a row."""
    kept = {c.key: getattr(filed, c.key) for c in TaxReturn.__table__.columns if c.key not in ("id", "amends_id")}
    kept |= {"number": f"{filed.number}-{first}", "first_day": first, "last_day": last}
    session.add(TaxReturn(**kept))


def test_the_steps_of_the_beginning_stay_above_what_was_sold(web: Web) -> None:
    page = web.browser("manager").get("/office/").text
    assert page.index('id="waiting"') < page.index('id="beginning"') < page.index('id="trade"')


def test_what_has_a_day_of_its_own_appears_and_vanishes(web: Web) -> None:
    _a_run_that_is_prepared_is_told_with_its_day_and_marked_when_that_is_past(web)
    _unclaimed_sales_are_told_once_they_are_older_than_the_house_rule(web)
    _an_offer_is_told_in_its_last_three_days(web)
    _a_fixed_term_is_told_when_its_malls_rule_asks_for_its_renewal(web)
    _a_lease_that_ends_is_told_a_week_before_until_its_dealer_has_moved_out(web)
    _a_mall_that_sells_without_a_place_for_sales_tax_is_told(web)


def _a_mall_that_sells_without_a_place_for_sales_tax_is_told(web: Web) -> None:
    with transaction(web.sessions) as session:
        mall_id = add_mall(session, web.clock.at, "ELM", name="Elm Hall", timezone="America/Chicago").id
    assert not [words for words in told(web) if "tax place" in words], "it has sold nothing"
    sell(web, date(2026, 11, 2), 5_00, mall_id=mall_id)
    (words,) = [words for words in told(web) if "tax place" in words]
    assert led(web, words) == "/office/tax/places"
    unset = "No place is set for sales tax at Elm Hall"
    assert unset in web.browser("auditor").get("/office/sales/ELM").text
    with transaction(web.sessions) as session:
        session.add(TaxPlace(mall_id=mall_id, starts_on=date(2026, 11, 3), basis="item", aggregated=False))
    assert words not in told(web)
    assert unset not in web.browser("auditor").get("/office/sales/ELM").text


def test_what_waits_of_a_month_appears_and_vanishes(web: Web) -> None:
    _a_line_of_the_bank_is_told_once_its_month_is_closed_until_it_is_matched(web)
    _a_month_end_that_stopped_is_told_until_it_goes_on(web)
    _tax_settings_that_contradict_each_other_are_told_and_stop_nothing(web)
    _a_return_is_told_from_the_end_of_its_period_until_it_is_filed(web)
    _a_month_that_is_over_is_ready_for_its_month_end_until_that_begins(web)


def test_drawers_appear_and_vanish(web: Web) -> None:
    _a_drawer_is_told_from_the_day_after_cash_moved_until_it_is_counted(web)
    _a_drawer_is_told_again_when_cash_of_a_day_that_was_counted_comes_later(web)


def test_letters_and_layaways_appear_and_vanish(web: Web) -> None:
    _letters_that_came_to_nothing_are_told_for_a_month(web)
    _a_layaway_is_told_once_its_day_is_past(web)


# --- work that failed -----------------------------------------------------------------------------------------------------


def fail(web: Web, kind: str, key: str, error: str = "KeyError: 'x'") -> int:
    with transaction(web.sessions) as session:
        name_job(session, web.clock.at, kind, {}, queue="default", key=key)
        job = session.scalars(select(Job).where(Job.key == key)).one()
        job.state, job.error, job.finished_at, job.attempts = "failed", error, web.clock.at, 5
        return job.id


def test_work_that_failed_is_told_tried_again_or_left(web: Web) -> None:
    again, left = fail(web, "floor.render", "a"), fail(web, "leases.letter", "b", "D01 has no lease.")
    # What a letter or a month-end tells of is not told twice.
    fail(web, "mail.send", "c")
    manager = web.browser("manager")
    assert led(web, "2 pieces of work that failed") == "/office/failed"
    page = manager.get("/office/failed").text
    assert "Making a plan on paper" in page
    assert "D01 has no lease." in page
    assert "Try it again" not in web.browser("auditor").get("/office/failed").text
    assert send(manager, f"/office/failed/{again}/again").status_code == 303
    assert "1 piece of work that failed" in told(web)
    with transaction(web.sessions) as session:
        job = session.get_one(Job, again)
        assert (job.state, job.attempts, job.error) == ("queued", 0, "")
        line = session.scalars(select(AuditLog).where(AuditLog.action == "work taken up again")).one()
        assert (line.subject_id, line.detail, line.user_id) == (
            str(again),
            "Making a plan on paper",
            web.house.users["manager"],
        )
    assert send(manager, f"/office/failed/{left}/leave").status_code == 303
    assert not [words for words in told(web) if "work that failed" in words]
    assert "No work has failed." in manager.get("/office/failed").text
    with transaction(web.sessions) as session:
        assert session.get(Job, left) is None
        line = session.scalars(select(AuditLog).where(AuditLog.action == "work left undone")).one()
        assert line.detail == "Making a letter of a lease: D01 has no lease."
        assert line.user_id == web.house.users["manager"]
    for address in (f"/office/failed/{left}/leave", f"/office/failed/{again}/again"):
        assert send(manager, address).status_code == 303
        assert "It is not in this list any more." in manager.get("/office/failed").text


def test_every_kind_of_work_whose_failing_is_listed_has_words() -> None:
    """The kinds that the rooms register, but for those that a letter or a month-end tells of; and no words for what is gone."""
    registered = {name for name, kind in KINDS.items() if (kind.short or kind.long).__module__.startswith("coop.")}
    assert set(WORDS) == registered - set(SHOWN_ELSEWHERE)
    assert set(SHOWN_ELSEWHERE) < registered


# --- how many queries -----------------------------------------------------------------------------------------------------


def test_today_asks_no_more_when_more_waits_and_more_malls_sell(web: Web) -> None:
    """One and fifteen of each, one mall and three, are read in as many queries."""
    with transaction(web.sessions) as session:
        add_mall(session, web.clock.at, "WEST", name="West Hall", timezone="America/Denver")
    _more(web, 0, 1)
    at_first, before = told(web), count_queries(web, "manager", "/office/")
    assert before <= 32
    _more(web, 1, 16)
    for n in range(3):
        with transaction(web.sessions) as session:
            mall_id = add_mall(session, web.clock.at, f"M{n}", name=f"Hall {n}", timezone="Pacific/Honolulu").id
        sell(web, date(2026, 11, 2), 5_00, mall_id=mall_id)
    assert count_queries(web, "manager", "/office/") == before
    there = told(web)
    for words in (f"claims of {HALL} to decide", "entries by hand to approve", "payout runs to approve", "questions to answer"):
        assert _count(there, words) == _count(at_first, words) + 15, words


def _count(there: dict[str, str], words: str) -> int:
    """How many are told of, however many that is."""
    one = {"entries": "entry", "claims": "claim", "questions": "question", "runs": "run"}
    single = " ".join(one.get(word, word) for word in words.split())
    return next((int(said.split()[0]) for said in there if said.partition(" ")[2] in (words, single)), 0)


def _more(web: Web, first: int, last: int) -> None:
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        dealer = session.scalars(select(Dealer).order_by(Dealer.id).limit(1)).one()
        statement = session.scalars(select(Statement).limit(1)).one()
        lines = tuple(LineIn(n - first + 1, None, "", f"Thimble {n}", 1, Decimal(2), 2_00) for n in range(first, last))
        sold_at = datetime(2026, 11, 2, 18, tzinfo=UTC)
        ticket = TicketIn(f"t{first}", f"9{first}", "desk-1", "sale", sold_at, lines, (TenderIn("cash"),), taxed=False)
        take_tickets(session, web.clock.at, mall, [ticket])
        for line in session.scalars(select(TicketLine).where(TicketLine.description.startswith("Thimble"))).all():
            if int(line.description.split()[1]) >= first:
                ask_claim(session, web.clock.at, line, dealer, words="Mine")
        for n in range(first, last):
            of = {"key": f"{n:032}", "mall": mall, "on": date(2026, 11, 2), "reason": "Power", "new_accounts": True}
            moved = [HandLine("Expenses:Power", 500_00), HandLine("Assets:Bank", -500_00)]
            enter_journal(session, web.clock.at, lines=moved, user_id=web.house.users["bookkeeper"], **of)
            days = {"first_day": date(2026, 10, 1), "pay_on": date(2026, 11, 3)}
            session.add(PayoutRun(number=100 + n, made_at=web.clock.at, state="prepared", **days))
            asked = {"line": "whole", "said": "It all", "question": "Why?", "asked_at": web.clock.at}
            session.add(StatementQuestion(statement_id=statement.id, **asked))
