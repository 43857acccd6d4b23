"""Dealers in the office: who there is, all of one on a page, names and numbers changed, a payment received."""

from __future__ import annotations

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask_wtf import FlaskForm
from sqlalchemy import select
from wtforms import StringField, TextAreaField
from wtforms.validators import Length

from coop.books.payments import PAID_BY, receive_payment
from coop.core.errors import Refusal
from coop.core.fields import ChoiceField, DayField, DollarsField, Needed, stripped
from coop.core.money import format_dollars
from coop.core.web import Page, allow, db, now, request_id, roll_back, show_list, site, visitor
from coop.dealers.details import Details, address_lines, change_details, enter_dealer
from coop.dealers.membership import next_code
from coop.dealers.models import Dealer
from coop.dealers.paying import detail_of, form_of, how_paid, masked
from coop.dealers.queries import dealer_by_code
from coop.leases.models import Lease
from coop.leases.parting import come_back, leave_coop
from coop.office import dealer_list, dealer_sheet
from coop.office import queries as office_queries
from coop.office.dealer_sheet import sheet_of
from coop.office.lease_forms import PickField
from coop.office.tax_queries import today as office_today
from coop.office.views import READERS
from coop.payouts.holding import open_hold

dealers = Blueprint("dealers", __name__, url_prefix="/office/dealers")


def _short(most: int) -> Length:
    return Length(max=most, message=f"Write it in {most} characters.")


class DetailsForm(FlaskForm):  # type: ignore[misc]
    name = StringField("Name", filters=[stripped], validators=[Needed("Write the member's full name."), _short(120)])
    trade_name = StringField("Trade name", filters=[stripped], validators=[_short(120)])
    email = StringField("Mail address", filters=[stripped], validators=[_short(254)])
    phone = StringField("Telephone", filters=[stripped], validators=[_short(40)])
    address = TextAreaField("Address", filters=[stripped], validators=[_short(400)])

    @property
    def details(self) -> Details:
        address = address_lines(self.address.data)
        return Details(self.name.data, self.email.data, self.phone.data, address, self.trade_name.data)

    def tell(self, text: str) -> None:
        """A refusal at the field it names."""
        field = self.email if "mail address" in text else self.phone if "telephone" in text else self.name
        field.errors = [text]


class NewDealerForm(DetailsForm):
    code = StringField("Dealer code", filters=[stripped], validators=[_short(12)])
    joined_on = DayField("Joined on", validators=[Needed("Write the day, like 2026-10-19.")])

    def tell(self, text: str) -> None:
        if "ode" in text.partition(":")[0]:
            self.code.errors = [text]
        else:
            super().tell(text)


class PaymentForm(FlaskForm):  # type: ignore[misc]
    mall = PickField("Mall")
    amount = DollarsField("Amount", validators=[Needed("Write what was paid, in dollars.")])
    paid_by = ChoiceField("Paid by", choices={way: way for way in PAID_BY})
    reference = StringField(
        "Reference", filters=[stripped], validators=[Needed("Write the number of the check or receipt."), _short(40)]
    )
    paid_on = DayField("Paid on", validators=[Needed("Write the day, like 2026-10-19.")])

    def tell(self, text: str) -> None:
        """A refusal at the field it names."""
        named = {"amount": self.amount, "reference": self.reference}
        next((field for word, field in named.items() if word in text), self.paid_on).errors = [text]


class LeftForm(FlaskForm):  # type: ignore[misc]
    left_on = DayField("Last day as a member", validators=[Needed("Write the day, like 2026-10-19.")])


def wanted_dealer(code: str) -> Dealer:
    found = dealer_by_code(db(), code)
    if found is None:
        abort(404)
    return found


@dealers.get("/")
@allow(*READERS)
def listed() -> Page:
    malls = office_queries.malls(db())
    shown = dealer_list.DEALERS.with_choices("mall", [(mall.code, mall.name) for mall in malls])
    found = shown.pick(dealer_list.dealer_rows(db(), now(), malls), request.args)
    return show_list(found, "office/dealers/list.html", "dealers", states=dealer_list.STATES)


@dealers.get("/new")
@allow("manager")
def new() -> Page:
    return _new_page(NewDealerForm(formdata=None, code=next_code(db()), joined_on=office_today(db(), now())))


def _new_page(form: NewDealerForm) -> str:
    return render_template("office/dealers/new.html", form=form)


@dealers.post("/new")
@allow("manager")
def enter() -> Page:
    form = NewDealerForm()
    if not form.validate():
        return _new_page(form), 422
    try:
        dealer = enter_dealer(
            db(), now(), form.details, code=form.code.data, joined_on=form.joined_on.data, user_id=visitor().user_id
        )
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _new_page(form), 422
    flash(f"{dealer.code} is entered. A lease comes next.")
    return redirect(url_for("dealers.dealer", code=dealer.code), 303)


