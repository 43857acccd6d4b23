"""A mall's dated house rules, as leases, turns and overflow have them: set from a day on, and taken back before they begin."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any, Protocol

from flask import flash, redirect, render_template, url_for
from flask_wtf import FlaskForm

from coop.core.errors import Refusal
from coop.core.fields import DayField, told
from coop.core.templating import day as written
from coop.core.web import Page, roll_back
from coop.floor.models import Mall
from coop.office.mall_page import OfMall, page_of, row_of, wanted_mall


class DatedForm(FlaskForm):  # type: ignore[misc]
    """Rules from a day on. A field that is called as the rules have it is taken as it is."""

    starts_on: DayField

    def check(self) -> bool:
        """Whether all can be meant; what cannot is told at its field."""
        self.validate()
        self.check_more()
        return not self.errors

    def check_more(self) -> None:
        """What a form of its own kind asks beside."""

    def changes(self) -> dict[str, Any]:
        """As the service that sets the rules takes them."""
        return {field.name: field.data for field in self if field.name not in ("csrf_token", "starts_on")}

    def refuse(self, sentence: str) -> None:
        """Tell what the service refuses at the field it is of: the day, unless a kind knows better."""
        told(self.starts_on, sentence)


class DatedRow(OfMall, Protocol):
    @property
    def starts_on(self) -> date: ...


@dataclass(frozen=True)
class HouseRules:
    """One kind of them. The room's services set them and take them back; each address says itself who may use it."""

    form: type[DatedForm]
    template: str
    """Of the page with the form."""
    address: str
    """Of the page that shows the rules."""
    set: Callable[[Mall, date, dict[str, Any]], DatedRow]
    was_set: str
    """What is said then; `{day}` is their first day."""
    row: type[Any]
    take_back: Callable[[Any], None]
    called: str = "rules"

    def page(self, mall: Mall, form: DatedForm) -> str:
        return render_template(self.template, **page_of(mall), form=form)

    def set_sent(self, mall_code: str) -> Page:
        """Set what was typed, or show it again with what is wrong."""
        mall, form = wanted_mall(mall_code), self.form()
        if not form.check():
            return self.page(mall, form), 422
        try:
            row = self.set(mall, form.starts_on.data, form.changes())
        except Refusal as refusal:
            roll_back()
            form.refuse(str(refusal))
            return self.page(wanted_mall(mall_code), form), 422
        flash(self.was_set.format(day=written(row.starts_on)))
        return self._shown(mall)

    def withdraw(self, mall_code: str, rule_id: int) -> Page:
        mall = wanted_mall(mall_code)
        row = row_of(mall, self.row, rule_id)
        said = f"The {self.called} from {written(row.starts_on)} are taken back."
        self.take_back(row)
        flash(said)
        return self._shown(mall)

    def _shown(self, mall: Mall) -> Page:
        return redirect(url_for(self.address, mall_code=mall.code), 303)
