"""The `coop` command."""

from __future__ import annotations

import importlib
import os
import sys

import click

from coop import __version__
from coop.config import SettingsError
from coop.core.errors import Refusal

COMMANDS = {
    # command: module of coop.cli that defines it under that name (loaded only when it is asked for)
    "demo": "demo",
    "new": "beginning",
    "user": "people",
    "sales": "sales",
    "desk": "desk",
    "lease": "lease",
    "rent": "rent",
    "month": "month",
    "statements": "statements",
    "payouts": "payouts",
    "ledger": "ledger",
    "bank": "bank",
    "rota": "rota",
    "overflow": "overflow",
    "floor": "floor",
    "tax": "tax",
    "serve": "serve",
    "work": "serve",
    "check": "machine",
    "upgrade": "machine",
    "backup": "keeping",
    "restore": "keeping",
    "reseal": "keeping",
    "test": "developing",
    "bench": "developing",
}


class LazyGroup(click.Group):
    """Imports a command's module when the command is used: `coop --help` need not load the renderer."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"coop.cli.{COMMANDS[cmd_name]}")
        command: click.Command = getattr(module, f"{cmd_name}_command")
        return command


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="coop")
@click.option("--data", type=click.Path(), help="As of each command: the co-op's folder.")
def cli(data: str | None) -> None:
    """The operations of a dealer co-op: leases, one register, tax, the books, the month-end, statements.

    Every command works in the folder named by --data, or by COOP_DATA, or in ./coop-data.
    """
    if data is not None:
        os.environ["COOP_DATA"] = data


def main() -> None:
    """Run the command. A refusal is one sentence on standard error and exit code 2; nothing is half-done."""
    try:
        cli(standalone_mode=False)
    except (Refusal, SettingsError) as error:
        click.echo(f"coop: {error}", err=True)
        sys.exit(2)
    except click.exceptions.Abort:
        click.echo("coop: stopped", err=True)
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except click.exceptions.Exit as leave:
        sys.exit(leave.exit_code)
