"""What the page Settings reads: every dated rule of the co-op and its malls, each kind in one query."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime
from typing import Any, TypeVar

from flask import url_for
from sqlalchemy import select, text
from sqlalchemy.orm import Session

from coop import __version__
from coop.books.models import Entry, MoneyRule, Period
from coop.books.rules import NO_RULES, release_rules
from coop.config import Settings
from coop.core import audit
from coop.core.clock import local_date
from coop.core.geometry import format_length
from coop.core.templating import day
from coop.dealers.models import Cooperative
from coop.floor.domain.plan import LEAST_CLEAR_IN16
from coop.floor.models import AisleWidth, FloorPlan, Mall
from coop.leases.models import LeaseRule, RentRate
from coop.leases.rules import HouseRules
from coop.office import settings_overflow_wording as floor_words
from coop.office import settings_turn_wording as turn_words
from coop.office import settings_wording as words
from coop.office.queries import malls as all_malls
from coop.office.queries import office_timezone
from coop.office.rota_house_queries import weeks_of
from coop.office.settings_dated import Chapter, Said, said
from coop.overflow.models import OverflowRule
from coop.overflow.rules import OverflowRules
from coop.overflow.rules import read_rules as read_floor_rules
from coop.payouts.models import AchOrigin, YearThreshold
from coop.sales.models import Ticket
from coop.shifts.hours import weekly_rows
from coop.shifts.models import OpeningHours, TurnRule
from coop.shifts.rules import read_rules
from coop.tax.models import Jurisdiction, TaxPlace, TaxSetting

Row = TypeVar("Row")


def chapters(session: Session, now: datetime, settings: Settings) -> list[Chapter]:
    """Everything the page says, in its order. As many queries for ten malls as for one."""
    timezone = office_timezone(session)
    malls, today = all_malls(session), local_date(now, timezone)
    coop = session.get(Cooperative, 1)
    since = _since(session, timezone)
    found = [] if coop is None else [_of_coop(coop, since)]
    found += [_of_mall(mall, since) for mall in malls]
    found += [_of_money(session, today), _of_nobody(session, today)]
    lease_rules, rates = _by_mall(session, LeaseRule), _by_mall(session, RentRate)
    aisles, places = _by_mall(session, AisleWidth), _by_mall(session, TaxPlace)
    turn_rules, opening = _by_mall(session, TurnRule), _by_mall(session, OpeningHours)
    floor_rules = _by_mall(session, OverflowRule)
    plans = {plan.mall_id: plan for plan in session.scalars(select(FloorPlan))}
    for mall in malls:
        found.append(_of_leases(mall, lease_rules[mall.id], rates[mall.id], today))
        found.append(_of_turns(mall, turn_rules[mall.id], opening[mall.id], today))
        found.append(_of_floor(mall, floor_rules[mall.id], today))
        found.append(_of_aisles(mall, aisles[mall.id], plans.get(mall.id), today))
    found.append(_of_places(malls, places, today))
    found += [_of_tax(session, malls, today), _of_payouts(session, timezone), _of_years(session, today)]
    found.append(_plain("Mail", words.mail_sentences(settings), note="Set where the program runs, and only shown here."))
    revision = session.scalar(text("SELECT version_num FROM alembic_version"))
    found.append(_plain("How it runs", words.running_sentences(settings, __version__, str(revision or ""))))
    return found


def _plain(title: str, sentences: dict[str, str], note: str = "") -> Chapter:
    return Chapter(title, [Said(name, sentence) for name, sentence in sentences.items()], "", "", note)


Since = Callable[[str, object, str, datetime], str]
"""Since when something of a thing is as it is: the thing's kind and id, what of it, and the moment the thing began."""


def _since(session: Session, timezone: str) -> Since:
    """By the log, as days where the office is."""
    done = audit.last_done(session, ("co-op", "mall"))

    def since(kind: str, subject: object, what: str, began: datetime) -> str:
        return words.since(local_date(done.get((kind, str(subject), audit.changed(what)), began), timezone))

    return since


