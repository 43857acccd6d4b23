"""`coop test` and `coop bench`: only from a checkout."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import click

from coop.core import paths
from coop.core.errors import Refusal

# Two processes suit two cores and still show what runs at the same time; a file's tests share one process, and files begin
# in the order of tests/conftest.py: the longest first.
PARALLEL = ("-n", "2", "--dist", "loadfile", "--no-loadscope-reorder")


def checks() -> list[tuple[str, list[str]]]:
    """Name and command of each check that comes before the tests."""
    programs = Path(sys.executable).parent
    return [
        ("format", [str(programs / "ruff"), "format", "--check", "--quiet", "."]),
        ("lint", [str(programs / "ruff"), "check", "--quiet", "."]),
        ("types", [str(programs / "mypy"), "--no-error-summary"]),
        ("import rules", [str(programs / "lint-imports"), "--no-cache"]),
    ]


def _checkout() -> Path:
    folder = paths.checkout()
    if folder is None or not (folder / "tests").is_dir():
        raise Refusal("This command runs from a checkout of the project, not from an installed package.")
    return folder


def _run_checks(folder: Path) -> list[str]:
    """Run every check, two at a time, printing what a failed one says; the names of the failed ones."""

    def run(command: list[str]) -> tuple[subprocess.CompletedProcess[str], float]:
        began = time.monotonic()
        done = subprocess.run(
            command, cwd=folder, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        return done, time.monotonic() - began

    failed = []
    with ThreadPoolExecutor(2) as pool:
        all_done = pool.map(run, [command for _, command in checks()])
        for (name, _), (done, took_s) in zip(checks(), all_done, strict=True):
            passed = done.returncode == 0
            click.echo(f"{name}: {'passed' if passed else 'FAILED'} ({took_s:.1f} s)")
            if not passed:
                click.echo(done.stdout.rstrip())
                failed.append(name)
    return failed


def _run_to_the_end(command: list[str], folder: Path) -> int:
    """Run a command that stops what it started; ended from outside, we end it and wait until it has done so."""
    signal.signal(signal.SIGTERM, lambda _signal, _frame: sys.exit(143))
    # The tests load the program a hundred times over: what is compiled is kept, whatever is the habit of who asks.
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    child = subprocess.Popen(command, cwd=folder, env=env, stdin=subprocess.DEVNULL)
    try:
        return child.wait()
    finally:
        if child.poll() is None:
            child.terminate()
            child.wait()


@click.command("test", context_settings={"ignore_unknown_options": True})
@click.option("--only-tests", is_flag=True, help="Leave out format, lint, types and import rules.")
@click.argument("pytest_arguments", nargs=-1, type=click.UNPROCESSED)
def test_command(only_tests: bool, pytest_arguments: tuple[str, ...]) -> None:
    """Pass every check and every test, starting the services they talk to.

    What follows goes to pytest: `coop test tests/unit -k rounding`.
    """
    folder = _checkout()
    failed = [] if only_tests else _run_checks(folder)
    sys.stdout.flush()
    pytest = [sys.executable, "-m", "pytest", *PARALLEL, "--ignore=tests/benchmarks", *pytest_arguments]
    code = _run_to_the_end([sys.executable, "-m", "tests.services", "--", *pytest], folder)
    if failed:
        # On the other stream, so that pytest's closing line stays the last of this one.
        click.echo(f"coop test: failed before the tests: {', '.join(failed)}", err=True)
    sys.exit(code or bool(failed))


@click.command("bench", context_settings={"ignore_unknown_options": True})
@click.argument("arguments", nargs=-1, type=click.UNPROCESSED)
def bench_command(arguments: tuple[str, ...]) -> None:
    """Measure, and print a table with this machine's figures."""
    folder = _checkout()
    done = subprocess.run([sys.executable, "-m", "tests.benchmarks", *arguments], cwd=folder, check=False)
    sys.exit(done.returncode)
