"""House rules of turns: set from a day on, refused in a sentence, looked up by day."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.templating import day as written
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.leases.editing import By
from coop.leases.holding import lock, require_open_day, today_at
from coop.shifts.domain.hours import EVERY_DAY, public_holidays
from coop.shifts.domain.owed import Owing, turns_words
from coop.shifts.models import TurnRule

NOBODY = By(None)  # type: ignore[arg-type]
_MOST_TURNS = Decimal(200)


@dataclass(frozen=True)
class TurnRules:
    """A mall's rules of turns on a day. Where none are set: as is usual (common practice, no source), and nobody owes any."""

    starts_on: date = date.min
    owed_base: Decimal = Decimal(2)
    owed_by_area: tuple[tuple[int, int], ...] = ()
    """(area in hundredths of a square foot, turns in hundredths) upwards."""
    owed_most: Decimal = Decimal(8)
    new_days: int = 30
    silence: str = "free"
    answers_day: int = 20
    most_day: int = 1
    most_week: int = 3
    most_in_row: int = 3
    rest_minutes: int = 600
    keys_at_ends: int = 1
    least_people: int = 2
    least_weekdays: int = 0
    holidays_of: str = "US"
    remind_days: int = 2
    swap_hours: int = 24
    late_minutes: int = 10
    no_show_minutes: int = 30
    no_show: str = "owe"
    no_show_cents: int = 0
    buy_out_cents: int | None = None
    paid_substitutes: bool = False
    closed: str = "worked"
    carry_most: Decimal | None = None
    credit_cents: int = 0

    @property
    def are_set(self) -> bool:
        """A mall that has set no rules has no turns: nobody owes any there."""
        return self.starts_on != date.min

    @property
    def owing(self) -> Owing:
        return Owing(self.owed_base, self.owed_by_area, self.owed_most, self.new_days)

    @property
    def take_money(self) -> bool:
        """Turns are exchanged for money: bought out, worked by a paid substitute, charged or credited."""
        return self.buy_out_cents is not None or self.paid_substitutes or self.no_show == "charge" or self.credit_cents > 0


def read_rules(row: TurnRule) -> TurnRules:
    """A row as a value."""
    said = {f.name: getattr(row, f.name) for f in fields(TurnRules)}
    return TurnRules(**said | {"owed_by_area": tuple((int(area), int(turns)) for area, turns in row.owed_by_area)})


def rules_on(session: Session, mall_id: int, day: date) -> TurnRules:
    """The rules of a mall in force on a day."""
    row = session.scalar(
        select(TurnRule)
        .where(TurnRule.mall_id == mall_id, TurnRule.starts_on <= day)
        .order_by(TurnRule.starts_on.desc())
        .limit(1)
    )
    return TurnRules() if row is None else read_rules(row)


def dated_rules(session: Session, mall_id: int) -> list[tuple[int, TurnRules]]:
    """Every set of rules of a mall with its id, the latest first."""
    rows = select(TurnRule).where(TurnRule.mall_id == mall_id).order_by(TurnRule.starts_on.desc())
    return [(row.id, read_rules(row)) for row in session.scalars(rows)]


def set_rules(session: Session, now: datetime, mall: Mall, starts_on: date, *, by: By = NOBODY, **changes: Any) -> TurnRule:
    """The rules of a mall from a day on: those in force before with some changed (names of TurnRules' fields).

    A month goes by the rules of its first day. Refuses, naming the field, what cannot be meant, a second set for one day, and a
    day in a closed month.
    """
    hold_mall(session, mall.id)
    if session.scalar(select(TurnRule.id).where(TurnRule.mall_id == mall.id, TurnRule.starts_on == starts_on)) is not None:
        raise Refusal(f"{mall.name} has rules of turns from {written(starts_on)} already: choose another day.")
    require_open_day(session, mall.id, starts_on, "The rules of turns", many=True)
    rules = TurnRules(**asdict(rules_on(session, mall.id, starts_on)) | changes | {"starts_on": starts_on})
    require_rules(rules)
    row = TurnRule(mall_id=mall.id, **asdict(rules) | {"owed_by_area": [list(step) for step in rules.owed_by_area]})
    session.add(row)
    session.flush()
    _log(session, now, by, "rules of turns set", row.id, f"{mall.code} from {starts_on}")
    return row


