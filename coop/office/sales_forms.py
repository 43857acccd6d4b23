"""What is typed of sales in the office: a certificate sold, a claim for a dealer, why a claim is refused."""

from __future__ import annotations

from flask_wtf import FlaskForm
from wtforms import StringField, TextAreaField
from wtforms.validators import Length

from coop.core.fields import ChoiceField, DayField, DollarsField, KeyField, Needed, stripped
from coop.office.lease_forms import PickField
from coop.sales.gifts import TENDERS

_WORDS = Length(max=200, message="Write it in 200 characters.")


class CertificateForm(FlaskForm):  # type: ignore[misc]
    key = KeyField()
    mall = PickField("Sold at", validators=[Needed("Choose the mall.")])
    amount = DollarsField("Amount, in dollars", validators=[Needed("Write the amount, like 50.00.")])
    tender = ChoiceField("Paid by", choices=TENDERS, default="cash")
    number = StringField(
        "Number on the certificate", filters=[stripped], validators=[Length(max=20, message="Write it in 20 characters.")]
    )
    expires_on = DayField("Last day it is good")


class ClaimForm(FlaskForm):  # type: ignore[misc]
    """A claim that a dealer makes by telephone or at the desk."""

    dealer = PickField("Dealer", validators=[Needed("Choose whose it is said to be.")])
    words = StringField("How the dealer knows it", filters=[stripped], validators=[_WORDS])


class RefusalForm(FlaskForm):  # type: ignore[misc]
    decision = TextAreaField(
        "Why it is refused", filters=[stripped], validators=[Needed("Write why: the dealer reads it."), _WORDS]
    )
