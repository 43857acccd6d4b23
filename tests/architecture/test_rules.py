"""The house's rules hold, and each is seen to fail on a planted violation."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.architecture import rules
from tests.architecture.rules import CHECKOUT

TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "docker-compose.yml",
    "coop",
    "migrations",
    "templates",
    "tests",
    "worker",
}
TEXT = {".py", ".md", ".toml", ".txt", ".yml", ".html", ".css", ".js", ".conf", ".mako", ".svg", ".json", ".csv", ""}


def read(path: Path) -> str:
    return (CHECKOUT / path).read_text(encoding="utf-8")


def test_there_are_rooms():
    assert rules.ROOMS[0] == "dealers"
    assert rules.ROOMS[-1] == "closing"
    assert {"books", "tax", "sales", "statements"} <= set(rules.ROOMS)


# --- imports ------------------------------------------------------------------------------------------------------------


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(Path(sys.executable).parent / "lint-imports"), "--no-cache", "--config", str(folder / "pyproject.toml")],
        cwd=folder,
        env={"PYTHONPATH": str(folder), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
    )


def test_imports_run_downhill():
    done = lint_imports(CHECKOUT)
    assert done.returncode == 0, done.stdout
    assert "0 broken" in done.stdout


def test_an_import_uphill_is_caught(tmp_path):
    for folder in ("coop", "worker"):
        shutil.copytree(CHECKOUT / folder, tmp_path / folder, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(CHECKOUT / "pyproject.toml", tmp_path)
    with (tmp_path / "coop" / "books" / "domain.py").open("a", encoding="utf-8") as file:
        file.write("\nimport coop.sales.models\n")
    done = lint_imports(tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "coop.books is not allowed to import coop.sales" in done.stdout


DOMAINS = [path for path in rules.python_files("coop") if rules.is_domain(path)]


def test_there_are_domains():
    assert len(DOMAINS) >= 5


@pytest.mark.parametrize("path", DOMAINS, ids=str)
def test_a_domain_is_pure(path):
    assert rules.impure_imports(read(path), rules.room_of(path)) == []


@pytest.mark.parametrize(
    "planted",
    [
        "from sqlalchemy import select",
        "import flask",
        "from coop.books.models import Entry",
        "from coop.books import queries",
        "from coop.core.db import Session",
        "from coop.core import clock",
        "import coop.core.clock",
        "from coop.statements.domain import StatementValue",
        "from coop import config",
        "import random",
        "from time import monotonic",
        "from os import environ",
        "from . import service",
        "def f():\n    import weasyprint",
    ],
)
def test_an_impure_domain_is_caught(planted):
    assert rules.impure_imports(planted, "sales") != []


def test_a_pure_domain_is_not_caught():
    source = (
        "import datetime\nfrom dataclasses import dataclass\nimport numpy as np\nfrom coop.core.money import cents\n"
        "from coop.core import periods\nfrom coop.books.domain.entries import EntryDraft\nfrom coop.tax import domain\n"
    )
    assert rules.impure_imports(source, "sales") == []


# The command that solves is itself loaded only when it is asked for.
SOLVING = {Path("coop/cli/rota.py"), *(Path(name.replace(".", "/") + ".py") for name in rules.SOLVER)}


def test_the_solver_is_loaded_only_by_who_solves():
    files = rules.python_files("coop", "worker")
    assert {path for path in files if rules.solver_imports(read(path))} == SOLVING


def test_neither_web_nor_worker_nor_command_loads_the_solver_to_begin_with():
    source = "import sys, coop.app, coop.cli, coop.rooms, worker.tasks; sys.exit('ortools' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", source], cwd=CHECKOUT, env={**os.environ, "COOP_JOBS": "celery"}, check=False)
    assert done.returncode == 0


@pytest.mark.parametrize(
    "planted",
    [
        "import ortools.sat",
        "from ortools.sat.python import cp_model",
        "from coop.shifts.solving.solve import solve",
        "from coop.shifts.solving import model",
        "from coop.resets.solving import schedule",
    ],
)
def test_loading_the_solver_is_caught(planted):
    assert rules.solver_imports(planted) != []


def test_what_a_page_needs_of_the_rota_is_not_caught():
    source = "from coop.shifts.solving.checking import check\nfrom coop.shifts.solving import uncovered\n"
    assert rules.solver_imports(source) == []


# --- money and time -----------------------------------------------------------------------------------------------------

NO_MONEY = {("coop", "floor", "domain"), ("coop", "resets", "domain")}
DRAWN = {
    *(Path("coop/resets") / name for name in ("drawing.py", "elevation_drawing.py", "move_drawing.py", "paper_drawing.py")),
    *(Path("coop/overflow") / name for name in ("drawing.py", "bay_drawing.py", "drawn.py", "marks.py")),
    *(
        Path("coop/overflow/domain") / f"{name}.py"
        for name in "across bay bays carrying clear colour keepouts lanes lent walked".split()
    ),
}
MONEY = [
    path
    for path in rules.python_files("coop")
    # The floor's domain and the booth's are geometry, weights and chances, without money; so are drawings, and bays on a plan.
    if (
        rules.room_of(path) and path.name not in {"forms.py", "views.py"} and path.parts[:3] not in NO_MONEY and path not in DRAWN
    )
    or path in {Path("coop/core/money.py"), Path("coop/core/periods.py"), Path("coop/core/db.py")}
]


@pytest.mark.parametrize("path", MONEY, ids=str)
def test_no_float_touches_money(path):
    assert rules.floats(read(path)) == []


@pytest.mark.parametrize(
    "planted",
    ["x = 0.1", "x = 1e3", "x = float(a)", "def f(a: float): ...", "x = a.net_cents / 2", "x = total / cents", "net_cents /= 2"],
)
def test_a_float_is_caught(planted):
    assert len(rules.floats(planted)) == 1


def test_exact_numbers_are_not_caught():
    assert rules.floats("x = net_cents // 2\ny = Decimal('0.1')\nz = Fraction(net_cents, 2)\np = folder / 'a'\n") == []


SERVICES = [path for path in rules.python_files("coop") if rules.room_of(path) and path.name not in {"views.py", "forms.py"}]


@pytest.mark.parametrize("path", SERVICES, ids=str)
def test_a_service_reads_no_clock_and_never_commits(path):
    assert rules.clocks_and_commits(read(path)) == []


@pytest.mark.parametrize(
    "planted",
    [
        "from coop.core.clock import utc_now",
        "clock.utc_now()",
        "datetime.now(UTC)",
        "datetime.datetime.now()",
        "datetime.utcnow()",
        "date.today()",
        "time.time()",
        "time.monotonic()",
        "session.commit()",
        "self.session.rollback()",
    ],
)
def test_a_clock_or_a_commit_is_caught(planted):
    assert len(rules.clocks_and_commits(planted)) == 1


def test_a_moment_handed_in_is_not_caught():
    source = "def do_it(session, now):\n    session.flush()\n    return now.date(), commit(session), run.clock()\n"
    assert rules.clocks_and_commits(source) == []


# --- files --------------------------------------------------------------------------------------------------------------


def test_the_visible_top_level_is_exactly_the_list():
    assert {path.parts[0] for path in rules.project_files() if not path.parts[0].startswith(".")} == TOP_LEVEL


def test_files_have_names_that_say_something():
    assert rules.misplaced(rules.project_files()) == []


def test_a_name_that_says_nothing_is_caught():
    assert len(rules.misplaced([Path("coop/books/utils.py"), Path("tests/helpers.py"), Path("coop/books/service.py")])) == 2


def test_files_are_short():
    long = {
        str(path): lines
        for path in rules.python_files("coop", "worker", "tests")
        if (lines := len(read(path).splitlines())) > 500
    }
    assert long == {}


def texts() -> list[Path]:
    return [path for path in rules.project_files() if path.suffix in TEXT and path.parts[:2] != ("tests", "reference")]


def test_no_file_names_a_machine_or_a_registry():
    named = {str(path): faults for path in texts() if (faults := rules.places_named(read(path)))}
    assert named == {}


@pytest.mark.parametrize(
    "planted",
    [
        "see .." + "/shared/design",
        "/wo" + "rk/main",
        "cp /ro" + "ot/x",
        "/ho" + "me/someone",
        "https://py" + "pi.org/simple",
        "files.python" + "hosted.org",
    ],
)
def test_a_place_is_caught(planted):
    assert len(rules.places_named("fine\n" + planted)) == 1


# --- templates ----------------------------------------------------------------------------------------------------------

PAGES = [path for path in rules.project_files() if path.parts[0] == "templates" and path.parts[1] not in {"email", "pdf"}]


@pytest.mark.parametrize("path", PAGES, ids=str)
def test_a_page_has_no_inline_script_or_style(path):
    assert rules.inline_code(read(path)) == []


@pytest.mark.parametrize(
    "planted",
    [
        "<style>",
        '<p style="color:red">',
        "<button onclick='go()'>",
        "<script>go()</script>",
        '<script nonce="x">',
        '<a href="javascript:go()">',
    ],
)
def test_inline_script_or_style_is_caught(planted):
    assert len(rules.inline_code(planted)) == 1


def test_script_and_style_in_files_are_not_caught():
    page = '<link rel="stylesheet" href="/static/coop.css">\n<script src="/static/live.js" defer></script>\n<p class="styled">'
    assert rules.inline_code(page) == []
