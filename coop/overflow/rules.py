"""House rules of overflow: set from a day on, refused in a sentence, looked up by day."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, fields
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH, format_length
from coop.core.money import format_dollars
from coop.core.periods import shown_day
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.leases.holding import lock, require_open_day, today_at
from coop.overflow.domain.fees import KINDS as FEE_KINDS
from coop.overflow.domain.fees import FeeRule
from coop.overflow.domain.lent import BayRules
from coop.overflow.domain.piece import GLASS, PieceRules
from coop.overflow.models import BayRow, OverflowRule, Stay
from coop.overflow.survey_asking import ask_survey

SUBJECT = "rules of overflow"
_HIGHEST_IN16 = 20 * IN16_PER_FOOT
_MOST_CENTS = 1_000_00


@dataclass(frozen=True)
class OverflowRules:
    """A mall's rules of overflow on a day. Where none are set: as is usual (common practice, no source), and free of charge."""

    starts_on: date = date.min
    fee_kind: str = "free"
    fee_cents: int = 0
    most_in16: int | None = 8 * IN16_PER_FOOT
    most_pieces: int | None = 4
    least_depth_in16: int = 12 * IN16_PER_INCH
    least_length_in16: int = 18 * IN16_PER_INCH
    deepest_in16: int = 48 * IN16_PER_INCH
    entry_in16: int = 36 * IN16_PER_INCH
    gap_in16: int = PieceRules.gap_in16
    highest_in16: int = PieceRules.highest_in16
    wall_above_in16: int = PieceRules.wall_above_in16
    before_in16: int = PieceRules.before_in16
    tips_from: Decimal = Decimal(3)
    glass: str = PieceRules.glass
    recall_days: int = 7
    longest_weeks: int = 12
    rotation_weeks: int = 12
    sold_days: int = 7
    last_by: str = "price"

    @property
    def are_set(self) -> bool:
        return self.starts_on != date.min

    @property
    def bays(self) -> BayRules:
        return BayRules(self.least_depth_in16, self.least_length_in16, self.deepest_in16, self.entry_in16)

    @property
    def pieces(self) -> PieceRules:
        return PieceRules(
            highest_in16=self.highest_in16,
            wall_above_in16=self.wall_above_in16,
            before_in16=self.before_in16,
            tips_from=Fraction(self.tips_from),
            glass=self.glass,
            gap_in16=self.gap_in16,
        )

    @property
    def drafted_by(self) -> tuple[object, ...]:
        """Of these, what a period's draft goes by."""
        return self.bays, self.pieces, self.most_in16, self.most_pieces, self.rotation_weeks, self.last_by

    @property
    def fee(self) -> FeeRule:
        return FeeRule(self.fee_kind, self.fee_cents)


def read_rules(row: OverflowRule) -> OverflowRules:
    """A row as a value."""
    return OverflowRules(**{f.name: getattr(row, f.name) for f in fields(OverflowRules)})


def rules_on(session: Session, mall_id: int, day: date) -> OverflowRules:
    """The rules of a mall in force on a day."""
    row = session.scalar(
        select(OverflowRule)
        .where(OverflowRule.mall_id == mall_id, OverflowRule.starts_on <= day)
        .order_by(OverflowRule.starts_on.desc())
        .limit(1)
    )
    return OverflowRules() if row is None else read_rules(row)


def dated_rules(session: Session, mall_id: int) -> list[tuple[int, OverflowRules]]:
    """Every set of rules of a mall with its id, the latest first."""
    rows = select(OverflowRule).where(OverflowRule.mall_id == mall_id).order_by(OverflowRule.starts_on.desc())
    return [(row.id, read_rules(row)) for row in session.scalars(rows)]


def rules_by_day(session: Session, mall_id: int) -> Callable[[date], OverflowRules]:
    """As `rules_on` for any day, in one query: before any rules are set, floor is free."""
    dated = [rules for _, rules in reversed(dated_rules(session, mall_id))]
    days = [rules.starts_on for rules in dated]

    def rules_of(day: date) -> OverflowRules:
        at = bisect_right(days, day)
        return dated[at - 1] if at else OverflowRules()

    return rules_of


def rules_change(session: Session, mall_id: int, first: date, last: date) -> date | None:
    """The first of some days, after their first, from which a draft would go by other rules than on that one; fees are none."""
    by_then = rules_on(session, mall_id, first).drafted_by
    later = (rules for _, rules in dated_rules(session, mall_id) if first < rules.starts_on <= last)
    return min((rules.starts_on for rules in later if rules.drafted_by != by_then), default=None)


def set_rules(session: Session, now: datetime, mall: Mall, starts_on: date, *, by: By, **changes: Any) -> OverflowRule:
    """The rules of a mall from a day on: those in force before with some changed (names of OverflowRules' fields).

    Refuses, naming the field, what cannot be meant, a second set for one day, a day in a closed month, and one that is past
    where anything has had floor since: its dealers were told what that costs.
    """
    lock(session, mall)
    if session.scalar(select(OverflowRule.id).where(OverflowRule.mall_id == mall.id, OverflowRule.starts_on == starts_on)):
        raise Refusal(f"{mall.name} has rules of overflow from {shown_day(starts_on)} already: choose another day.")
    require_open_day(session, mall.id, starts_on, "The rules of overflow", many=True)
    today = today_at(session, now, mall.id)
    if starts_on < today and _floor_given(session, mall, starts_on):
        raise Refusal(
            f"The rules of overflow from {shown_day(starts_on)} would change what floor was given by since: begin them on "
            f"{shown_day(today)} or later."
        )
    rules = OverflowRules(**asdict(rules_on(session, mall.id, starts_on)) | changes | {"starts_on": starts_on})
    require_rules(rules)
    row = OverflowRule(mall_id=mall.id, **asdict(rules))
    session.add(row)
    session.flush()
    _log(session, now, by, "rules of overflow set", row.id, f"{mall.code} from {starts_on}")
    ask_survey(session, now, mall)
    return row