def _of_coop(coop: Cooperative, since: Since) -> Chapter:
    rules = [
        Said(name.capitalize(), sentence, since("co-op", coop.id, name, coop.created_at))
        for name, sentence in words.coop_sentences(coop).items()
    ]
    rules.append(Said("Currency", f"Everything is kept in {'US dollars' if coop.currency == 'USD' else coop.currency}."))
    return Chapter("The co-op", rules, url_for("settings.coop"), "Change it", manager_only=True)


def _of_mall(mall: Mall, since: Since) -> Chapter:
    def of_it(what: str) -> str:
        return since("mall", mall.code, what, mall.created_at)

    rules = [
        Said("Name", f"The mall {mall.code} is called {mall.name}.", of_it("name")),
        Said(
            "Address",
            f"It stands at {' '.join(mall.address.split())}." if mall.address else "Its address is not written down.",
            of_it("address"),
        ),
        Said("Time zone", words.zone_sentence(mall.timezone), of_it("time zone")),
    ]
    return Chapter(mall.name, rules, url_for("settings.mall", mall_code=mall.code), "Change it", manager_only=True)


def _of_money(session: Session, today: date) -> Chapter:
    rows = session.scalars(select(MoneyRule).order_by(MoneyRule.starts_on)).all()
    dated = [(row.starts_on, row) for row in rows]
    rules = [said(name, dated, say, today, usual=say(NO_RULES)) for name, say in words.MONEY.items()]
    return Chapter("Money", rules, url_for("books.rules"), "House rules of money")


def _of_nobody(session: Session, today: date) -> Chapter:
    rules = [
        Said(
            row.what.capitalize(),
            words.release(row),
            words.since(row.starts_on) if row.starts_on <= today else "to come",
            (f"It ends on {day(row.ends_on)}.",) if row.ends_on else (),
        )
        for row in release_rules(session)
        if row.ends_on is None or row.ends_on >= today
    ]
    rules = rules or [Said("Release", "No rule of the state is written down: all of it stays owed.")]
    return Chapter("Money nobody asks for", rules, url_for("books.rules", _anchor="release"), "Rules of release")


def _of_leases(mall: Mall, house: Sequence[LeaseRule], rates: Sequence[RentRate], today: date) -> Chapter:
    dated = [(row.starts_on, row) for row in house]
    usual = HouseRules()
    rules = [said(name, dated, say, today, usual=say(usual)) for name, say in words.LEASES.items()]
    at_rates = url_for("leases.rates", mall_code=mall.code)
    for zone, rows in _grouped(rates, lambda row: row.zone).items():
        priced = [(row.starts_on, row) for row in rows]
        rules.append(said(f"Rent of {zone}", priced, words.rate, today, usual=f"Zone {zone} has no price yet.", address=at_rates))
    if not rates:
        rules.append(Said("Rent rates", "No zone has a price yet.", address=at_rates))
    return Chapter(f"Leases of {mall.name}", rules, url_for("leases.rules", mall_code=mall.code), "House rules of leases")


def _of_turns(mall: Mall, house: Sequence[TurnRule], opening: Sequence[OpeningHours], today: date) -> Chapter:
    weeks = [(week.starts_on, week) for week in weeks_of(weekly_rows(opening))]
    hours = said("Hours", weeks, turn_words.hours, today, usual=turn_words.NO_HOURS)
    at_hours = url_for("rota_house.hours", mall_code=mall.code)
    rules = [Said(hours.name, hours.sentence, hours.since if weeks else "", hours.coming, at_hours)]
    dated = [(row.starts_on, read_rules(row)) for row in house]
    rules += [said(name, dated, say, today, usual=turn_words.UNSET) for name, say in turn_words.TURNS.items() if dated]
    if not dated:
        rules.append(Said("Turns", turn_words.UNSET))
    return Chapter(f"Turns at {mall.name}", rules, url_for("rota_house.rules", mall_code=mall.code), "House rules of turns")


def _of_floor(mall: Mall, house: Sequence[OverflowRule], today: date) -> Chapter:
    dated, usual = [(row.starts_on, read_floor_rules(row)) for row in house], OverflowRules()
    rules = [said(name, dated, say, today, usual=say(usual)) for name, say in floor_words.OVERFLOW.items()]
    address = url_for("overflow.rules", mall_code=mall.code)
    return Chapter(f"Overflow at {mall.name}", rules, address, "House rules of overflow")


