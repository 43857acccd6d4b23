"""What is typed to add a mall, and to change what one is called, where it stands and its clock."""

from __future__ import annotations

from zoneinfo import available_timezones

from flask_wtf import FlaskForm
from wtforms import StringField, TextAreaField
from wtforms.validators import Length

from coop.core.fields import Needed, stripped, told
from coop.office.lease_forms import PickField

_NEAR = "America/"
"""Zones that are listed first."""


def zones() -> list[str]:
    """The zones of the IANA database that are places: those of America first, then the others."""
    places = [
        name for name in available_timezones() if "/" in name and not name.startswith(("Etc/", "SystemV/", "posix/", "right/"))
    ]
    return sorted(places, key=lambda name: (not name.startswith(_NEAR), name))


def _as_read(zone: str) -> str:
    return zone.replace("_", " ")


class MallForm(FlaskForm):  # type: ignore[misc]
    name = StringField(
        "Name",
        filters=[stripped],
        validators=[Needed("Write the mall’s name."), Length(max=120, message="Write it in 120 characters.")],
    )
    timezone = PickField("Time zone", validators=[Needed("Choose the time zone the mall is in.")])
    address = TextAreaField("Address", filters=[stripped], validators=[Length(max=400, message="Write it in 400 characters.")])

    def offer_zones(self, kept: str = "") -> None:
        """Every zone, and the one a mall has already, were it none of the listed."""
        listed = zones()
        if kept and kept not in listed:
            listed.insert(0, kept)
        self.timezone.among([(name, _as_read(name)) for name in listed], "choose the zone")

    def offer_only(self, kept: str) -> None:
        """The one zone of a mall whose clock stays."""
        self.timezone.among([(kept, _as_read(kept))])

    def tell(self, sentence: str) -> None:
        """A refusal at the field it names."""
        named = {"ime zone": self.timezone, "address": self.address}
        told(next((field for words, field in named.items() if words in sentence), self.name), sentence)


class NewMallForm(MallForm):
    code = StringField(
        "Code",
        filters=[stripped],
        validators=[Needed("Write a short code, like MAIN."), Length(max=12, message="Write it in 12 characters.")],
    )

    def tell(self, sentence: str) -> None:
        told(self.timezone if sentence.startswith("Time zone") else self.code, sentence)
