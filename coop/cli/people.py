"""`coop user`: who may sign in."""

from __future__ import annotations

from pathlib import Path

import click

from coop.cli.context import data_option, open_coop
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.dealers import queries, service
from coop.dealers.models import ROLES


@click.group()
def user_command() -> None:
    """Add people who sign in, and give them new passphrases."""


@user_command.command("add")
@click.argument("email")
@click.option("--role", "roles", multiple=True, required=True, help=f"One of {', '.join(ROLES)}; may be repeated.")
@click.option("--dealer", "dealer_code", help="Code of the dealer this user is, such as D01.")
@data_option
def add(email: str, roles: tuple[str, ...], dealer_code: str | None, data: Path | None) -> None:
    """Let EMAIL sign in, and print the passphrase made for them. It is shown this once."""
    coop = open_coop(data)
    with transaction(coop.sessions) as session:
        member_id = None
        if dealer_code is not None:
            dealer = queries.dealer_by_code(session, dealer_code.upper())
            if dealer is None:
                raise Refusal(f"--dealer {dealer_code}: there is no such dealer. Dealers have codes such as D01.")
            member_id = dealer.member_id
        user, passphrase = service.add_user(session, utc_now(), email=email, roles=roles, member_id=member_id)
    click.echo(f"{user.email} may sign in ({', '.join(dict.fromkeys(roles))}) with the passphrase\n  {passphrase}")


@user_command.command("passphrase")
@click.argument("email")
@data_option
def passphrase(email: str, data: Path | None) -> None:
    """Give EMAIL a new passphrase and print it. Wherever they are signed in, they no longer are."""
    coop = open_coop(data)
    with transaction(coop.sessions) as session:
        fresh = service.renew_passphrase(session, utc_now(), email=email)
    click.echo(f"The new passphrase is\n  {fresh}")
