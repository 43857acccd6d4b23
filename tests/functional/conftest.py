"""Fixtures of the tests of pages: Chromium, the audit's script, and the house of tests on an address."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from tests.functional.browsing import ARGS, Served, serve


@pytest.fixture(scope="module")
def browser(chromium_path: str) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=chromium_path, args=ARGS)
        yield launched
        launched.close()


@pytest.fixture
def served(sqlite_database_url: str, tmp_path: Path) -> Iterator[Served]:
    """With October's statements being made."""
    yield from serve(sqlite_database_url, tmp_path, month_end=True)


@pytest.fixture(scope="module")
def axe() -> str:
    """The audit's script, from the package axe-core-python."""
    found = importlib.util.find_spec("axe_core_python")
    assert found is not None
    assert found.origin is not None
    return (Path(found.origin).parent / "axe.min.js").read_text(encoding="utf-8")
