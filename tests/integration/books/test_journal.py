"""Entries by hand: posted at once or by a second person, reversed, and every way in which they are refused."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import pytest
from sqlalchemy import Engine, func, select, text
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from coop.books import queries
from coop.books.accounts import ensure_account, unclaimed_account
from coop.books.checking import check_books
from coop.books.domain.hand import HandLine
from coop.books.journal import (
    Paper,
    approve_journal,
    enter_journal,
    refuse_journal,
    reversal_fault,
    reverse_by_hand,
    waiting_journals,
)
from coop.books.models import Account, BankFile, BankLine, BankMatch, Entry, Journal
from coop.books.payments import receive_payment
from coop.books.service import ensure_period, post_entry
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from tests.factories.books import NOVEMBER, OCTOBER, sale, shut
from tests.factories.house import add_person
from tests.factories.people import make_coop, make_dealer, make_mall

ON = date(2026, 11, 2)
BILL = (HandLine("Expenses:Electricity", 80_00), HandLine("Assets:Bank", -80_00))
PDF = b"%PDF-1.7\n%%EOF\n"


@dataclass
class Office:
    """Two malls, two dealers; October is closed at MAIN. `ida` is the manager's own selling side."""

    session: Session
    now: datetime
    main: Mall = field(init=False)
    east: Mall = field(init=False)
    ida: Dealer = field(init=False)
    amos: Dealer = field(init=False)
    manager: int = field(init=False)
    bookkeeper: int = field(init=False)
    keys: int = 0

    def __post_init__(self) -> None:
        make_coop(self.session, self.now)
        self.main, self.east = make_mall(self.session, self.now, "MAIN"), make_mall(self.session, self.now, "EAST")
        self.ida, self.amos = make_dealer(self.session, self.now, "D01"), make_dealer(self.session, self.now, "D02")
        self.manager = add_person(self.session, self.now, "m@example.org", ("manager",), self.ida.member_id)
        self.bookkeeper = add_person(self.session, self.now, "b@example.org", ("bookkeeper",))
        post_entry(self.session, self.now, sale(self.session, self.main, self.amos, 40_00, date(2026, 10, 5), "october/1"))
        shut(self.session, self.now, ensure_period(self.session, self.main.id, OCTOBER))

    def enter(self, *lines: HandLine, **more: Any) -> Journal:
        self.keys += 1
        given: Mapping[str, Any] = {
            "key": f"{self.keys:032x}",
            "mall": self.main,
            "on": ON,
            "reason": "Electricity, bill 4471",
            "new_accounts": True,
            "user_id": self.bookkeeper,
            **more,
        }
        return enter_journal(self.session, self.now, lines=lines or BILL, **given)

    def reverse(self, entry_id: int | None, **more: Any) -> Journal:
        self.keys += 1
        given: Mapping[str, Any] = {
            "key": f"{self.keys:032x}",
            "on": ON,
            "reason": "Posted twice",
            "user_id": self.bookkeeper,
            **more,
        }
        return reverse_by_hand(self.session, self.now, entry_id or 0, **given)

    def pay(self, cents: int) -> int:
        return receive_payment(
            self.session, self.now, self.main, self.amos, amount_cents=cents, paid_by="check", on=ON, reference="77"
        )

    def balance(self, path: str) -> int:
        return next((b.amount_cents for b in queries.balances(self.session) if b.path == path), 0)


@pytest.fixture
def office(sessions: Sessions, now: datetime) -> Iterator[Office]:
    """Committed at the end: what the database judges only then is judged too."""
    with sessions() as session:
        yield Office(session, now)
        session.commit()
        assert check_books(session) == []


# --- entered ------------------------------------------------------------------------------------------------------------


def test_up_to_the_limit_it_is_posted_at_once_and_sent_twice_it_is_one(office: Office) -> None:
    made = office.enter(document=Paper(PDF))
    again = office.enter(key=made.key)
    assert (again.id, made.state, made.second_needed, made.decided_by) == (made.id, "posted", False, None)
    entry = office.session.get_one(Entry, made.entry_id)
    assert (entry.kind, entry.source_kind, entry.source_id, entry.memo) == (
        "journal",
        "journal",
        str(made.id),
        "Electricity, bill 4471",
    )
    assert (office.balance("Expenses:Electricity"), office.balance("Assets:Bank")) == (80_00, -80_00)
    kinds = dict(office.session.execute(select(Account.path, Account.kind)).all())
    assert (kinds["Expenses:Electricity"], kinds["Assets:Bank"]) == ("expense", "bank")
    with pytest.raises(Refusal, match="This form was sent already, as journal entry 1"):
        office.enter(key=made.key, reason="Another")


