"""`coop new`: a co-op from nothing."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from pathlib import Path

import click

from coop.cli.context import data_option, open_coop
from coop.core import audit, migrate
from coop.core.clock import utc_now
from coop.core.db import transaction
from coop.core.errors import Refusal
from coop.dealers.membership import found_coop, require_code
from coop.floor.service import add_mall, require_timezone


def _percent(text: str) -> Decimal:
    try:
        percent = Decimal(text)
    except InvalidOperation:
        percent = Decimal("NaN")
    if not percent.is_finite() or not 0 <= percent <= 100 or percent.as_tuple().exponent < -6:  # type: ignore[operator]
        raise Refusal(f"--commission {text}: write a percent between 0 and 100, such as 10 or 7.5.")
    return percent


@click.command("new")
@click.option("--name", required=True, help="The co-op's name.")
@click.option("--mall", "mall_code", required=True, help="Code of its first mall, such as MAIN.")
@click.option("--mall-name", default="", help="The mall's name (else the co-op's).")
@click.option("--timezone", required=True, help="The mall's time zone, such as America/Chicago.")
@click.option("--commission", default="10", show_default=True, help="Commission in percent, for leases that say nothing else.")
@click.option("--paper", type=click.Choice(["letter", "a4"]), default="letter", show_default=True)
@data_option
def new_command(name: str, mall_code: str, mall_name: str, timezone: str, commission: str, paper: str, data: Path | None) -> None:
    """Make a co-op with one mall."""
    # Everything that was typed is judged before a folder or a file is made.
    percent, code = _percent(commission), require_code(mall_code, "--mall")
    require_timezone(timezone)
    coop = open_coop(data, migrated=False)
    try:
        coop.settings.data.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Refusal(f"--data {coop.settings.data}: the folder cannot be made ({error.strerror}): name another.") from error
    migrate.upgrade(coop.engine)
    now = utc_now()
    with transaction(coop.sessions) as session:
        found_coop(session, now, name, commission_percent=percent, paper=paper)
        mall = add_mall(session, now, code, name=mall_name or name, timezone=timezone)
        audit.record(session, now, "co-op founded", "mall", mall.code)
    click.echo(f"{name} is there, with the mall {mall.code} ({timezone}), in {coop.settings.data}.")
    click.echo("Next: coop user add EMAIL --role manager, then coop serve; or coop sales import FILE to bring sales in.")
    click.echo(
        "Coming from paper: enter malls, dealers, leases and tax, and before any sale bring the balances with coop ledger open "
        "(see coop ledger open --example)."
    )
