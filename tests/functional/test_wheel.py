"""The wheel, installed elsewhere and run from another folder: what is not Python code is in it."""

from __future__ import annotations

import json
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

from coop.core import paths
from tests.services import CHECKOUT


def run(command: list[str], cwd: Path, **env: str) -> str:
    """What the command printed; the test fails with all it said when it failed."""
    done = subprocess.run(
        command, cwd=cwd, env={"PATH": "/usr/bin:/bin", **env}, stdin=subprocess.DEVNULL, capture_output=True, text=True
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The project built as a wheel."""
    folder = tmp_path_factory.mktemp("wheel")
    run([sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(folder)], CHECKOUT)
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A virtual environment with the wheel installed, and the dependencies of this one; its folder of programs."""
    home = tmp_path_factory.mktemp("elsewhere") / "venv"
    venv.create(home, with_pip=False, symlinks=True)
    python = home / "bin" / "python"
    run([sys.executable, "-m", "pip", "--python", str(python), "install", "--quiet", "--no-deps", "--no-index", str(wheel)], home)
    own = Path(run([str(python), "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"], home).strip())
    # A path in a .pth file is searched, but .pth files in it are not read: so the checkout, installed by one, stays unseen.
    (own / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return home / "bin"


def test_everything_is_in_the_wheel(wheel):
    with zipfile.ZipFile(wheel) as file:
        inside = set(file.namelist())
    for name, folder in (("templates", paths.templates()), ("migrations", paths.migrations())):
        files = {path for path in folder.rglob("*") if path.is_file() and "__pycache__" not in path.parts}
        assert files
        assert {f"coop/_bundle/{name}/{path.relative_to(folder)}" for path in files} <= inside
    static = {path for path in paths.static().rglob("*") if path.is_file()}
    assert {f"coop/static/{path.relative_to(paths.static())}" for path in static} <= inside
    assert "worker/celery_app.py" in inside
    assert not [name for name in inside if name.startswith(("tests/", ".ci/")) or name.endswith(".pyc")]


FIND = """
import json, coop, worker, coop.cli
from coop.core import paths
found = {"coop": coop.__file__, "worker": worker.__file__, "templates": str(paths.templates()),
         "migrations": str(paths.migrations()), "static": str(paths.static()), "checkout": paths.checkout()}
print(json.dumps(found))
"""


def test_what_is_imported_is_what_was_installed(installed, tmp_path):
    found = json.loads(run([str(installed / "python"), "-c", FIND], tmp_path))
    assert found.pop("checkout") is None
    own = str(installed.parent)
    assert all(where.startswith(own) and Path(where).exists() for where in found.values()), found


def test_a_coop_is_made_and_checks_out(installed, tmp_path):
    coop = str(installed / "coop")
    data = tmp_path / "the co-op"
    run([coop, "new", "--name", "Elsewhere", "--mall", "MAIN", "--timezone", "America/Chicago", "--data", str(data)], tmp_path)
    said = run([coop, "check", "--data", str(data)], tmp_path)
    assert said.endswith("All is well.\n")
    assert f"migrations in {installed.parent}" in said
    assert f"templates in {installed.parent}" in said


APP = """
from coop.app import create_app
from coop.config import load_settings
app = create_app(load_settings())
names = app.jinja_env.list_templates()
for name in names:
    if not name.startswith(("email/", "pdf/")):
        app.jinja_env.get_template(name)
answer = app.test_client().get("/healthz")
print(len(names), answer.status_code)
"""


def test_the_pages_are_found(installed, tmp_path):
    count, status = run([str(installed / "python"), "-c", APP], tmp_path, COOP_DATA=str(tmp_path)).split()
    assert int(count) > 5
    assert status == "200"


WORKER = """
from worker.celery_app import app
app.loader.import_default_modules()
print(sorted(name for name in app.tasks if name.startswith("worker.")))
"""


def test_the_worker_is_found(installed, tmp_path):
    said = run([str(installed / "python"), "-c", WORKER], tmp_path, COOP_JOBS="celery", COOP_DATA=str(tmp_path))
    assert "worker.run_job" in said


def test_commands_of_a_checkout_say_that_they_are(installed, tmp_path):
    done = subprocess.run(
        [str(installed / "coop"), "test"], cwd=tmp_path, capture_output=True, text=True, stdin=subprocess.DEVNULL
    )
    assert done.returncode == 2
    assert "from a checkout" in done.stderr