def test_above_the_limit_a_second_person_posts_it(office: Office) -> None:
    made = office.enter(HandLine("Expenses:Roof", 100_01), HandLine("Assets:Bank", -100_01))
    assert (made.state, made.entry_id, office.balance("Assets:Bank")) == ("entered", None, 0)
    assert waiting_journals(office.session, office.main.id, NOVEMBER) == [made.id]
    assert waiting_journals(office.session, None, NOVEMBER) == []
    with pytest.raises(Refusal, match="You entered journal entry 1 yourself: a second person has to approve it"):
        approve_journal(office.session, office.now, made.id, user_id=office.bookkeeper)
    approve_journal(office.session, office.now, made.id, user_id=office.manager)
    assert (made.state, made.decided_by, office.balance("Assets:Bank")) == ("posted", office.manager, -100_01)
    for decide in (
        lambda: approve_journal(office.session, office.now, made.id, user_id=office.manager),
        lambda: refuse_journal(office.session, office.now, made.id, "No", user_id=office.manager),
    ):
        with pytest.raises(Refusal, match="Journal entry 1 is posted already"):
            decide()


def test_the_database_knows_a_second_person_too(office: Office) -> None:
    made = office.enter(HandLine("Expenses:Roof", 100_01), HandLine("Assets:Bank", -100_01))
    with pytest.raises(IntegrityError), office.session.begin_nested():
        office.session.execute(text("UPDATE journal SET decided_by = entered_by WHERE id = :id"), {"id": made.id})


def test_refused_it_is_kept_and_never_posted(office: Office) -> None:
    large = (HandLine("Expenses:Roof", 500_00), HandLine("Assets:Bank", -500_00))
    with pytest.raises(Refusal, match="The reason is empty"):
        refuse_journal(office.session, office.now, office.enter(*large).id, " ", user_id=office.manager)
    refused = refuse_journal(office.session, office.now, 1, "It is the landlord's", user_id=office.manager)
    assert (refused.state, refused.decision, refused.decided_by) == ("refused", "It is the landlord's", office.manager)
    back = refuse_journal(office.session, office.now, office.enter(*large).id, "A slip", user_id=office.bookkeeper)
    assert (back.state, back.decided_by, office.balance("Assets:Bank")) == ("refused", None, 0)


def test_on_ones_own_account_it_waits_however_small(office: Office) -> None:
    mine = (HandLine("Liabilities:Dealers:MAIN:D01", -5_00), HandLine("Expenses:Write-offs:MAIN", 5_00))
    assert office.enter(*mine, user_id=office.manager).state == "entered"
    hers = office.enter(*mine, user_id=office.bookkeeper)
    memo = office.session.scalar(select(Entry.memo).where(Entry.id == hers.entry_id))
    assert (hers.state, memo) == ("posted", "Correction: Electricity, bill 4471")


