"""`coop desk`: what the devices that ring up sales say of themselves."""

from __future__ import annotations

from pathlib import Path

import click

from coop.cli.context import data_option, find_mall, open_coop
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.sales.devices import devices_of, report_queue


@click.group("desk")
def desk_command() -> None:
    """The devices at the desk, which ring up sales."""


@desk_command.command("report")
@click.option("--mall", "mall_code", required=True, help="Code of the mall it stands in.")
@click.option("--device", required=True, help="Its name, as it is registered in the office.")
@click.option("--waiting", type=click.IntRange(min=0), required=True, help="Tickets it has rung up and not sent yet.")
@data_option
def report_command(mall_code: str, device: str, waiting: int, data: Path | None) -> None:
    """Say for a device how many of its tickets the books have not had; a month-end waits for none."""
    coop = open_coop(data)
    with transaction(coop.sessions) as session:
        report_queue(session, utc_now(), find_mall(session, mall_code), device, waiting)
    click.echo(f"{device}: {'nothing waits' if not waiting else f'{waiting} waiting'}.")


@desk_command.command("list")
@click.option("--mall", "mall_code", required=True, help="Code of the mall.")
@data_option
def list_command(mall_code: str, data: Path | None) -> None:
    """The devices in use at a mall, and what each last said."""
    coop = open_coop(data)
    with transaction(coop.sessions) as session:
        devices = devices_of(session, find_mall(session, mall_code))
        for device in devices:
            heard = f"{device.reported_at:%Y-%m-%d %H:%M} UTC" if device.reported_at else "never"
            click.echo(f"{device.name:<40} {device.waiting:>6} waiting, heard of {heard}")
    if not devices:
        click.echo("No device is in use: register one on the page of drawers in the office.")
