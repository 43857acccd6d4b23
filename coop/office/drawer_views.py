"""Drawers in the office: what is in each, counted; cash put in, paid out and taken to the bank; the devices at the desk."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Blueprint, flash, redirect, render_template, request, url_for
from sqlalchemy import select

from coop.books.banking import take_to_bank
from coop.books.reading import months_of_books
from coop.core.csv_text import csv_text, defused
from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.money import format_dollars, plain_cents
from coop.core.periods import Month
from coop.core.web import Page, allow, db, download, now, roll_back, visitor
from coop.dealers.models import Member, RoleGrant, UserAccount
from coop.floor.models import Mall
from coop.office import queries as office_queries
from coop.office.drawer_forms import (
    ANY_DRAWER,
    BILLS,
    COINS,
    CountForm,
    DeviceForm,
    DrawerForm,
    PaidOutForm,
    PutInForm,
    RetireForm,
    ToBankForm,
)
from coop.office.mall_page import first_mall, row_of, today_of, wanted_mall
from coop.office.views import READERS
from coop.sales import devices as desk_devices
from coop.sales import drawers as service
from coop.sales.models import DeskDevice
from coop.sales.uncounted import uncounted
from coop.shifts.attending import hand_over, turns_seen
from coop.shifts.models import Turn

drawers = Blueprint("drawers", __name__, url_prefix="/office/sales/drawers")

KEEPERS = ("manager", "bookkeeper")
"""Who puts cash in, pays it out and takes it to the bank."""
COUNTERS = (*KEEPERS, "desk")


@drawers.context_processor
def _shared() -> dict[str, object]:
    roles = visitor().roles
    return {
        "may_keep": bool(roles & set(KEEPERS)),
        "may_count": bool(roles & set(COUNTERS)),
        "may_read": bool(roles & set(READERS)),
        "titled": service.titled,
    }


def _month(mall: Mall) -> Month:
    """The month that is asked for, or this one."""
    try:
        return Month.parse(request.args.get("month", ""))
    except ValueError:
        return Month.of(today_of(mall))


# --- the page of drawers ------------------------------------------------------------------------------------------------


@drawers.get("/")
@allow(*READERS, "desk")
def first() -> Page:
    return first_mall("drawers.listed", "office/drawers/none.html")


@drawers.get("/<mall_code>")
@allow(*READERS, "desk")
def listed(mall_code: str) -> Page:
    return _page(mall_code)


def _page(mall_code: str, *, device: DeviceForm | None = None, retiring: RetireForm | None = None, retired: int = 0) -> str:
    mall = wanted_mall(mall_code)
    month, this_month = _month(mall), Month.of(today_of(mall))
    counts = service.counts_of(db(), mall, month)
    by_drawer, by_person = service.over_short(counts)
    return render_template(
        "office/drawers/list.html",
        mall=mall,
        malls=office_queries.malls(db()),
        month=month,
        months=sorted({*months_of_books(db()), this_month, month}, reverse=True),
        this_month=this_month,
        drawers=service.drawers_of(db(), mall, today_of(mall)),
        checks=service.checks_waiting(db(), mall),
        counts=counts,
        by_drawer=by_drawer,
        by_person=by_person,
        uncounted=uncounted(db(), mall, month),
        waiting=desk_devices.waiting_devices(db(), mall, month),
        devices=desk_devices.devices_of(db(), mall),
        device=device or DeviceForm(formdata=None),
        retiring=retiring or RetireForm(formdata=None),
        retired=retired,
    )


@drawers.get("/<mall_code>/counts.csv")
@allow(*READERS)
def counts_csv(mall_code: str) -> Page:
    """A month's counts for another program; the last row is its control total."""
    mall = wanted_mall(mall_code)
    month = _month(mall)
    counts = service.counts_of(db(), mall, month)
    rows = [
        [
            row.count.on.isoformat(),
            row.count.drawer,
            *(plain_cents(cents) for cents in (row.count.expected_cents, row.count.counted_cents, row.over_cents)),
            defused(row.counted_by),
            defused(row.seconded_by),
            defused(row.count.note),
            row.count.counted_at.isoformat(timespec="seconds"),
        ]
        for row in reversed(counts)
    ]
    over = sum(row.over_cents for row in counts)
    said = f"{len(rows)} counts from {month.first_day} to {month.last_day}"
    rows.append(["total", "", "", "", plain_cents(over), "", "", said, ""])
    heading = ["day", "drawer", "expected", "counted", "over_short", "counted_by", "counted_with", "note", "counted_at"]
    return download(csv_text(heading, rows), "text/csv", f"drawer-counts-{mall.code}-{month}.csv")


# --- counting -----------------------------------------------------------------------------------------------------------


