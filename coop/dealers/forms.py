"""What people type to sign in and to change their passphrase."""

from __future__ import annotations

from flask_wtf import FlaskForm
from wtforms import EmailField, HiddenField, PasswordField
from wtforms.validators import InputRequired, Length, ValidationError

from coop.dealers import domain


class AddressForm(FlaskForm):  # type: ignore[misc]
    """Who it is about."""

    email = EmailField("Mail address", validators=[InputRequired("Write your mail address.")])

    def validate_email(self, field: EmailField) -> None:
        if not domain.is_email(domain.plain_email(field.data)):
            raise ValidationError("This is not a mail address. Write it like name@example.org.")


class SignInForm(AddressForm):
    passphrase = PasswordField(
        "Passphrase",
        validators=[
            InputRequired("Write your passphrase."),
            Length(max=domain.MAX_LENGTH, message=f"A passphrase has {domain.MAX_LENGTH} characters at most."),
        ],
    )
    next = HiddenField()


class ChosenForm(FlaskForm):  # type: ignore[misc]
    """The passphrase a person chooses by a link."""

    new = PasswordField("Passphrase", validators=[InputRequired("Write the passphrase you choose.")])
    again = PasswordField("Passphrase, again", validators=[InputRequired("Write the passphrase once more.")])

    def validate_again(self, field: PasswordField) -> None:
        if self.new.data and field.data != self.new.data:
            raise ValidationError("The two passphrases differ. Write the same one in both.")


class PassphraseForm(FlaskForm):  # type: ignore[misc]
    current = PasswordField("Passphrase now", validators=[InputRequired("Write the passphrase you use now.")])
    new = PasswordField("New passphrase", validators=[InputRequired("Write a new passphrase.")])
    again = PasswordField("New passphrase, again", validators=[InputRequired("Write the new passphrase once more.")])

    def validate_again(self, field: PasswordField) -> None:
        if self.new.data and field.data != self.new.data:
            raise ValidationError("The two new passphrases differ. Write the same one in both.")
