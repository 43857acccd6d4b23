"""Times logged and taken back by their page, what they change; what resets go by; and the season's calendar."""

from __future__ import annotations

from datetime import date

from icalendar import Calendar
from sqlalchemy import select

from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.dealers.models import Dealer
from coop.resets.domain.hours.estimate import Minutes
from coop.resets.reset_models import Reset, ResetSetting, ResetTime
from coop.resets.settings import setting_of
from coop.resets.working import read_facts
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_reset_pieces import mistakes

LOGGED = {"task": "clean", "minutes": "50", "count": "1", "people": "1", "on_date": "2026-11-01", "reset": ""}


def logged(web: Web) -> list[tuple[str, int, int, int]]:
    with transaction(web.sessions) as session:
        rows = session.scalars(select(ResetTime).order_by(ResetTime.id))
        return [(row.task, row.minutes, row.count, row.people) for row in rows]


# --- times ----------------------------------------------------------------------------------------------------------------------


def test_a_time_is_logged_and_what_it_corrects_is_said(web: Web) -> None:
    client = web.browser("dealer")
    reset = str(web.house.resets.reset)
    assert send(client, "/portal/resets/times", **{**LOGGED, "reset": reset}).status_code == 303
    page = client.get("/portal/resets/times").text
    assert "Logged, clean: 1 booth in 50 minutes by 1 person." in page
    # Cleaning is usually 15, 25, 45: 26 2/3 on the mean. 50 is 1.875 times that; with four usual ones (4 + 1.875) / 5 is 1.175.
    assert "Clean: logged 1 time, 1.88 times as long as expected; planned at 1.18 times the usual." in page
    assert "2 boxes" in page, "what was logged before is on the list"
    with transaction(web.sessions) as session:
        row = session.scalars(select(ResetTime).order_by(ResetTime.id.desc())).first()
        assert row is not None
        assert (row.reset_id, row.on_date) == (int(reset), date(2026, 11, 1))
        log = session.scalars(select(AuditLog).where(AuditLog.action == "time logged").order_by(AuditLog.id.desc())).first()
        assert log is not None
        assert (log.user_id, log.detail) == (web.house.users["dealer"], "clean: 1 booth in 50 minutes by 1 person")
    assert "have changed since this was worked out" in client.get(f"/portal/resets/days/{reset}").text


def test_what_cannot_be_logged_is_told_at_its_field(web: Web) -> None:
    client = web.browser("dealer")
    before = logged(web)
    wrong = {**LOGGED, "task": "dance", "minutes": "0", "count": "", "people": "x", "on_date": "yesterday", "reset": "99"}
    answer = send(client, "/portal/resets/times", **wrong)
    assert answer.status_code == 422
    assert set(mistakes(answer.text)) == set(LOGGED)
    later = send(client, "/portal/resets/times", **{**LOGGED, "on_date": "2026-11-04"})
    assert later.status_code == 422
    assert "The day Nov 4, 2026 is to come: log what was done." in later.text
    assert logged(web) == before


def test_a_time_is_taken_back_and_stands_filled_in(web: Web) -> None:
    client = web.browser("dealer")
    assert logged(web) == [("pack", 25, 2, 1)]
    answer = send(client, f"/portal/resets/times/{web.house.resets.time}/take-back")
    assert answer.status_code == 200
    assert logged(web) == []
    assert "Taken back, pack: 2 boxes in 25 minutes by 1 person." in answer.text
    assert 'value="25"' in answer.text
    assert '<option selected value="pack">' in answer.text
    assert send(client, f"/portal/resets/times/{web.house.resets.time}/take-back").status_code == 404
    assert "What they change" in client.get("/portal/resets/times").text


def test_anothers_times_are_not_there(web: Web) -> None:
    other = web.browser("other dealer")
    assert send(other, f"/portal/resets/times/{web.house.resets.time}/take-back").status_code == 404
    assert other.get("/portal/resets/times?dealer=D01").status_code == 404
    assert "2 boxes" not in other.get("/portal/resets/times").text
    assert mistakes(send(other, "/portal/resets/times", **{**LOGGED, "reset": str(web.house.resets.reset)}).text) == {
        "reset": "Choose one of those listed."
    }
    assert logged(web) == [("pack", 25, 2, 1)]


def test_who_is_two_dealers_logs_for_the_one_that_is_chosen(web: Web) -> None:
    with transaction(web.sessions) as session:
        ida = session.scalars(select(Dealer).where(Dealer.code == "D01")).one()
        session.add(Dealer(member_id=ida.member_id, code="D09", trade_name="Lantern Glass", created_at=web.clock.at))
    client = web.browser("dealer")
    assert 'href="/portal/resets/times?dealer=D09">D09 Lantern Glass</a>' in client.get("/portal/resets/times").text
    answer = send(client, "/portal/resets/times?dealer=D09", **LOGGED)
    assert answer.headers["Location"] == "/portal/resets/times?dealer=D09"
    assert "50 minutes" in client.get("/portal/resets/times?dealer=D09").text
    assert "50 minutes" not in client.get("/portal/resets/times?dealer=D01").text
    # The page of a reset leads to the times of the dealer it is of.
    page = client.get(f"/portal/resets/times?reset={web.house.resets.reset}").text
    assert 'action="/portal/resets/times?dealer=D01"' in page
    assert f'<option selected value="{web.house.resets.reset}">Booth 12, Dec 1, 2026</option>' in page
    send(client, "/portal/resets/settings?dealer=D09", smalls_a_box="6")
    with transaction(web.sessions) as session:
        found = session.execute(select(Dealer.code, ResetSetting.value).join(Dealer, Dealer.id == ResetSetting.dealer_id)).all()
        assert [tuple(row) for row in found] == [("D09", {"smalls_a_box": 6})]


