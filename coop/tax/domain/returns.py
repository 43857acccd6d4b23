"""A sales-tax return as a value: built from sums, proved, compared with the books, amended by name.

Pure: the day it is filed, its due date and the sums over the period's tickets are handed in. All money is integer cents.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from coop.core.money import format_dollars, round_half_up
from coop.core.periods import Month, shown_day

Frequency = Literal["month", "quarter", "year"]
MONTHS: dict[Frequency, int] = {"month": 1, "quarter": 3, "year": 12}


@dataclass(frozen=True)
class FilingPeriod:
    """The months a return covers."""

    first: Month
    frequency: Frequency

    @property
    def last(self) -> Month:
        month = self.first
        for _ in range(MONTHS[self.frequency] - 1):
            month = month.next
        return month

    @property
    def first_day(self) -> date:
        return self.first.first_day

    @property
    def last_day(self) -> date:
        return self.last.last_day

    @property
    def name(self) -> str:
        return self.first.name if self.frequency == "month" else f"{self.first.name} to {self.last.name}"


def period_of(day: date, frequency: Frequency, *, year_begins: int = 1) -> FilingPeriod:
    """The period a day lies in; `year_begins` is the month in which a filing year (and its first quarter) begins."""
    length = MONTHS[frequency]
    month = Month.of(day)
    for _ in range((day.month - year_begins) % length):
        month = month.previous
    return FilingPeriod(month, frequency)


# --- the office's rules ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Allowance:
    """What a seller may keep for filing and paying in time.

    `tiers` are (tax up to, percent) of the part of the tax in each, the last one's end None. It is at least `minimum_cents`, at
    most `cap_cents`, never more than the tax. `prepaid_percent` of what was prepaid comes on top, outside the cap.
    """

    tiers: tuple[tuple[int | None, Decimal], ...]
    cap_cents: int | None = None
    minimum_cents: int = 0
    prepaid_percent: Decimal = Decimal(0)

    def __post_init__(self) -> None:
        ends = [upto for upto, _ in self.tiers]
        closed = [upto for upto in ends if upto is not None]
        if not ends or None in ends[:-1] or closed != sorted(set(closed)) or any(percent < 0 for _, percent in self.tiers):
            raise ValueError("An allowance's tiers rise, only the last has no end, and no percent is negative.")


def allowance_cents(rule: Allowance, tax_cents: int, prepaid_cents: int = 0) -> int:
    """The timely-filing allowance on a tax. Nothing on a credit."""
    if tax_cents <= 0:
        return 0
    whole, below = Fraction(0), 0
    for upto, percent in rule.tiers:
        end = tax_cents if upto is None else min(upto, tax_cents)
        whole += max(0, end - below) * Fraction(percent) / 100
        below = max(below, end)
    allowed = max(round_half_up(whole), rule.minimum_cents)
    if rule.cap_cents is not None:
        allowed = min(allowed, rule.cap_cents)
    allowed += round_half_up(min(prepaid_cents, tax_cents) * Fraction(rule.prepaid_percent) / 100)
    return min(allowed, tax_cents)


@dataclass(frozen=True)
class Interest:
    """Simple interest on tax paid late: percent a year by days, or a percent for each month or part of one."""

    percent: Decimal
    per: Literal["year", "month"] = "year"
    days_in_year: int = 365


@dataclass(frozen=True)
class PaidPart:
    """A part of a tax, in cents, and the day it was paid."""

    on: date
    cents: int


def interest_cents(rule: Interest, parts: Iterable[PaidPart], due_on: date) -> int:
    """Interest on each part from the due date to the day it was paid, rounded once; none in time, none on a credit."""
    return round_half_up(sum((_interest(rule, part, due_on) for part in parts), Fraction(0)))


def _interest(rule: Interest, part: PaidPart, due_on: date) -> Fraction:
    days = (part.on - due_on).days
    if days <= 0 or part.cents <= 0:
        return Fraction(0)
    if rule.per == "year":
        return part.cents * Fraction(rule.percent) / 100 * Fraction(days, rule.days_in_year)
    months = (part.on.year - due_on.year) * 12 + part.on.month - due_on.month + (1 if part.on.day > due_on.day else 0)
    return part.cents * Fraction(rule.percent) / 100 * max(1, months)


@dataclass(frozen=True)
class FilingRules:
    """How an office takes returns. `remits`: the tax due at the rates, the tax collected, or (usual) whichever is greater."""

    remits: Literal["greater", "due", "collected"] = "greater"
    allowance: Allowance | None = None
    interest: Interest | None = None


# --- the value ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RatedSum:
    """What a period's tickets were taxed at one rate row (`part` as in TaxPart): base, and tax collected.

    The rate's class and first day are not in returns that were kept before they were told.
    """

    rate_id: int
    part: str
    percent: Decimal
    taxable_cents: int
    collected_cents: int
    tax_class: str = ""
    starts_on: date | None = None

    @property
    def words(self) -> str:
        """`5% general from Jan 1, 2020`: tells the rate from every other of its jurisdiction."""
        what = f"{self.percent}% {self.part or self.tax_class}".strip()
        return what if self.starts_on is None else f"{what} from {shown_day(self.starts_on)}"

    @property
    def due_cents(self) -> int:
        """The tax due on the base at the rate."""
        return round_half_up(self.taxable_cents * Fraction(self.percent) / 100)


@dataclass(frozen=True)
class JurisdictionSums:
    """A period's tickets in one jurisdiction: gross sales less returns, what was not taxed by reason, and the rated sums."""

    jurisdiction_id: int
    name: str
    gross_cents: int
    deductions: tuple[tuple[str, int], ...]
    exempt: tuple[tuple[str, int], ...]
    rated: tuple[RatedSum, ...]

    @property
    def taxable_cents(self) -> int:
        """The base of the jurisdiction's own rates; an upper tier's base lies within the same prices."""
        return sum(row.taxable_cents for row in self.rated if not row.part)

    @property
    def due_cents(self) -> int:
        return sum(row.due_cents for row in self.rated)

    @property
    def collected_cents(self) -> int:
        return sum(row.collected_cents for row in self.rated)

    @property
    def difference_cents(self) -> int:
        """Collected less due: what rounding ticket by ticket made, or a mistake."""
        return self.collected_cents - self.due_cents


