"""Forms of a month's rota: a turn given to somebody, and a draft asked for."""

from __future__ import annotations

from collections.abc import Sequence

from flask_wtf import FlaskForm
from wtforms import BooleanField

from coop.core.fields import Needed, NumberField
from coop.office.lease_forms import PickField
from coop.shifts.drafting import MOST_SECONDS

NOBODY = "nobody"
"""What the choice of nobody is sent as."""


class MoveForm(FlaskForm):  # type: ignore[misc]
    """Who is to have a turn; `among` gives the members there are."""

    member = PickField("Who has it", validators=[Needed("Choose who is to have it.")])
    lock = BooleanField("Lock it")
    consent = BooleanField("It is agreed with whoever comes, and with whoever had it")

    def among(self, members: Sequence[tuple[int, str]]) -> None:
        self.member.among([*((str(member_id), words) for member_id, words in members), (NOBODY, "nobody")])

    @property
    def member_id(self) -> int | None:
        return None if self.member.data == NOBODY else int(self.member.data)


class DraftForm(FlaskForm):  # type: ignore[misc]
    """How long a draft may be looked for, and with which seed."""

    seconds = NumberField(
        "Seconds at most", least=1, most=MOST_SECONDS, validators=[Needed("Write how many seconds it may take.")]
    )
    seed = NumberField("Seed", least=0, most=999_999_999)