@pytest.mark.parametrize(
    ("lines", "more", "said"),
    [
        ((BILL[0], HandLine("Assets:Bank", -70_00)), {}, r"\$10.00 is missing in the credits"),
        ((BILL[0],), {}, "An entry has two lines or more"),
        (BILL, {"on": date(2026, 10, 20)}, "October 2026 is closed at MAIN and takes no entry. Date it on Nov 1, 2026 or later"),
        (BILL, {"on": date(2026, 11, 4)}, "Nov 4, 2026 is still to come"),
        (BILL, {"on": date(2006, 11, 2)}, "lies more than a year before the books begin on Oct 1, 2026"),
        (BILL, {"reason": "  "}, "The reason is empty"),
        (BILL, {"reason": "x" * 181}, "The reason has 181 letters: 180 is the most"),
        (BILL, {"new_accounts": False}, "There is no account Expenses:Electricity: choose one from the list"),
        ((HandLine("Expenses:electricity", 1), HandLine("Assets:Bank", -1)), {}, "is not written like Expenses:Electricity"),
        (
            (HandLine("Liabilities:dealers:MAIN:D02", 1), HandLine("Assets:Bank", -1)),
            {},
            "but there is Liabilities:Dealers:MAIN:D02: write it like that",
        ),
        ((HandLine("Liabilities:Dealers:MAIN:D99", 1), HandLine("Assets:Bank", -1)), {}, "are made by the program, for dealers"),
        (
            (HandLine("Liabilities:Dealers:EAST:D02", 1), HandLine("Assets:Bank", -1)),
            {},
            "takes entries of EAST only, and this one is of MAIN: choose EAST as its mall",
        ),
        (
            (HandLine("Expenses:Heating:MAIN", 1), HandLine("Assets:Bank", -1)),
            {"mall": None},
            "takes entries of MAIN only, and this one is the co-op's own",
        ),
        (BILL, {"document": Paper(b"PK\x03\x04 a spreadsheet")}, "The document is no PDF, PNG or JPEG by its content"),
        (BILL, {"document": Paper(PDF + bytes(8 * 1024 * 1024))}, "8 MB is the most"),
    ],
)
def test_what_cannot_be_entered_is_said_and_leaves_nothing(
    office: Office, lines: tuple[HandLine, ...], more: dict[str, Any], said: str
) -> None:
    with office.session.begin_nested() as inner:
        with pytest.raises(Refusal, match=said):
            office.enter(*lines, **more)
        inner.rollback()
    assert office.session.scalar(select(func.count(Journal.id))) == 0


@pytest.mark.parametrize(
    ("path", "kind", "said"),
    [
        ("Liabilities:Tax:EL", "tax", "file and amend the office's return"),
        ("Liabilities:Deposits:MAIN:D01", "deposit", "on the dealer's lease"),
        ("Liabilities:Layaway:MAIN", "layaway", "Take a payment of the layaway"),
        ("Assets:Layaway-tax:MAIN", "layaway tax", "Complete the layaway"),
        ("Liabilities:Unclaimed:MAIN", "unclaimed", "Have the sale claimed"),
        ("Liabilities:Gift-certificates", "gift certificates", "release the certificate"),
        ("Liabilities:Stale-payouts:MAIN", "stale payouts", "Pay the dealer again"),
        ("Liabilities:Tax-filed:elder", "tax office", "note a payment"),
    ],
)
def test_an_account_beside_a_list_is_not_moved_by_hand(office: Office, path: str, kind: str, said: str) -> None:
    ensure_account(office.session, path, kind)
    with pytest.raises(Refusal, match=f"{path} equals a list kept beside it.*{said}"):
        office.enter(HandLine(path, 5), HandLine("Assets:Bank", -5))
    assert unclaimed_account(office.session, office.main)


def test_a_month_closed_while_it_waited(office: Office) -> None:
    made = office.enter(HandLine("Expenses:Roof", 900_00), HandLine("Assets:Bank", -900_00))
    shut(office.session, office.now, ensure_period(office.session, office.main.id, NOVEMBER))
    with pytest.raises(Refusal, match="Refuse this entry, and have it entered again with Dec 1, 2026 or later"):
        approve_journal(office.session, office.now, made.id, user_id=office.manager)


# --- reversed -----------------------------------------------------------------------------------------------------------


def test_a_reversal_names_its_entry_and_is_not_reversed_itself(office: Office) -> None:
    made = office.enter()
    back = office.reverse(made.entry_id)
    entry = office.session.get_one(Entry, back.entry_id)
    assert (back.state, back.reverses_id, entry.reverses_id, entry.kind) == (
        "posted",
        made.entry_id,
        made.entry_id,
        "correction",
    )
    assert office.balance("Expenses:Electricity") == 0
    with pytest.raises(Refusal, match=f"Entry {made.entry_id} is reversed already, by entry {entry.id}"):
        office.reverse(made.entry_id)
    with pytest.raises(Refusal, match=f"Entry {entry.id} is itself the reversal of entry {made.entry_id}"):
        office.reverse(entry.id)
    assert reversal_fault(office.session, entry)
    with pytest.raises(Refusal, match="There is no entry 999"):
        office.reverse(999)


