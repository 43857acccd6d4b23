"""The house of a mall's turns in the office: hours, posts, rules and members set on their pages, kept as typed when refused."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from html import unescape
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select
from werkzeug.test import TestResponse

from coop.core.db import transaction
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.service import add_mall
from coop.shifts.hours import calendar_of
from coop.shifts.models import Post, PostNeed, Turn, TurnRule
from coop.shifts.posts import needs_of
from coop.shifts.rules import rules_on
from tests.integration.web.conftest import Web, send

MAIN = "/office/rota/MAIN"
TODAY = date(2026, 11, 3)
RULES: dict[str, str | list[str]] = {
    "starts_on": "2026-12-01",
    "owed_base": "2",
    "owed_by_area": "100: 0.5\n\n200: 1",
    "owed_most": "6",
    "new_days": "30",
    "answers_day": "20",
    "silence": "never",
    "most_day": "1",
    "most_week": "3",
    "most_in_row": "3",
    "rest_minutes": "10.5",
    "keys_at_ends": "1",
    "least_people": "2",
    "least_weekdays": ["5", "6"],
    "holidays_of": "us-tx",
    "remind_days": "2",
    "swap_hours": "24",
    "late_minutes": "10",
    "no_show_minutes": "30",
    "no_show": "charge",
    "no_show_cents": "25",
    "closed": "owed",
    "buy_out_cents": "$40.00",
    "paid_substitutes": "y",
    "carry_most": "2",
    "credit_cents": "",
}


def told(answer: TestResponse) -> dict[str, str]:
    """What is wrong with which field of a page that was sent back."""
    assert answer.status_code == 422, answer.status_code
    found = re.findall(r'id="([\w-]+)-wrong">(?:<span[^>]*>[^<]*</span>)? ?([^<]+)</p>', answer.text)
    return {name: unescape(sentence).strip() for name, sentence in found}


def said(web: Web, path: str, browser: FlaskClient | None = None) -> str:
    """A page's text, as the manager reads it: in the browser that did something, with what that came to."""
    text = re.sub(r"<[^>]+>", " ", (browser or web.browser("manager")).get(path).text)
    return re.sub(r"\s+", " ", unescape(text))


def read(web: Web, what: Callable[..., Any]) -> Any:
    with transaction(web.sessions) as session:
        return what(session, session.get_one(Mall, web.house.mall.id))


def member_id(web: Web, code: str) -> int:
    with transaction(web.sessions) as session:
        return session.scalars(select(Dealer.member_id).where(Dealer.code == code)).one()


# --- an empty mall leads ----------------------------------------------------------------------------------------------------


def test_a_mall_without_turns_leads_from_hours_to_posts_to_rules(web: Web) -> None:
    with transaction(web.sessions) as session:
        add_mall(session, web.clock.at, "EAST", name="East Mill Hall", timezone="America/Chicago")
    browser = web.browser("manager")
    page = browser.get("/office/rota/EAST/posts").text
    assert 'href="/office/rota/EAST/hours">When the mall is open</a>: this is next' in page
    # Nothing of dates and holidays is asked before there are hours.
    assert "Holidays of the coming year" not in browser.get("/office/rota/EAST/hours").text
    week = {f"{end}_{n}": time for n in range(6) for end, time in (("opens", "10"), ("closes", "6 pm"))}
    answer = send(browser, "/office/rota/EAST/hours/week", starts_on="2026-11-03", **week)
    assert answer.headers["Location"] == "/office/rota/EAST/hours"
    page = said(web, "/office/rota/EAST/hours")
    assert "Monday to Saturday 10 am to 6 pm Sunday closed" in page
    assert "When the mall is open : set Where people must stand, and how many : this is next" in page.replace("open:", "open :")
    send(browser, "/office/rota/EAST/posts", name="Desk", kind="desk")
    with transaction(web.sessions) as session:
        desk = session.scalars(select(Post.id).join(Mall, Mall.id == Post.mall_id).where(Mall.code == "EAST")).one()
    need: dict[str, str | list[str]] = {
        "weekdays": ["0", "5"],
        "from_what": "open",
        "to_what": "close",
        "people": "1",
        "starts_on": "2026-11-03",
    }
    answer = send(browser, f"/office/rota/EAST/posts/{desk}/needs", **need)
    assert answer.status_code == 303
    page = browser.get("/office/rota/EAST/hours").text
    assert 'href="/office/rota/EAST/rules">What each member owes, and what holds for turns</a>: this is next' in page
    assert "one thing is left" in page
    assert "nobody owes any" in browser.get("/office/rota/EAST/rules").text
    answer = send(browser, "/office/rota/EAST/rules/change", **RULES)
    assert answer.status_code == 303
    assert "this is next" not in browser.get("/office/rota/EAST/rules").text


