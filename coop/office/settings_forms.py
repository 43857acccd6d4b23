"""What is typed to change what the co-op is called and goes by, and to invite a person and give roles."""

from __future__ import annotations

from flask_wtf import FlaskForm
from wtforms import EmailField, SelectMultipleField, StringField
from wtforms.validators import InputRequired, Length
from wtforms.widgets import CheckboxInput, ListWidget

from coop.core.errors import Refusal
from coop.core.fields import ChoiceField, Needed, PercentField, needed_number, stripped, told
from coop.dealers.granting import RoleRefused, WhichDealerRefused
from coop.dealers.models import ROLES
from coop.office.settings_wording import PAPERS

ROLE_WORDS = {
    "manager": "manager: everything, and who may sign in",
    "bookkeeper": "bookkeeper: books, bank and payouts",
    "desk": "desk: the front desk",
    "dealer": "dealer: one’s own sales, statements and lease",
    "auditor": "auditor: reads everything, changes nothing",
}
assert set(ROLE_WORDS) == set(ROLES)


class CoopForm(FlaskForm):  # type: ignore[misc]
    name = StringField(
        "Name",
        filters=[stripped],
        validators=[Needed("Write the co-op’s name."), Length(max=120, message="Write it in 120 characters.")],
    )
    commission = PercentField(
        "Commission of a new lease, in percent",
        too_much="This is more than what is sold: write a percent from 0 to 100, like 10.",
        validators=[Needed("Write a percent, 0 for none.")],
    )
    payout_day = needed_number("Payouts are made on day", 1, 28, 10, "day of the month")
    paper = ChoiceField("Paper", choices=PAPERS)


class RolesField(SelectMultipleField):  # type: ignore[misc]
    widget = ListWidget(prefix_label=False)
    option_widget = CheckboxInput()


class InviteForm(FlaskForm):  # type: ignore[misc]
    email = EmailField("Mail address", filters=[stripped], validators=[InputRequired("Write the mail address.")])
    roles = RolesField("Roles", choices=dict(ROLE_WORDS), validators=[InputRequired("Choose one role at least.")])
    dealer = StringField(
        "Dealer’s code", filters=[stripped], validators=[Length(max=12, message="A code has 12 characters at most.")]
    )

    def tell(self, refusal: Refusal) -> None:
        """A refusal at the field it is of: its words hold what was typed, so they cannot say which."""
        fields = {RoleRefused: self.roles, WhichDealerRefused: self.dealer}
        told(fields.get(type(refusal), self.email), str(refusal))


class RoleForm(FlaskForm):  # type: ignore[misc]
    role = ChoiceField("Role", choices=ROLE_WORDS)
    dealer = StringField(
        "Dealer’s code", filters=[stripped], validators=[Length(max=12, message="A code has 12 characters at most.")]
    )

    def tell(self, refusal: Refusal) -> None:
        """A refusal at the field it is of."""
        told(self.dealer if isinstance(refusal, WhichDealerRefused) else self.role, str(refusal))
