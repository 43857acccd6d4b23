"""What a return is built from: the period's sums by the day of sale, the books, late tickets, what dealers owe themselves."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from sqlalchemy import ColumnElement, exists, func, or_, select
from sqlalchemy.orm import Session

from coop.books.models import Account, Entry, Posting
from coop.core.money import format_decimal
from coop.core.periods import Month
from coop.tax.domain.frozen import LateTicket
from coop.tax.domain.returns import FilingPeriod, JurisdictionSums, PaidPart, RatedSum
from coop.tax.models import Jurisdiction, TaxCharged, TaxPlace, TaxPlaceJurisdiction, TaxRate, TaxSetting, TaxUntaxed
from coop.tax.offices import Settings, slug

FILING, MOVE = "tax_return", "tax_to_dealer"
"""Source kinds of the entries of a filing, and of tax that passes to the dealers who owe it."""
KINDS = ("state", "county", "city", "district")

_SOLD_ON = func.coalesce(TaxCharged.sold_on, TaxCharged.posting_date)
"""Rows of before the sale's day was kept have the day they were posted on."""


def _sold_between(first: date, last: date) -> ColumnElement[bool]:
    """As `_SOLD_ON.between`, in words that the index of the day of sale serves."""
    unkept = TaxCharged.sold_on.is_(None) & TaxCharged.posting_date.between(first, last)
    return or_(TaxCharged.sold_on.between(first, last), unkept)


# --- an office's account ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class OfficeMove:
    """An entry on an office's account: cents paid to it, or, negative, owed to it."""

    on: date
    what: str
    cents: int


def account_name(office: str) -> str:
    """The account of what is owed to an office of what was filed."""
    return f"Liabilities:Tax-filed:{slug(office)}"


def office_moves(session: Session, office: str) -> list[OfficeMove]:
    """What was filed and left owed, and what was paid, the newest first; together they are the balance."""
    rows = session.execute(
        select(Entry.business_date, Entry.memo, func.sum(Posting.amount_cents), Entry.source_id, Entry.purpose)
        .join(Posting, Posting.entry_id == Entry.id)
        .join(Account, Account.id == Posting.account_id)
        .where(Account.path == account_name(office))
        .group_by(Entry.id, Entry.business_date, Entry.memo, Entry.source_id, Entry.purpose)
        .order_by(Entry.business_date.desc(), Entry.id.desc())
    )
    return [
        OfficeMove(on, f"{memo}, {source.partition('.')[2]}" if purpose == "payment" else memo, int(cents))
        for on, memo, cents, source, purpose in rows
    ]


def paid_ahead(session: Session, office: str, on: date, tax_cents: int) -> list[PaidPart]:
    """What was paid to an office up to a day and not used by a return, by the day it was paid, as far as a tax takes it.

    Whatever was ever filed and left owed has used the oldest first, though it was dated after the day: a return dated back takes
    neither what came later nor what is spent.
    """
    moves = office_moves(session, office)
    owed = -sum(move.cents for move in moves if move.cents < 0)
    parts: list[PaidPart] = []
    for move in reversed(moves):
        if move.cents > 0:
            left = max(0, move.cents - owed)
            owed -= move.cents - left
            taken = min(left, tax_cents) if move.on <= on else 0
            if taken > 0:
                parts.append(PaidPart(move.on, taken))
                tax_cents -= taken
    return parts


# --- a period's sums ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PeriodSums:
    """An office's period from the rows of its tickets, and from the books."""

    lines: tuple[JurisdictionSums, ...]
    tickets: dict[int, int]
    """Tax on the period's tickets: jurisdiction id -> cents."""
    books: dict[int, int]
    """What the tax accounts took up in the period, late tickets put where they were sold: jurisdiction id -> cents."""
    late: tuple[LateTicket, ...]
    unmoved_cents: int
    """Tax that dealers owe themselves and that no month-end has yet passed to them."""


