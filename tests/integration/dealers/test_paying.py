"""How dealers are paid and their tax forms: sealed, masked, told, logged; and sealed again under another key."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, func, select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from coop.cli.context import Coop
from coop.cli.machine import check_sealed
from coop.config import Settings
from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.outbox import Outbox
from coop.core.sealed_text import FieldKeys, reseal, sealed_columns, unopened
from coop.dealers import paying
from coop.dealers.models import Dealer, PayoutDetail
from coop.dealers.paying import Paying
from coop.dealers.service import add_user
from tests.factories.people import make_coop, make_dealer

OLD, NEW = (FieldKeys((key * 43 + "=",)) for key in "AE")
HERS = Paying("ach", "person", "111000025", "000123456789", "checking")
BY = 1
SSN = "536-90-4399"
"""Of the form of one; never issued to anybody the tests know. Source: python-stdnum's own example."""


@pytest.fixture
def dealer(sessions: Sessions, now: datetime) -> Dealer:
    with transaction(sessions) as session:
        make_coop(session, now)
        made = make_dealer(session, now)
        made.member.email = "ida@example.org"
        user, _passphrase = add_user(session, now, email="bookkeeper@example.org", roles=["bookkeeper"])
        assert user.id == BY
    return made


def enter(session: Session, now: datetime, dealer: Dealer, how: Paying, keys: FieldKeys = OLD) -> PayoutDetail:
    return paying.set_detail(session, now, keys, dealer, how, mail_domain="example.org", user_id=BY)


def test_a_number_is_sealed_masked_and_seen_only_with_a_word_in_the_log(
    sessions: Sessions, engine: Engine, now: datetime, dealer: Dealer
) -> None:
    with transaction(sessions) as session:
        assert paying.how_paid(paying.detail_of(session, dealer.id)) == "by check"
        detail = enter(session, now, dealer, HERS)
        assert (paying.how_paid(detail), paying.masked(detail)) == ("by bank transfer", "checking account ending 6789")
        assert paying.account_of(OLD, detail) == "000123456789"
        assert paying.reveal_account(session, now, OLD, dealer, user_id=8) == "000123456789"
    with engine.connect() as connection:
        [row] = connection.execute(text("SELECT * FROM payout_detail")).mappings()
        assert "0123456789" not in str(dict(row))
    with transaction(sessions) as session:
        logged = session.execute(select(AuditLog.action, AuditLog.user_id, AuditLog.detail).order_by(AuditLog.id)).all()
        assert logged[-2:] == [("payout details changed", BY, "by bank transfer"), ("bank account seen", 8, "ending 6789")]
        [mail] = session.scalars(select(Outbox)).all()
        assert mail.recipient == "ida@example.org"
        assert mail.text_body.startswith("From now on the co-op pays D01 by bank transfer.")
        assert not re.search(r"\d{4}", f"{mail.subject} {mail.text_body} {mail.html_body}")
        with pytest.raises(Refusal, match="sealed under a key that is not here"):
            paying.reveal_account(session, now, NEW, dealer, user_id=8)


def test_the_newest_counts_and_the_same_again_changes_nothing(sessions: Sessions, now: datetime, dealer: Dealer) -> None:
    later = now + timedelta(days=3)
    with transaction(sessions) as session:
        other = make_dealer(session, now, "D02")
        first = enter(session, now, dealer, HERS)
        assert enter(session, later, dealer, HERS).changed_at == now  # a form sent twice does not begin the wait anew
        assert len(paying.detail_history(session, dealer.id)) == 1
        moved = enter(session, later, dealer, replace(HERS, account="999956789"))
        assert moved.id != first.id  # the same last four, another number
        enter(session, later, other, Paying("hand"))
        assert enter(session, later, other, Paying("hand", "business")).method == "hand"
        by_dealer = paying.details_of(session)
        assert {key: row.id for key, row in by_dealer.items()} == {
            dealer.id: moved.id,
            other.id: paying.detail_history(session, other.id)[0].id,
        }
        # Where the key is lost, the same number is entered again.
        assert enter(session, later, dealer, replace(HERS, account="999956789"), NEW).id != moved.id
        assert session.scalar(select(func.count()).select_from(Outbox)) == 3


@pytest.mark.parametrize(
    ("how", "says"),
    [
        # 111000025 checks by the 3-7-1 rule, 112000025 does not. Source: python-stdnum, us.rtn.
        (replace(HERS, routing="112000025"), "A digit of the routing number is wrong"),
        (replace(HERS, routing="11100002"), "The routing number has nine digits"),
        (replace(HERS, routing="1110000²5"), "The routing number has nine digits"),
        (replace(HERS, account="123"), "The account number has 4 to 17 digits"),
        (replace(HERS, account="1" * 18), "The account number has 4 to 17 digits"),
        (replace(HERS, account_kind=""), "The kind of account is checking or savings"),
        (replace(HERS, holder="club"), "The holder of the account is a person or a business"),
        (Paying("cash"), "by bank transfer, by check, by hand, not 'cash'"),
    ],
)
def test_what_no_bank_takes_is_refused_by_its_field(
    sessions: Sessions, now: datetime, dealer: Dealer, how: Paying, says: str
) -> None:
    with transaction(sessions) as session:
        with pytest.raises(Refusal, match=re.escape(says)):
            enter(session, now, dealer, how)
        assert paying.detail_of(session, dealer.id) is None