def test_who_only_reads_is_shown_no_form(web: Web) -> None:
    reader = web.browser("auditor")
    for path in ("hours", "posts", f"posts/{web.house.turns.post}", "rules", "people", f"people/{member_id(web, 'D01')}"):
        page = reader.get(f"{MAIN}/{path}").text
        assert 'method="post"' not in page.partition("<main")[2].partition("</main>")[0], path


# --- hours ------------------------------------------------------------------------------------------------------------------


def test_a_week_that_cannot_be_is_kept_as_typed_and_told_at_its_field(web: Web) -> None:
    week = {"starts_on": "2026-12-01", "opens_0": "10 am", "closes_1": "6 pm", "opens_2": "6 pm", "closes_2": "10 am"}
    answer = send(web.browser("manager"), f"{MAIN}/hours/week", **week, opens_3="soon", closes_3="6 pm")
    assert told(answer) == {
        "closes_0": "Write when it closes, or leave both empty for closed.",
        "opens_1": "Write when it opens, or leave both empty for closed.",
        "closes_2": "It would close before it opens at 6 pm: write a later time.",
        "opens_3": "This is not a time of day. Write it like 10 am or 17:30.",
    }
    assert 'value="soon"' in answer.text
    assert 'value="10 am"' in answer.text
    answer = send(web.browser("manager"), f"{MAIN}/hours/week", starts_on="2026-12-01")
    assert told(answer) == {"opens_0": "Write the hours of one weekday at least, like 10 am to 6 pm."}


def test_hours_to_come_are_taken_back(web: Web) -> None:
    assert "From Jan 1, 2027" in said(web, f"{MAIN}/hours")
    send(web.browser("manager"), f"{MAIN}/hours/2027-01-01/withdraw")
    assert "From Jan 1, 2027" not in said(web, f"{MAIN}/hours")
    assert web.browser("manager").get(f"{MAIN}/hours").status_code == 200
    assert send(web.browser("manager"), f"{MAIN}/hours/soon/withdraw").status_code == 404


def test_a_date_has_hours_of_its_own(web: Web) -> None:
    browser = web.browser("manager")
    send(browser, f"{MAIN}/hours/dates", on_date="2026-12-13", opens="noon", closes="5 pm", why="Open Sunday")
    days = read(web, lambda session, mall: calendar_of(session, mall, Month(2026, 12)))
    assert (days[date(2026, 12, 13)].words, days[date(2026, 12, 13)].why) == ("noon to 5 pm", "Open Sunday")
    answer = send(browser, f"{MAIN}/hours/dates", on_date="2026-11-02", opens="noon", closes="5 pm")
    assert told(answer) == {"on_date": "Nov 2, 2026 is past: choose today or a later day."}
    answer = send(browser, f"{MAIN}/hours/dates", on_date="2026-12-14", closed="y")
    assert told(answer) == {"why": "Say why, such as snow: whoever had a turn is told."}
    answer = send(browser, f"{MAIN}/hours/dates", on_date="2026-12-14")
    assert told(answer) == {"opens": "Write when it opens and closes, or tick that it is closed."}


