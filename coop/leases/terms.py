"""A lease's terms as they are stored: JSON objects, one schema a kind, read strictly into what `leases.domain` computes with.

Money is dollars as text, percents are text, months are YYYY-MM. An unknown key, or a float, is refused by its path.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from coop.core.checked_json import DAY, MONEY, NAME, PERCENT, Schema, cents_of, check, closed
from coop.core.periods import Month
from coop.leases.domain.commission import Tier, tiered_commission
from coop.leases.domain.discounts import ORDER, Discount
from coop.leases.domain.escalation import CpiTerms, Raise, Step, cpi_raises, fixed_raises, stepped_raises
from coop.leases.domain.figures import TermsError, checked_percent
from coop.leases.domain.percentage_rent import PercentageRent
from coop.leases.domain.turns import TurnRule

_CHANGE: Schema = {
    "type": "string",
    "pattern": r"^-?[0-9]{1,3}(\.[0-9]{1,6})?$",
    "description": "Percent more, as text; less with a minus",
    "examples": ["3"],
}
_MONTH: Schema = {"type": "string", "pattern": r"^[0-9]{4}-[0-9]{2}$", "description": "YYYY-MM", "examples": ["2026-06"]}
_MONTHS: Schema = {"type": "integer", "minimum": 1, "maximum": 120}
_COUNT: Schema = {"type": "integer", "minimum": 0, "maximum": 100}
_TURNS = {
    "dollars": MONEY,
    "percent": PERCENT,
    "owed": {**_COUNT, "description": "Turns that are owed anyway and take nothing off"},
    "at_most": {**_COUNT, "description": "No more turns than these count"},
}
TERMS: Mapping[str, Schema] = {
    "discount": closed(
        {
            "reason": {"type": "string", "enum": [*ORDER, "turns"]},
            "name": {**NAME, "description": "Completes `10% ...`", "examples": ["for members"]},
            **_TURNS,
        },
        ["reason"],
        "Off the rent: a percent, or dollars a month; for turns worked, a percent or dollars a turn",
    ),
    "escalation": closed(
        {
            "how": {"type": "string", "enum": ["percent", "steps", "index"]},
            "percent": _CHANGE,
            "every_months": _MONTHS,
            "steps": {"type": "array", "minItems": 1, "items": closed({"on": DAY, "percent": _CHANGE}, ["on", "percent"])},
            "series": {**NAME, "examples": ["CPI-U"]},
            "base": _MONTH,
            "lag_months": {"type": "integer", "minimum": 0, "maximum": 24},
            "cap": PERCENT,
            "floor": PERCENT,
            "decimals": {"type": "integer", "minimum": 0, "maximum": 6},
        },
        ["how"],
        "How the first price rises, counted from the term's first day",
    ),
    "percentage": closed(
        {
            "percent": PERCENT,
            "breakpoint": {**MONEY, "description": "Left out: the natural one"},
            "period": {"type": "string", "enum": ["month", "year"]},
        },
        ["percent"],
        "A percent of the sales above a breakpoint",
    ),
    "commission": closed(
        {
            "percent": PERCENT,
            "tiers": {
                "type": "array",
                "minItems": 1,
                "items": closed({"upto": MONEY, "percent": PERCENT}, ["percent"]),
                "description": "By the price of an item; the last without `upto`",
            },
            "turns": closed({key: _TURNS[key] for key in ("percent", "owed", "at_most")}, ["percent"]),
        },
        (),
        "Commission by another rule than the lease's percent",
    ),
}
"""By kind: what its terms may say."""
_OF_HOW = {
    "percent": ({"percent"}, {"every_months"}),
    "steps": ({"steps"}, set[str]()),
    "index": ({"series", "base"}, {"every_months", "lag_months", "cap", "floor", "decimals"}),
}
"""Of an escalation: the keys each way needs, and those it may have."""


@dataclass(frozen=True)
class Escalation:
    """How a price rises from a term's first day; `series` is the index it follows, else empty."""

    starts_on: date
    ends_on: date | None
    terms: Mapping[str, Any]

    @property
    def series(self) -> str:
        return str(self.terms.get("series", ""))

    def raises(self, until: date, indexes: Mapping[date, Decimal]) -> tuple[Raise, ...]:
        """Those begun by a day. Raises TermsError naming a month without an index value."""
        until = min(until, self.ends_on or date.max)
        how = self.terms["how"]
        every = self.terms.get("every_months", 12)
        if how == "percent":
            return fixed_raises(Decimal(self.terms["percent"]), self.starts_on, until, every_months=every)
        if how == "steps":
            return stepped_raises(self._steps, until)
        return cpi_raises(self._cpi, indexes, until)

    @property
    def _steps(self) -> list[Step]:
        return [Step(date.fromisoformat(step["on"]), Decimal(step["percent"])) for step in self.terms["steps"]]

    @property
    def _cpi(self) -> CpiTerms:
        cap, floor = (Decimal(self.terms[key]) if key in self.terms else None for key in ("cap", "floor"))
        return CpiTerms(
            self.starts_on,
            Month.parse(self.terms["base"]),
            self.terms.get("every_months", 12),
            self.terms.get("lag_months", 2),
            cap,
            floor,
            self.terms.get("decimals"),
        )

    def check(self) -> None:
        """Raises TermsError for what cannot be meant."""
        if self.terms["how"] == "index":
            # What base and lag an index is read by shows at the first raise only: see that one now.
            first = Month.of(self.starts_on)
            if self._cpi.base > first:
                raise TermsError(f"The index's base {self.terms['base']} is after the term's first day: choose an earlier month.")
        elif self.terms["how"] == "steps":
            early = [step.starts_on for step in self._steps if step.starts_on < self.starts_on]
            if early:
                raise TermsError(f"A step begins on {early[0]}, before the term does on {self.starts_on}: choose a later day.")
            stepped_raises(self._steps, date.max)
        else:
            checked_percent(Decimal(self.terms["percent"]), "the raise", least=-99, most=None)


