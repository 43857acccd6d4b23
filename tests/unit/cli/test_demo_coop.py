"""The demo's dealers: told apart by their trade names and telephones, whatever the seed."""

from __future__ import annotations

import re

from coop.cli.demo_coop import dealers


def test_no_two_dealers_trade_under_one_name_or_share_a_telephone() -> None:
    for seed in range(1, 30):
        made = dealers(seed)
        assert len(made) == 60
        assert len({dealer.shop for dealer in made}) == 60
        assert all(dealer.shop.startswith(f"{dealer.name.split()[1]}'s ") for dealer in made)
        phones = {dealer.phone for dealer in made}
        assert len(phones) == 60
        assert all(re.fullmatch(r"555 01\d\d", phone) for phone in phones)
