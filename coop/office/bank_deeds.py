"""What a line of the bank may be entered as: each with its form, what it says, and the one service it calls."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from flask_wtf import FlaskForm
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books import banking
from coop.books.banking import Bill, checks_up_to
from coop.books.domain.matching import Proposal
from coop.books.models import BankLine
from coop.core.money import format_dollars
from coop.core.periods import shown_day
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.office.bank_forms import BillForm, BouncedForm, CardsForm, ChargebackForm, DepositForm

Do = Callable[[Session, datetime, int, Any, int | None], int]


@dataclass(frozen=True)
class Deed:
    """One thing a line may be."""

    name: str
    title: str
    says: str
    button: str
    direction: int
    """Above zero: of money in; below: of money out; zero: of both."""
    form: type[FlaskForm]
    fields: tuple[str, ...]
    do: Do

    def filled(self, session: Session, open_cents: int) -> FlaskForm:
        """The form as it was sent."""
        made = self.form()
        return self._dressed(session, made, open_cents)

    def blank(self, session: Session, line: BankLine, open_cents: int, found: Proposal | None) -> FlaskForm:
        """The form with what is known already."""
        values: dict[str, Any] = {}
        if self.name == "cards" and found and found.batch:
            values = {"mall": found.batch.mall, "gross": found.batch.gross_cents}
        if self.name == "deposit":
            values = {"cash": open_cents}
        if self.name in ("bounced", "chargeback"):
            values = {"reference": line.reference}
        made = self.form(formdata=None, **values)
        return self._dressed(session, made, open_cents)

    def _dressed(self, session: Session, form: FlaskForm, open_cents: int) -> FlaskForm:
        """With what may be chosen of, and under ids of its own: several forms stand on the page."""
        _offer(session, form, open_cents)
        for one in form:
            one.id = f"{self.name}-{one.name}"
        return form

    def good(self, form: FlaskForm) -> bool:
        return bool(form.check() if hasattr(form, "check") else form.validate())


def _offer(session: Session, form: FlaskForm, open_cents: int) -> None:
    """What may be chosen of."""
    if "mall" in form:
        malls = [(mall.code, mall.name) for mall in session.scalars(select(Mall).order_by(Mall.code))]
        form.mall.among(malls, "the co-op as a whole" if isinstance(form, BillForm) else "")
    if "dealer" in form:
        dealers = session.execute(select(Dealer.code, Dealer.trade_name).order_by(Dealer.code))
        form.dealer.among([(code, f"{code} {name}".strip()) for code, name in dealers], "nobody’s, or not known")
    if "payment" in form:
        checks = checks_up_to(session, abs(open_cents))
        said = [
            (str(one.entry_id), f"{one.dealer_code}, {shown_day(one.on)}, {format_dollars(one.amount_cents)}") for one in checks
        ]
        form.payment.among(said, "choose a check")


def _mall(session: Session, code: str) -> Mall:
    return session.scalars(select(Mall).where(Mall.code == code)).one()


def _cards(session: Session, now: datetime, line_id: int, form: Any, user_id: int | None) -> int:
    return banking.settle_cards(session, now, line_id, _mall(session, form.mall.data), form.gross.data, user_id=user_id)


def _deposit(session: Session, now: datetime, line_id: int, form: Any, user_id: int | None) -> int:
    cash, checks = form.amounts
    return banking.deposit_from_line(
        session,
        now,
        line_id,
        _mall(session, form.mall.data),
        cash_cents=cash,
        checks_cents=checks,
        reference=form.reference.data,
        drawer=form.drawer.data,
        user_id=user_id,
    )


def _bill(session: Session, now: datetime, line_id: int, form: Any, user_id: int | None) -> int:
    mall = _mall(session, form.mall.data) if form.mall.data else None
    return banking.enter_bill(session, now, line_id, Bill(form.name, mall), user_id=user_id)


def _bounced(session: Session, now: datetime, line_id: int, form: Any, user_id: int | None) -> int:
    return banking.bounce_from_line(session, now, line_id, int(form.payment.data), reference=form.reference.data, user_id=user_id)


def _chargeback(session: Session, now: datetime, line_id: int, form: Any, user_id: int | None) -> int:
    dealer = session.scalar(select(Dealer).where(Dealer.code == form.dealer.data)) if form.dealer.data else None
    return banking.charge_back_from_line(
        session,
        now,
        line_id,
        _mall(session, form.mall.data),
        dealer=dealer,
        reference=form.reference.data,
        reason=form.reason.data,
        borne_by=form.borne_by.data,
        user_id=user_id,
    )


def _fee(session: Session, now: datetime, line_id: int, _form: Any, user_id: int | None) -> int:
    return banking.enter_fee(session, now, line_id, user_id=user_id)


def _interest(session: Session, now: datetime, line_id: int, _form: Any, user_id: int | None) -> int:
    return banking.enter_interest(session, now, line_id, user_id=user_id)


def _unknown(session: Session, now: datetime, line_id: int, _form: Any, user_id: int | None) -> int:
    return banking.enter_unknown(session, now, line_id, user_id=user_id)


_ALL = (
    Deed(
        "cards",
        "Card sales",
        "What the card company pays out: the sales of some days less its fee. The fee becomes the mall’s card cost. "
        "More refunds than sales are below zero.",
        "Enter the card sales",
        0,
        CardsForm,
        ("mall", "gross"),
        _cards,
    ),
    Deed(
        "deposit",
        "A deposit not entered yet",
        "Cash and checks somebody took to the bank, as they are on the slip. They leave the drawer by it.",
        "Enter the deposit",
        1,
        DepositForm,
        ("mall", "cash", "checks", "drawer", "reference"),
        _deposit,
    ),
    Deed("interest", "Interest", "What the bank pays on the account.", "Enter it as interest", 1, FlaskForm, (), _interest),
    Deed(
        "unknown",
        "Not known yet",
        "It is owed to whoever sent it until a journal entry says whose it is.",
        "Enter it as not known yet",
        1,
        FlaskForm,
        (),
        _unknown,
    ),
    Deed("fee", "The bank’s fee", "What the bank asks for the account.", "Enter it as the bank’s fee", -1, FlaskForm, (), _fee),
    Deed(
        "bill",
        "A bill of the co-op’s own",
        "Rent, power, insurance and the like; of money that came in, a bill paid back.",
        "Enter the bill",
        0,
        BillForm,
        ("account", "other", "mall"),
        _bill,
    ),
    Deed(
        "bounced",
        "A check that came back",
        "The dealer owes again what it paid. What the line is more than the check is the bank’s fee, and the co-op’s.",
        "Enter the returned check",
        -1,
        BouncedForm,
        ("payment", "reference"),
        _bounced,
    ),
    Deed(
        "chargeback",
        "A chargeback",
        "The bank took back what a buyer had paid.",
        "Enter the chargeback",
        -1,
        ChargebackForm,
        ("mall", "dealer", "borne_by", "reference", "reason"),
        _chargeback,
    ),
)
DEEDS = {deed.name: deed for deed in _ALL}


def deeds_for(open_cents: int) -> list[Deed]:
    """What a line of this amount may be."""
    return [deed for deed in _ALL if deed.direction * open_cents >= 0]
