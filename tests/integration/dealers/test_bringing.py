"""Dealers entered from a file: judged against who is there, all of them entered or none."""

from __future__ import annotations

from datetime import date, datetime

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.dealers.bringing import RowsRefused, enter_dealers, propose_dealers
from coop.dealers.dealer_file import read_dealer_file
from coop.dealers.models import Dealer, Member
from tests.factories.people import make_coop, make_dealer

TODAY = date(2026, 11, 3)


def faults(session: Session, text: str) -> list[str]:
    return [one.fault for one in propose_dealers(session, read_dealer_file(text), TODAY)]


def test_every_row_is_entered_under_its_code_or_the_next_free_one(sessions: Sessions, now: datetime) -> None:
    text = "name,code,joined,mail\nIda Fenwick,,2025-03-01,ida@example.org\nAmos Pell,D07,,\nRuth Ambler,,,\n"
    with transaction(sessions) as session:
        make_coop(session, now)
        enter_dealers(session, now, read_dealer_file(text), today=TODAY, user_id=None)
    with transaction(sessions) as session:
        rows = session.execute(
            select(Dealer.code, Member.name, Member.joined_on, Member.email).join(Member).order_by(Dealer.code)
        ).all()
        assert [tuple(row) for row in rows] == [
            ("D07", "Amos Pell", TODAY, ""),
            ("D08", "Ida Fenwick", date(2025, 3, 1), "ida@example.org"),
            ("D09", "Ruth Ambler", TODAY, ""),
        ]
        assert session.scalar(select(func.count(AuditLog.id)).where(AuditLog.action == "dealer entered")) == 3


def test_rows_are_refused_by_who_is_there_and_by_each_other(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        make_coop(session, now)
        make_dealer(session, now, "D01").member.email = "ida@example.org"
        session.flush()
        assert faults(session, "name,code,mail\nAmos Pell,D01,\n") == [
            "Code D01 is taken by Ida Fenwick: choose another, or leave it empty."
        ]
        # Without a mail address it may be her; with another one it is another person.
        assert faults(session, "name,mail\nIDA FENWICK,\nIda Fenwick,ida@example.org\nIda Fenwick,other@example.org\n") == [
            "IDA FENWICK is dealer D01 already: take the row out, or write the name so that the two can be told apart.",
            "Ida Fenwick is dealer D01 already: take the row out, or write the name so that the two can be told apart.",
            "Ida Fenwick stands in row 2 too: take the row out, or write the name so that the two can be told apart.",
        ]
        assert faults(session, "name,code\nAmos Pell,D05\nRuth Ambler,d05\n") == [
            "",
            "Code D05 stands in row 2 too: choose another, or leave it empty.",
        ]
        assert faults(session, "name,joined\nAmos Pell,2026-11-04\n") == [
            "Joined Nov 4, 2026 is still to come: write the day of joining."
        ]


def test_one_bad_row_keeps_all_of_them_out(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        make_coop(session, now)
    with pytest.raises(RowsRefused, match="Rows 3, 4 cannot be entered, so nothing was"), transaction(sessions) as session:
        enter_dealers(session, now, read_dealer_file('name,mail\nIda Fenwick,\nAmos Pell,amos\n,"x"\n'), today=TODAY)
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(Dealer.id))) == 0
        assert session.scalar(select(func.count(Member.id))) == 0
