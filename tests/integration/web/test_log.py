"""The log: who did what in words, narrowed, sorted, paged, taken away, each line with the page of its thing."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC, datetime, timedelta
from html import unescape

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select

from coop.core import audit
from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.leases.models import Lease, Offer
from coop.office.log_words import KINDS
from tests.integration.web.conftest import Web
from tests.integration.web.test_office import count_queries


def write(
    web: Web, *lines: tuple[str, str, object], who: str | None = None, at: datetime | None = None, detail: str = ""
) -> None:
    with transaction(web.sessions) as session:
        for action, kind, subject in lines:
            user_id = web.house.users[who] if who else None
            audit.record(session, at or web.clock.at, action, kind, subject, user_id=user_id, detail=detail)


def rows(client: FlaskClient, asked: str = "") -> list[dict[str, str]]:
    """The lines that an address asks for, as its CSV has them."""
    answer = client.get(f"/office/log?as=csv{asked}")
    assert answer.status_code == 200
    assert answer.headers["Content-Type"].startswith("text/csv")
    return list(csv.DictReader(io.StringIO(answer.text)))


def test_the_log_is_narrowed_by_who_what_words_and_days(web: Web) -> None:
    """Days are those of the office: 4:00 in the morning of the 5th by UTC is the evening of the 4th in Chicago."""
    manager = web.house.users["manager"]
    write(web, ("dealer changed", "dealer", "D01"), who="manager", at=datetime(2026, 11, 5, 4, tzinfo=UTC), detail="telephone")
    write(web, ("drawer counted", "drawer", "MAIN/"), who="desk", at=datetime(2026, 11, 5, 18, tzinfo=UTC))
    write(web, ("rents posted", "month", "MAIN 2026-10"), at=datetime(2026, 11, 6, 18, tzinfo=UTC))
    client = web.browser("auditor")
    ours = "&from=2026-11-04"
    assert [row["What"] for row in rows(client, ours)] == ["rents posted", "drawer counted", "dealer changed"]
    for asked, found in (
        (f"&who={manager}", ["dealer changed"]),
        ("&who=none", ["rents posted"]),
        ("&kind=sales", ["drawer counted"]),
        ("&kind=months", ["rents posted"]),
        ("&find=TELEPHONE", ["dealer changed"]),
        ("&find=counted", ["drawer counted"]),
        ("&to=2026-11-04", ["dealer changed"]),
        ("&from=2026-11-05&to=2026-11-05", ["drawer counted"]),
        ("&sort=when", ["dealer changed", "drawer counted", "rents posted"]),
    ):
        assert [row["What"] for row in rows(client, asked if "from=" in asked else ours + asked)] == found, asked
    assert rows(client, ours)[-1] == {
        "When": "2026-11-04 22:00:00",
        "Who": "manager@example.org",
        "What": "dealer changed",
        "About": "dealer D01",
        "More": "telephone",
    }
    assert rows(client, ours)[0]["Who"] == "command line or schedule"
    wrong = client.get("/office/log?from=yesterday").text
    assert "Write the day, like 2026-10-19." in wrong
    assert 'value="yesterday"' in wrong


def test_the_log_is_read_page_by_page(web: Web) -> None:
    for n in range(120):
        write(web, ("tried", "thing", n), who="manager", at=web.clock.at + timedelta(seconds=n))
    client = web.browser("auditor")
    seen: list[str] = []
    for page in ("", "&page=2", "&page=3"):
        seen += re.findall(r'<td class="long wide-only">thing (\d+)</td>', client.get(f"/office/log?find=tried{page}").text)
    assert seen == [str(n) for n in reversed(range(120))]
    assert "1 to 50 of 120 lines" in client.get("/office/log?find=tried").text


def test_the_log_is_sorted_by_its_moments_and_of_one_moment_by_what_was_written_first(web: Web) -> None:
    """Work that was begun earlier may be written down later."""
    noon = web.clock.at
    for n, minutes in enumerate((0, -30, 15, 15)):
        write(web, ("tried", "moment", n), at=noon + timedelta(minutes=minutes))
    client = web.browser("auditor")
    assert [row["About"] for row in rows(client, "&find=tried")] == ["moment 3", "moment 2", "moment 0", "moment 1"]
    assert [row["About"] for row in rows(client, "&find=tried&sort=when")] == ["moment 1", "moment 0", "moment 2", "moment 3"]


def test_what_was_done_reads_in_words_and_is_found_by_them(web: Web) -> None:
    write(web, ("mail.resend", "outbox", web.house.failed_mail), ("tax.import-applied", "tax_import", 1))
    client = web.browser("manager")
    assert [row["What"] for row in rows(client, "&find=letter+sent+again")] == ["letter sent again"]
    assert [row["About"] for row in rows(client, "&find=tax+file+applied")] == ["tax file 1"]
    page = client.get("/office/log").text
    assert "resend" not in page
    assert "import-applied" not in page


def test_every_thing_that_has_a_page_is_a_link_to_it(web: Web) -> None:
    with transaction(web.sessions) as session:
        lease, offer = session.scalars(select(Lease.id).limit(1)).one(), session.scalars(select(Offer.id)).one()
    things: dict[tuple[str, object], tuple[str, str]] = {
        ("dealer", "D01"): ("dealer D01", "/office/dealers/D01"),
        ("co-op", 1): ("the co-op", "/office/settings/"),
        ("mall", "MAIN"): ("mall MAIN", "/office/floor/MAIN"),
        ("floor plan", web.house.mall.id): ("plan of MAIN", "/office/floor/MAIN"),
        ("space", 1): ("space 12, MAIN", "/office/floor/MAIN/spaces/12"),
        ("lease", lease): (f"lease {lease} at MAIN", f"/office/leases/MAIN/{lease}"),
        ("offer", offer): (f"offer {offer}", f"/office/leases/MAIN/offers/{offer}"),
        ("waiting", 2): ("wish 2", "/office/leases/MAIN/waiting"),
        ("outbox", web.house.failed_mail): (
            f"letter {web.house.failed_mail}",
            f"/office/letters/{web.house.failed_mail}",
        ),
        ("question", web.house.question): (
            f"question {web.house.question}",
            f"/office/letters/questions/{web.house.question}",
        ),
        ("claim", 1): ("claim 1", f"/office/sales/MAIN/unclaimed/{web.house.unclaimed}"),
        ("gift certificate", "1001"): ("gift certificate 1001", "/office/sales/certificates/1"),
        ("layaway", "MAIN/1"): ("layaway MAIN/1", "/office/layaways/MAIN/1"),
        ("drawer", "MAIN/"): ("drawer MAIN/", "/office/sales/drawers/MAIN"),
        ("tax import", 1): ("tax file 1", "/office/tax/files/1"),
        ("tax certificate", 1): ("tax certificate 1", "/office/tax/certificates/1"),
        ("tax return", "elder-revenue-office.2026-10"): (
            "tax return elder-revenue-office.2026-10",
            "/office/tax/returns/elder-revenue-office.2026-10",
        ),
        ("jurisdiction", "EL"): ("jurisdiction EL", "/office/tax/jurisdictions/EL"),
        ("journal", 1): ("entry by hand 1", "/office/books/by-hand/1"),
        ("bank line", 1): ("bank line 1", "/office/bank/lines/1"),
        ("bank month", "2026-10"): ("bank, October 2026", "/office/bank/months/2026-10"),
        ("month", "MAIN 2026-10"): ("October 2026, MAIN", "/office/months/MAIN/2026-10"),
        ("payout run", 1): ("payout run 1", "/office/payouts/runs/1"),
        ("patronage", 2025): ("patronage 2025", "/office/payouts/patronage/2025"),
    }
    write(web, *(("tried", kind, subject) for kind, subject in things))
    client = web.browser("manager")
    page = client.get("/office/log?find=tried").text
    links = dict(re.findall(r'<td class="long wide-only"><a href="([^"]+)">([^<]+)</a></td>', page))
    assert {(unescape(words), unescape(address)) for address, words in links.items()} <= set(things.values())
    for words, address in things.values():
        assert f'<a href="{address}">{words}</a>' in page, words
        assert client.get(address).status_code == 200, address
    before = count_queries(web, "manager", "/office/log?find=tried")
    write(web, *(("tried again", kind, subject) for kind, subject in things))
    assert count_queries(web, "manager", "/office/log?find=tried") == before


@pytest.mark.parametrize(
    ("kind", "subject", "words"),
    [
        ("lease", 999, "lease 999"),
        ("bank month", "all months", "bank month all months"),
        ("bank month", "2026", "bank month 2026"),
        ("month", "MAIN", "month MAIN"),
        ("month close", "MAIN 2026-13", "month MAIN 2026-13"),
        ("thing", 7, "thing 7"),
    ],
)
def test_what_has_no_page_or_is_gone_keeps_its_words(web: Web, kind: str, subject: object, words: str) -> None:
    write(web, ("tried", kind, subject))
    page = web.browser("manager").get("/office/log?find=tried").text
    assert f'<td class="long wide-only">{words}</td>' in page


def test_a_person_that_something_was_done_to_is_called_by_mail_address(web: Web) -> None:
    write(web, ("user added", "user", web.house.users["auditor"]), who="manager")
    write(web, ("signed in", "user", web.house.users["auditor"]), who="auditor")
    found = rows(web.browser("bookkeeper"), "&kind=people&find=user+added")
    assert found[0]["About"] == "auditor@example.org"
    assert rows(web.browser("bookkeeper"), "&kind=people&find=signed")[0]["About"] == ""
    address = f"/office/settings/people/{web.house.users['auditor']}"
    assert f'<a href="{address}">auditor@example.org</a>' in web.browser("manager").get("/office/log").text
    assert address not in web.browser("bookkeeper").get("/office/log").text


def test_every_thing_in_the_house_is_of_a_kind(web: Web) -> None:
    """What somebody logs under a new name is put to a kind, so that narrowing by kind hides nothing."""
    known = {thing for _, things in KINDS.values() for thing in things}
    with transaction(web.sessions) as session:
        assert set(session.scalars(select(AuditLog.subject_kind).distinct())) <= known


@pytest.mark.parametrize("who", ["manager", "bookkeeper", "auditor"])
def test_who_reads_the_log_may_take_it_away(web: Web, who: str) -> None:
    assert len(rows(web.browser(who))) > 5
