"""Money nobody asked for: never let go without a rule, by one person alone, twice, or when somebody asked for it after all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.checking import check_books
from coop.books.models import Entry, ReleaseRule
from coop.books.queries import balances
from coop.books.rules import end_release_rule
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.payouts.models import Release
from coop.payouts.paying_out import mark_paid, mark_stale, owe_again
from coop.payouts.releases import (
    CERTIFICATES,
    KINDS,
    PAYOUTS,
    UNCLAIMED,
    approve_release,
    ask_releases,
    due_on,
    refuse_release,
    releases,
)
from coop.sales.claims import ask_claim, check_unclaimed
from coop.sales.gifts import check_gifts, sell_certificate
from coop.sales.models import GiftCertificate, TicketLine
from tests.factories.release_rules import add_early_rule
from tests.factories.unclaimed import add_unclaimed
from tests.integration.payouts.conftest import Office

LATER = datetime(2027, 6, 1, 17, tzinfo=UTC)
TODAY = date(2027, 6, 1)


@dataclass
class Old:
    """On 1 June 2027: $30.00 left on certificate 1001, used last in October; a bowl of $18.00 nobody claimed, sold then; an
    inkwell that D01 asks for; and D02's check 1041 over $640.10, paid on 10 November and never cashed."""

    session: Session
    office: Office
    ids: dict[str, int]

    def rule(self, what: str, after_days: int = 180, goes_to: str = "state") -> ReleaseRule:
        said = {"goes_to": goes_to, "said_by": "an invented law"}
        return add_early_rule(self.session, LATER, what=what, starts_on=date(2027, 1, 1), after_days=after_days, **said)

    def ask(self, *what: str) -> list[Release]:
        things = [(one, self.ids[one]) for one in what]
        return ask_releases(self.session, LATER, things, user_id=self.office.malls.bookkeeper)

    def approve(self, release: Release) -> int:
        return approve_release(self.session, LATER, release, user_id=self.office.malls.manager)

    def balance(self, path: str) -> int:
        assert check_books(self.session) == check_gifts(self.session) == check_unclaimed(self.session) == []
        return {row.path: row.amount_cents for row in balances(self.session)}.get(path, 0)


@pytest.fixture
def old(office: Office) -> Iterator[Old]:
    office.prepare()
    office.approved()
    office.now += timedelta(days=7)
    with transaction(office.sessions) as session:
        mark_paid(session, office.now, office.run(session), on=date(2026, 11, 10))
    with transaction(office.sessions) as session:
        main = session.get_one(Mall, office.malls.main)
        inkwell = add_unclaimed(session, office.now, main, session.get_one(Dealer, office.malls.dealers["D01"]))
        check = office.lines(session)["D02"]
        mark_stale(session, LATER, check, on=TODAY)
        bowl = session.scalars(
            select(TicketLine.id).where(TicketLine.id != inkwell).order_by(TicketLine.id.desc()).limit(1)
        ).one()
        certificate = session.scalars(select(GiftCertificate.id)).one()
        yield Old(session, office, {CERTIFICATES: certificate, UNCLAIMED: bowl, PAYOUTS: check.id})


def test_without_a_rule_nothing_is_due_and_nothing_goes(old: Old) -> None:
    assert [due_on(old.session, TODAY, what) for what in KINDS] == [[], [], []]
    for what in KINDS:
        with pytest.raises(Refusal, match=f"There is no rule for {what} on Jun 1, 2027: what nobody asks for stays a liability"):
            old.ask(what)
    ended = old.rule(CERTIFICATES)
    end_release_rule(old.session, LATER, ended, date(2027, 5, 31))
    assert due_on(old.session, TODAY, CERTIFICATES) == []
    with pytest.raises(Refusal, match="The rule ends on May 31, 2027 already: write a new rule for the days after that"):
        end_release_rule(old.session, LATER, ended, TODAY)
    assert due_on(old.session, TODAY, CERTIFICATES) == []


