"""What the books say of themselves when somebody who owns the database has been at them: the guards are taken off first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict

import pytest
from sqlalchemy import select, text
from sqlalchemy.orm import Session

from coop.books.checking import check_books
from coop.books.models import Period, Seal
from coop.books.service import seal_period
from coop.core.db import Sessions, make_sessions
from tests.factories.books import Books, entry_sql, posting_sql, proof_sql
from tests.integration.books.doors import NOW, ON_POSTGRESQL, opened

CENT_MORE = "UPDATE posting SET amount_cents = amount_cents + 1 WHERE entry_id = {%s} AND amount_cents > 0"
CENT_LESS = "UPDATE posting SET amount_cents = amount_cents - 1 WHERE entry_id = {%s} AND amount_cents < 0"
OTHER_DEALER = (
    "UPDATE posting SET account_id = (SELECT id FROM account WHERE path = 'Liabilities:Dealers:MAIN:D02') "
    "WHERE entry_id = {%s} AND amount_cents < 0"
)
PROOF_MORE = "UPDATE entry_proof SET debits_cents = debits_cents + 1 WHERE entry_id = {%s}"
LOST = (
    "DELETE FROM posting WHERE entry_id = {%s}",
    "DELETE FROM entry WHERE id = {%s}",
    "DELETE FROM entry_proof WHERE entry_id = {%s}",
)


def of(name: str, *statements: str) -> tuple[str, ...]:
    return tuple(statement % name for statement in statements)


def slipped_in(entry_id: int, period: str, mall: str, day: str) -> tuple[str, ...]:
    """A whole, balanced, proved entry."""
    return (
        entry_sql(entry_id, period, mall, day, source_id="slipped in"),
        posting_sql(entry_id, "{cash}", 777),
        posting_sql(entry_id, "{owed}", -777),
        proof_sql(entry_id, 2, 777),
    )


TAMPERED: dict[str, tuple[tuple[str, ...], list[str]]] = {
    "one amount by a cent": (
        of("closed_entry", CENT_MORE),
        [
            "The trial balance is off by 0.01.",
            "Entry {closed_entry} has 2 postings and is off by 0.01.",
            "Seal 1 of MAIN covered 2 entries with debits of 205.50; there are now 2 with 205.51.",
        ],
    ),
    "both amounts by a cent": (
        of("closed_entry", CENT_MORE, CENT_LESS),
        [
            "Entry {closed_entry} was posted with debits of 125.00 and now has 125.01.",
            "Seal 1 of MAIN covered 2 entries with debits of 205.50; there are now 2 with 205.51.",
        ],
    ),
    "amounts and proof by a cent": (
        of("closed_entry", CENT_MORE, CENT_LESS, PROOF_MORE),
        ["Seal 1 of MAIN covered 2 entries with debits of 205.50; there are now 2 with 205.51."],
    ),
    "an unsealed entry's amounts": (
        ("UPDATE posting SET amount_cents = amount_cents * 2 WHERE entry_id = (SELECT id FROM entry WHERE mall_id = {east})",),
        ["Entry 5 was posted with debits of 99.99 and now has 199.98."],
    ),
    "the dealer of a sale": (
        of("entry", OTHER_DEALER),
        ["Seal 2 of MAIN: an entry it covers was changed."],
    ),
    "an account's name": (
        ("UPDATE account SET path = 'Liabilities:Dealers:MAIN:D09' WHERE id = {owed}",),
        ["Seal 1 of MAIN: an entry it covers was changed.", "Seal 2 of MAIN: an entry it covers was changed."],
    ),
    "a memo": (of("entry", "UPDATE entry SET memo = 'x' WHERE id = {%s}"), ["Seal 2 of MAIN: an entry it covers was changed."]),
    "the moment of posting": (
        of("entry", "UPDATE entry SET posted_at = '2026-10-01 00:00:00' WHERE id = {%s}"),
        ["Seal 2 of MAIN: an entry it covers was changed."],
    ),
    "a date": (
        of("entry", "UPDATE entry SET business_date = '2026-10-06' WHERE id = {%s}"),
        ["Seal 2 of MAIN: an entry it covers was changed."],
    ),
    "a mall": (
        of("entry", "UPDATE entry SET mall_id = {east} WHERE id = {%s}"),
        ["Entry {entry} stands in a month that is not of its mall and date."],
    ),
    "a date out of its month": (
        of("entry", "UPDATE entry SET business_date = '2026-11-06' WHERE id = {%s}"),
        [
            "Entry {entry} stands in a month that is not of its mall and date.",
            "Seal 2 of MAIN: an entry it covers was changed.",
        ],
    ),
    "an entry taken out": (
        of("closed_entry", *LOST),
        [
            "Seal 1 of MAIN covered 2 entries with debits of 205.50; there are now 1 with 80.50.",
            "September 2026 is closed with 1 entries, of which 2 are under a seal.",
        ],
    ),
    "a proof taken out": (
        of("entry", "DELETE FROM entry_proof WHERE entry_id = {%s}"),
        ["1 entries have no proof of balance."],
    ),
    "an entry slipped into a closed month": (
        slipped_in(9001, "{closed_period}", "{main}", "2026-09-05"),
        ["September 2026 is closed with 3 entries, of which 2 are under a seal."],
    ),
    "an entry slipped in under a number before all": (
        slipped_in(-1, "{open_period}", "{main}", "2026-10-05"),
        ["October 2026 has, up to its last seal, 4 entries, of which 3 are under a seal."],
    ),
    "an entry of one posting": (
        (entry_sql(9001, "{open_period}", "{main}", "2026-10-05"), posting_sql(9001, "{cash}", 5), proof_sql(9001, 1, 5)),
        ["The trial balance is off by 0.05.", "Entry 9001 has 1 postings and is off by 0.05."],
    ),
    "a seal taken out": (
        ("DELETE FROM seal WHERE number = 1",),
        [
            "Seal 2 of MAIN: the seal before it is missing.",
            "Seal 2 of MAIN does not follow the seal before it.",
            "September 2026 is closed with 2 entries, of which 0 are under a seal.",
        ],
    ),
    "a seal made anew": (
        ("UPDATE seal SET sha256 = '" + "0" * 64 + "' WHERE number = 1",),
        ["Seal 1 of MAIN: an entry it covers was changed.", "Seal 2 of MAIN does not follow the seal before it."],
    ),
    "a closed month opened": (
        ("UPDATE period SET state = 'open', closed_at = NULL WHERE id = {closed_period}",),
        ["September 2026 was closed and is open again."],
    ),
}  # fmt: skip


def take_guards_off(session: Session) -> None:
    if session.get_bind().dialect.name == "postgresql":
        for table in ("account", "entry", "posting", "entry_proof", "seal", "period"):
            session.execute(text(f"ALTER TABLE {table} DISABLE TRIGGER ALL"))
        return
    for name in session.scalars(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).all():
        session.execute(text(f"DROP TRIGGER {name}"))
    session.execute(text("PRAGMA defer_foreign_keys = ON"))


@pytest.fixture(scope="module", params=["sqlite", *ON_POSTGRESQL])
def tampered(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Sessions, Books]]:
    with opened(request.param, request, tmp_path_factory.mktemp("tampered")) as door:
        yield make_sessions(door.engine), door.books


@pytest.mark.parametrize("what", TAMPERED)
def test_tampering_is_told(tampered: tuple[Sessions, Books], what: str) -> None:
    sessions, books = tampered
    statements, told = TAMPERED[what]
    names = asdict(books)
    with sessions() as session:  # never committed
        assert check_books(session) == []
        take_guards_off(session)
        for statement in statements:
            session.execute(text(statement.format(**names)))
        assert check_books(session) == [sentence.format(**names) for sentence in told]


def test_a_seal_made_anew_with_all_after_it_is_told_by_one_who_kept_the_last(tampered: tuple[Sessions, Books]) -> None:
    """What no program can see in its own database: a chain recomputed from its start. So the last seal is worth writing down."""
    sessions, books = tampered
    with sessions() as session:  # never committed
        last = session.scalars(select(Seal.sha256).order_by(Seal.number.desc())).first()
        take_guards_off(session)
        for statement in of("closed_entry", CENT_MORE, CENT_LESS, PROOF_MORE):
            session.execute(text(statement.format(**asdict(books))))
        session.execute(text("DELETE FROM seal"))
        for period in session.scalars(select(Period).where(Period.mall_id == books.main).order_by(Period.first_day)).all():
            seal_period(session, NOW, period, "close" if period.state == "closed" else "day")
        assert check_books(session) == []
        assert session.scalars(select(Seal.sha256).order_by(Seal.number.desc())).first() != last
