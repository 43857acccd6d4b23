"""Imports are proposals: shown, applied once, undone. Files: tests/reference/streamlined/README.md."""

from __future__ import annotations

import io
import itertools
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.tax.domain.boundary_files import read_boundaries
from coop.tax.domain.proposals import apply_proposal, propose_boundaries, propose_rates, undo_proposal
from coop.tax.domain.rate_files import Place, RateRow, RatesRead, rates_in_force, read_rates

FILES = Path(__file__).parents[3] / "reference" / "streamlined"
WISCONSIN = (FILES / "WIR2026Q2FEB18.csv").read_bytes()
MINNESOTA = (FILES / "MNR2026Q2FEB18.csv").read_bytes()
BOUNDARIES = (FILES / "MNB2026Q2FEB18-sample.csv").read_bytes()
COUNTY = Place("55", "county", "078")


@pytest.mark.parametrize(("file", "rows"), [(WISCONSIN, 2 * 1941), (MINNESOTA, 2 * 148)], ids=["Wisconsin", "Minnesota"])
def test_a_whole_state_is_imported_imported_again_and_undone(file: bytes, rows: int) -> None:
    read = read_rates(io.BytesIO(file))
    proposal = propose_rates([], read)
    stored = apply_proposal([], proposal)
    assert (len(proposal.added), len(stored), proposal.refused) == (rows, rows, ())
    again = propose_rates(stored, read)
    assert again.does_nothing
    assert (len(again.unchanged), again.not_in_file, again.refused) == (rows, (), ())
    assert apply_proposal(stored, again) == stored
    assert undo_proposal(stored, proposal) == []


def test_boundaries_are_imported_imported_again_and_undone() -> None:
    read = read_boundaries(io.BytesIO(BOUNDARIES))
    proposal = propose_boundaries([], read)
    stored = apply_proposal([], proposal)
    assert len(stored) == 100
    assert propose_boundaries(stored, read).does_nothing
    assert undo_proposal(stored, proposal) == []
    ended = read_boundaries(io.BytesIO(BOUNDARIES.replace(b"z,20161001,20190331", b"z,20161001,20181231")))
    change = propose_boundaries(stored, ended)
    assert next((c.was.low, c.was.ends_on, c.now.ends_on) for c in change.ended) == (
        "55012",
        date(2019, 3, 31),
        date(2018, 12, 31),
    )
    assert (len(change.added), len(change.changed)) == (0, 0)
    after = apply_proposal(stored, change)
    assert set(undo_proposal(after, change)) == set(stored)
    back = propose_boundaries(after, read)
    assert len(back.changed) == len(change.ended)


def test_a_boundary_that_repeats_another_with_a_different_end() -> None:
    first = BOUNDARIES.splitlines(keepends=True)[0]
    read = read_boundaries([first, first, first.replace(b"20190331", b"20180331")])
    assert [tuple(r) for r in propose_boundaries([], read).refused] == [(3, "repeats row 1 with another end: mend one of them.")]
    assert len(propose_boundaries([], read).added) == 1


def test_f5_a_row_that_ends_on_the_day_the_next_begins() -> None:
    """Rows 47 and 48 of Wisconsin's file: the later wins that day, and it is said."""
    proposal = propose_rates([], read_rates(io.BytesIO(WISCONSIN)))
    (overlap,) = proposal.overlapping
    assert (overlap.earlier.row, overlap.later.row) == (47, 48)
    assert overlap.sentence == (
        "Row 47 (county 078 of state 55) runs into row 48 from 2020-03-31: the later wins, the earlier ends on 2020-03-30."
    )
    stored = apply_proposal([], proposal)
    on = [rates_in_force(stored, [COUNTY], day)[COUNTY] for day in (date(2020, 3, 30), date(2020, 3, 31))]
    assert on == [0, Decimal("0.5")]


def file(*spans: tuple[str, str, str]) -> RatesRead:
    lines = [f"55,00,078,{rate},{rate},{rate},{rate},{begin},{end}\n" for rate, begin, end in spans]
    return read_rates([line.encode() for line in lines])


OPEN = "99991231"


@pytest.mark.parametrize(
    ("spans", "refused"),
    [
        ((("0.01", "20200101", "20201231"), ("0.02", "20201230", OPEN)), {1: "overlaps row 2", 2: "overlaps row 1"}),
        ((("0.01", "20200101", OPEN), ("0.02", "20210101", OPEN)), {1: "overlaps row 2", 2: "overlaps row 1"}),
        ((("0.01", "20200101", OPEN), ("0.02", "20200101", OPEN)), {1: "overlaps row 2", 2: "overlaps row 1"}),
        ((("0.01", "20200101", OPEN), ("0.01", "20200101", OPEN)), {1: "repeats row 2", 2: "repeats row 1"}),
        ((("0.01", "20200101", "20200101"), ("0.02", "20200101", OPEN)), {1: "overlaps row 2", 2: "overlaps row 1"}),
        (
            (("0.01", "20100101", "20301231"), ("0.02", "20110101", "20111231"), ("0.03", "20200101", OPEN)),
            {1: "over", 2: "over", 3: "over"},
        ),
    ],
)
def test_rows_of_a_file_that_overlap_otherwise_are_refused(
    spans: tuple[tuple[str, str, str], ...], refused: dict[int, str]
) -> None:
    proposal = propose_rates([], file(*spans))
    assert [row.row for row in proposal.refused] == list(refused)
    assert all(row.reason.startswith(refused[row.row]) for row in proposal.refused)
    assert proposal.does_nothing