def take_back_rules(session: Session, now: datetime, row: TurnRule, *, by: By = NOBODY) -> None:
    """Remove rules that have not begun. Refuses those that have."""
    hold_mall(session, row.mall_id)
    lock(session, row)
    if row.starts_on <= today_at(session, now, row.mall_id):
        raise Refusal(f"These rules hold since {written(row.starts_on)}: set others from a later day on.")
    _log(session, now, by, "rules of turns taken back", row.id, f"from {row.starts_on}")
    session.delete(row)
    session.flush()


def _log(session: Session, now: datetime, by: By, action: str, subject: object, detail: str) -> None:
    audit.record(session, now, action, "rules of turns", subject, user_id=by.user_id, request_id=by.request_id, detail=detail)


def require_rules(rules: TurnRules) -> None:
    """Raises Refusal, naming the field, for rules that cannot be meant."""
    for value, known, what in (
        (rules.silence, ("free", "never"), "What silence means"),
        (rules.no_show, ("owe", "charge"), "What a no-show costs"),
        (rules.closed, ("worked", "owed"), "A turn on a closed day"),
    ):
        if value not in known:
            raise Refusal(f"{what} is {value!r}: choose one of {', '.join(known)}.")
    for number, least, most, what in (
        (rules.new_days, 0, 366, "days in which a new member owes none"),
        (rules.answers_day, 1, 28, "day of the month until which members say when they can"),
        (rules.most_day, 1, 10, "turns in a day"),
        (rules.most_week, 1, 70, "turns in a week"),
        (rules.most_in_row, 1, 31, "days in a row"),
        (rules.rest_minutes, 0, 2880, "minutes of rest between turns"),
        (rules.keys_at_ends, 0, 20, "key holders at opening and closing"),
        (rules.least_people, 1, 20, "least number of people"),
        (rules.least_weekdays, 0, EVERY_DAY, "weekdays with a least number of people"),
        (rules.remind_days, 0, 30, "days before a turn to remind of it"),
        (rules.swap_hours, 0, 744, "hours before a turn at which swaps end"),
        (rules.late_minutes, 0, 240, "minutes of grace"),
        (rules.no_show_minutes, 1, 480, "minutes after which a turn is a no-show"),
    ):
        if not least <= number <= most:
            raise Refusal(f"The {what}: {number} cannot be. Write {least} to {most}.")
    if rules.no_show_minutes < rules.late_minutes:
        raise Refusal(
            f"A turn is a no-show after {rules.no_show_minutes} minutes, before it is late after {rules.late_minutes}: "
            "write the grace as the shorter."
        )
    for turns, what in (
        (rules.owed_base, "turns owed"),
        (rules.owed_most, "most turns owed"),
        (rules.carry_most, "turns carried"),
    ):
        if turns is not None and not (0 <= turns <= _MOST_TURNS and turns == round(turns, 2)):
            raise Refusal(f"The {what}: {turns} cannot be. Write 0 to {_MOST_TURNS}, with at most two decimals.")
    if rules.owed_base > rules.owed_most:
        raise Refusal(
            f"A lease owes {turns_words(rules.owed_base)}, which is more than the most of {turns_words(rules.owed_most)}: "
            "write a larger most."
        )
    areas = [area for area, _ in rules.owed_by_area]
    if areas != sorted(set(areas)) or any(area <= 0 or turns <= 0 for area, turns in rules.owed_by_area):
        raise Refusal("The steps by area must go upwards, each once and with turns above zero: put them in order.")
    for cents, what in ((rules.no_show_cents, "no-show"), (rules.buy_out_cents or 0, "buy-out"), (rules.credit_cents, "credit")):
        if not 0 <= cents <= 1_000_00:
            raise Refusal(f"The {what} of a turn is {format_dollars(cents)}: write $0 to $1,000.")
    if rules.no_show == "charge" and not rules.no_show_cents:
        raise Refusal("A no-show is charged, but at $0: write how much, or let it be owed on.")
    if rules.carry_most is not None and rules.buy_out_cents is None:
        raise Refusal("Turns beyond what is carried are charged at the buy-out, and there is none: write one, or carry all.")
    try:
        public_holidays(rules.holidays_of, 2026)
    except ValueError as error:
        raise Refusal(str(error)) from error
