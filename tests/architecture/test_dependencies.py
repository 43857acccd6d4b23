"""What is installed is pinned by hash without naming a host, and may be used by anybody for anything."""

from __future__ import annotations

import importlib.metadata
import re
from importlib.metadata import PackageMetadata

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.architecture.rules import CHECKOUT

LOCK = (CHECKOUT / ".ci" / "lock.txt").read_text(encoding="utf-8")


def pins(lock: str) -> dict[str, str]:
    """Name and version of what the lock installs on this machine (a few versions differ by Python or system)."""
    lines = [Requirement(line.removesuffix("\\").strip()) for line in lock.splitlines() if re.match(r"[\w.-]+(\[|==)", line)]
    here = [line for line in lines if not line.marker or line.marker.evaluate()]
    return {canonicalize_name(line.name): str(line.specifier).removeprefix("==") for line in here}


PINS = pins(LOCK)

PERMISSIVE = re.compile(
    r"\b(MIT|MIT-0|MIT-CMU|BSD|0BSD|Apache|ISC|PSF|Python Software Foundation|Zlib|CC0|OFL"
    r"|LGPL|Lesser General Public|MPL|Mozilla Public)\b"
)
# Names only other choices or a text of its own; each judged by hand.
BY_HAND = {
    "python-dateutil": ("Dual License", "the classifiers name both: BSD and Apache"),
    "pyphen": ("", "GPL 2+ or LGPL 2.1+ or MPL 1.1, as the user chooses; used under the MPL"),
}
COPYLEFT = re.compile(r"(?<!L)(?<!Lesser )\b(A?GPL|(Affero )?General Public License)", re.IGNORECASE)


def hosts(lock: str) -> list[str]:
    """Lines of a lock that name where something comes from."""
    return [line for line in lock.splitlines() if "://" in line or re.match(r"\s*(-i|-f|--\w*(index|find-links|host))", line)]


def unpinned(lock: str) -> list[str]:
    """Requirements of a lock that have no exact version or no hash."""
    joined = lock.replace("\\\n", " ")
    return [
        line
        for line in joined.splitlines()
        if line.strip() and not line.startswith("#") and not (re.match(r"\S+==\S+", line) and "--hash=sha256:" in line)
    ]


def runtime() -> dict[str, PackageMetadata]:
    """Every distribution that coop needs to run, and what they need, as installed here."""
    found: dict[str, PackageMetadata] = {}
    todo = [("coop", "")]
    seen = set()
    while todo:
        name, extra = todo.pop()
        for text in importlib.metadata.requires(name) or []:
            requirement = Requirement(text)
            if requirement.marker and not requirement.marker.evaluate({"extra": extra}):
                continue
            wanted = canonicalize_name(requirement.name)
            found[wanted] = importlib.metadata.metadata(wanted)
            for each in ("", *requirement.extras):
                if (wanted, each) not in seen:
                    seen.add((wanted, each))
                    todo.append((wanted, each))
    return found


def licences(metadata: PackageMetadata) -> list[str]:
    """What a distribution says of its licence: the expression, else its classifiers, else the free text's first line."""
    expression = metadata.get("License-Expression")
    if expression:
        return [expression]
    classified = [line.split(" :: ")[-1] for line in metadata.get_all("Classifier") or [] if line.startswith("License")]
    return classified or [(metadata.get("License") or "").strip().split("\n")[0]]


def is_permissive(said: list[str]) -> bool:
    """Whether every licence named lets anybody use it, at most with the source of its own files (LGPL, MPL)."""
    return all(PERMISSIVE.search(text) and not COPYLEFT.search(text) for text in said)


RUNTIME = runtime()


def test_the_lock_names_no_host():
    assert hosts(LOCK) == []


@pytest.mark.parametrize(
    "planted", ["--index-url https://example.org/simple", "-i x", "--find-links y", "a @ https://example.org/a.whl"]
)
def test_a_host_is_caught(planted):
    assert len(hosts(LOCK + planted + "\n")) == 1


def test_everything_is_pinned_by_hash():
    assert unpinned(LOCK) == []
    assert len(PINS) > 60


@pytest.mark.parametrize("planted", ["flask", "flask>=3", "flask==3.1.3", "flask>=3 --hash=sha256:00"])
def test_what_is_not_pinned_is_caught(planted):
    assert unpinned(LOCK + planted + "\n") == [planted]


def test_what_is_installed_is_what_is_pinned():
    assert {"flask", "sqlalchemy", "weasyprint", "psycopg-binary"} <= set(RUNTIME)
    assert {name: metadata["Version"] for name, metadata in RUNTIME.items()} == {name: PINS[name] for name in RUNTIME}


@pytest.mark.parametrize("name", sorted(set(RUNTIME) - set(BY_HAND)))
def test_a_dependency_may_be_used_by_anybody(name):
    assert is_permissive(licences(RUNTIME[name])), licences(RUNTIME[name])


@pytest.mark.parametrize("name", BY_HAND)
def test_what_was_judged_by_hand_is_still_used_and_unchanged(name):
    text, _reason = BY_HAND[name]
    assert (RUNTIME[name].get("License") or "") == text


@pytest.mark.parametrize(
    "said",
    [
        ["GPL-3.0-only"],
        ["GNU General Public License v3 (GPLv3)"],
        ["GNU Affero General Public License v3"],
        ["AGPL-3.0-or-later"],
        ["Proprietary"],
        ["Dual License"],
        [""],
        ["MIT License", "GNU General Public License v2 (GPLv2)"],
        ["MIT AND GPL-2.0-only"],
    ],
)
def test_a_licence_that_binds_is_caught(said):
    assert not is_permissive(said)


@pytest.mark.parametrize(
    "said",
    [
        ["LGPL-3.0-only"],
        ["GNU Lesser General Public License v3 (LGPLv3)"],
        ["MPL-2.0"],
        ["BSD License"],
        ["Apache-2.0 OR BSD-3-Clause"],
        ["SIL Open Font License 1.1 (OFL-1.1)"],
    ],
)
def test_a_permissive_licence_is_not_caught(said):
    assert is_permissive(said)