def period_sums(session: Session, settings: Settings, office: str, period: FilingPeriod) -> PeriodSums:
    """What the office's return of a period is built from, by the day of sale."""
    first, last = period.first_day, period.last_day
    covered = _covered(session, settings, office, first, last)
    used = select(TaxCharged.rate_id).where(_sold_between(first, last), TaxCharged.posting_date >= first)
    rates = {rate.id: rate for rate in session.scalars(select(TaxRate).where(TaxRate.id.in_(used)))}
    rated: dict[int, dict[tuple[int, str], list[int]]] = defaultdict(lambda: defaultdict(lambda: [0, 0]))
    untaxed: dict[tuple[int, str], dict[str, int]] = defaultdict(lambda: defaultdict(int))
    tickets: dict[int, int] = defaultdict(int)
    for begin, end in settings.parts(first, last):
        takes = _Takes(settings, office, begin)
        for mall_id, key, rate_id, part, nobodys, taxable, amount in _charged(session, begin, end):
            if takes(mall_id, key, nobodys):
                cell = rated[key][rate_id, part]
                cell[0] += int(taxable)
                cell[1] += int(amount)
        for mall_id, key, kind, reason, nobodys, amount in _not_taxed(session, begin, end):
            if takes(mall_id, key, nobodys):
                untaxed[key, kind][reason] += int(amount)
        for mall_id, key, nobodys, amount in _tax_sums(session, _sold_between(begin, end), TaxCharged.posting_date >= begin):
            if takes(mall_id, key, nobodys):
                tickets[key] += amount
    keys = {*covered, *rated, *(key for key, _ in untaxed)}
    order = sorted(keys, key=lambda k: (KINDS.index(settings.jurisdictions[k].kind), settings.jurisdictions[k].name, k))
    lines = tuple(_line(settings.jurisdictions[k], rated[k], untaxed, rates) for k in order)
    late = _late(session, settings, office, first, last)
    books = _books(session, settings, office, keys, first, last)
    here = {line.jurisdiction_id: line.collected_cents for line in lines}
    return PeriodSums(
        lines, dict(tickets), _by_jurisdiction(settings, books, here), late, _unmoved(session, settings, office, first, last)
    )


class _Takes:
    """Whether a row is the office's: its return, its day, and the co-op's to remit. A sale without a dealer always is."""

    def __init__(self, settings: Settings, office: str, on: date, *, dealers: bool = False) -> None:
        self.settings, self.office, self.on, self.dealers = settings, office, on, dealers
        self._known: dict[tuple[int, int], TaxSetting | None] = {}

    def __call__(self, mall_id: int, jurisdiction_id: int, nobodys: bool) -> bool:
        key = (jurisdiction_id, mall_id)
        if key not in self._known:
            self._known[key] = self.settings.of(jurisdiction_id, mall_id, self.on)
        setting = self._known[key]
        if setting is None or setting.office != self.office:
            return False
        theirs = setting.owed_by == "dealer" and not nobodys
        return theirs if self.dealers else not theirs


def _covered(session: Session, settings: Settings, office: str, first: date, last: date) -> set[int]:
    """Jurisdictions of the office that tax some mall in the period, sales or none."""
    found: set[int] = set()
    begins: dict[int, list[TaxPlace]] = defaultdict(list)
    for place in session.scalars(select(TaxPlace).where(TaxPlace.starts_on <= last).order_by(TaxPlace.starts_on)):
        begins[place.mall_id].append(place)
    members: dict[int, list[int]] = defaultdict(list)
    for place_id, key in session.execute(select(TaxPlaceJurisdiction.place_id, TaxPlaceJurisdiction.jurisdiction_id)):
        members[place_id].append(key)
    for mall_id, places in begins.items():
        for place, after in zip(places, [*places[1:], None], strict=True):
            if after is not None and after.starts_on <= first:
                continue
            on = max(first, place.starts_on)
            found |= {k for k in members[place.id] if (s := settings.of(k, mall_id, on)) and s.office == office}
    return found


def _charged(session: Session, first: date, last: date) -> Iterable[tuple[int, int, int, str, bool, int, int]]:
    nobodys = TaxCharged.dealer_id.is_(None)
    rows = (
        select(
            TaxCharged.mall_id,
            TaxCharged.jurisdiction_id,
            TaxCharged.rate_id,
            TaxCharged.part,
            nobodys,
            func.sum(TaxCharged.taxable_cents),
            func.sum(TaxCharged.amount_cents),
        )
        .where(_sold_between(first, last), TaxCharged.posting_date >= first)
        .group_by(TaxCharged.mall_id, TaxCharged.jurisdiction_id, TaxCharged.rate_id, TaxCharged.part, nobodys)
    )
    return ((m, j, r, p, bool(n), t, a) for m, j, r, p, n, t, a in session.execute(rows))


def _not_taxed(session: Session, first: date, last: date) -> Iterable[tuple[int, int, str, str, bool, int]]:
    nobodys = TaxUntaxed.dealer_id.is_(None)
    rows = (
        select(
            TaxUntaxed.mall_id,
            TaxUntaxed.jurisdiction_id,
            TaxUntaxed.kind,
            TaxUntaxed.reason,
            nobodys,
            func.sum(TaxUntaxed.amount_cents),
        )
        .where(TaxUntaxed.sold_on.between(first, last), TaxUntaxed.posting_date >= first)
        .group_by(TaxUntaxed.mall_id, TaxUntaxed.jurisdiction_id, TaxUntaxed.kind, TaxUntaxed.reason, nobodys)
    )
    return ((m, j, k, r, bool(n), a) for m, j, k, r, n, a in session.execute(rows))


