"""Due dates in a calendar program: the address is made, shown once, read without signing in, and ended."""

from __future__ import annotations

import logging
import re
from datetime import date, timedelta

import icalendar
import pytest
from sqlalchemy import delete, func, select, update

from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.dealers.feeds import MOST_FEEDS, make_feed
from coop.dealers.models import CalendarFeed, RoleGrant, UserAccount
from coop.tax.models import TaxSetting
from tests.integration.web.conftest import Web, send

PAGE = "/office/tax/calendar"


def made_address(web: Web, who: str = "manager", **fields: str) -> str:
    answer = send(web.browser(who), PAGE, **fields)
    assert answer.status_code == 200
    found = re.findall(r"http://localhost(/feeds/[\w-]{43}\.ics)", answer.text)
    assert len(found) == 1, answer.text
    return str(found[0])


def stored_feed(web: Web) -> CalendarFeed:
    with transaction(web.sessions) as session:
        return session.scalars(select(CalendarFeed).order_by(CalendarFeed.id.desc()).limit(1)).one()


def test_an_address_is_shown_once_and_kept_as_a_hash(web: Web) -> None:
    address = made_address(web, label="My phone")
    secret = address.removeprefix("/feeds/").removesuffix(".ics")
    page = web.browser("manager").get(PAGE).text
    assert "My phone" in page
    assert secret not in page
    feed = stored_feed(web)
    assert (feed.kind, feed.label, feed.last_read_at) == ("tax", "My phone", None)
    assert secret not in repr(vars(feed))
    with transaction(web.sessions) as session:
        logged = session.scalars(select(AuditLog).where(AuditLog.action == "calendar address made")).all()
        assert not any(secret in repr(vars(row)) for row in logged)
        assert logged[-1].subject_id == str(feed.id)


def test_a_stranger_reads_the_due_dates_at_it(web: Web) -> None:
    """Read back by the `icalendar` library, an implementation of RFC 5545 that is not ours."""
    answer = web.browser().get(made_address(web))
    assert answer.status_code == 200
    assert answer.content_type == "text/calendar; charset=utf-8"
    assert answer.headers["Cache-Control"] == "private, max-age=3600"
    events = list(icalendar.Calendar.from_ical(answer.data).walk("VEVENT"))
    # September and the months before it were over before the office was set; October is due on November 20, November on the 21st.
    assert [(e.decoded("DTSTART"), e.decoded("DTEND")) for e in events] == [
        (date(2026, 11, 20), date(2026, 11, 21)),
        (date(2026, 12, 21), date(2026, 12, 22)),
    ]
    assert [str(e["SUMMARY"]).partition(": ")[2] for e in events] == [
        "Elder Revenue Office, October 2026",
        "Elder Revenue Office, November 2026",
    ]
    assert ", filed" in str(events[0]["DESCRIPTION"])
    assert "not filed yet" in str(events[1]["DESCRIPTION"])
    assert all("state's rule decides" in str(e["DESCRIPTION"]) for e in events)
    assert len({str(e["UID"]) for e in events}) == 2
    assert [a.decoded("TRIGGER") for e in events for a in e.walk("VALARM")] == [timedelta(days=-7)] * 2
    assert web.browser().get(PAGE).status_code == 303


def test_a_long_and_odd_name_comes_through_folded(web: Web) -> None:
    name = "Büro; für Steuer, Nord \\ Süd – 税務署 " * 2
    with transaction(web.sessions) as session:
        session.execute(update(TaxSetting).values(office=name))
    data = web.browser().get(made_address(web)).data
    assert max(len(line) for line in data.split(b"\r\n")) == 75
    assert b"\n" not in data.replace(b"\r\n", b"")
    for event in icalendar.Calendar.from_ical(data).walk("VEVENT"):
        assert str(event["SUMMARY"]).startswith(f"Sales-tax return due: {name}, ")


