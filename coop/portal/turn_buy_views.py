"""Turns bought out in the portal: what they cost, how many there are to buy, and the deed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from flask import abort, flash, redirect, render_template, url_for
from flask_wtf import FlaskForm
from sqlalchemy import select
from sqlalchemy.orm import Session
from wtforms import SelectField

from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.money import format_dollars, round_half_up
from coop.core.periods import Month
from coop.core.web import Page, allow, db, now, request_id, roll_back, visitor
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.leases.holding import today_at
from coop.portal.turn_views import own_member, turns
from coop.shifts.accounts import buy_out, left_to_buy
from coop.shifts.domain.owed import turns_words
from coop.shifts.rules import rules_on
from coop.shifts.substitutes import CAUTION


@dataclass(frozen=True)
class ToBuy:
    """A month's turns that a member may buy out."""

    mall: Mall
    month: Month
    left: Decimal
    each_cents: int

    @property
    def numbers(self) -> list[Decimal]:
        """One, two and so on, and all."""
        whole = [Decimal(number) for number in range(1, int(self.left) + 1)]
        return whole if self.left in whole else [*whole, self.left]


def to_buy(session: Session, mall: Mall, member_id: int, month: Month) -> ToBuy | None:
    """What of a month may be bought out; None where the house rules sell none, or nothing is owed beside the rota."""
    rules = rules_on(session, mall.id, month.first_day)
    if not rules.are_set or rules.buy_out_cents is None:
        return None
    left = left_to_buy(session, mall, member_id, month)
    return ToBuy(mall, month, left, rules.buy_out_cents) if left else None


def all_to_buy(malls: Iterable[Mall]) -> list[ToBuy]:
    """Of this month and the next, at each mall."""
    return [one for mall in malls for month in _months(mall) if (one := to_buy(db(), mall, own_member(), month))]


def _months(mall: Mall) -> tuple[Month, Month]:
    this = Month.of(today_at(db(), now(), mall.id))
    return this, this.next


class BuyForm(FlaskForm):  # type: ignore[misc]
    number = SelectField("How many turns", validate_choice=False)

    def among(self, numbers: Sequence[Decimal], each_cents: int) -> None:
        self.number.choices = [
            (f"{one:f}", f"{turns_words(one)}: {format_dollars(round_half_up(one * each_cents))}") for one in numbers
        ]

    @property
    def wanted(self) -> Decimal | None:
        return Decimal(self.number.data) if self.number.data in {value for value, _ in self.number.choices} else None


def _wanted(mall_code: str, month: Month) -> ToBuy:
    mall = db().scalar(select(Mall).where(Mall.code == mall_code))
    found = to_buy(db(), mall, own_member(), month) if mall is not None and month in _months(mall) else None
    if found is None:
        abort(404)
    return found


def _page(it: ToBuy, form: BuyForm) -> str:
    form.among(it.numbers, it.each_cents)
    return render_template("portal/turns/buy.html", it=it, form=form, caution=CAUTION)


@turns.get("/buy-out/<mall_code>/<month:month>")
@allow("dealer")
def buy(mall_code: str, month: Month) -> Page:
    return _page(_wanted(mall_code, month), BuyForm(formdata=None))


@turns.post("/buy-out/<mall_code>/<month:month>")
@allow("dealer")
def buy_turns(mall_code: str, month: Month) -> Page:
    """Charge the turns to the member's account: they are owed no more."""
    it, form = _wanted(mall_code, month), BuyForm()
    form.among(it.numbers, it.each_cents)
    if form.wanted is None:
        told(form.number, "Choose one of those listed.")
        return _page(it, form), 422
    try:
        buy_out(db(), now(), it.mall, own_member(), month, form.wanted, by=By(visitor().user_id, request_id()))
    except Refusal as refusal:
        roll_back()
        told(form.number, str(refusal))
        return _page(_wanted(mall_code, month), form), 422
    flash(
        f"{turns_words(form.wanted)} of {month.name} {'is' if form.wanted == 1 else 'are'} bought out: it stands on your account."
    )
    return redirect(url_for("turns.balance"), 303)
