"""States as people write them: letters, names and codes. The codes are of ANSI INCITS 38 (from memory)."""

from __future__ import annotations

import pytest

from coop.tax.domain.states import STATES, read_states, state_named


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("WI", ["55"]),
        ("wi, Minnesota; 47", ["55", "27", "47"]),
        ("District of Columbia,  DC", ["11"]),
        ("new hampshire\nNH", ["33"]),
        (" , ", []),
    ],
)
def test_states_are_read(text: str, codes: list[str]) -> None:
    assert read_states(text) == codes


@pytest.mark.parametrize("text", ["Elsewhere", "WI MN", "97", "W"])
def test_what_is_no_state_is_named(text: str) -> None:
    with pytest.raises(ValueError, match=f"^{text} is no state"):
        read_states(f"WI, {text}")


def test_a_code_that_is_used_here_is_taken() -> None:
    assert read_states("97, WI", {"97"}) == ["97", "55"]
    assert (state_named("97"), state_named("55")) == ("97", "WI")


def test_there_are_fifty_states_the_district_and_five_territories() -> None:
    assert len(STATES) == 56
    assert len({postal for postal, _ in STATES.values()}) == len({name for _, name in STATES.values()}) == 56