def test_each_kind_goes_where_its_rule_says(old: Old) -> None:
    for what, goes_to in ((CERTIFICATES, "co-op"), (UNCLAIMED, "state"), (PAYOUTS, "state")):
        old.rule(what, goes_to=goes_to)
    due = {what: due_on(old.session, TODAY, what) for what in KINDS}
    # The inkwell is asked for by a dealer: it is not due.
    assert {what: [(one.words, one.amount_cents) for one in each] for what, each in due.items()} == {
        CERTIFICATES: [("gift certificate 1001", 30_00)],
        UNCLAIMED: [("ticket 590, item 2", 18_00)],
        PAYOUTS: [("check 1041 of D02, run 1", 640_10)],
    }
    held = ("Liabilities:Gift-certificates", "Liabilities:Unclaimed:MAIN", "Liabilities:Stale-payouts:MAIN")
    assert [old.balance(path) for path in held] == [-30_00, -42_00, -640_10]
    asked = old.ask(*KINDS)
    assert [due_on(old.session, TODAY, what) for what in KINDS] == [[], [], []]
    assert [one.words for one in releases(old.session, "asked")] == [
        "check 1041 of D02, run 1",
        "ticket 590, item 2",
        "gift certificate 1001",
    ]
    bank = old.balance("Assets:Bank")
    for release in asked:
        with pytest.raises(Refusal, match="You entered the release of one of the"):
            approve_release(old.session, LATER, release, user_id=old.office.malls.bookkeeper)
        entry = old.session.get_one(Entry, old.approve(release))
        assert (entry.kind, release.state, release.entry_id) == ("release", "released", entry.id)
        with pytest.raises(Refusal, match="released already"):
            old.approve(release)
    assert [old.balance(path) for path in held] == [0, -24_00, 0]
    assert old.balance("Income:Released:MAIN") == -30_00
    assert old.balance("Assets:Bank") - bank == -(18_00 + 640_10)
    assert [due_on(old.session, TODAY, what) for what in KINDS] == [[], [], []]


def test_the_days_count_from_the_last_that_was_heard(old: Old) -> None:
    # The certificate's use was posted on 1 November, for October was closed: 212 days. The ticket is of 21 October, 223 days; the
    # check of 10 November, 203.
    rule = old.rule(CERTIFICATES, 212)
    assert len(due_on(old.session, TODAY, CERTIFICATES)) == 1
    rule.after_days = 213
    old.session.flush()
    assert due_on(old.session, TODAY, CERTIFICATES) == []
    old.rule(UNCLAIMED, 224)
    old.rule(PAYOUTS, 204)
    assert [due_on(old.session, TODAY, what) for what in (UNCLAIMED, PAYOUTS)] == [[], []]


def test_what_is_asked_for_takes_no_room_of_the_list(old: Old) -> None:
    old.rule(CERTIFICATES)
    main = old.session.get_one(Mall, old.office.malls.main)
    sell_certificate(old.session, LATER, main, amount_cents=5_00, tender="cash", on=date(2026, 11, 2), key="a later one")
    old.ask(CERTIFICATES)
    assert [one.words for one in due_on(old.session, TODAY, CERTIFICATES, most=1)] == ["gift certificate 1002"]


def test_two_managers_are_not_manager_and_bookkeeper(old: Old) -> None:
    old.rule(CERTIFICATES)
    things = [(CERTIFICATES, old.ids[CERTIFICATES])]
    [release] = ask_releases(old.session, LATER, things, user_id=old.office.malls.second)
    with pytest.raises(Refusal, match="neither of you two is the bookkeeper"):
        old.approve(release)
    approve_release(old.session, LATER, release, user_id=old.office.malls.bookkeeper)
    assert old.balance("Liabilities:Gift-certificates") == 0


def test_what_is_asked_for_meanwhile_does_not_go(old: Old) -> None:
    for what in KINDS:
        old.rule(what)
    line, check = old.ask(UNCLAIMED, PAYOUTS)
    ask_claim(
        old.session,
        LATER,
        old.session.get_one(TicketLine, old.ids[UNCLAIMED]),
        old.session.get_one(Dealer, old.office.malls.dealers["D02"]),
        words="Mine",
    )
    with pytest.raises(Refusal, match="is not as it was asked"):
        old.approve(line)
    with pytest.raises(Refusal, match="let go by a state's rule, or is to be"):
        owe_again(old.session, LATER, old.office.lines(old.session)["D02"], on=TODAY)
    refuse_release(old.session, LATER, check)
    owe_again(old.session, LATER, old.office.lines(old.session)["D02"], on=TODAY)
    with pytest.raises(Refusal, match="not to be released any more"):
        old.ask(PAYOUTS)
    with pytest.raises(Refusal, match="refused already"):
        old.approve(check)
    assert old.balance("Liabilities:Stale-payouts:MAIN") == 0


def test_all_that_is_asked_goes_or_none(old: Old) -> None:
    old.rule(CERTIFICATES)
    with pytest.raises(Refusal, match="no rule for unclaimed sales"), old.session.begin_nested():
        old.ask(CERTIFICATES, UNCLAIMED)
    assert releases(old.session, "asked") == []
    [asked] = old.ask(CERTIFICATES, CERTIFICATES)
    with pytest.raises(Refusal, match="or is asked for already"):
        old.ask(CERTIFICATES)
    with pytest.raises(Refusal, match="Nothing is chosen"):
        ask_releases(old.session, LATER, [])
    with pytest.raises(Refusal, match="nothing that can be released"):
        ask_releases(old.session, LATER, [("coats", 1)])
    end_release_rule(old.session, LATER, old.session.get_one(ReleaseRule, asked.rule_id), date(2027, 5, 1))
    with pytest.raises(Refusal, match="does not hold on Jun 1, 2027"):
        old.approve(asked)
