"""The house's rules as functions of source text: each gives its violations as `line N: sentence`, none when the rule holds."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parents[2]
PYPROJECT = tomllib.loads((CHECKOUT / "pyproject.toml").read_text(encoding="utf-8"))

NOT_ROOMS = {"worker", "coop.cli", "coop.app", "coop.office", "coop.portal", "coop.desk", "coop.core", "coop.config"}
LAYERS = [
    [name.strip(" ()") for name in layer.split("|")] for layer in PYPROJECT["tool"]["importlinter"]["contracts"][0]["layers"]
]
ROOMS = [name.removeprefix("coop.") for layer in reversed(LAYERS) for name in layer if name not in NOT_ROOMS]
"""Rooms, lowest first, as import-linter is told of them."""

NUMERIC = {"numpy", "shapely", "scipy", "ortools", "highspy", "holidays", "stdnum"}
PURE_CORE = {f"coop.core.{part}" for part in ("money", "periods", "geometry", "checked_json", "csv_text", "words", "errors")}
PURE_VALUES = {"coop.shifts.solving.problem", "coop.shifts.solving.checking"}
"""Pure as a domain is, and checked as one, though it stands beside the solver that reads it."""
SOLVER = {
    *(f"coop.shifts.solving.{part}" for part in ("sequences", "goals", "model", "conflicts", "solve")),
    *(f"coop.resets.solving.{part}" for part in ("packing", "schedule", "exact", "bounding", "arrange")),
    *(f"coop.overflow.solving.{part}" for part in ("model", "assign")),
}
"""What loads OR-Tools: a second and 94 MB, which no web process is to pay."""
SOLVING_PACKAGES = ("coop.shifts.solving", "coop.resets.solving", "coop.overflow.solving")
IMPURE_STANDARD = {"random", "secrets", "time", "os", "sqlite3", "socket", "subprocess", "urllib", "http", "uuid", "threading"}


def python_files(*folders: str) -> list[Path]:
    """Every Python file of the project in these folders, as paths from the checkout."""
    found = (path for folder in folders for path in (CHECKOUT / folder).rglob("*.py"))
    return sorted(path.relative_to(CHECKOUT) for path in found if "__pycache__" not in path.parts)


def room_of(path: Path) -> str | None:
    """`coop/books/domain.py` -> books; None for what is no room."""
    return path.parts[1] if len(path.parts) > 2 and path.parts[0] == "coop" and path.parts[1] in ROOMS else None


def is_domain(path: Path) -> bool:
    """Whether a file must be pure: in a room's domain, or of the values that a domain may read."""
    named = ".".join(path.with_suffix("").parts)
    return room_of(path) is not None and (path.name == "domain.py" or "domain" in path.parts[2:-1] or named in PURE_VALUES)


def imported(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Line and full name of everything a module imports; `from coop.books import domain` gives coop.books.domain."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                yield node.lineno, "." * node.level + (node.module or "")
            elif node.module in ("coop", "coop.core", *SOLVING_PACKAGES) or node.module in {f"coop.{room}" for room in ROOMS}:
                yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)
            else:
                yield node.lineno, node.module or ""


def impure_imports(source: str, room: str) -> list[str]:
    """What a domain may not import: all but the pure standard library, numbers, the pure parts of core, and lower domains."""
    lower = set(ROOMS[: ROOMS.index(room) + 1])
    faults = []
    for line, name in imported(ast.parse(source)):
        top, parts = name.split(".")[0], name.split(".")
        if top == "coop":
            allowed = any(name == pure or name.startswith(pure + ".") for pure in PURE_CORE | PURE_VALUES) or (
                len(parts) >= 3 and parts[1] in lower and parts[2] == "domain"
            )
        else:
            allowed = top in NUMERIC or (top in sys.stdlib_module_names and top not in IMPURE_STANDARD)
        if not allowed:
            faults.append(f"line {line}: a domain may not import {name}")
    return faults