@dealers.get("/<code>")
@allow(*READERS)
def dealer(code: str) -> Page:
    found = wanted_dealer(code)
    return _dealer_page(found, _details_of(found))


def _details_of(found: Dealer) -> DetailsForm:
    member = found.member
    return DetailsForm(
        formdata=None,
        name=member.name,
        trade_name=found.trade_name,
        email=member.email,
        phone=member.phone,
        address=member.address,
    )


def _dealer_page(found: Dealer, form: DetailsForm, left: LeftForm | None = None) -> str:
    detail = detail_of(db(), found.id)
    malls = office_queries.malls(db())
    return render_template(
        "office/dealers/dealer.html",
        dealer=found,
        sheet=sheet_of(db(), now(), found, malls, office_queries.office_timezone(db())),
        malls=malls,
        form=form,
        left=left or LeftForm(formdata=None, left_on=office_today(db(), now())),
        paid=", ".join(filter(None, (how_paid(detail), masked(detail)))),
        tax_form=form_of(db(), found.id),
        hold=open_hold(db(), found.id),
    )


@dealers.get("/<code>/statements")
@allow(*READERS)
def statements(code: str) -> Page:
    found = wanted_dealer(code)
    listed = dealer_sheet.STATEMENTS.read(
        db(), dealer_sheet.statements_of(found.id), request.args, lambda row: dealer_sheet.Stated(*row)
    )
    return show_list(listed, "office/dealers/statements.html", f"statements-{found.code}", dealer=found)


@dealers.post("/<code>")
@allow("manager")
def change(code: str) -> Page:
    found = wanted_dealer(code)
    form = DetailsForm()
    if not form.validate():
        return _dealer_page(found, form), 422
    try:
        change_details(db(), now(), found, form.details, mail_domain=site().settings.mail_domain, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _dealer_page(wanted_dealer(code), form), 422
    flash("It is kept. Statements and letters that were made keep what they said.")
    return redirect(url_for("dealers.dealer", code=code), 303)


@dealers.post("/<code>/left")
@allow("manager")
def leave(code: str) -> Page:
    """The member has left the co-op."""
    found, form = wanted_dealer(code), LeftForm()
    if not form.validate():
        return _dealer_page(found, _details_of(found), form), 422
    today = office_today(db(), now())
    try:
        leave_coop(db(), now(), found, form.left_on.data, today=today, user_id=visitor().user_id, request_id=request_id())
    except Refusal as refusal:
        roll_back()
        form.left_on.errors = [str(refusal)]
        found = wanted_dealer(code)
        return _dealer_page(found, _details_of(found), form), 422
    flash(f"{found.member.name} has left. A sign-in stays: lock it under People and sign-ins.")
    return redirect(url_for("dealers.dealer", code=found.code), 303)


@dealers.post("/<code>/back")
@allow("manager")
def back(code: str) -> Page:
    """The member has not left, or is back."""
    found = wanted_dealer(code)
    come_back(db(), now(), found, user_id=visitor().user_id, request_id=request_id())
    flash(f"{found.member.name} is a member as before.")
    return redirect(url_for("dealers.dealer", code=found.code), 303)


@dealers.get("/<code>/payment")
@allow("manager")
def payment(code: str) -> Page:
    found = wanted_dealer(code)
    form = PaymentForm(formdata=None, paid_on=office_today(db(), now()))
    form.mall.among(malls_of(found))
    return _payment_page(found, form)


def malls_of(found: Dealer) -> list[tuple[str, str]]:
    """Codes and names, as choices, of where she has leased: what she owes elsewhere is nothing."""
    hers = set(db().scalars(select(Lease.mall_id).where(Lease.dealer_id == found.id)))
    return [(mall.code, mall.name) for mall in office_queries.malls(db()) if mall.id in hers]


def _payment_page(found: Dealer, form: PaymentForm) -> str:
    return render_template("office/dealers/payment.html", dealer=found, form=form)


@dealers.post("/<code>/payment")
@allow("manager")
def receive(code: str) -> Page:
    found = wanted_dealer(code)
    form = PaymentForm()
    form.mall.among(malls_of(found))
    if form.validate() and form.paid_on.data > office_today(db(), now()):
        form.paid_on.errors = ["This day is still to come: write the day it was paid."]
    if form.errors:
        return _payment_page(found, form), 422
    mall = office_queries.mall_by_code(db(), form.mall.data)
    assert mall is not None
    try:
        receive_payment(
            db(),
            now(),
            mall,
            found,
            amount_cents=form.amount.data,
            paid_by=form.paid_by.data,
            on=form.paid_on.data,
            reference=form.reference.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        form.tell(str(refusal))
        return _payment_page(wanted_dealer(code), form), 422
    flash(f"{format_dollars(form.amount.data)} from {code} is posted.")
    return redirect(url_for("dealers.dealer", code=code), 303)