def test_what_was_read_and_has_not_changed_is_not_sent_again(web: Web) -> None:
    address = made_address(web)
    first = web.browser().get(address)
    web.clock.at += timedelta(minutes=30)
    again = web.browser().get(address, headers={"If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")
    assert stored_feed(web).last_read_at == web.clock.at - timedelta(minutes=30)
    web.clock.at += timedelta(hours=1)
    assert web.browser().head(address).status_code == 200
    assert stored_feed(web).last_read_at == web.clock.at


def test_an_ended_address_gives_nothing(web: Web) -> None:
    address = made_address(web)
    client = web.browser("manager")
    send(client, f"{PAGE}/{stored_feed(web).id}/end")
    assert "That address is ended" in client.get(PAGE).text
    ended, unknown = (web.browser().get(one) for one in (address, "/feeds/nothing.ics"))
    assert (ended.status_code, ended.headers["Cache-Control"]) == (404, "no-store")
    assert "or it was ended. Sign in to the co-op, and make a new one." in ended.text
    assert (unknown.status_code, unknown.text) == (404, ended.text)
    assert web.browser("manager").get(address).status_code == 404


def test_an_address_ends_with_its_users_role(web: Web) -> None:
    address = made_address(web, "bookkeeper")
    of_user = RoleGrant.user_id == web.house.users["bookkeeper"]
    with transaction(web.sessions) as session:
        session.execute(update(RoleGrant).where(of_user).values(role="dealer"))
    assert web.browser().get(address).status_code == 404
    with transaction(web.sessions) as session:
        session.execute(update(RoleGrant).where(of_user).values(role="auditor"))
    assert web.browser().get(address).status_code == 200
    with transaction(web.sessions) as session:
        session.execute(delete(RoleGrant).where(of_user))
    assert web.browser().get(address).status_code == 404


def test_an_address_ends_with_its_users_sign_in(web: Web) -> None:
    address = made_address(web)
    with transaction(web.sessions) as session:
        session.execute(update(UserAccount).where(UserAccount.id == web.house.users["manager"]).values(disabled_at=web.clock.at))
    assert web.browser().get(address).status_code == 404


def test_unknown_ended_and_lost_are_one_answer(web: Web) -> None:
    with transaction(web.sessions) as session:
        other_kind = make_feed(session, web.clock.at, web.house.users["manager"], "of another program")
    ended = made_address(web)
    send(web.browser("manager"), f"{PAGE}/{stored_feed(web).id}/end")
    answers = {
        web.browser().get(path).text for path in (ended, f"/feeds/{other_kind}.ics", f"/feeds/{'A' * 43}.ics", "/feeds/x.ics")
    }
    assert len(answers) == 1


def test_nobody_ends_anothers_address(web: Web) -> None:
    address = made_address(web, "manager")
    assert send(web.browser("bookkeeper"), f"{PAGE}/{stored_feed(web).id}/end").status_code == 404
    assert web.browser().get(address).status_code == 200


def test_one_too_many_is_refused_at_the_field(web: Web) -> None:
    for _ in range(MOST_FEEDS - 1):
        made_address(web)
    answer = send(web.browser("manager"), PAGE, label="One more")
    assert answer.status_code == 422
    assert f"There are {MOST_FEEDS} addresses already." in answer.text
    assert 'value="One more"' in answer.text
    made_address(web, "auditor")
    assert send(web.browser("auditor"), PAGE, label="x" * 61).status_code == 422
    with transaction(web.sessions) as session:
        of_manager = CalendarFeed.user_id == web.house.users["manager"]
        assert session.scalar(select(func.count(CalendarFeed.id)).where(of_manager)) == MOST_FEEDS


@pytest.mark.parametrize("broken", [False, True])
def test_the_secret_is_in_no_log(
    web: Web, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch, broken: bool
) -> None:
    """Not when it is read, nor when reading it fails."""
    address = made_address(web)
    logger = logging.getLogger("coop")
    logger.addHandler(caplog.handler)
    caplog.clear()
    try:
        if broken:
            monkeypatch.setattr("coop.office.feed_views.due_days", lambda rows: 1 / 0)
        assert web.browser().get(address).status_code == (500 if broken else 200)
    finally:
        logger.removeHandler(caplog.handler)
    assert {getattr(r, "fields", {}).get("rule") for r in caplog.records if r.name == "coop.web"} == {"/feeds/<token>.ics"}
    assert address.removeprefix("/feeds/")[:20] not in caplog.text + repr([vars(r) for r in caplog.records])
