"""Two at once at the bank, with real transactions that commit, on both databases: the second waits, and is told."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import func, select

from coop.books.bank_lines import bring_file
from coop.books.bank_matching import match_by_hand
from coop.books.bank_months import check_bank
from coop.books.models import BankFile, BankLine, BankMatch
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from tests.factories.banking import OCTOBER_LINES, begin_banking, csv_file, post_october
from tests.integration.books.test_concurrency import Other


def test_an_entry_is_matched_by_one_of_two(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        made = begin_banking(session, now)
        post_october(made)
        bring_file(session, now, "october.csv", csv_file(*OCTOBER_LINES))
        first, second, entry = made.line(21, 200_00), made.line(22, 200_00), str(made.entries["S-3"])
    with transaction(sessions) as session:
        match_by_hand(session, now, first, [entry])
        other = Other(sessions, lambda theirs: match_by_hand(theirs, now, second, [entry]))
        other.waits()
    assert other.ends(Refusal) == f"Entry {entry} has nothing open at the bank: it was matched meanwhile."
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(BankMatch.id))) == 1
        assert check_bank(session) == []


def test_a_file_is_taken_by_one_of_two_and_an_overlapping_one_after_it(sessions: Sessions, now: datetime) -> None:
    whole, half = csv_file(*OCTOBER_LINES), csv_file(*OCTOBER_LINES[8:])
    with transaction(sessions) as session:
        begin_banking(session, now)
    with transaction(sessions) as session:
        bring_file(session, now, "october.csv", whole)
        again = Other(sessions, lambda theirs: bring_file(theirs, now, "october.csv", whole))
        again.waits()
        part = Other(sessions, lambda theirs: bring_file(theirs, now, "half.csv", half))
        part.waits()
    assert "This very file was brought in" in again.ends(Refusal)
    assert part.ends() == ""
    with transaction(sessions) as session:
        files = session.execute(select(BankFile.lines, BankFile.lines_here).order_by(BankFile.id)).all()
        assert [tuple(row) for row in files] == [(16, 0), (0, 8)]
        assert session.scalar(select(func.count(BankLine.id))) == 16