def test_a_snow_day_closes_the_turns_of_a_published_rota(web: Web) -> None:
    browser = web.browser("manager")
    send(browser, f"{MAIN}/hours/dates", on_date="2026-11-20", closed="y", why="Snow")
    assert "With it its 2 turns are closed, and who had one is told." in browser.get(f"{MAIN}/hours").text
    with transaction(web.sessions) as session:
        states = session.scalars(select(Turn.state).where(Turn.on_date == date(2026, 11, 20))).all()
        assert states == ["closed", "closed"]
        assert len(session.scalars(select(Job).where(Job.kind == "shifts.tell")).all()) >= 2
    # A short day leaves what is published, and says so.
    send(browser, f"{MAIN}/hours/dates", on_date="2026-11-21", opens="noon", closes="4 pm")
    assert "published: its turns keep their times" in said(web, f"{MAIN}/hours", browser)


def test_a_date_is_given_back_to_its_weekday(web: Web) -> None:
    send(web.browser("manager"), f"{MAIN}/hours/dates/{web.house.turns.exception}/withdraw")
    days = read(web, lambda session, mall: calendar_of(session, mall, Month(2026, 12)))
    assert (days[date(2026, 12, 5)].words, days[date(2026, 12, 5)].why) == ("10 am to 6 pm", "")


def test_a_holiday_is_chosen_where_it_is_read(web: Web) -> None:
    browser = web.browser("manager")
    assert '<option selected value="Labor Day">' in browser.get(f"{MAIN}/hours?holiday=Labor%20Day").text
    holiday = {"name": "Christmas Day", "how": "short", "chosen_from": "2026-11-03"}
    answer = send(browser, f"{MAIN}/hours/holidays", **holiday)
    assert told(answer) == {"short_opens": "Write when it opens and closes, or choose another way."}
    send(browser, f"{MAIN}/hours/holidays", **holiday, short_opens="noon", short_closes="3 pm")
    assert "On Christmas Day the mall is open noon to 3 pm, from Nov 3, 2026." in said(web, f"{MAIN}/hours", browser)
    days = read(web, lambda session, mall: calendar_of(session, mall, Month(2026, 12)))
    assert days[date(2026, 12, 25)].words == "noon to 3 pm"
    answer = send(browser, f"{MAIN}/hours/holidays", **holiday | {"name": "Founders' Day"})
    assert "name" in told(answer)


# --- posts ------------------------------------------------------------------------------------------------------------------


def test_posts_say_what_the_next_month_asks_for_and_what_is_owed(web: Web) -> None:
    # December 2026 has 27 days but Sundays, of two turns each, four Saturdays with one on the floor and one more at the desk.
    # Ida owes 4 less 1, Amos 4.
    assert "December 2026 asks for 62 turns; 2 members owe 7." in said(web, f"{MAIN}/posts")
    with transaction(web.sessions) as session:
        row = session.get_one(TurnRule, session.scalars(select(TurnRule.id).order_by(TurnRule.starts_on)).first())
        row.least_people, row.least_weekdays = 2, 0b0100001
    page = said(web, f"{MAIN}/posts")
    assert "On Mondays the posts need fewer than the 2 people of the rules: 10 am to 6 pm (1)." in page
    assert "On Saturdays the posts" not in page


def test_a_need_is_typed_as_people_say_it(web: Web) -> None:
    browser, post = web.browser("manager"), web.house.turns.post
    need: dict[str, str | list[str]] = {
        "weekdays": ["0", "1"],
        "from_what": "before open",
        "from_value": "30",
        "to_what": "clock",
        "to_value": "2:30 pm",
        "people": "2",
        "key_holders": "1",
        "starts_on": "2026-12-01",
    }
    answer = send(browser, f"{MAIN}/posts/{post}/needs", **need)
    assert answer.status_code == 303
    assert "Monday and Tuesday, from 30 minutes before opening to 2:30 pm: 2 people, 1 with a key" in said(
        web, f"{MAIN}/posts/{post}"
    )
    needs = read(web, lambda session, mall: needs_of(session, mall.id, date(2026, 12, 1)))
    assert ("open", -30, "clock", 870) in [(one.from_what, one.from_min, one.to_what, one.to_min) for one in needs]
    answer = send(
        browser,
        f"{MAIN}/posts/{post}/needs",
        **need | {"weekdays": [], "from_value": "half an hour", "to_value": "", "people": "1", "key_holders": "2"},
    )
    assert told(answer) == {
        "weekdays": "Tick one weekday at least.",
        "from_value": "Write how long in minutes, like 30, or in hours and minutes, like 1:30.",
        "to_value": "Write the time of day, like 2 pm.",
        "key_holders": "Only 1 stand there: write 0 to 1.",
    }
    assert 'value="half an hour"' in answer.text
    answer = send(browser, f"{MAIN}/posts/{post}/needs", **need | {"from_what": "close", "to_what": "open"})
    assert told(answer) == {"to_what": "The span is counted from closing to opening: turn the two round."}