def _tax_sums(session: Session, *where: ColumnElement[bool]) -> Iterator[tuple[int, int, bool, int]]:
    """Tax of the rows: (mall, jurisdiction, whether without a dealer, cents)."""
    nobodys = TaxCharged.dealer_id.is_(None)
    rows = (
        select(TaxCharged.mall_id, TaxCharged.jurisdiction_id, nobodys, func.sum(TaxCharged.amount_cents))
        .where(*where)
        .group_by(TaxCharged.mall_id, TaxCharged.jurisdiction_id, nobodys)
    )
    for mall_id, key, without, amount in session.execute(rows):
        yield mall_id, key, bool(without), int(amount)


def _line(
    jurisdiction: Jurisdiction,
    rated: dict[tuple[int, str], list[int]],
    untaxed: dict[tuple[int, str], dict[str, int]],
    rates: dict[int, TaxRate],
) -> JurisdictionSums:
    rows = tuple(
        RatedSum(rate_id, part, _short(rate.percent), taxable, collected, rate.tax_class, rate.starts_on)
        for (rate_id, part), (taxable, collected) in sorted(rated.items(), key=lambda item: (item[0][1], item[0][0]))
        for rate in (rates[rate_id],)
    )
    deductions, exempt = (
        tuple((reason, cents) for reason, cents in sorted(untaxed[jurisdiction.id, kind].items()) if cents)
        for kind in ("deduction", "exempt")
    )
    taxable = sum(row.taxable_cents for row in rows if not row.part)
    gross = taxable + sum(cents for _, cents in (*deductions, *exempt))
    return JurisdictionSums(jurisdiction.id, jurisdiction.name, gross, deductions, exempt, rows)


def _short(percent: Decimal) -> Decimal:
    """A percent without idle zeros, never in powers of ten."""
    return Decimal(format_decimal(percent))


# --- the books ----------------------------------------------------------------------------------------------------------


def _books(session: Session, settings: Settings, office: str, keys: set[int], first: date, last: date) -> dict[int, int]:
    """Each tax account's movement in the period, filings apart, late tickets moved to their period: account id -> cents."""
    accounts = {settings.jurisdictions[key].account_id for key in keys}
    rows = session.execute(
        select(Posting.account_id, func.sum(Posting.amount_cents))
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Posting.account_id.in_(accounts), Entry.business_date.between(first, last), Entry.source_kind != FILING)
        .group_by(Posting.account_id)
    )
    books: dict[int, int] = dict.fromkeys(accounts, 0)
    for account_id, amount in rows:
        books[account_id] -= int(amount)
    out = _by_sale(session, settings, office, (first, last), TaxCharged.posting_date > last)
    day_before = first - timedelta(days=1)
    into = _by_sale(session, settings, office, (date.min, day_before), TaxCharged.posting_date.between(first, last))
    for sign, sums in ((1, out), (-1, into)):
        for key, amount in sums.items():
            if key in keys:
                books[settings.jurisdictions[key].account_id] += sign * amount
    return books


def _by_sale(
    session: Session, settings: Settings, office: str, sold: tuple[date, date], posted: ColumnElement[bool]
) -> dict[int, int]:
    """The office's tax on what was sold and posted then, each under the setting of its day of sale: jurisdiction id -> cents."""
    sums: dict[int, int] = defaultdict(int)
    if session.scalar(select(exists().where(_sold_between(*sold), posted))):
        for begin, end in settings.parts(*sold):
            takes = _Takes(settings, office, begin)
            for mall_id, key, nobodys, amount in _tax_sums(session, _sold_between(begin, end), posted):
                if takes(mall_id, key, nobodys):
                    sums[key] += amount
    return sums


def _by_jurisdiction(settings: Settings, books: dict[int, int], here: dict[int, int]) -> dict[int, int]:
    """The accounts' movements by jurisdiction. Where several share an account, the first answers for what is apart."""
    shared: dict[int, list[int]] = defaultdict(list)
    for key in here:
        shared[settings.jurisdictions[key].account_id].append(key)
    answer: dict[int, int] = {}
    for account_id, keys in shared.items():
        answer |= {key: here[key] for key in keys[1:]}
        answer[keys[0]] = books[account_id] - sum(here[key] for key in keys[1:])
    return answer


