"""What a dealer's resets go by: kept where it is not usual, read strictly; times logged, taken back, and what they correct."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.resets.domain.hours.estimate import Minutes
from coop.resets.domain.hours.tasks import HoursSettings
from coop.resets.domain.season import Leads
from coop.resets.reset_models import ResetSetting
from coop.resets.settings import Setting, change_settings, read_setting, setting_of
from coop.resets.timing import corrections_for, counted_words, log_time, take_back_time, times_of
from tests.factories.resets import BoothLaid, a_booth

TODAY = date(2026, 11, 3)


@pytest.fixture
def laid(sessions: Sessions, now: datetime) -> Iterator[tuple[Session, BoothLaid]]:
    with transaction(sessions) as session:
        yield session, a_booth(session, now)


def test_only_what_is_not_usual_is_kept(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid
    assert setting_of(session, booth.dealer.id) == Setting()
    wanted = Setting({"pack": Minutes(5, 8, 12), "clean": Minutes(15, 25, 45)}, 20, {"buy_days": 40, "pack_days": 1})
    change_settings(session, now, booth.dealer, wanted, user_id=1)
    assert session.scalars(select(ResetSetting)).one().value == {"minutes": {"pack": [5, 8, 12]}, "leads": {"buy_days": 40}}
    held = setting_of(session, booth.dealer.id)
    assert held.hours.minutes["pack"] == Minutes(5, 8, 12)
    assert held.hours.minutes["clean"] == HoursSettings().minutes["clean"]
    assert held.season == Leads(buy_days=40)
    change_settings(session, now, booth.dealer, Setting(smalls_a_box=8), user_id=1)
    assert setting_of(session, booth.dealer.id) == Setting(smalls_a_box=8)
    said = session.scalars(select(AuditLog.detail).where(AuditLog.subject_kind == "reset settings").order_by(AuditLog.id)).all()
    assert said == ["pack, leads", "smalls_a_box"]


BAD: list[tuple[dict[str, Any], str]] = [
    ({"minute": {}}, "'minute' is no setting of resets"),
    ({"minutes": {"dance": [1, 2, 3]}}, "'dance' is no kind of task"),
    ({"minutes": {"pack": [3, 2, 1]}}, "The minutes of pack are the least, the likely and the most"),
    ({"smalls_a_box": 0}, "The smalls a box are 0: write a whole number from 1 to 500"),
    ({"smalls_a_box": 2.5}, "The smalls a box are 2.5"),
    ({"smalls_a_box": True}, "The smalls a box are True"),
    ({"leads": {"nap_days": 1}}, "'nap_days' is no step of the season"),
    ({"leads": {"buy_days": -1}}, "The days of 'buy' are -1: write a whole number from 0 to 365"),
    ({"leads": {"season_months": 0}}, "The months of a season are 0: write a whole number from 1 to 24"),
]


@pytest.mark.parametrize(("value", "sentence"), BAD)
def test_what_is_no_setting_is_refused(value: dict[str, Any], sentence: str) -> None:
    with pytest.raises(Refusal, match=sentence):
        read_setting(value)


def test_times_correct_what_the_dealer_goes_by(laid: tuple[Session, BoothLaid], now: datetime) -> None:
    session, booth = laid

    def log(task: str, minutes: int, count: int = 1, people: int = 1, on: date = TODAY) -> int:
        row = log_time(session, now, booth.dealer, task=task, minutes=minutes, count=count, people=people, on=on, today=TODAY)
        return row.id

    log("clean", 60)
    first = log("pack", 30, count=3, on=date(2026, 11, 1))
    (pack, clean) = corrections_for(session, booth.dealer.id)
    # Three boxes are 11 minutes each on the mean of 6, 10, 20: 33. Cleaning is 15, 25, 45: 26 2/3.
    assert [one.words for one in (pack, clean)] == [
        "Pack: logged 1 time, 0.91 times as long as expected; planned at 0.98 times the usual.",
        "Clean: logged 1 time, 2.25 times as long as expected; planned at 1.25 times the usual.",
    ]
    # Against minutes of the dealer's own it is as expected.
    change_settings(session, now, booth.dealer, Setting({"clean": Minutes(60, 60, 60)}), user_id=1)
    assert corrections_for(session, booth.dealer.id)[1].factor == 1
    assert [row.task for row in times_of(session, booth.dealer.id)] == ["clean", "pack"], "the latest first"
    row = times_of(session, booth.dealer.id)[1]
    assert row.id == first
    take_back_time(session, now, row, user_id=1)
    assert [one.kind for one in corrections_for(session, booth.dealer.id)] == ["clean"]
    said = session.scalars(select(AuditLog.action).where(AuditLog.subject_kind == "reset time").order_by(AuditLog.id)).all()
    assert said == ["time logged", "time logged", "time taken back"]
    for wrong, sentence in (
        ({"task": "dance", "minutes": 1}, "'dance' is no kind of task"),
        ({"task": "pack", "minutes": 0}, "The minutes are 0"),
        ({"task": "pack", "minutes": 1, "count": 0}, "The count is how many"),
        ({"task": "pack", "minutes": 1, "people": 0}, "At least one person"),
        ({"task": "pack", "minutes": 1, "on": date(2026, 11, 4)}, "is to come"),
    ):
        with pytest.raises(Refusal, match=sentence):
            log(**wrong)  # type: ignore[arg-type]


def test_what_is_counted_is_said_for_one_and_for_more() -> None:
    assert [counted_words(task, n) for task, n in (("pack", 1), ("pack", 2), ("take down", 3), ("tag", 1200), ("clean", 2))] == [
        "1 box",
        "2 boxes",
        "3 things hung or on top",
        "1,200 tags",
        "2 booths",
    ]