@dataclass(frozen=True)
class Change:
    """One figure an amended return changes, in cents."""

    where: str
    what: str
    was_cents: int
    now_cents: int


@dataclass(frozen=True)
class TaxReturn:
    """What is filed with one office for one period. `tax_cents` is what the office is owed before allowance and interest.

    net due = tax - allowance - prepaid - paid before + interest. `amends` is the number of the return it replaces, `changes` what
    it changes of it. `paid_late` is what of the prepaid was paid after the due date, though before filing, by day.
    """

    number: str
    office: str
    period: FilingPeriod
    due_on: date
    filed_on: date
    lines: tuple[JurisdictionSums, ...]
    tax_cents: int
    allowance_cents: int
    prepaid_cents: int
    paid_before_cents: int
    interest_cents: int
    net_due_cents: int
    amends: str | None = None
    changes: tuple[Change, ...] = ()
    paid_late: tuple[PaidPart, ...] = ()

    @property
    def collected_cents(self) -> int:
        """What the tax accounts hold for the period: the liability that filing clears."""
        return sum(line.collected_cents for line in self.lines)

    @property
    def rounding_cents(self) -> int:
        """Collected less the tax owed: goes to the books by name, a gain when positive."""
        return self.collected_cents - self.tax_cents

    @property
    def in_time(self) -> bool:
        return self.filed_on <= self.due_on


def owed_cents(line: JurisdictionSums, remits: str) -> int:
    """What one jurisdiction is owed of a period."""
    if remits == "greater":
        return max(line.due_cents, line.collected_cents)
    return line.due_cents if remits == "due" else line.collected_cents


def build_return(
    number: str,
    office: str,
    period: FilingPeriod,
    lines: Iterable[JurisdictionSums],
    rules: FilingRules,
    *,
    due_on: date,
    filed_on: date,
    prepaid: Sequence[PaidPart] = (),
) -> TaxReturn:
    """The return of a period: its allowance when filed by the due date, its interest when later.

    `prepaid` are the parts paid up to the day of filing; what is left is taken as paid with the return.
    """
    prepaid_cents = sum(part.cents for part in prepaid)
    late = tuple(part for part in prepaid if part.on > due_on)
    lines = tuple(lines)
    tax = sum(owed_cents(line, rules.remits) for line in lines)
    timely = filed_on <= due_on
    allowance = allowance_cents(rules.allowance, tax, prepaid_cents) if rules.allowance and timely else 0
    unpaid = tax - allowance - prepaid_cents
    interest = interest_cents(rules.interest, (*late, PaidPart(filed_on, unpaid)), due_on) if rules.interest else 0
    return TaxReturn(
        number,
        office,
        period,
        due_on,
        filed_on,
        lines,
        tax,
        allowance,
        prepaid_cents,
        0,
        interest,
        unpaid + interest,
        paid_late=late,
    )