@drawers.get("/<mall_code>/count")
@allow(*COUNTERS)
def count(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    return _count_page(mall, CountForm(formdata=None, on=today_of(mall), drawer=_asked()))


def _turn_ended(mall: Mall) -> Turn | None:
    """The turn at whose end the drawer is counted, where the desk asked for it."""
    asked = request.args.get("turn", "")
    if not (asked.isascii() and asked.isdigit() and len(asked) < 10):
        return None
    return next((one.turn for one in turns_seen(db(), Turn.id == int(asked), Turn.mall_id == mall.id) if one.came), None)


def _asked() -> str:
    """The drawer an address asks about."""
    return request.args.get("drawer", "") or ANY_DRAWER


def _others() -> Sequence[tuple[str, str]]:
    """Who may have counted with the visitor: everybody else of desk and office who can sign in."""
    rows = db().execute(
        select(UserAccount.id, Member.name, UserAccount.email)
        .outerjoin(Member, Member.id == UserAccount.member_id)
        .where(
            UserAccount.disabled_at.is_(None),
            UserAccount.id != visitor().user_id,
            UserAccount.id.in_(select(RoleGrant.user_id).where(RoleGrant.role.in_((*COUNTERS, "auditor")))),
        )
        .order_by(Member.name, UserAccount.email)
    )
    return [(str(user_id), name or email) for user_id, name, email in rows]


def _count_choices(mall: Mall, form: CountForm) -> None:
    form.among_drawers(service.drawers_of(db(), mall, today_of(mall)))
    form.second.among(_others(), "nobody")


def _count_page(mall: Mall, form: CountForm, off: str = "") -> str:
    """`off`: by how much, in words, where that is to be confirmed."""
    _count_choices(mall, form)
    return render_template(
        "office/drawers/count.html", mall=mall, form=form, bills=list(BILLS), coins=list(COINS), off=off, turn=_turn_ended(mall)
    )


@drawers.post("/<mall_code>/count")
@allow(*COUNTERS)
def record_count(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = CountForm()
    _count_choices(mall, form)
    if not form.check():
        return _count_page(mall, form), 422
    try:
        counted = service.count_drawer(
            db(),
            now(),
            mall,
            key=form.key.made(),
            drawer=form.name,
            on=form.on.data,
            counted_cents=form.counted_cents,
            counted_by=visitor().user_id,
            seconded_by=int(form.second.data) if form.second.data else None,
            note=form.note.data,
        )
    except Refusal as refusal:
        roll_back()
        told(form.second if isinstance(refusal, service.SecondRefused) else form.on, str(refusal))
        return _count_page(wanted_mall(mall_code), form), 422
    over = counted.counted_cents - counted.expected_cents
    limit = service.count_limit(db(), counted.on)
    if abs(over) > limit and not form.is_sure_of(over):
        roll_back()
        form.ask_about(over)
        return _count_page(wanted_mall(mall_code), form, _off(over, limit)), 422
    how = "just what the books say" if not over else f"{format_dollars(abs(over))} {'over' if over > 0 else 'short'}"
    title = service.titled(counted.drawer).capitalize()
    flash(f"{title} is counted: {format_dollars(counted.counted_cents)}, {how}.")
    turn = _turn_ended(mall)
    if turn is not None:
        hand_over(db(), turn, counted)
        return redirect(url_for("desk.day", mall_code=mall.code), 303)
    return redirect(url_for("drawers.listed", mall_code=mall.code, month=Month.of(counted.on)), 303)


def _off(over: int, limit: int) -> str:
    """How far a count is off; the desk, which counts without knowing what should be there, reads only that it is far."""
    if not visitor().roles & set(READERS):
        return f"more than {format_dollars(limit)} off what the books say"
    return f"{format_dollars(abs(over))} {'more' if over > 0 else 'less'} than the books say"


# --- cash in and out ----------------------------------------------------------------------------------------------------


@drawers.get("/<mall_code>/put-in")
@allow(*KEEPERS)
def put_in(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    return _form_page(mall, "put_in", PutInForm(formdata=None, on=today_of(mall), drawer=_asked()))


@drawers.post("/<mall_code>/put-in")
@allow(*KEEPERS)
def record_put_in(mall_code: str) -> Page:
    mall, form = wanted_mall(mall_code), PutInForm()
    if not _valid(mall, form):
        return _form_page(mall, "put_in", form), 422
    drawer = form.new_drawer.data or form.name
    try:
        service.put_float(
            db(),
            now(),
            mall,
            key=form.key.made(),
            drawer=drawer,
            amount_cents=form.amount.data,
            on=form.on.data,
            reason=form.reason.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        at = form.new_drawer if "name" in str(refusal) else _field_of(form, refusal)
        return _refused(mall_code, "put_in", form, at, refusal)
    flash(f"{format_dollars(form.amount.data)} from the bank is in the {service.titled(drawer)}.")
    return redirect(url_for("drawers.listed", mall_code=mall.code), 303)


@drawers.get("/<mall_code>/paid-out")
@allow(*KEEPERS)
def paid_out(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    return _form_page(mall, "paid_out", PaidOutForm(formdata=None, on=today_of(mall), drawer=_asked()))


@drawers.post("/<mall_code>/paid-out")
@allow(*KEEPERS)
def record_paid_out(mall_code: str) -> Page:
    mall, form = wanted_mall(mall_code), PaidOutForm()
    if not _valid(mall, form):
        return _form_page(mall, "paid_out", form), 422
    try:
        service.pay_out(
            db(),
            now(),
            mall,
            key=form.key.made(),
            drawer=form.name,
            amount_cents=form.amount.data,
            on=form.on.data,
            what_for=form.what_for.data,
            reason=form.reason.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        return _refused(mall_code, "paid_out", form, _field_of(form, refusal), refusal)
    flash(f"{format_dollars(form.amount.data)} is paid out of the {service.titled(form.name)}.")
    return redirect(url_for("drawers.listed", mall_code=mall.code), 303)


@drawers.get("/<mall_code>/to-bank")
@allow(*KEEPERS)
def to_bank(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    return _form_page(mall, "to_bank", ToBankForm(formdata=None, on=today_of(mall), drawer=_asked()))


@drawers.post("/<mall_code>/to-bank")
@allow(*KEEPERS)
def record_to_bank(mall_code: str) -> Page:
    """Refuses more cash than the books say is in the drawer, and a day to come, before it asks for the deposit."""
    mall, form = wanted_mall(mall_code), ToBankForm()
    form.among_drawers(service.drawers_of(db(), mall, today_of(mall)))
    if form.check() and form.on.data > today_of(mall):
        told(form.on, "This day is still to come: write the day it was taken there.")
    if form.checks.data and form.checks.data > service.checks_waiting(db(), mall):
        told(form.checks, f"{format_dollars(service.checks_waiting(db(), mall))} of checks wait to be taken: write at most that.")
    if form.errors:
        return _form_page(mall, "to_bank", form), 422
    cash, checks = form.cash.data or 0, form.checks.data or 0
    try:
        if cash:
            service.require_cash(db(), mall, form.name, cash, form.on.data)
        take_to_bank(
            db(), now(), mall, form.on.data, cash, checks, form.reference.data, drawer=form.name, user_id=visitor().user_id
        )
    except Refusal as refusal:
        field = form.cash if isinstance(refusal, service.CountRefused) else form.on
        return _refused(mall_code, "to_bank", form, form.reference if "reference" in str(refusal) else field, refusal)
    flash(f"{format_dollars(cash + checks)} is on its way to the bank.")
    return redirect(url_for("drawers.listed", mall_code=mall.code), 303)


def _valid(mall: Mall, form: DrawerForm) -> bool:
    form.among_drawers(service.drawers_of(db(), mall, today_of(mall)))
    return bool(form.validate())


def _form_page(mall: Mall, name: str, form: DrawerForm) -> str:
    drawers_there = service.drawers_of(db(), mall, today_of(mall))
    form.among_drawers(drawers_there)
    return render_template(
        f"office/drawers/{name}.html", mall=mall, form=form, drawers=drawers_there, checks=service.checks_waiting(db(), mall)
    )


def _field_of(form: PutInForm | PaidOutForm, refusal: Refusal) -> object:
    return form.amount if isinstance(refusal, service.CountRefused) else form.on


def _refused(mall_code: str, name: str, form: DrawerForm, field: object, refusal: Refusal) -> tuple[str, int]:
    roll_back()
    told(field, str(refusal))
    return _form_page(wanted_mall(mall_code), name, form), 422


# --- devices ------------------------------------------------------------------------------------------------------------


@drawers.post("/<mall_code>/devices")
@allow(*KEEPERS)
def add_device(mall_code: str) -> Page:
    mall, form = wanted_mall(mall_code), DeviceForm()
    if not form.validate():
        return _page(mall_code, device=form), 422
    try:
        made = desk_devices.register_device(db(), now(), mall, form.name.data, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        told(form.name, str(refusal))
        return _page(mall_code, device=form), 422
    flash(f"{made.name} is registered: a month-end asks whether it has sent all its tickets.")
    return redirect(url_for("drawers.listed", mall_code=mall.code), 303)


@drawers.post("/<mall_code>/devices/<int:device_id>/retire")
@allow(*KEEPERS)
def retire_device(mall_code: str, device_id: int) -> Page:
    mall, form = wanted_mall(mall_code), RetireForm()
    device = row_of(mall, DeskDevice, device_id)
    try:
        if form.validate():
            desk_devices.retire_device(db(), now(), device, reason=form.reason.data, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        told(form.reason, str(refusal))
    if form.errors:
        return _page(mall_code, retiring=form, retired=device_id), 422
    flash(f"{device.name} is retired.")
    return redirect(url_for("drawers.listed", mall_code=mall.code), 303)