def _of_aisles(mall: Mall, widths: Sequence[AisleWidth], plan: FloorPlan | None, today: date) -> Chapter:
    least = format_length(plan.required_clear_in16 if plan else LEAST_CLEAR_IN16)
    usual = f"Where nothing is said, an aisle is kept {least} clear."
    rules = []
    for aisle, rows in _grouped(widths, lambda row: row.aisle).items():
        dated = [(row.starts_on, row) for row in rows]
        rules.append(said(f"Aisle {aisle}" if aisle else "Every aisle", dated, words.aisle, today, usual=usual))
    rules = rules or [Said("Every aisle", usual, "as is usual")]
    return Chapter(f"Aisles of {mall.name}", rules, url_for("floor.aisles", mall_code=mall.code), "Aisle widths")


def _of_places(malls: Sequence[Mall], places: dict[int, list[TaxPlace]], today: date) -> Chapter:
    usual = "No place is set: nothing is taxed here yet."
    rules = [
        said(
            mall.name,
            [(row.starts_on, row) for row in places[mall.id]],
            words.place,
            today,
            usual=usual,
        )
        for mall in malls
    ]
    return Chapter("Where sales are taxed", rules, url_for("tax.places"), "Tax places")


def _of_tax(session: Session, malls: Sequence[Mall], today: date) -> Chapter:
    named = {mall.id: mall.name for mall in malls}
    rows = session.execute(
        select(TaxSetting, Jurisdiction.name, Jurisdiction.code)
        .outerjoin(Jurisdiction, Jurisdiction.id == TaxSetting.jurisdiction_id)
        .order_by(TaxSetting.scope, TaxSetting.starts_on)
    ).all()
    rules = []
    for _scope, of_scope in _grouped(rows, lambda row: row[0].scope).items():
        first, name, code = of_scope[0]
        whom = (name or f"State {first.state_fips}") + (f" at {named.get(first.mall_id, '')}" if first.mall_id else "")
        rules.append(
            said(
                whom,
                [(row[0].starts_on, row[0]) for row in of_scope],
                words.tax_setting,
                today,
                usual="The co-op owes the tax, and no return is drawn up.",
                address=url_for("tax.jurisdiction", code=code, _anchor="settings") if code else "",
            )
        )
    rules = rules or [Said("Returns", "Nothing is set: the co-op owes the tax, and no return is drawn up.")]
    return Chapter(
        "Who owes tax, and how it is filed", rules, url_for("tax.jurisdictions"), "Jurisdictions, their rates and settings"
    )


def _of_payouts(session: Session, timezone: str) -> Chapter:
    row = session.scalar(select(AchOrigin).order_by(AchOrigin.id.desc()).limit(1))
    rule = (
        Said("Bank transfers", "The bank’s terms are not set: nobody is paid by transfer yet.")
        if row is None
        else Said("Bank transfers", words.origin(row), words.since(local_date(row.set_at, timezone)))
    )
    return Chapter("Payouts by transfer", [rule], url_for("payouts.bank"), "The bank’s terms")


def _of_years(session: Session, today: date) -> Chapter:
    rows = session.scalars(select(YearThreshold).order_by(YearThreshold.kind, YearThreshold.from_year)).all()
    rules = [
        said(
            kind.capitalize(),
            [(date(row.from_year, 1, 1), row) for row in of_kind],
            words.threshold,
            today,
            usual="No threshold holds yet.",
        )
        for kind, of_kind in _grouped(rows, lambda row: row.kind).items()
    ]
    rules = rules or [Said("Thresholds", "None is written down: the accountant says from which totals on a form is looked at.")]
    return Chapter("The year’s totals", rules, url_for("year.thresholds"), "Thresholds")


def _by_mall(session: Session, table: type[Any]) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = defaultdict(list)
    for row in session.scalars(select(table).order_by(table.mall_id, table.starts_on)):
        found[row.mall_id].append(row)
    return found


def _grouped(rows: Iterable[Row], key: Callable[[Row], str]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        found[key(row)].append(row)
    return dict(sorted(found.items()))


def has_books(session: Session, mall_id: int) -> bool:
    """Whether days of a mall are dated already: months, entries or tickets."""
    return any(
        session.scalar(select(table.id).where(table.mall_id == mall_id).limit(1)) is not None for table in (Period, Entry, Ticket)
    )