def take_back_rules(session: Session, now: datetime, row: OverflowRule, *, by: By) -> None:
    """Remove rules that have not begun. Refuses those that have."""
    mall = session.get_one(Mall, row.mall_id)
    lock(session, mall)
    if row.starts_on <= today_at(session, now, row.mall_id):
        raise Refusal(f"These rules hold since {shown_day(row.starts_on)}: set others from a later day on.")
    _log(session, now, by, "rules of overflow taken back", row.id, f"from {row.starts_on}")
    session.delete(row)
    session.flush()
    ask_survey(session, now, mall)


def _floor_given(session: Session, mall: Mall, since: date) -> bool:
    """Whether anything has floor on any day from one on, or had it."""
    given = select(Stay.id).join(BayRow, BayRow.id == Stay.bay_id)
    return (
        session.scalar(given.where(BayRow.mall_id == mall.id, Stay.state == "stands", Stay.ends_on >= since).limit(1)) is not None
    )


def _log(session: Session, now: datetime, by: By, action: str, subject: object, detail: str) -> None:
    audit.record(session, now, action, SUBJECT, subject, user_id=by.user_id, request_id=by.request_id, detail=detail)


def require_rules(rules: OverflowRules) -> None:
    """Raises Refusal, naming each field, for rules that cannot be meant."""
    if faults := [sentence for _, sentence in rule_faults(rules)]:
        raise Refusal(" ".join(faults))


def rule_faults(rules: OverflowRules) -> Iterator[tuple[tuple[str, ...], str]]:
    """What cannot be meant, a sentence each, and the fields it is about: where it is told first, then those it goes by."""
    yield from _choice_faults(rules)
    yield from _fee_faults(rules)
    for field, least, most, what in (
        ("most_pieces", 1, 100, "pieces a dealer may have at a time"),
        ("recall_days", 0, 90, "days of notice of a recall"),
        ("longest_weeks", 1, 52, "weeks a request may ask for"),
        ("rotation_weeks", 1, 52, "weeks in one bay of any 52"),
        ("sold_days", 0, 90, "days a sold piece may wait"),
    ):
        number = getattr(rules, field)
        if number is not None and not least <= number <= most:
            yield (field,), f"The {what} are {number}: write {least} to {most}."
    yield from _length_faults(rules)
    if not Decimal(1) <= rules.tips_from <= Decimal(20):
        yield (
            ("tips_from",),
            f"A piece counts as tipping easily from {rules.tips_from} times its base: write 1 to 20, such as 3.",
        )
    if rules.longest_weeks > rules.rotation_weeks:
        yield (
            ("longest_weeks", "rotation_weeks"),
            f"A request may ask for {rules.longest_weeks} weeks, and nobody is longer than {rules.rotation_weeks} in one bay: "
            "lower the first, or raise the second.",
        )


def _choice_faults(rules: OverflowRules) -> Iterator[tuple[tuple[str, ...], str]]:
    for field, known, what in (
        ("fee_kind", FEE_KINDS, "What floor costs"),
        ("glass", GLASS, "Where glass may stand"),
        ("last_by", ("fee", "price"), "What decides last"),
    ):
        if getattr(rules, field) not in known:
            yield (field,), f"{what} is {getattr(rules, field)!r}: choose one of {', '.join(known)}."


def _fee_faults(rules: OverflowRules) -> Iterator[tuple[tuple[str, ...], str]]:
    said = f"The fee is {format_dollars(rules.fee_cents)}"
    if rules.fee_kind != "free" and not 0 < rules.fee_cents <= _MOST_CENTS:
        yield ("fee_cents", "fee_kind"), f"{said}: write one above zero, at most {format_dollars(_MOST_CENTS)}."
    if rules.fee_kind == "free" and rules.fee_cents:
        yield ("fee_cents", "fee_kind"), f"{said}, and floor is free: leave it empty, or choose what it is by."


def _length_faults(rules: OverflowRules) -> Iterator[tuple[tuple[str, ...], str]]:
    feet, inches = IN16_PER_FOOT, IN16_PER_INCH
    for field, least, most, what in (
        ("most_in16", 1, 100 * feet, "length a dealer may have at a time"),
        ("least_depth_in16", 6 * inches, "deepest_in16", "least depth of a bay"),
        ("least_length_in16", 6 * inches, 20 * feet, "least length of a bay"),
        ("deepest_in16", 6 * inches, 20 * feet, "greatest depth of a bay"),
        ("entry_in16", 32 * inches, 20 * feet, "opening kept before a booth"),
        ("gap_in16", 0, feet, "gap between pieces"),
        ("highest_in16", feet, _HIGHEST_IN16, "greatest height of a piece"),
        ("wall_above_in16", feet, "highest_in16", "height above which a piece stands at a wall"),
        ("before_in16", 0, "highest_in16", "height before another dealer's booth"),
    ):
        length, by = getattr(rules, field), (most,) if isinstance(most, str) else ()
        most_in16 = getattr(rules, most) if isinstance(most, str) else most
        if length is not None and not least <= length <= most_in16:
            said = f"The {what} is {format_length(length)}: write {format_length(least)} to {format_length(most_in16)}."
            yield (field, *by), said
