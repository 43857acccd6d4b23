"""Every address of resets by role. The other addresses are in test_rights."""

from __future__ import annotations

from tests.integration.web.turn_rights import DEALER, Address

RESETS: dict[tuple[str, str], tuple[Address, frozenset[str]]] = {
    ("resets.first", "GET"): ("/resets/", DEALER),
}
