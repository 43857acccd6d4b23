"""All statements of a month in one file: each on the front of a sheet, made by a worker, and those alone that go by no mail."""

from __future__ import annotations

import io
import subprocess
from datetime import datetime, timedelta

import pikepdf
import pytest
from sqlalchemy import select

from coop.core.db import Sessions, transaction
from coop.core.documents import keep_document
from coop.core.errors import Refusal
from coop.core.jobs import Job, run_job
from coop.core.mail import Outbox
from coop.dealers.models import Dealer
from coop.statements.book import ask_for_book, bind, book_document, newest_books, statements_to_bind
from coop.statements.documents import statement_pdf
from coop.statements.exporting import lines_file
from coop.statements.models import Statement, StatementBook
from coop.statements.service import freeze_statement, queue_statement_mail
from tests.factories import statements
from tests.factories.coops import APRIL, MARCH, SmallCoop, build_coop
from tests.integration.statements.test_service import charge

SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


@pytest.fixture
def coop(sessions: Sessions, now: datetime) -> SmallCoop:
    """March's statements of four dealers, each with a kept paper of one page."""
    one_page = statement_pdf(statements.left())
    with transaction(sessions) as session:
        coop = build_coop(session, now)
        charge(session, now, coop, MARCH)
        for code, dealer in coop.dealers.items():
            statement = freeze_statement(session, now, coop.mall, dealer, MARCH)
            statement.document_id = keep_document(
                session, now, file_name=f"{code}.pdf", media_type="application/pdf", content=one_page, made_with="a test"
            ).id
    return coop


def test_each_statement_begins_on_the_front_of_a_sheet() -> None:
    papers = [
        ("one", statement_pdf(statements.left())),
        ("two", statement_pdf(statements.two_pages())),
        ("three", statement_pdf(statements.left())),
    ]
    made = bind(papers, title="Statements of December 2010, Hall")
    with pikepdf.open(io.BytesIO(made)) as file:
        assert list(file.check_pdf_syntax()) == []
        assert str(file.docinfo["/Title"]) == "Statements of December 2010, Hall"
        assert [float(page.MediaBox[2]) for page in file.pages] == [612] * 6
        with file.open_outline() as outline:
            assert [item.title for item in outline.root] == ["one", "two", "three"]
    text = subprocess.run(["pdftotext", "-", "-"], input=made, capture_output=True, check=True).stdout.decode().split("\f")
    assert [("page 1 of" in page, not page.strip()) for page in text[:6]] == [
        (True, False),
        (False, True),
        (True, False),
        (False, False),
        (True, False),
        (False, True),
    ]
    fonts = subprocess.run(["pdffonts", "-"], input=made, capture_output=True, check=True).stdout.decode().splitlines()[2:]
    assert fonts
    assert all("Source-Serif-Pro" in font and " yes yes yes " in font for font in fonts)


def test_bound_again_it_is_the_same_to_the_byte() -> None:
    papers = [("one", statement_pdf(statements.left()))]
    assert bind(papers, title="T") == bind(papers, title="T")


def ask(session, now, coop, *, without_mail: bool = False) -> list[int]:
    ask_for_book(session, now, coop.mall, MARCH, without_mail=without_mail)
    return list(session.scalars(select(Job.id).where(Job.kind == "statements.book", Job.state == "queued")))


def test_a_worker_makes_it_once_and_the_newest_is_served(sessions, coop, now):
    for round_ in (1, 2):
        with transaction(sessions) as session:
            assert len(ask(session, now, coop)) == 1
        with transaction(sessions) as session:
            [job_id] = ask(session, now, coop)  # asked twice, it is one
        assert run_job(sessions, job_id, lease=timedelta(seconds=30), clock=lambda: now)
        with transaction(sessions) as session:
            assert session.get_one(Job, job_id).state == "done"
            assert len(session.scalars(select(StatementBook)).all()) == round_
            [book] = newest_books(session, coop.mall.id, MARCH)
            assert (book.statements, book.without_mail) == (4, False)
            document = book_document(session, coop.mall.id, MARCH, without_mail=False)
            assert document is not None
            assert (document.id, document.file_name) == (book.document_id, "statements-MAIN.2025-03.pdf")
            assert book_document(session, coop.mall.id, MARCH, without_mail=True) is None
            assert document.made_with.startswith("pypdf ")
            with pikepdf.open(io.BytesIO(document.content)) as file:
                assert len(file.pages) == 8


def numbers(session, coop, *, without_mail: bool = True) -> list[str]:
    return [one.number[5:8] for one in statements_to_bind(session, coop.mall, MARCH, without_mail=without_mail)]


def test_without_mail_are_those_with_no_address_and_whose_mail_did_not_arrive(sessions, coop, now):
    with transaction(sessions) as session:
        # Before the mails are queued, who has an address will have one.
        assert numbers(session, coop) == ["D04"]
        for statement in session.scalars(select(Statement).order_by(Statement.number)):
            queue_statement_mail(session, now, statement, mail_domain="example.org", group_key="close:1")
        assert numbers(session, coop) == ["D04"]
        for outbox, state in zip(
            session.scalars(select(Outbox).order_by(Outbox.id)), ("failed", "given_up", "sent"), strict=True
        ):
            outbox.state = state
        session.flush()
        assert numbers(session, coop) == ["D01", "D02", "D04"]
        assert numbers(session, coop, without_mail=False) == ["D01", "D02", "D03", "D04"]


@SQLITE
def test_a_file_of_none_or_of_half_is_refused(sessions, coop, now):
    with transaction(sessions) as session:
        with pytest.raises(Refusal, match="No statement of April 2025 has been made at MAIN: close the month first"):
            statements_to_bind(session, coop.mall, APRIL, without_mail=False)
        with pytest.raises(Refusal, match="No statement of D01 of April 2025 has been made"):
            lines_file(session, coop.mall, APRIL, dealer=coop.dealers["D01"])
        session.get_one(Dealer, coop.dealers["D04"].id).member.email = "otis@example.org"
        session.flush()
        with pytest.raises(Refusal, match="Every statement of March 2025 at MAIN goes by mail"):
            statements_to_bind(session, coop.mall, MARCH, without_mail=True)
        session.rollback()
    with transaction(sessions) as session:
        dealer = coop.dealers["D01"]
        post = freeze_statement(session, now, coop.mall, dealer, APRIL)
        assert post.document_id is None
        with pytest.raises(
            Refusal, match=r"1 of the statements of April 2025 at MAIN have no PDF yet, MAIN.D01.2025-04 the first"
        ):
            statements_to_bind(session, coop.mall, APRIL, without_mail=False)