@dataclass(frozen=True)
class TurnsOff:
    """What turns worked take off the rent, from a day to another."""

    starts_on: date
    ends_on: date | None
    rule: TurnRule


@dataclass(frozen=True)
class PercentageTerm:
    starts_on: date
    ends_on: date | None
    rule: PercentageRent


@dataclass(frozen=True)
class CommissionTerm:
    """A percent (None: the lease's), or tiers by item price; and what turns take off it."""

    starts_on: date
    ends_on: date | None
    percent: Decimal | None
    tiers: tuple[Tier, ...]
    turns: TurnRule | None


Term = Discount | TurnsOff | Escalation | PercentageTerm | CommissionTerm


def read_term(kind: str, terms: object, starts_on: date, ends_on: date | None) -> Term:
    """A stored term as a value. Raises ValueError, with a sentence that names the key, for anything else than its kind's."""
    if kind not in TERMS:
        raise ValueError(f"The term is of the kind {kind!r}; the kinds are {', '.join(TERMS)}.")
    check(terms, TERMS[kind], kind)
    assert isinstance(terms, dict)
    if kind == "discount":
        return _discount(terms, starts_on, ends_on)
    if kind == "escalation":
        return _escalation(terms, starts_on, ends_on)
    if kind == "percentage":
        limit = cents_of(terms["breakpoint"]) if "breakpoint" in terms else None
        rule = PercentageRent(Decimal(terms["percent"]), terms.get("period", "month"), limit)
        return PercentageTerm(starts_on, ends_on, rule)
    return _commission(terms, starts_on, ends_on)


def _discount(terms: Mapping[str, Any], starts_on: date, ends_on: date | None) -> Discount | TurnsOff:
    percent = Decimal(terms["percent"]) if "percent" in terms else None
    cents = cents_of(terms["dollars"]) if "dollars" in terms else None
    if terms["reason"] == "turns":
        if "name" in terms:
            raise ValueError("discount.name is not known for turns: they name themselves.")
        return TurnsOff(starts_on, ends_on, TurnRule(cents, percent, terms.get("owed", 0), terms.get("at_most")))
    for key in ("owed", "at_most"):
        if key in terms:
            raise ValueError(f'discount.{key} is for turns only: leave it out, or write "reason": "turns".')
    if "name" not in terms:
        raise ValueError('discount.name is missing, such as "for members".')
    return Discount(terms["reason"], terms["name"], starts_on, ends_on, percent, cents)


def _escalation(terms: Mapping[str, Any], starts_on: date, ends_on: date | None) -> Escalation:
    needed, allowed = _OF_HOW[terms["how"]]
    for key in sorted(needed - terms.keys()):
        raise ValueError(f"escalation.{key} is missing: {terms['how']} needs it.")
    for key in sorted(terms.keys() - needed - allowed - {"how"}):
        raise ValueError(f"escalation.{key} is not for {terms['how']}: leave it out.")
    try:
        made = Escalation(starts_on, ends_on, terms)
        made.check()
    except TermsError:
        raise
    except ValueError as error:
        raise ValueError(f"escalation.base {error}.") from None
    return made


def _commission(terms: Mapping[str, Any], starts_on: date, ends_on: date | None) -> CommissionTerm:
    if "percent" in terms and "tiers" in terms:
        raise ValueError("commission.percent and commission.tiers exclude each other: leave one.")
    if not terms:
        raise ValueError("commission says nothing: write a percent, tiers, or what turns take off.")
    tiers = tuple(
        Tier(cents_of(tier["upto"]) if "upto" in tier else None, Decimal(tier["percent"])) for tier in terms.get("tiers", ())
    )
    percent = Decimal(terms["percent"]) if "percent" in terms else None
    for each in (percent, *(tier.percent for tier in tiers)):
        if each is not None:
            checked_percent(each, "the commission")
    if tiers:
        tiered_commission((), tiers)
    turns = None
    if "turns" in terms:
        said = terms["turns"]
        turns = TurnRule(None, Decimal(said["percent"]), said.get("owed", 0), said.get("at_most"))
    return CommissionTerm(starts_on, ends_on, percent, tiers, turns)


def holds_on(term: Term, day: date) -> bool:
    return term.starts_on <= day and (term.ends_on is None or day <= term.ends_on)
