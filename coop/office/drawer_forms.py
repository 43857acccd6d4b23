"""What is typed when a drawer is counted, when cash is put in, paid out or taken to the bank, and of the desk's devices."""

from __future__ import annotations

from collections.abc import Sequence

from flask_wtf import FlaskForm
from wtforms import BooleanField, HiddenField, StringField
from wtforms.validators import Length

from coop.core.fields import ChoiceField, DayField, DollarsField, KeyField, Needed, NumberField, stripped, told
from coop.core.money import format_dollars
from coop.office.lease_forms import DAY, PickField
from coop.sales.drawers import PAID_FOR, Drawer

BILLS = {"bills_100": 100_00, "bills_50": 50_00, "bills_20": 20_00, "bills_10": 10_00, "bills_5": 5_00, "bills_2": 2_00}
BILLS |= {"bills_1": 1_00}
COINS = {"dollars": 1_00, "halves": 50, "quarters": 25, "dimes": 10, "nickels": 5, "pennies": 1}
PIECES = BILLS | COINS
"""Bills and coins of a count, in cents each."""
ANY_DRAWER = "-"
"""The choice of the drawer without a name: an empty one would be none."""
_MOST = 99_999
_NOTE = Length(max=200, message="Write it in 200 characters.")
_REASON = Length(max=120, message="Write it in 120 characters.")
_REFERENCE = Length(max=40, message="Write it in 40 characters.")


class DrawerForm(FlaskForm):  # type: ignore[misc]
    """A drawer and a day."""

    drawer = PickField("Drawer")
    on = DayField("Day", validators=[Needed(DAY)])

    def among_drawers(self, drawers: Sequence[Drawer]) -> None:
        self.drawer.among([(one.name or ANY_DRAWER, one.title) for one in drawers])

    @property
    def name(self) -> str:
        """The drawer's, as the books have it."""
        return "" if self.drawer.data == ANY_DRAWER else str(self.drawer.data)


class CountForm(DrawerForm):
    key = KeyField()
    total = DollarsField("Cash in it, in dollars")
    bills_100 = NumberField("$100 bills", most=_MOST)
    bills_50 = NumberField("$50 bills", most=_MOST)
    bills_20 = NumberField("$20 bills", most=_MOST)
    bills_10 = NumberField("$10 bills", most=_MOST)
    bills_5 = NumberField("$5 bills", most=_MOST)
    bills_2 = NumberField("$2 bills", most=_MOST)
    bills_1 = NumberField("$1 bills", most=_MOST)
    dollars = NumberField("Dollar coins", most=_MOST)
    halves = NumberField("Half dollars", most=_MOST)
    quarters = NumberField("Quarters", most=_MOST)
    dimes = NumberField("Dimes", most=_MOST)
    nickels = NumberField("Nickels", most=_MOST)
    pennies = NumberField("Pennies", most=_MOST)
    second = PickField("Counted with")
    difference = HiddenField()
    """In cents, as it was told; a tick beside another one counts for nothing."""
    sure = BooleanField("It was counted twice, and this is right")
    note = StringField("Note", filters=[stripped], validators=[_NOTE])

    @property
    def pieces_cents(self) -> int | None:
        """What the bills and coins come to; None when none is typed."""
        typed = [self[name].data * cents for name, cents in PIECES.items() if self[name].data is not None]
        return sum(typed) if typed else None

    @property
    def counted_cents(self) -> int:
        """Once it is checked."""
        pieces = self.pieces_cents
        return pieces if pieces is not None else int(self.total.data)

    def is_sure_of(self, over_cents: int) -> bool:
        return bool(self.sure.data) and self.difference.data == str(over_cents)

    def ask_about(self, over_cents: int) -> None:
        """Show the form again with the difference to be confirmed."""
        self.difference.data, self.sure.data = str(over_cents), False

    def check(self) -> bool:
        self.validate()
        pieces = self.pieces_cents
        if not any(self[name].errors for name in PIECES) and not self.total.errors:
            if pieces is None and self.total.data is None:
                told(self.total, "Write what is in it, or how many there are of each bill and coin below.")
            elif pieces is not None and self.total.data not in (None, pieces):
                told(self.total, f"The bills and coins below come to {format_dollars(pieces)}: mend the one or the other.")
        return not self.errors


class PutInForm(DrawerForm):
    key = KeyField()
    new_drawer = StringField("or a new drawer’s name", filters=[stripped])
    amount = DollarsField("Amount, in dollars", validators=[Needed("Write the amount, like 200.")])
    reason = StringField("What for", filters=[stripped], validators=[_REASON])


class PaidOutForm(DrawerForm):
    key = KeyField()
    amount = DollarsField("Amount, in dollars", validators=[Needed("Write the amount, like 12.40.")])
    what_for = ChoiceField("Paid for", choices=PAID_FOR)
    reason = StringField("What was bought", filters=[stripped], validators=[Needed("Write what was bought."), _REASON])


class ToBankForm(DrawerForm):
    cash = DollarsField("Cash, in dollars")
    checks = DollarsField("Checks, in dollars")
    reference = StringField(
        "Number on the deposit slip", filters=[stripped], validators=[Needed("Write the number on the deposit slip."), _REFERENCE]
    )

    def check(self) -> bool:
        self.validate()
        if not self.cash.data and not self.checks.data and not self.cash.errors and not self.checks.errors:
            told(self.cash, "Write the cash, the checks, or both.")
        return not self.errors


class DeviceForm(FlaskForm):  # type: ignore[misc]
    name = StringField("Name of the device", filters=[stripped], validators=[Needed("Write its name, such as front desk.")])


class RetireForm(FlaskForm):  # type: ignore[misc]
    reason = StringField("Why its tickets will never come", filters=[stripped], validators=[_NOTE])
