"""The portal: the season's calendar of a booth, worked back from the day a set must stand, on the page and as iCalendar."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from flask import render_template, request
from flask_wtf import FlaskForm

from coop.core.errors import Refusal
from coop.core.fields import DayField, Needed, NumberField, told
from coop.core.web import Page, allow, db, download, now, site, visitor
from coop.portal.reset_set_queries import own_sets
from coop.portal.reset_views import booth_here, resets
from coop.resets.booking import closed_days
from coop.resets.domain.season import LeaseSpan, Step, season_calendar
from coop.resets.holding import HeldBooth
from coop.resets.season_ics import season_ics
from coop.resets.settings import setting_of

_MOST_RESET_DAYS = 14
_BACK = timedelta(days=200)
"""A reset and a mall closed before it reach no further back; booking goes back by its own days besides."""
_AHEAD = timedelta(days=100)
_FURTHEST = timedelta(days=3 * 366)
_USUAL = timedelta(days=42)
"""What is proposed where no draft says a day."""


class SeasonForm(FlaskForm):  # type: ignore[misc]
    """Asked for by the address, for it changes nothing."""

    class Meta:
        csrf = False

    stands_on = DayField("The set must stand on", validators=[Needed("Choose the day.")])
    days = NumberField("Days of the reset", least=1, most=_MOST_RESET_DAYS, validators=[Needed("Write how many, 1 is usual.")])
    next_on = DayField("The next one on")


@dataclass(frozen=True)
class _Asked:
    stands_on: date
    days: int
    next_on: date | None

    @property
    def query(self) -> dict[str, str]:
        named = {"stands_on": str(self.stands_on), "days": str(self.days)}
        return named | ({"next_on": str(self.next_on)} if self.next_on else {})


def _proposed(booth: HeldBooth) -> _Asked:
    """The first day of the next draft to come; without one, six weeks from now; within the lease."""
    drafts = own_sets(db(), visitor(), space_id=booth.space.id)
    coming = [one.starts_on for one in drafts if one.state == "draft" and one.starts_on > booth.today]
    return _Asked(min(coming, default=max(booth.today, booth.starts_on) + _USUAL), 1, None)


def _steps(booth: HeldBooth, asked: _Asked) -> tuple[Step, ...]:
    leads = setting_of(db(), booth.dealer.id).season
    first = asked.stands_on - _BACK - timedelta(days=leads.book_days)
    # A closed day is answered by the first open one after it, which may be weeks later.
    days = [first + timedelta(days=n) for n in range((asked.stands_on + _AHEAD - first).days + 1)]
    return season_calendar(
        asked.stands_on,
        asked.days,
        booth.today,
        leads=leads,
        closed=closed_days(db(), booth.mall, days),
        lease=LeaseSpan(booth.starts_on, booth.ends_on),
        next_stands_on=asked.next_on,
    )


def _read(booth: HeldBooth) -> tuple[SeasonForm, _Asked | None]:
    if "stands_on" not in request.args:
        asked = _proposed(booth)
        return SeasonForm(formdata=None, data={"stands_on": asked.stands_on, "days": asked.days}), asked
    form = SeasonForm(request.args)
    form.validate()
    for field in (form.stands_on, form.next_on):
        if not field.errors and field.data and abs(field.data - booth.today) > _FURTHEST:
            told(field, "This is years off: choose a day nearer to today.")
    return form, None if form.errors else _Asked(form.stands_on.data, form.days.data, form.next_on.data)


@resets.get("/booths/<mall_code>/<space_code>/season")
@allow("dealer")
def season(mall_code: str, space_code: str) -> Page:
    booth = booth_here(mall_code, space_code)
    form, asked = _read(booth)
    steps: tuple[Step, ...] = ()
    refused = ""
    if asked is not None:
        try:
            steps = _steps(booth, asked)
        except Refusal as refusal:
            refused = str(refusal)
    page = render_template("portal/resets/season.html", booth=booth, form=form, asked=asked, steps=steps, refused=refused)
    return page if asked is not None and (not refused or "stands_on" not in request.args) else (page, 422)


@resets.get("/booths/<mall_code>/<space_code>/season.ics")
@allow("dealer")
def season_file(mall_code: str, space_code: str) -> Page:
    booth = booth_here(mall_code, space_code)
    _, asked = _read(booth)
    if asked is None:
        raise Refusal("The day of this calendar cannot be read: take it from the page of the season.")
    text = season_ics(
        _steps(booth, asked),
        now(),
        booth=booth.name,
        place=booth.mall.name,
        key=f"{booth.mall.code}-{booth.space.code}-{asked.stands_on:%Y%m%d}".lower(),
        mail_domain=site().settings.mail_domain,
    )
    name = f"season-{booth.mall.code}-{booth.space.code}-{asked.stands_on}.ics"
    return download(text, "text/calendar; charset=utf-8", name)
