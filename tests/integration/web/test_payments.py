"""A dealer's payment posted in the office: what she owes goes down by it, once."""

from __future__ import annotations

import pytest
from sqlalchemy import func, select

from coop.books.models import Account, Entry, Posting
from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.floor.service import add_mall
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_tax_terms import mistake_at

ADDRESS = "/office/dealers/D01/payment"
GOOD = {"mall": "MAIN", "amount": "212.50", "paid_by": "check", "reference": "1187", "paid_on": "2026-11-02"}


def balances(web: Web) -> dict[str, int]:
    """Cents, debit positive, of the accounts a payment may move."""
    with web.sessions() as session:
        rows = session.execute(
            select(Account.path, func.sum(Posting.amount_cents))
            .join(Posting, Posting.account_id == Account.id)
            .where(Account.path.like("Assets:%MAIN") | Account.path.like("Liabilities:Dealers%D01%"))
            .group_by(Account.path)
        )
        return {path: int(cents) for path, cents in rows}


def test_a_payment_goes_to_the_checks_and_off_what_she_owes(web: Web) -> None:
    before = balances(web)
    answer = send(web.browser("manager"), ADDRESS, **GOOD)
    assert answer.headers["Location"] == "/office/dealers/D01"
    moved = {path: cents - before.get(path, 0) for path, cents in balances(web).items() if cents != before.get(path, 0)}
    assert sorted(moved.values()) == [-212_50, 212_50]
    assert moved["Assets:Checks-to-deposit:MAIN"] == 212_50
    with web.sessions() as session:
        entry = session.scalars(select(Entry).where(Entry.kind == "payment")).one()
        assert (entry.source_id, entry.memo) == ("MAIN/D01/1187", "Your payment by check, 1187")
        assert session.scalar(select(AuditLog.detail).where(AuditLog.action == "payment received")) == "MAIN, 1187"


def test_it_is_posted_only_where_she_has_leased(web: Web) -> None:
    with transaction(web.sessions) as session:
        add_mall(session, web.clock.at, "EAST", name="East Hall", timezone="America/Chicago")
    client = web.browser("manager")
    page = client.get(ADDRESS).text
    assert ('value="MAIN"' in page, 'value="EAST"' in page) == (True, False)
    before = balances(web)
    answer = send(client, ADDRESS, **{**GOOD, "mall": "EAST"})
    assert (answer.status_code, mistake_at(answer.text, "mall")) == (422, "Choose one of those listed.")
    assert balances(web) == before


def test_the_same_reference_posts_once(web: Web) -> None:
    client = web.browser("manager")
    assert send(client, ADDRESS, **GOOD).status_code == 303
    before = balances(web)
    answer = send(client, ADDRESS, **{**GOOD, "amount": "5"})
    assert answer.status_code == 422
    assert "posted already" in mistake_at(answer.text, "reference")
    assert balances(web) == before


@pytest.mark.parametrize(
    ("wrong", "at", "sentence"),
    [
        ({"amount": "0"}, "amount", "above zero"),
        ({"amount": "ten"}, "amount", "not an amount"),
        ({"reference": " "}, "reference", "number of the check"),
        ({"paid_on": "2026-11-04"}, "paid_on", "still to come"),
        ({"paid_on": "November"}, "paid_on", "not a day"),
        ({"mall": "WEST"}, "mall", "one of those listed"),
        ({"paid_by": "card"}, "paid_by", "one of those listed"),
    ],
)
def test_what_is_wrong_with_a_payment_is_told_at_its_field(web: Web, wrong: dict[str, str], at: str, sentence: str) -> None:
    before = balances(web)
    answer = send(web.browser("manager"), ADDRESS, **{**GOOD, **wrong})
    assert answer.status_code == 422
    assert sentence in mistake_at(answer.text, at)
    assert balances(web) == before