# --- settings -------------------------------------------------------------------------------------------------------------------


def test_settings_keep_what_is_not_usual_and_plans_go_by_them(web: Web) -> None:
    client = web.browser("dealer")
    answer = send(
        client,
        "/portal/resets/settings",
        **{
            "clean-least": "30",
            "clean-likely": "40",
            "clean-most": "60",
            "move-least": "3",
            "move-likely": "5",
            "move-most": "12",
        },
        smalls_a_box="12",
        buy_days="28",
        pack_days="3",
        season_months="4",
    )
    assert answer.status_code == 303
    with transaction(web.sessions) as session:
        row = session.scalars(select(ResetSetting)).one()
        assert row.value == {
            "minutes": {"clean": [30, 40, 60]},
            "smalls_a_box": 12,
            "leads": {"pack_days": 3, "season_months": 4},
        }
        facts = read_facts(session, session.get_one(Reset, web.house.resets.reset))
        assert facts.settings is not None
        assert (facts.settings.minutes["clean"], facts.settings.smalls_a_box) == (Minutes(30, 40, 60), 12)
        assert (setting_of(session, row.dealer_id).season.pack_days, setting_of(session, row.dealer_id).season.buy_days) == (
            3,
            28,
        )
    page = client.get("/portal/resets/settings").text
    assert 'name="clean-likely" type="text" value="40"' in page
    assert "usually 15, 25, 45" in page
    assert send(client, "/portal/resets/settings").status_code == 303
    with transaction(web.sessions) as session:
        assert session.scalars(select(ResetSetting)).one().value == {}, "all empty is the usual"


def test_settings_that_cannot_be_are_told_at_their_field(web: Web) -> None:
    client = web.browser("dealer")
    answer = send(
        client,
        "/portal/resets/settings",
        **{"clean-least": "30", "clean-likely": "20", "clean-most": "60", "move-least": "3", "set-most": "2000"},
        smalls_a_box="0",
        buy_days="400",
        season_months="0",
    )
    assert answer.status_code == 422
    wrong = {"clean-likely", "move-likely", "move-most", "set-most", "smalls_a_box", "buy_days", "season_months"}
    assert set(mistakes(answer.text)) == wrong
    with transaction(web.sessions) as session:
        assert session.scalars(select(ResetSetting)).all() == []


# --- the season -----------------------------------------------------------------------------------------------------------------

SEASON = "/portal/resets/booths/MAIN/12/season"


def test_a_season_is_worked_back_over_closed_days_with_what_is_late(web: Web) -> None:
    client = web.browser("dealer")
    send(client, "/portal/resets/settings", pack_days="2", ask_days="0")
    # The mall is closed on Sundays: for Monday, December 7, the reset is on Saturday the 5th.
    page = client.get(f"{SEASON}?stands_on=2026-12-07&days=1").text
    assert "Reset: Dec 5, 2026." in page
    assert "Packed: boxes, pads, tools: by Dec 3, 2026." in page
    assert "Helpers asked: by Dec 5, 2026." in page
    assert "Buying over" in page
    assert "late: " not in page, "28 days before December 5 is November 7, which is to come"
    late = client.get(f"{SEASON}?stands_on=2026-11-23&days=1").text
    # 28 days before Saturday, November 21 is October 24, ten days before today.
    assert "by Oct 24, 2026; that was 10 days ago: plan the set with what is there" in late
    assert "2 steps are late: each says what to do." in late


def test_a_season_is_taken_into_a_calendar(web: Web) -> None:
    client = web.browser("dealer")
    answer = client.get(f"{SEASON}.ics?stands_on=2026-12-08&days=3&next_on=2027-03-02")
    assert answer.mimetype == "text/calendar"
    calendar = Calendar.from_ical(answer.data)
    events = calendar.walk("VEVENT")
    reset = [event for event in events if "Reset" in event["summary"]]
    # Three open days before Tuesday: Friday and Saturday, then Monday; Sunday is closed.
    assert [(event.decoded("dtstart"), event.decoded("dtend")) for event in reset] == [
        (date(2026, 12, 4), date(2026, 12, 6)),
        (date(2026, 12, 7), date(2026, 12, 8)),
    ]
    assert events[-1].decoded("dtstart") == date(2027, 3, 2)
    assert str(events[-1]["summary"]).startswith("Booth 12: The next season's set stands")
    assert len({str(event["uid"]) for event in events}) == len(events)
    assert all(event["transp"] == "TRANSPARENT" for event in events)
    again = Calendar.from_ical(client.get(f"{SEASON}.ics?stands_on=2026-12-08&days=3&next_on=2027-03-02").data)
    assert [str(event["uid"]) for event in again.walk("VEVENT")] == [str(event["uid"]) for event in events]


def test_a_season_that_cannot_be_is_refused_with_the_day_that_can(web: Web) -> None:
    client = web.browser("dealer")
    closed = client.get(f"{SEASON}?stands_on=2026-12-06&days=1")
    assert closed.status_code == 422
    assert "The mall is closed on Dec 6, 2026: let the set stand on Dec 7, 2026, or another day." in closed.text
    early = client.get(f"{SEASON}?stands_on=2023-12-12&days=1")
    assert early.status_code == 422
    assert "and the lease of the booth on " in early.text
    assert client.get(f"{SEASON}.ics?stands_on=2023-12-12&days=1").status_code == 422
    for query in ("stands_on=soon&days=1", "stands_on=2026-12-08&days=", "stands_on=9999-12-31&days=1"):
        assert client.get(f"{SEASON}?{query}").status_code == 422
    assert client.get(f"{SEASON}.ics?stands_on=soon&days=1").status_code == 422
    assert client.get(SEASON).status_code == 200
    assert web.browser("other dealer").get(SEASON).status_code == 404