def test_a_large_payment_is_reversed_by_two(office: Office) -> None:
    paid = office.pay(300_00)
    back = office.reverse(paid)
    assert back.state == "entered"
    with pytest.raises(Refusal, match=f"waits to be reversed already, by journal entry {back.id}"):
        office.reverse(paid)
    with pytest.raises(Refusal, match="a second person"):
        approve_journal(office.session, office.now, back.id, user_id=office.bookkeeper)
    approve_journal(office.session, office.now, back.id, user_id=office.manager)
    assert office.balance("Liabilities:Dealers:MAIN:D02") == -40_00
    with pytest.raises(Refusal, match="is of Nov 2, 2026: it is reversed on that day or later"):
        office.reverse(office.enter().entry_id, on=date(2026, 11, 1))


def test_what_the_bank_has_seen_is_not_reversed(office: Office) -> None:
    made = office.enter()
    file = BankFile(
        kind="csv", file_name="b.csv", file_sha256="0" * 64, first_day=ON, last_day=ON, lines=1, lines_here=0, read_at=office.now
    )
    office.session.add(file)
    office.session.flush()
    line = BankLine(file_id=file.id, key="1", on=ON, amount_cents=-80_00)
    office.session.add(line)
    office.session.flush()
    office.session.add(BankMatch(line_id=line.id, entry_id=made.entry_id, amount_cents=-80_00, how="hand", made_at=office.now))
    with pytest.raises(Refusal, match="undo the match under Bank first"):
        office.reverse(made.entry_id)


def test_an_entry_with_a_list_behind_it_says_what_puts_it_right(office: Office) -> None:
    sold = office.session.scalars(select(Entry).where(Entry.kind == "sale")).one()
    assert reversal_fault(office.session, sold) == (
        f"Entry {sold.id} (sale) cannot be reversed by hand. To put it right, ring up a return of what was sold."
    )
    with pytest.raises(Refusal, match="ring up a return of what was sold"):
        office.reverse(sold.id)


def _at_once(sessions: Sessions, act: Callable[[Session, int], str]) -> list[str]:
    """What two who act at once are told, each in a transaction of their own."""
    said: list[str] = []
    both = threading.Barrier(2)

    def one(number: int) -> None:
        both.wait()
        try:
            with transaction(sessions) as session:
                answer = act(session, number)
        except Refusal as refusal:
            answer = str(refusal)
        said.append(answer)

    threads = [threading.Thread(target=one, args=(n,)) for n in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sorted(said)


@pytest.mark.postgres
def test_two_at_once_enter_reverse_and_approve_once(
    postgres_database_url: str, make_test_engine: Callable[[str], Engine], now: datetime
) -> None:
    sessions = Sessions(make_test_engine(postgres_database_url), expire_on_commit=False)
    with transaction(sessions) as session:
        office = Office(session, now)
        entry_id = office.enter().entry_id or 0
        waits = office.enter(HandLine("Expenses:Roof", 900_00), HandLine("Assets:Bank", -900_00)).id
        user, second, mall = office.bookkeeper, office.manager, office.main.id

    def enter(session: Session, _number: int) -> str:
        made = enter_journal(
            session,
            now,
            key="the same",
            mall=session.get_one(Mall, mall),
            on=ON,
            lines=BILL,
            reason="Once",
            user_id=user,
        )
        return f"{made.id}, {made.state}"

    def reverse(session: Session, number: int) -> str:
        reverse_by_hand(session, now, entry_id, key=str(number), on=ON, reason="Twice", user_id=user)
        return "reversed"

    def approve(session: Session, _number: int) -> str:
        return approve_journal(session, now, waits, user_id=second).state

    assert len(set(_at_once(sessions, enter))) == 1
    assert [s.partition(",")[0] for s in _at_once(sessions, reverse)] == [f"Entry {entry_id} is reversed already", "reversed"]
    assert [s.partition(":")[0] for s in _at_once(sessions, approve)] == [f"Journal entry {waits} is posted already", "posted"]
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(Entry.id)).where(Entry.memo == "Once")) == 1
        assert check_books(session) == []
