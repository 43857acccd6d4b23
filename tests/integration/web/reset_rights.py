"""Every address of resets by role. The other addresses are in test_rights."""

from __future__ import annotations

from tests.integration.web.turn_rights import DEALER, Address

RESETS: dict[tuple[str, str], tuple[Address, frozenset[str]]] = {
    ("resets.first", "GET"): ("/resets/", DEALER),
    ("resets.pieces", "GET"): ("/resets/pieces", DEALER),
    ("resets.new_piece", "GET"): ("/resets/pieces/new", DEALER),
    ("resets.add_piece", "POST"): ("/resets/pieces/new", DEALER),
    ("resets.piece_file", "GET"): ("/resets/pieces/file", DEALER),
    ("resets.bring_piece_file", "POST"): ("/resets/pieces/file", DEALER),
    ("resets.piece", "GET"): (lambda house, _: f"/resets/pieces/{house.resets.piece}", DEALER),
    ("resets.change_piece", "POST"): (lambda house, _: f"/resets/pieces/{house.resets.piece}", DEALER),
    ("resets.copy_own_piece", "POST"): (lambda house, _: f"/resets/pieces/{house.resets.piece}/copy", DEALER),
    ("resets.let_piece_go", "POST"): (lambda house, _: f"/resets/pieces/{house.resets.piece}/let-go", DEALER),
    ("resets.take_piece_back", "POST"): (lambda house, _: f"/resets/pieces/{house.resets.gone}/take-back", DEALER),
}
