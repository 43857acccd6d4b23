"""What is asked of the books and typed into them: days and months to look at, an entry by hand, its approval, a reversal."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from datetime import date

from flask_wtf import FlaskForm
from flask_wtf.file import FileField
from wtforms import BooleanField, FieldList, Form, FormField, StringField, SubmitField
from wtforms.validators import Length

from coop.books import hand_accounts, journal
from coop.books.domain.hand import MOST_LINES, MOST_PATH, HandLine
from coop.core.errors import Refusal
from coop.core.fields import ChoiceField, DayField, DollarsField, KeyField, Needed, stripped, told
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.office.lease_forms import PickField

OWN = "co-op"
"""The choice of the co-op's own entries, of no mall."""
ROWS, MORE_ROWS = 6, 6
FORMATS = {
    "csv": "CSV, a posting a row",
    "beancount": "Beancount",
    "journal": "journal, for hledger and ledger",
}


def whose_choices(malls: Sequence[Mall]) -> list[tuple[str, str]]:
    return [*((mall.code, mall.name) for mall in malls), (OWN, "the co-op’s own, of no mall")]


class AskForm(FlaskForm):  # type: ignore[misc]
    """Asks only: it is sent in the address, and changes nothing."""

    class Meta:
        csrf = False


class BalanceForm(AskForm):
    on = DayField("On")
    mall = PickField("Whose")

    def among(self, malls: Sequence[Mall]) -> None:
        self.mall.among(whose_choices(malls), "everybody’s")


class MonthPick(PickField):
    """A month of the books; empty for all of them, where `nothing` says so."""

    def months(self, months: Sequence[Month], nothing: str = "") -> None:
        """Those of the books, and the one asked for: nothing moved in it, which is an answer."""
        with suppress(ValueError):
            asked = Month.parse(self.data or "")
            months = months if asked in months else [asked, *months]
        self.among([(str(month), month.name) for month in months], nothing)

    @property
    def month(self) -> Month | None:
        return Month.parse(self.data) if self.data else None


class AccountForm(AskForm):
    month = MonthPick("Month")


class ExportForm(AskForm):
    format = ChoiceField("For", choices=FORMATS)
    month = MonthPick("Of")
    mall = PickField("Whose")

    def among(self, months: Sequence[Month], malls: Sequence[Mall]) -> None:
        self.month.months(months, "everything")
        self.mall.among([(mall.code, mall.name) for mall in malls], "the whole co-op")


# --- by hand ------------------------------------------------------------------------------------------------------------


class LineForm(Form):  # type: ignore[misc]
    account = StringField(
        "Account", filters=[stripped], validators=[Length(max=MOST_PATH, message=f"Write {MOST_PATH} characters at most.")]
    )
    debit = DollarsField("Debit")
    credit = DollarsField("Credit")

    @property
    def used(self) -> bool:
        return any(field.raw_data and str(field.raw_data[0]).strip() for field in self)

    def check_line(self) -> None:
        if not self.account.data and not self.account.errors:
            told(self.account, "Name the account.")
        if self.debit.errors or self.credit.errors:
            return
        if self.debit.data and self.credit.data:
            told(self.credit, "Write a debit or a credit, not both.")
        elif not self.debit.data and not self.credit.data:
            told(self.debit, "Write an amount, like 25.00, here or as a credit.")

    def line(self) -> HandLine:
        return HandLine(self.account.data, (self.debit.data or 0) - (self.credit.data or 0))


REASON = [
    Needed("Write why, such as Electricity for October, bill 4471."),
    Length(max=journal.MOST_REASON, message=f"Write {journal.MOST_REASON} characters at most."),
]


class JournalForm(FlaskForm):  # type: ignore[misc]
    key = KeyField()
    mall = PickField("Mall")
    on = DayField("Day", validators=[Needed("Write the day, like 2026-10-19.")])
    reason = StringField("Reason", filters=[stripped], validators=REASON)
    lines = FieldList(FormField(LineForm), min_entries=ROWS, max_entries=MOST_LINES)
    new_accounts = BooleanField("An account written here that is not in the list is new")
    document = FileField("Document")
    more = SubmitField("More lines")

    def among(self, malls: Sequence[Mall]) -> None:
        self.mall.among([(mall.code, mall.name) for mall in malls], "the co-op itself, of no mall")

    def add_rows(self) -> None:
        for _ in range(min(MORE_ROWS, MOST_LINES - len(self.lines))):
            self.lines.append_entry()

    @property
    def used(self) -> list[LineForm]:
        return [entry.form for entry in self.lines if entry.form.used]

    def check(self) -> bool:
        self.validate()
        for one in self.used:
            one.check_line()
        if not self.used:
            told(self.lines[0].form.account, "Write at least two lines.")
        return self.right

    @property
    def right(self) -> bool:
        # A list of forms keeps what its own validation said, and none of what was told later.
        return not self.errors and not any(entry.form.errors for entry in self.lines)

    def hand_lines(self) -> list[HandLine]:
        return [one.line() for one in self.used]

    @property
    def paper(self) -> journal.Paper | None:
        """One byte more than is kept is read, so that a larger file is known for one."""
        if not self.document.data or not self.document.data.filename:
            return None
        return journal.Paper(self.document.data.stream.read(journal.MOST_PAPER_BYTES + 1))

    @property
    def sent_a_file(self) -> bool:
        """A browser does not send again, with a form shown again, the file that was chosen."""
        return bool(self.document.data and self.document.data.filename)

    def tell(self, refusal: Refusal) -> str:
        """A refusal at the field it is about; what is about none comes back."""
        match refusal:
            case hand_accounts.AccountRefused():
                told(self.used[refusal.position].account, str(refusal))
            case journal.DayRefused():
                told(self.on, str(refusal))
            case journal.ReasonRefused():
                told(self.reason, str(refusal))
            case journal.PaperRefused():
                told(self.document, str(refusal))
            case _:
                return str(refusal)
        return ""


class ReversalForm(FlaskForm):  # type: ignore[misc]
    key = KeyField()
    on = DayField("Day", validators=[Needed("Write the day, like 2026-10-19.")])
    reason = StringField("Reason", filters=[stripped], validators=REASON)


class RefuseForm(FlaskForm):  # type: ignore[misc]
    reason = StringField(
        "Why not",
        filters=[stripped],
        validators=[
            Needed("Write why it is not posted."),
            Length(max=journal.MOST_REASON, message=f"Write {journal.MOST_REASON} characters at most."),
        ],
    )


def first_of(day: date) -> date:
    """The first day of a day's month."""
    return day.replace(day=1)
