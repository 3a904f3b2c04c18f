"""Shares against apportionments of seats: official ones, textbook examples, paradoxes."""

import csv
from pathlib import Path

import pytest

from allocator.traps.sharing import share

TABLES = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "tables"


@pytest.mark.parametrize("year", [2010, 2020])
def test_every_house_seat_of_a_census_by_huntington_hill(year):
    """Apportionment populations and official seats: US Census Bureau."""
    path = TABLES / f"us_apportionment_{year}.csv"
    if not path.exists():
        pytest.skip(f"the census table of {year} is not beside the project")
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 50
    seats = [int(row["SEATS_OFFICIAL"]) for row in rows]
    assert sum(seats) == 435
    assert share(435, [int(row["APPORTIONMENT_POPULATION"]) for row in rows], "huntington_hill") == seats


EXAMPLES = {
    # Tannenbaum, Excursions in Modern Mathematics (read as quoted in a public copy)
    "four states, 160 seats": (160, [3.31, 2.67, 1.33, 0.69], [66, 53, 27, 14]),
    "33, 33, 34": (10, [33, 33, 34], [3, 3, 4]),
    # Read on solvely.ai (a weak source); quotas computed again
    "five states, 42 seats": (42, [247, 185, 459, 400, 413], [6, 5, 11, 10, 10]),
    # SMARTS, 130 buses over six routes: inputs from docest.com, answer computed
    "buses": (130, [45300, 31070, 20490, 14160, 10260, 8720], [45, 31, 21, 14, 10, 9]),
    # Computed: quotas 4, 0.6, 0.4
    "a small tract gets none": (5, [400, 60, 40], [4, 1, 0]),
}


@pytest.mark.parametrize("name", EXAMPLES)
def test_largest_remainder_examples(name):
    total, sizes, expected = EXAMPLES[name]
    assert share(total, sizes, "largest_remainder") == expected


def test_huntington_hill_gives_a_small_tract_one():
    """Quotas 4, 0.6, 0.4; computed, the rule's infinite first claim is from memory, unverified."""
    assert share(5, [400, 60, 40], "huntington_hill") == [3, 1, 1]


CENSUS_1790 = {
    # Apportionment populations of the first census: from memory, unverified. Seats by Huntington-Hill of 105: the first
    # six read on bartleby.com (7, 2, 2, 8, 14, 2), the rest computed.
    "CT": (236841, 7), "DE": (55540, 2), "GA": (70835, 2), "KY": (68705, 2), "MD": (278514, 8), "MA": (475327, 14),
    "NH": (141822, 4), "NJ": (179570, 5), "NY": (331589, 10), "NC": (353523, 10), "PA": (432879, 12), "RI": (68446, 2),
    "SC": (206236, 6), "VT": (85533, 3), "VA": (630560, 18),
}  # fmt: skip


def test_the_census_of_1790():
    people = [people for people, _ in CENSUS_1790.values()]
    seats = dict(zip(CENSUS_1790, share(105, people, "huntington_hill"), strict=True))
    assert seats == {state: seats for state, (_, seats) in CENSUS_1790.items()}
    for method in ("largest_remainder", "webster"):
        other = dict(zip(CENSUS_1790, share(105, people, method), strict=True))
        assert {state for state in seats if seats[state] != other[state]} == {"PA", "VT"}
        assert (other["PA"], other["VT"]) == (13, 2)


def test_north_carolina_and_rhode_island_in_2010():
    """For All Practical Purposes, 10th ed., ex. 22: Huntington-Hill 13 and 2, Webster 14 and 1."""
    path = TABLES / "us_apportionment_2010.csv"
    if not path.exists():
        pytest.skip("the census table of 2010 is not beside the project")
    with path.open(encoding="utf-8") as file:
        people = {row["STATE"]: int(row["APPORTIONMENT_POPULATION"]) for row in csv.DictReader(file)}
    two = ["North Carolina", "Rhode Island"]
    found = {
        method: dict(zip(people, share(435, list(people.values()), method), strict=True))
        for method in ("huntington_hill", "webster")
    }
    assert [found["huntington_hill"][state] for state in two] == [13, 2]
    assert [found["webster"][state] for state in two] == [14, 1]


BEFORE = [5525381, 3470152, 3864226, 201203]
AFTER = [5657564, 3507464, 3885693, 201049]


def test_the_population_paradox_is_there_by_largest_remainder():
    """Populations read at people.math.wisc.edu/~jwrobbin (COMAP): D shrinks yet gains, B grows yet loses."""
    assert share(100, BEFORE, "largest_remainder") == [42, 27, 30, 1]
    assert share(100, AFTER, "largest_remainder") == [43, 26, 29, 2]


@pytest.mark.parametrize("method", ["webster", "huntington_hill"])
def test_the_population_paradox_is_absent_by_divisors(method):
    before, after = share(100, BEFORE, method), share(100, AFTER, method)
    assert after[3] <= before[3]
    assert after[1] >= before[1]


def test_the_alabama_paradox_is_there_by_largest_remainder():
    """6, 6, 2: from memory, unverified; shares computed. One more to share costs the third one."""
    assert share(10, [6, 6, 2], "largest_remainder") == [4, 4, 2]
    assert share(11, [6, 6, 2], "largest_remainder") == [5, 5, 1]


@pytest.mark.parametrize("method", ["webster", "huntington_hill"])
def test_the_alabama_paradox_is_absent_by_divisors(method):
    before = [0, 0, 0]
    for total in range(40):
        now = share(total, [6, 6, 2], method)
        assert all(later >= earlier for earlier, later in zip(before, now, strict=True))
        before = now
