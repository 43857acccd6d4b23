"""`coop month show` of a mall in which nobody has anything yet."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from coop.cli import cli


def test_a_month_without_dealers_is_said_in_a_sentence(tmp_path: Path) -> None:
    data = str(tmp_path / "coop")
    run = CliRunner()
    made = run.invoke(cli, ["new", "--name", "Lantern Yard", "--mall", "MAIN", "--timezone", "America/Chicago", "--data", data])
    assert made.exit_code == 0, made.output
    shown = run.invoke(cli, ["month", "show", "2025-03", "--mall", "MAIN", "--data", data])
    assert shown.exit_code == 0, shown.output
    assert shown.output == "No dealer has a lease, a sale, a charge or a balance in March 2025 at MAIN.\n"
    as_csv = run.invoke(cli, ["month", "show", "2025-03", "--mall", "MAIN", "--data", data, "--format", "csv"])
    assert as_csv.output.startswith("dealer,gross,")
    assert as_csv.output.count("\n") == 1