def test_a_new_quarter_ends_changes_and_adds() -> None:
    stored = apply_proposal([], propose_rates([], file(("0.01", "20200101", "20201231"), ("0.02", "20210101", OPEN))))
    new = file(("0.015", "20200101", "20201231"), ("0.02", "20210101", "20260630"), ("0.03", "20260701", OPEN))
    proposal = propose_rates(stored, new)
    general = [row for row in proposal.added if row.tax_class == "general"]
    assert [(row.percent, row.starts_on, row.ends_on) for row in general] == [(3, date(2026, 7, 1), None)]
    assert {(c.was.ends_on, c.now.ends_on) for c in proposal.ended} == {(None, date(2026, 6, 30))}
    assert {(c.was.percent, c.now.percent) for c in proposal.changed} == {(1, Decimal("1.5"))}
    assert proposal.unchanged == ()


def test_a_stored_rate_the_file_does_not_have_is_kept_or_ends_where_a_later_one_begins() -> None:
    old = RateRow(COUNTY, "general", Decimal(1), date(1990, 1, 1), date(1999, 12, 31))
    held = RateRow(COUNTY, "general", Decimal(2), date(2000, 1, 1), None)
    proposal = propose_rates([old, held], file(("0.03", "20200101", OPEN)))
    assert proposal.not_in_file == (old,)
    assert [(c.was, c.now.ends_on) for c in proposal.ended] == [(held, date(2019, 12, 31))]
    assert proposal.overlapping[0].sentence == (
        "The rate held from 2000-01-01 (county 078 of state 55) runs into row 1 from 2020-01-01: "
        "the later wins, the earlier ends on 2019-12-31."
    )
    other = RateRow(Place("27", "state", "27"), "general", Decimal(1), date(1990, 1, 1), None)
    assert propose_rates([other], file(("0.03", "20200101", OPEN))).not_in_file == ()


def test_a_row_of_the_file_within_a_stored_one_is_refused() -> None:
    held = RateRow(COUNTY, "general", Decimal(2), date(2000, 1, 1), None)
    proposal = propose_rates([held], file(("0.03", "20200101", "20201231")))
    assert [row.row for row in proposal.refused] == [1]
    assert proposal.refused[0].reason.startswith("overlaps the rate held from 2000-01-01")
    assert not [row for row in proposal.added if row.tax_class == "general"]


def test_what_has_changed_since_is_not_undone_by_halves() -> None:
    proposal = propose_rates([], file(("0.01", "20200101", OPEN)))
    stored = apply_proposal([], proposal)
    touched = [stored[0]._replace(percent=Decimal(9)), *stored[1:]]
    with pytest.raises(ValueError, match="have changed since"):
        undo_proposal(touched, proposal)
    later = propose_rates(stored, file(("0.02", "20200101", OPEN)))
    with pytest.raises(ValueError, match="have changed since"):
        apply_proposal(touched, later)


DAYS = st.integers(0, 60).map(lambda n: date(2026, 1, 1) + timedelta(days=n))
ROWS = st.builds(
    lambda percent, start, length: RateRow(
        COUNTY, "general", Decimal(percent), start, None if length is None else start + timedelta(days=length)
    ),
    st.integers(0, 3),
    DAYS,
    st.none() | st.integers(0, 30),
)
READ = st.lists(ROWS, max_size=6).map(lambda rows: RatesRead(tuple(row._replace(row=n) for n, row in enumerate(rows, 1)), ()))


def overlapping(rows: list[RateRow]) -> bool:
    spans = sorted((row.starts_on, row.ends_on or date.max) for row in rows)
    return any(end >= start for (_, end), (start, _) in itertools.pairwise(spans))


@given(first=READ, second=READ)
def test_any_proposal_leaves_no_overlap_is_idempotent_and_undoable(first: RatesRead, second: RatesRead) -> None:
    stored: list[RateRow] = []
    for read in (first, second):
        proposal = propose_rates(stored, read)
        after = apply_proposal(stored, proposal)
        assert not overlapping(after)
        assert propose_rates(after, read).does_nothing
        assert set(undo_proposal(after, proposal)) == set(stored)
        # Every row of the file is taken or refused, never forgotten.
        told = {row.row for row in proposal.refused} | {row.row for row in proposal.added}
        told |= {c.now.row for c in (*proposal.ended, *proposal.changed)}
        kept = {(row.percent, row.starts_on) for row in proposal.unchanged}
        assert all(row.row in told or (row.percent, row.starts_on) in kept for row in read.rows)
        stored = after
