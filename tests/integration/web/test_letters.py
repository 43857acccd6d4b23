"""The office's letters: sifted by state, kind, month and dealer; failed ones sent again in one form; what goes on paper."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from sqlalchemy import select, update

from coop.core.db import transaction
from coop.core.mail import MailAttempt, queue_mail
from coop.core.outbox import Outbox
from coop.dealers.models import Dealer
from coop.leases.models import Letter
from coop.statements.models import StatementQuestion
from tests.factories.leasing import Leasing
from tests.integration.web.conftest import Web, form_token, send
from tests.integration.web.test_office import count_queries


def listed(page: str) -> list[str]:
    """Whom the letters of a page go to."""
    table = page.partition('<table class="letters">')[2].partition("</table>")[0]
    return re.findall(r'href="/office/letters/\d+">([^<]+)</a>', table)


def write(web: Web, key: str, *, kind: str = "question", recipient: str = "manager@example.org", state: str = "sent") -> int:
    with transaction(web.sessions) as session:
        mail = queue_mail(
            session, web.clock.at, key=key, kind=kind, recipient=recipient, subject=key, text_body="x", mail_domain="example.org"
        )
        mail.state = state
        return mail.id


@pytest.mark.parametrize(
    ("asked", "there"),
    [
        ("", {"D01 Fenwick &amp; Daughter", "D02 Amos Pell", "manager@example.org"}),
        ("kind=statement", {"D01 Fenwick &amp; Daughter", "D02 Amos Pell"}),
        ("kind=question", {"manager@example.org"}),
        ("month=2026-10", {"D01 Fenwick &amp; Daughter", "D02 Amos Pell"}),
        ("month=2026-11&kind=statement", set()),
        ("dealer=d02", {"D02 Amos Pell"}),
        ("dealer=D02&state=sent", set()),
        ("state=failed&kind=statement&month=2026-10", {"D02 Amos Pell"}),
        ("dealer=D99", set()),
    ],
)
def test_letters_are_sifted(web: Web, asked: str, there: set[str]) -> None:
    write(web, "question/9/1")
    page = web.browser("auditor").get(f"/office/letters?{asked}").text
    found = set(listed(page))
    assert there <= found
    # The house writes other letters too, in November.
    if "kind" in asked or "month=2026-10" in asked or "dealer" in asked:
        assert found - there <= {"ida@example.org", "amos@example.org"} - {"amos@example.org" if "D02" in asked else ""}
    if not there:
        assert "There is none like it" in page


def test_the_counts_are_of_what_is_asked_for(web: Web) -> None:
    page = web.browser("auditor").get("/office/letters?kind=statement&month=2026-10").text
    assert "1 of 2 letters went; 1 was refused or given up." in page
    assert "<p>2 letters</p>" in page


def test_letters_are_sorted_and_taken_as_csv(web: Web) -> None:
    write(web, "question/9/1", recipient="zoe@example.org")
    client = web.browser("auditor")
    assert listed(client.get("/office/letters?sort=-to").text)[0] == "zoe@example.org"
    lines = client.get("/office/letters?state=failed&kind=statement&as=csv").text.splitlines()
    assert lines[0] == "Letter,To,Kind,Subject,State,Tries,Written,Answer"
    assert lines[1].startswith(
        f"{web.house.failed_mail},d02@example.org,Statements,Your statement for October 2026 (D02),refused,1,"
    )
    assert len(lines) == 2


def test_the_csv_says_when_a_letter_was_written_where_the_office_is(web: Web) -> None:
    night = write(web, "question/8/1")
    with transaction(web.sessions) as session:
        session.execute(update(Outbox).where(Outbox.id == night).values(created_at=datetime(2026, 11, 1, 4, 30, tzinfo=UTC)))
    lines = web.browser("auditor").get("/office/letters?month=2026-10&kind=question&as=csv").text.splitlines()
    assert [line.split(",")[6] for line in lines] == ["Written", "2026-10-31 23:30"]


def test_a_month_that_is_none_is_told(web: Web) -> None:
    page = web.browser("auditor").get("/office/letters?month=october").text
    assert "Choose one of these." in page


def test_failed_letters_are_sent_again_in_one_form_each_under_its_own_id(web: Web) -> None:
    other = write(web, "other/1", kind="letter", state="given_up")
    client = web.browser("manager")
    page = client.get("/office/letters").text
    ticked = [int(n) for n in re.findall(r'name="mail" value="(\d+)" checked', page)]
    assert sorted(ticked) == sorted([web.house.failed_mail, other])
    fields = {"mail": [str(n) for n in (*ticked, web.house.sent_mail, 999_999)]}
    answer = send(client, "/office/letters/resend?kind=statement", **fields)
    assert answer.headers["Location"] == "/office/letters?kind=statement"
    said = client.get("/office/letters").text
    assert "2 letters are on their way again." in said
    assert "2 were left" in said
    with transaction(web.sessions) as session:
        copies = session.scalars(select(Outbox).where(Outbox.resend_of_id.in_(ticked))).all()
        firsts = session.scalars(select(Outbox).where(Outbox.id.in_(ticked))).all()
        assert [copy.state for copy in copies] == ["queued", "queued"]
        assert len({mail.message_id for mail in (*copies, *firsts)}) == 4
        assert session.scalar(select(Outbox.id).where(Outbox.resend_of_id == web.house.sent_mail)) is None
    # On its way, none of them is offered or sent a second time.
    assert 'name="mail"' not in said
    send(client, "/office/letters/resend", mail=[str(web.house.failed_mail)])
    with transaction(web.sessions) as session:
        assert len(session.scalars(select(Outbox).where(Outbox.resend_of_id == web.house.failed_mail)).all()) == 1
    send(client, "/office/letters/resend")
    assert "Nothing was sent again" in client.get("/office/letters").text
    reader = web.browser("auditor")
    assert 'name="mail"' not in reader.get("/office/letters").text
    assert reader.post("/office/letters/resend", data={"csrf_token": form_token(reader)}).status_code == 403


def test_every_attempt_of_a_letter_and_its_copies_is_on_its_page(web: Web) -> None:
    client = web.browser("manager")
    answer = send(client, f"/office/letters/{web.house.failed_mail}/resend")
    fresh = int(answer.headers["Location"].rpartition("/")[2])
    with transaction(web.sessions) as session:
        session.add(
            MailAttempt(outbox_id=fresh, started_at=web.clock.at, ended_at=web.clock.at, outcome="sent", reply="250 fine")
        )
    for mail_id in (web.house.failed_mail, fresh):
        page = client.get(f"/office/letters/{mail_id}").text
        assert "550 5.1.1 no such mailbox" in page
        assert "250 fine" in page
        assert "Statements" in page


def test_what_goes_by_no_mail_is_listed_with_its_reason_and_the_file_for_printing(web: Web) -> None:
    client = web.browser("manager")
    page = client.get("/office/letters").text
    assert "1 of 2 statements goes by no mail" in page
    assert "its mail was refused" in page
    assert 'href="/office/months/MAIN/2026-10#print"' in page
    # Sent again and arrived, it is not printed; one whose dealer has no address is.
    with transaction(web.sessions) as session:
        session.execute(update(Outbox).where(Outbox.id == web.house.failed_mail).values(state="sent"))
        amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        amos.member.email = ""
    assert "Every one of 2 statements goes by mail" in client.get("/office/letters").text
    with transaction(web.sessions) as session:
        session.execute(update(Outbox).where(Outbox.id == web.house.failed_mail).values(state="failed"))
    assert "On paper" not in client.get("/office/letters?kind=question").text
    assert "On paper" not in client.get("/office/letters?month=2026-09").text


@pytest.mark.parametrize("address", ["/office/letters?dealer=D01", "/office/letters/questions/", "/portal/statements"])
def test_no_list_asks_more_when_there_is_more_to_show(web: Web, address: str) -> None:
    who = "dealer" if address.startswith("/portal") else "manager"
    before = count_queries(web, who, address)
    for n in range(60):
        write(web, f"more/{n}", recipient="ida@example.org", state="failed" if n % 2 else "sent")
    with transaction(web.sessions) as session:
        first = session.get_one(StatementQuestion, web.house.question)
        for n in range(60):
            session.add(
                StatementQuestion(
                    statement_id=first.statement_id,
                    line="whole",
                    said="The statement as a whole",
                    question=f"Question {n}?",
                    asked_at=web.clock.at,
                    answer="Yes." if n % 2 else "",
                    answered_at=web.clock.at if n % 2 else None,
                )
            )
    assert count_queries(web, who, address) == before
    page = web.browser(who).get(address).text
    if who == "manager":
        assert 'rel="next"' in page or "questions" in address


def test_letters_of_leases_and_offers_are_listed_by_whom_they_are_to(web: Web, leasing: Leasing) -> None:
    ids = [write(web, f"letter/{n}", kind="letter", recipient="ida@example.org") for n in range(2)]
    with transaction(web.sessions) as session:
        of_lease = session.get_one(Letter, leasing.letter)
        of_lease.outbox_id = ids[0]
        columns = {name: getattr(of_lease, name) for name in ("mall_id", "kind", "subject", "value", "made_on")}
        session.add(Letter(key="an offer", offer_id=leasing.offer, outbox_id=ids[1], **columns))
    client = web.browser("auditor")
    assert {"D01 Fenwick &amp; Daughter", "Ida Fenwick"} <= set(listed(client.get("/office/letters?kind=letter").text))
    assert "<dd>D01 Fenwick &amp; Daughter, ida@example.org</dd>" in client.get(f"/office/letters/{ids[0]}").text