def test_a_number_put_in_anothers_place_is_found(sessions: Sessions, engine: Engine, now: datetime, dealer: Dealer) -> None:
    with transaction(sessions) as session:
        other = make_dealer(session, now, "D02")
        hers = enter(session, now, dealer, HERS)
        theirs = enter(session, now, other, replace(HERS, account="44445555"))
    swap = text("UPDATE payout_detail SET account_sealed = :sealed WHERE id = :id")
    with engine.begin() as connection:
        connection.execute(swap, {"sealed": theirs.account_sealed, "id": hers.id})
    with transaction(sessions) as session:
        with pytest.raises(Refusal, match="does not hold the account ending 6789"):
            paying.reveal_account(session, now, OLD, dealer, user_id=1)
    with pytest.raises(DBAPIError, match="never changed"), engine.begin() as connection:
        connection.execute(text("UPDATE payout_detail SET account_last4 = '5555'"))


def test_a_tax_form_is_on_file_with_a_number_that_can_be_one(sessions: Sessions, now: datetime, dealer: Dealer) -> None:
    day = date(2026, 10, 30)
    with transaction(sessions) as session:
        assert paying.forms_of(session) == {}
        # Source of the numbers: python-stdnum's examples of us.ssn, us.ein and us.itin.
        for kind, wrong in (
            ("SSN", "111-22-333"),
            ("SSN", "666-00-0000"),
            ("EIN", "07-1144442"),
            ("ITIN", "123-45-6789"),
            ("", SSN),
        ):
            with pytest.raises(Refusal, match=r"The number is no|Say what kind"):
                paying.record_tax_form(session, now, OLD, dealer, form="W-9", received_on=day, number_kind=kind, number=wrong)
        with pytest.raises(Refusal, match="W-9, W-8, other"):
            paying.record_tax_form(session, now, OLD, dealer, form="W-4", received_on=day)
        bare = paying.record_tax_form(session, now, OLD, dealer, form="W-8", received_on=day)
        assert paying.forms_of(session) == {dealer.id: bare}
        with pytest.raises(Refusal, match="no tax number of D01"):
            paying.reveal_tax_number(session, now, OLD, dealer, user_id=1)
        for kind, typed, last4 in (("EIN", "911144442", "4442"), ("ITIN", "912-90-3456", "3456"), ("SSN", "536904399", "4399")):
            form = paying.record_tax_form(
                session, now, OLD, dealer, form="W-9", received_on=day, number_kind=kind, number=typed, user_id=BY
            )
            assert (form.number_last4, typed in form.number_sealed) == (last4, False)
        assert paying.forms_of(session) == {dealer.id: form}
        assert paying.reveal_tax_number(session, now, OLD, dealer, user_id=8) == SSN
        logged = session.execute(select(AuditLog.action, AuditLog.user_id, AuditLog.detail).order_by(AuditLog.id)).all()
        assert logged[-2:] == [("tax form on file", BY, "W-9, received 2026-10-30"), ("tax number seen", 8, "W-9")]


def test_everything_is_sealed_again_or_nothing_is(sessions: Sessions, engine: Engine, now: datetime, dealer: Dealer) -> None:
    both = FieldKeys((*NEW.keys, *OLD.keys))
    with transaction(sessions) as session:
        enter(session, now, dealer, HERS)
        paying.record_tax_form(
            session, now, OLD, dealer, form="W-9", received_on=date(2026, 10, 30), number_kind="SSN", number=SSN
        )
        assert unopened(session, NEW) == 2
    with pytest.raises(Refusal, match="does not open"), transaction(sessions) as session:
        reseal(session, NEW)
    with transaction(sessions) as session:
        assert reseal(session, both) == 2
    with transaction(sessions) as session:
        assert (unopened(session, NEW), unopened(session, OLD)) == (0, 2)
        assert paying.reveal_account(session, now, NEW, dealer, user_id=None) == HERS.account
        assert paying.reveal_tax_number(session, now, NEW, dealer, user_id=None) == SSN
    for keys, fault in ((NEW, False), (OLD, True)):
        settings = Settings(data=Path("nowhere"), field_keys=",".join(keys.keys))
        assert ("2 of 2 do not open" in check_sealed(Coop(settings, engine, sessions)).fault) is fault
    assert {f"{table.name}.{column.name}" for table, column in sealed_columns()} == {
        "ach_origin.account_sealed",
        "payout_detail.account_sealed",
        "sign_in_link.token_sealed",
        "tax_form.number_sealed",
    }