def test_a_need_ends_on_a_day(web: Web) -> None:
    browser, need = web.browser("manager"), web.house.turns.need
    answer = send(browser, f"{MAIN}/posts/needs/{need}", ends_on="2026-10-31")
    assert told(answer) == {"ends_on": "Oct 31, 2026 is past: choose yesterday or a later day."}
    send(browser, f"{MAIN}/posts/needs/{need}", ends_on="2026-12-31")
    assert "until Dec 31, 2026" in said(web, f"{MAIN}/posts/{web.house.turns.post}")
    send(browser, f"{MAIN}/posts/needs/{need}", ends_on="2026-11-30")
    with transaction(web.sessions) as session:
        assert session.get(PostNeed, need) is None
    assert browser.get(f"{MAIN}/posts/needs/{need}").status_code == 404


def test_a_post_is_added_and_called_otherwise(web: Web) -> None:
    browser = web.browser("manager")
    assert told(send(browser, f"{MAIN}/posts", name="desk", kind="desk")) == {
        "name": "There is a post desk already: choose another name."
    }
    answer = send(browser, f"{MAIN}/posts", name="Back door", kind="closing")
    assert "Back door is a post. Say now when it needs somebody." in browser.get(answer.headers["Location"]).text
    assert told(send(browser, answer.headers["Location"], name="Floor", kind="floor")) == {
        "name": "There is a post Floor already: choose another name."
    }
    send(browser, answer.headers["Location"], name="Loading door", kind="closing")
    assert "Loading door at closing" in said(web, f"{MAIN}/posts")


# --- rules ------------------------------------------------------------------------------------------------------------------


def test_rules_are_set_from_a_day_on_and_said_back(web: Web) -> None:
    answer = send(web.browser("manager"), f"{MAIN}/rules/change", **RULES | {"starts_on": "2026-11-03"})
    assert answer.status_code == 303, told(answer)
    made = read(web, lambda session, mall: rules_on(session, mall.id, TODAY))
    assert (made.owed_base, made.owed_by_area, made.rest_minutes) == (Decimal(2), ((100_00, 50), (200_00, 100)), 630)
    assert (made.least_weekdays, made.holidays_of, made.no_show_cents, made.buy_out_cents) == (0b1100000, "US-TX", 25_00, 40_00)
    assert (made.paid_substitutes, made.carry_most, made.credit_cents, made.silence) == (True, Decimal(2), 0, "never")
    page = said(web, f"{MAIN}/rules")
    for sentence in (
        "A lease owes 2 turns a month, 0.5 more from 100 sq ft on and 1 more from 200 sq ft on; those who share a booth share",
        "who says nothing is given no turns that month.",
        "between turns on different days lie 10 hours and 30 minutes.",
        "1 key holder at least is there at opening and at closing.",
        "At least 2 people are there on Saturday and Sunday, as long as the mall is open.",
        "The public holidays of US-TX count as holidays.",
        "A turn nobody has come to after 30 minutes costs $25.00, and is owed no more.",
        "A turn on a day the mall stays closed is owed on.",
        "A turn is bought out at $40.00.",
        "more beyond brings nothing, more short costs $40.00 a turn.",
        "can be employment under local law",
    ):
        assert sentence in page, sentence
    settings = said(web, "/office/settings/")
    assert "Turns at Lantern Yard Antiques Hall" in settings
    assert "Open: Monday to Saturday 10 am to 6 pm; Sunday closed." in settings
    assert "A turn is bought out at $40.00." in settings
    assert "From Jan 1, 2027: Open: Monday to Saturday 11 am to 6 pm; Sunday closed." in settings


