"""Where a sign-in may lead: to a page of ours and nowhere else."""

from __future__ import annotations

import pytest

from coop.core.web import local_path


@pytest.mark.parametrize("target", ["/", "/portal/", "/office/letters?state=failed&before=3", "/office/months/MAIN/2026-10"])
def test_pages_of_ours_are_kept(target: str) -> None:
    assert local_path(target) == target


@pytest.mark.parametrize(
    "target",
    [
        None,
        "",
        "portal/",
        "https://evil.example/",
        "//evil.example/",
        "/\\evil.example/",
        "\\\\evil.example/",
        "/portal\\..",
        "javascript:alert(1)",
        "/\t/evil.example/",
        "/\n/evil.example",
        " //evil.example",
        "https:evil.example",
        "/a b",
    ],
)
def test_other_sites_are_refused(target: str | None) -> None:
    assert local_path(target) is None