def solver_imports(source: str) -> list[str]:
    """Where a module loads the solver as soon as it is loaded itself."""
    return [
        f"line {line}: imports {name}"
        for line, name in imported(ast.parse(source))
        if name.split(".")[0] == "ortools" or name in SOLVER or any(name.startswith(part + ".") for part in SOLVER)
    ]


def floats(source: str) -> list[str]:
    """Float literals, `float(...)`, annotations of float, and `/` on a name in cents (which makes one)."""
    faults = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, float):
            faults.append(f"line {node.lineno}: the float {node.value}")
        elif isinstance(node, ast.Name) and node.id == "float":
            faults.append(f"line {node.lineno}: float")
        elif isinstance(node, ast.BinOp | ast.AugAssign) and isinstance(node.op, ast.Div):
            sides = (node.left, node.right) if isinstance(node, ast.BinOp) else (node.target, node.value)
            if any(_names_cents(side) for side in sides):
                faults.append(f"line {node.lineno}: cents are divided with /")
    return faults


def _names_cents(node: ast.AST) -> bool:
    name = node.id if isinstance(node, ast.Name) else node.attr if isinstance(node, ast.Attribute) else ""
    return name == "cents" or name.endswith("_cents")


CLOCKS = {"utc_now", "utcnow", "today", "monotonic", "perf_counter", "time_ns", "gmtime", "localtime"}


def clocks_and_commits(source: str) -> list[str]:
    """A service takes `now` and its session: it reads no clock and ends no transaction."""
    faults = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom):
            names = {alias.name for alias in node.names} & CLOCKS
            faults += [f"line {node.lineno}: imports {name}" for name in sorted(names)]
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            owner, name = node.func.value, node.func.attr
            owner_name = owner.id if isinstance(owner, ast.Name) else owner.attr if isinstance(owner, ast.Attribute) else ""
            if name in CLOCKS or (name == "now" and owner_name == "datetime") or (name == "time" and owner_name == "time"):
                faults.append(f"line {node.lineno}: reads the clock with {owner_name}.{name}()")
            elif name in {"commit", "rollback"}:
                faults.append(f"line {node.lineno}: ends the transaction with {name}()")
    return faults


def misplaced(paths: list[Path]) -> list[str]:
    """Files of rooms under a name that says nothing."""
    faults = []
    for path in paths:
        if path.stem in {"utils", "util", "helpers", "helper", "common", "misc"}:
            faults.append(f"{path}: a name that says nothing of what is in it")
    return faults


MACHINE_PATHS = re.compile(
    # Put together here, so that this file does not break the rule it states.
    "|".join(re.escape(a + b) for a, b in (("..", "/shared"), ("/wo", "rk/"), ("/ro", "ot/"), ("/ho", "me/"), ("/Us", "ers/")))
)
REGISTRIES = re.compile("|".join(("pypi\\" + ".org", "python" + "hosted", "npm" + "js", "debian\\" + ".org", "docker\\" + ".io")))


def places_named(text: str) -> list[str]:
    """Paths of one machine and hosts of registries that a project must not name."""
    return [
        f"line {number}: names {match.group()}"
        for number, line in enumerate(text.splitlines(), 1)
        for pattern in (MACHINE_PATHS, REGISTRIES)
        for match in pattern.finditer(line)
    ]


INLINE = re.compile(r"<style\b|\sstyle\s*=|\son[a-z]+\s*=\s*[\"']|<script(?![^>]*\ssrc\s*=)[^>]*>|javascript:", re.IGNORECASE)


def inline_code(template: str) -> list[str]:
    """Script and style within a page, which the Content-Security-Policy would stop."""
    return [
        f"line {number}: {match.group().strip()}"
        for number, line in enumerate(template.splitlines(), 1)
        for match in INLINE.finditer(line)
    ]


def project_files() -> list[Path]:
    """Every file of the project, as paths from the checkout: what Git tracks or would."""
    listed = subprocess.run(
        ["git", "-c", f"safe.directory={CHECKOUT}", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=CHECKOUT,
        capture_output=True,
        text=True,
        check=True,
    )
    return sorted(path for name in set(listed.stdout.split("\0")) if name and (CHECKOUT / (path := Path(name))).is_file())
