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
    ("resets.booth_sets", "GET"): ("/resets/booths/MAIN/12/sets", DEALER),
    ("resets.make_set", "POST"): ("/resets/booths/MAIN/12/sets", DEALER),
    ("resets.bring_back", "POST"): ("/resets/booths/MAIN/12/sets/back", DEALER),
    ("resets.set_page", "GET"): (lambda house, _: f"/resets/sets/{house.resets.draft}", DEALER),
    ("resets.save_rows", "POST"): (lambda house, _: f"/resets/sets/{house.resets.draft}", DEALER),
    ("resets.change_set", "POST"): (lambda house, _: f"/resets/sets/{house.resets.draft}/terms", DEALER),
    ("resets.let_stand", "POST"): (lambda house, _: f"/resets/sets/{house.resets.draft}/stand", DEALER),
    ("resets.lay_over", "POST"): (lambda house, _: f"/resets/sets/{house.resets.draft}/over", DEALER),
    ("resets.drop_set", "POST"): (lambda house, _: f"/resets/sets/{house.resets.draft}/drop", DEALER),
    ("resets.compare", "GET"): (lambda house, _: f"/resets/sets/{house.resets.stands}/compare/{house.resets.draft}", DEALER),
    ("resets.check_set", "POST"): (lambda house, _: f"/resets/sets/{house.resets.draft}/check", DEALER),
    ("resets.save_set", "POST"): (lambda house, _: f"/resets/sets/{house.resets.draft}/save", DEALER),
    ("resets.arrange", "GET"): (lambda house, _: f"/resets/sets/{house.resets.draft}/arrange", DEALER),
    ("resets.ask_arrangement", "POST"): (lambda house, _: f"/resets/sets/{house.resets.draft}/arrange", DEALER),
    ("resets.arrange_progress", "GET"): (lambda house, _: f"/resets/sets/{house.resets.draft}/arrange/progress", DEALER),
    ("resets.stop_arrangement", "POST"): (lambda house, _: f"/resets/sets/{house.resets.draft}/arrange/stop", DEALER),
}
