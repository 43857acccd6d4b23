"""Lent floor on Today: what must move before all else, sold pieces not fetched, requests without a draft, drafts to publish."""

from __future__ import annotations

from datetime import date

from sqlalchemy import delete, select, update

from coop.core.db import transaction
from coop.overflow.models import BaySurvey, OverflowDraft, OverflowRequest, Stay
from tests.integration.web.conftest import Web
from tests.integration.web.test_today import HALL, change, led, told


def test_what_must_move_stands_before_all_else_until_it_is_asked_back(web: Web) -> None:
    laid = web.house.overflow
    with transaction(web.sessions) as session:
        session.execute(delete(BaySurvey))
        value = {"must_move": {str(laid.stay): "It is in the way.", str(laid.others): "So is it.", "999": "It went."}}
        session.add(BaySurvey(mall_id=web.house.mall.id, made_of="", value=value))
    words = f"2 pieces in the aisles of {HALL} must move today"
    assert next(iter(told(web).items())) == (words, "Nov 3, 2026")
    assert led(web, words) == "/office/overflow/MAIN"
    change(web, update(Stay).where(Stay.id == laid.stay).values(recalled_at=web.clock.at))
    asked_back = f"1 piece in the aisles of {HALL} where nothing may stand, asked back until Dec 6, 2026"
    assert list(told(web))[:2] == [f"1 piece in the aisles of {HALL} must move today", asked_back]
    change(web, update(Stay).where(Stay.id == laid.others).values(ends_on=date(2026, 11, 2)))
    assert not [words for words in told(web) if "must move" in words]
    assert next(iter(told(web).items())) == (asked_back, "Dec 6, 2026"), "it is in the way until it is gone"
    assert led(web, asked_back) == "/office/overflow/MAIN"
    change(web, update(Stay).where(Stay.id == laid.stay).values(ends_on=date(2026, 11, 3)))
    assert next(iter(told(web).items())) == (asked_back.replace("Dec 6", "Nov 3"), "Nov 3, 2026")
    change(web, update(Stay).where(Stay.id == laid.stay).values(gone_said_at=web.clock.at))
    assert not [words for words in told(web) if "asked back" in words]


def test_a_sold_piece_that_is_not_fetched_is_told_of_until_it_is(web: Web) -> None:
    laid = web.house.overflow
    words = f"1 sold piece in the aisles of {HALL} not fetched in time"
    change(web, update(Stay).where(Stay.id == laid.others).values(kind="sold", ends_on=date(2026, 11, 2)))
    assert told(web)[words] == "✻Nov 2, 2026, which is past"
    assert led(web, words) == "/office/overflow/MAIN/sold"
    # However long ago it was.
    change(web, update(Stay).where(Stay.id == laid.others).values(starts_on=date(2026, 7, 1), ends_on=date(2026, 8, 3)))
    assert words in told(web)
    change(web, update(Stay).where(Stay.id == laid.others).values(gone_said_at=web.clock.at))
    assert words not in told(web)


def test_requests_wait_for_a_draft_and_a_draft_to_be_published(web: Web) -> None:
    waits = f"1 request for floor of {HALL} waiting, and no draft is made"
    ready = f"1 draft of overflow of {HALL} ready to be published"
    assert led(web, waits) == "/office/overflow/MAIN/requests"
    assert ready not in told(web)
    with transaction(web.sessions) as session:
        session.execute(delete(OverflowDraft))
        draft = OverflowDraft(
            mall_id=web.house.mall.id, first_day=date(2026, 11, 9), weeks=12, seconds=30, created_at=web.clock.at
        )
        session.add(draft)
    there = told(web)
    assert waits not in there, "it is being drafted"
    assert ready not in there, "it is not drafted yet"
    change(web, update(OverflowDraft).values(made_of="what it was made of"))
    assert led(web, ready) == "/office/overflow/MAIN/draft"
    change(web, update(OverflowDraft).values(state="published"))
    assert ready not in told(web)
    assert waits in told(web)
    change(web, update(OverflowRequest).where(OverflowRequest.state == "waiting").values(state="withdrawn"))
    assert waits not in told(web)
    with transaction(web.sessions) as session:
        assert session.scalars(select(OverflowRequest).where(OverflowRequest.state == "granted")).all(), "those are no news"