@pytest.mark.parametrize(
    ("typed", "field", "sentence"),
    [
        ({"owed_base": "two"}, "owed_base", "This is not a number. Write it like 2 or 1.5."),
        ({"owed_base": "1.005"}, "owed_base", "Write a number of turns from 0 to 200, with at most two decimals."),
        ({"owed_base": "7"}, "owed_most", "A lease alone owes more: write as many turns or more."),
        ({"owed_by_area": "100 0.5"}, "owed_by_area", "'100 0.5' is no step. Write square feet and turns, like 100: 0.5."),
        ({"owed_by_area": "200: 1\n100: 0.5"}, "owed_by_area", "Write the steps upwards, each once: the smallest area first."),
        ({"rest_minutes": "49"}, "rest_minutes", "Write hours from 0 to 48, in whole minutes."),
        ({"holidays_of": "QQ"}, "holidays_of", "No public holidays are known for 'QQ': write a country such as US"),
        ({"no_show_cents": ""}, "no_show_cents", "Write how many dollars, or let it be owed on."),
        ({"buy_out_cents": ""}, "buy_out_cents", "Turns short beyond what is carried are charged at it"),
        ({"no_show_minutes": "5"}, "no_show_minutes", "Somebody is late after 10 minutes: write as many or more."),
        ({"answers_day": "29"}, "answers_day", "Write a whole number from 1 to 28."),
        ({"starts_on": "2020-01-01"}, "starts_on", "has rules of turns from Jan 1, 2020 already: choose another day."),
    ],
)
def test_rules_that_cannot_be_are_told_at_their_field(web: Web, typed: dict[str, str], field: str, sentence: str) -> None:
    answer = send(web.browser("manager"), f"{MAIN}/rules/change", **RULES | typed)
    assert sentence in told(answer)[field]
    # What was typed beside it is kept.
    assert "200: 1" in answer.text or "owed_by_area" in typed
    assert 'value="$40.00"' in answer.text or "buy_out_cents" in typed


def test_the_form_of_rules_begins_with_those_that_hold_last(web: Web) -> None:
    send(web.browser("manager"), f"{MAIN}/rules/change", **RULES | {"starts_on": "2027-02-01"})
    page = web.browser("manager").get(f"{MAIN}/rules/change").text
    assert "100: 0.5\n200: 1</textarea>" in page
    assert re.search(r'id="rest_minutes"[^>]* value="10.5"', page)
    assert re.search(r'id="least_weekdays-5"[^>]*', page)
    assert page.count(" checked") == 3, "two weekdays and the paid substitutes"
    assert re.search(r'id="starts_on"[^>]* value="2026-12-01"', page), "a month still to be drafted"


def test_rules_to_come_are_taken_back(web: Web) -> None:
    send(web.browser("manager"), f"{MAIN}/rules/{web.house.turns.rule}/withdraw")
    with transaction(web.sessions) as session:
        assert session.get(TurnRule, web.house.turns.rule) is None
    answer = send(web.browser("manager"), f"{MAIN}/rules/1/withdraw")
    assert "These rules hold since Jan 1, 2020" in answer.text


def test_what_is_no_part_of_the_mall_is_not_found(web: Web) -> None:
    with transaction(web.sessions) as session:
        add_mall(session, web.clock.at, "EAST", name="East Mill Hall", timezone="America/Chicago")
    browser, turns = web.browser("manager"), web.house.turns
    for path in (f"posts/{turns.post}", f"posts/needs/{turns.need}", "people/999", "people/facts/999"):
        assert browser.get(f"/office/rota/EAST/{path}").status_code == 404, path
    for path in (f"rules/{turns.rule}/withdraw", f"hours/dates/{turns.exception}/withdraw", "people/helpers/999/end"):
        assert send(browser, f"/office/rota/EAST/{path}").status_code == 404, path