def amend_return(
    original: TaxReturn, number: str, lines: Iterable[JurisdictionSums], rules: FilingRules, *, filed_on: date
) -> TaxReturn:
    """The return that replaces a filed one, naming what it changes: the tax added is owed since the original's due date.

    The original's allowance stays on the tax it covered; tax added late earns none. Raises ValueError when nothing changes.
    """
    lines = tuple(lines)
    changes = tuple(compare(original.lines, lines))
    if not changes:
        raise ValueError(f"The return {original.number} already says this: there is nothing to amend.")
    tax = sum(owed_cents(line, rules.remits) for line in lines)
    kept = allowance_cents(rules.allowance, min(tax, original.tax_cents), original.prepaid_cents) if rules.allowance else 0
    allowance = min(kept, original.allowance_cents)
    paid_before = original.paid_before_cents + original.net_due_cents - original.interest_cents
    unpaid = tax - allowance - original.prepaid_cents - paid_before
    interest = interest_cents(rules.interest, [PaidPart(filed_on, unpaid)], original.due_on) if rules.interest else 0
    return TaxReturn(
        number,
        original.office,
        original.period,
        original.due_on,
        filed_on,
        lines,
        tax,
        allowance,
        original.prepaid_cents,
        paid_before,
        interest,
        unpaid + interest,
        original.number,
        changes,
    )


# --- proofs -------------------------------------------------------------------------------------------------------------


def compare(was: Sequence[JurisdictionSums], now: Sequence[JurisdictionSums]) -> list[Change]:
    """Every figure that differs between two returns' lines, by jurisdiction."""
    changes = []
    names = {line.jurisdiction_id: line.name for line in (*was, *now)}
    for key, name in names.items():
        # Figures of a rate are matched by its row: a return kept long ago may not say its words.
        words = {(r.part, r.rate_id): r.words for lines in (was, now) for one in lines for r in one.rated}
        old, new = (
            {k: v for line in lines if line.jurisdiction_id == key for k, v in _figures(line, words)} for lines in (was, now)
        )
        figures = dict.fromkeys((*old, *new))
        changes += [Change(name, f, old.get(f, 0), new.get(f, 0)) for f in figures if old.get(f, 0) != new.get(f, 0)]
    return changes


def _figures(line: JurisdictionSums, words: Mapping[tuple[str, int], str]) -> list[tuple[str, int]]:
    rated = [(words[row.part, row.rate_id], row) for row in line.rated]
    return [
        ("gross sales", line.gross_cents),
        *((f"deduction: {reason}", cents) for reason, cents in line.deductions),
        *((f"exempt: {reason}", cents) for reason, cents in line.exempt),
        ("taxable sales", line.taxable_cents),
        *((f"taxable at {what}", row.taxable_cents) for what, row in rated),
        *((f"collected at {what}", row.collected_cents) for what, row in rated),
        ("tax due", line.due_cents),
        ("tax collected", line.collected_cents),
    ]


def prove_return(value: TaxReturn) -> list[str]:
    """Sentences for everything in a return that does not add up; none when it does."""
    faults = []
    for line in value.lines:
        untaxed = sum(cents for _, cents in (*line.deductions, *line.exempt))
        if line.gross_cents - untaxed != line.taxable_cents:
            off = format_dollars(line.gross_cents - untaxed - line.taxable_cents)
            faults.append(f"{line.name}: gross sales less deductions and exempt sales differ from taxable sales by {off}.")
    net = value.tax_cents - value.allowance_cents - value.prepaid_cents - value.paid_before_cents + value.interest_cents
    if net != value.net_due_cents:
        faults.append(f"Net due is {format_dollars(value.net_due_cents)}, but its parts make {format_dollars(net)}.")
    return faults


def tie_return(value: TaxReturn, collected: Mapping[int, int], what: str) -> list[str]:
    """Sentences where the tax collected differs from tickets or books (`what`), which hold cents by jurisdiction id."""
    here = {line.jurisdiction_id: line.collected_cents for line in value.lines}
    names = {line.jurisdiction_id: line.name for line in value.lines}
    return [
        f"{names.get(key, f'Jurisdiction {key}')}: the return has {format_dollars(here.get(key, 0))}, {what} "
        f"{format_dollars(collected.get(key, 0))}: {format_dollars(collected.get(key, 0) - here.get(key, 0))} apart."
        for key in dict.fromkeys((*here, *collected))
        if here.get(key, 0) != collected.get(key, 0)
    ]
