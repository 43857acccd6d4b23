"""A worker knows every kind of work: it imports the rooms alone, while a web process happens to import far more."""

from __future__ import annotations

import json
import subprocess
import sys

ROOMS = "import coop.rooms"
EVERYTHING = """
import importlib, pkgutil, coop
for module in pkgutil.walk_packages(coop.__path__, "coop."):
    if module.name != "coop.__main__":
        importlib.import_module(module.name)
"""
SAY = "\nimport json; from coop.core.jobs import KINDS; print(json.dumps(sorted(KINDS)))"


def _kinds(imports: str) -> list[str]:
    """The kinds of work that a process knows which has imported so much and nothing else."""
    done = subprocess.run([sys.executable, "-c", imports + SAY], capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def test_the_rooms_register_every_kind_of_work() -> None:
    known = _kinds(ROOMS)
    assert "shifts.draft" in known
    assert known == _kinds(EVERYTHING)