def _late(session: Session, settings: Settings, office: str, first: date, last: date) -> tuple[LateTicket, ...]:
    found: dict[str, list[LateTicket]] = defaultdict(list)
    for begin, end in settings.parts(first, last):
        takes = _Takes(settings, office, begin)
        nobodys, sold = TaxCharged.dealer_id.is_(None), func.min(_SOLD_ON)
        rows = session.execute(
            select(
                TaxCharged.ticket_key,
                TaxCharged.mall_id,
                TaxCharged.jurisdiction_id,
                nobodys,
                sold,
                func.min(TaxCharged.posting_date),
                func.sum(TaxCharged.amount_cents),
            )
            .where(_sold_between(begin, end), TaxCharged.posting_date > last)
            .group_by(TaxCharged.ticket_key, TaxCharged.mall_id, TaxCharged.jurisdiction_id, nobodys)
            .order_by(TaxCharged.ticket_key)
        )
        for key, mall_id, jurisdiction_id, without, sold_on, posted_on, amount in rows:
            if takes(mall_id, jurisdiction_id, bool(without)):
                found[key].append(LateTicket(key, _day(sold_on), posted_on, int(amount)))
    return tuple(
        LateTicket(key, rows[0].sold_on, rows[0].posted_on, sum(row.tax_cents for row in rows)) for key, rows in found.items()
    )


def _day(value: date | str) -> date:
    """A day that went through a function, which SQLite answers as text."""
    return date.fromisoformat(value) if isinstance(value, str) else value


def _unmoved(session: Session, settings: Settings, office: str, first: date, last: date) -> int:
    """What dealers owe on the sales posted in these days, less what has been passed to them."""
    owed = 0
    if not settings.dealers_ever_owe:
        return 0
    for begin, end in settings.parts(date.min, last):
        theirs = _Takes(settings, office, begin, dealers=True)
        posted = TaxCharged.posting_date.between(first, last)
        for mall_id, key, nobodys, amount in _tax_sums(session, _sold_between(begin, end), posted):
            if theirs(mall_id, key, nobodys):
                owed += amount
    if not owed:
        return 0
    accounts = [j.account_id for j in settings.jurisdictions.values()]
    moved = session.scalar(
        select(func.coalesce(func.sum(Posting.amount_cents), 0))
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Entry.source_kind == MOVE, Entry.business_date.between(first, last), Posting.account_id.in_(accounts))
    )
    return owed - int(moved or 0)


# --- what passes to dealers ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DealerOwed:
    """Tax on one dealer's sales that she owes herself for one jurisdiction, in cents."""

    dealer_id: int
    jurisdiction_id: int
    jurisdiction: str
    office: str
    taxable_cents: int
    amount_cents: int


def owed_by_dealers(session: Session, mall_id: int, month: Month, *, dealer_id: int | None = None) -> list[DealerOwed]:
    """What dealers owe themselves on the sales posted in a month, by dealer and jurisdiction; empty where the co-op remits.

    The setting of the day of sale decides.
    """
    settings = Settings(session)
    sums: dict[tuple[int, int, str], list[int]] = defaultdict(lambda: [0, 0])
    for begin, end in settings.parts(date.min, date.max):
        rows = (
            select(
                TaxCharged.dealer_id,
                TaxCharged.jurisdiction_id,
                TaxCharged.part,
                func.sum(TaxCharged.taxable_cents),
                func.sum(TaxCharged.amount_cents),
            )
            .where(
                TaxCharged.mall_id == mall_id,
                TaxCharged.posting_date.between(month.first_day, month.last_day),
                _sold_between(begin, end),
                TaxCharged.dealer_id.is_not(None) if dealer_id is None else TaxCharged.dealer_id == dealer_id,
            )
            .group_by(TaxCharged.dealer_id, TaxCharged.jurisdiction_id, TaxCharged.part)
        )
        for dealer, key, part, taxable, amount in session.execute(rows):
            setting = settings.of(key, mall_id, begin)
            if dealer is not None and setting is not None and setting.owed_by == "dealer":
                cell = sums[dealer, key, setting.office]
                cell[0] += 0 if part else int(taxable)
                cell[1] += int(amount)
    return [
        DealerOwed(dealer, key, settings.jurisdictions[key].name, office, taxable, amount)
        for (dealer, key, office), (taxable, amount) in sorted(sums.items())
    ]


def moved_to_dealers(session: Session, mall_id: int, month: Month) -> dict[str, tuple[int, int]]:
    """What has been passed to dealers already: source id -> (how many entries, cents)."""
    rows = session.execute(
        select(Entry.source_id, func.count(Entry.id.distinct()), func.sum(Posting.amount_cents))
        .join(Posting, Posting.entry_id == Entry.id)
        .join(Account, Account.id == Posting.account_id)
        .where(
            Entry.source_kind == MOVE,
            Entry.mall_id == mall_id,
            Entry.business_date.between(month.first_day, month.last_day),
            Account.kind == "tax",
        )
        .group_by(Entry.source_id)
    )
    return {source: (int(count), int(amount)) for source, count, amount in rows}
