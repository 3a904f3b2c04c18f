"""Traps of a complex and of its properties."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.core.settings import TrapSettings
from allocator.core.units import square_metres
from allocator.traps.need import Pairs, traps_needed, work_out_need
from tests.builders import law, make_settings


def settings(**changes) -> TrapSettings:
    return make_settings(traps=changes).traps


def need_of(acres_by_complex, **changes):
    """Need of complexes given as lists of acres, one enrolled property each, in order."""
    pairs, place = [], 0
    for number, acres in enumerate(acres_by_complex):
        for one in acres:
            pairs.append((place, number, square_metres(one)))
            place += 1
    owner, complex_of, m2 = (np.array(part) for part in zip(*pairs, strict=True))
    return work_out_need(
        Pairs(owner.astype(np.int64), complex_of.astype(np.int64), m2.astype(float)),
        np.bincount(complex_of, m2, len(acres_by_complex)),
        properties=place,
        traps=settings(**changes),
    )


def test_a_thousand_acres_with_two_hundred_of_habitat_need_one_trap():
    need = need_of([[200]])
    assert need.complex_exact[0] == pytest.approx(200 / 300)
    assert need.property_traps.tolist() == [1]


def test_fifty_parcels_of_forty_acres_in_one_swamp_need_seven_in_all():
    """2,000 acres / 300 = 6.67: 7; each parcel alone would be rounded to 0, or up to 50 in all."""
    need = need_of([[40] * 50])
    assert need.complex_traps.tolist() == [7]
    assert need.property_traps.sum() == 7
    assert need.property_traps.max() == 1
    assert need.property_exact.sum() == pytest.approx(2000 / 300)


@pytest.mark.parametrize(
    ("acres", "nearest", "up", "down"),
    [
        (300, 1, 1, 1), (301, 1, 2, 1), (449, 1, 2, 1), (450, 2, 2, 1), (599, 2, 2, 1), (600, 2, 2, 2), (750, 3, 3, 2),
        (149, 1, 1, 1),  # at least one from 75 acres up
    ],
)  # fmt: skip
def test_rounding(acres, nearest, up, down):
    assert need_of([[acres]], rounding="nearest").complex_traps.tolist() == [nearest]
    assert need_of([[acres]], rounding="up").complex_traps.tolist() == [up]
    assert need_of([[acres]], rounding="down").complex_traps.tolist() == [down]


@pytest.mark.parametrize(("acres", "nearest", "up", "down"), [(74.9, 0, 1, 0), (75, 1, 1, 1), (0, 0, 0, 0)])
def test_below_the_smallest_habitat_only_rounding_counts(acres, nearest, up, down):
    for rounding, traps in (("nearest", nearest), ("up", up), ("down", down)):
        assert need_of([[acres]], rounding=rounding).complex_traps.tolist() == [traps]


def test_the_smallest_habitat_is_that_of_the_complex_not_of_a_property():
    assert need_of([[25, 25, 25]]).property_traps.sum() == 1
    assert need_of([[25], [25], [25]]).property_traps.sum() == 0


def test_without_habitat_there_is_no_trap_even_where_the_smallest_is_nothing():
    assert need_of([[0]], smallest_habitat_acres=0).complex_traps.tolist() == [0]


@pytest.mark.parametrize("noise", [-3e-10, 3e-10, 0])
def test_the_last_bit_does_not_decide(noise):
    assert traps_needed(2 + noise, "down", is_large_enough=True) == 2
    assert traps_needed(2 + noise, "up", is_large_enough=True) == 2
    assert traps_needed(2.5 + noise, "nearest", is_large_enough=True) == 3


@pytest.mark.parametrize("noise", [-1e-7, 1e-7])
def test_more_than_noise_decides(noise):
    assert traps_needed(2 + noise, "down", is_large_enough=True) == (1 if noise < 0 else 2)
    assert traps_needed(2 + noise, "up", is_large_enough=True) == (2 if noise < 0 else 3)
    assert traps_needed(2.5 + noise, "nearest", is_large_enough=True) == (2 if noise < 0 else 3)


def test_the_smallest_habitat_is_reached_in_spite_of_the_last_bit():
    m2 = np.nextafter(square_metres(75.0), 0)
    pairs = Pairs(np.array([0]), np.array([0]), np.array([m2]))
    need = work_out_need(pairs, np.array([m2]), properties=1, traps=settings())
    assert need.complex_traps.tolist() == [1]


def test_traps_of_a_complex_go_to_its_own_properties():
    need = need_of([[600, 300], [10, 300]])
    assert need.complex_traps.tolist() == [3, 1]
    assert need.property_traps.tolist() == [2, 1, 0, 1]


def test_a_property_in_two_complexes_adds_both_up():
    pairs = Pairs(np.array([0, 1, 0]), np.array([0, 0, 1]), square_metres(np.array([300.0, 300.0, 600.0])))
    need = work_out_need(pairs, square_metres(np.array([600.0, 600.0])), properties=3, traps=settings())
    assert need.pair_traps.tolist() == [1, 1, 2]
    assert need.property_traps.tolist() == [3, 1, 0]
    assert need.property_exact.tolist() == pytest.approx([3, 1, 0])


def test_the_rule_of_sharing_is_the_one_set():
    """400, 60 and 40 acres, 5 traps of 100 acres each: see the shares in known_values."""
    assert need_of([[400, 60, 40]], acres_per_trap=100).property_traps.tolist() == [4, 1, 0]
    by_hill = need_of([[400, 60, 40]], acres_per_trap=100, share_by="huntington_hill")
    assert by_hill.property_traps.tolist() == [3, 1, 1]


def test_where_properties_overlap_the_complex_counts_its_ground_once():
    """Two properties hold the same 300 acres: 1 trap, not 2."""
    pairs = Pairs(np.array([0, 1]), np.array([0, 0]), square_metres(np.array([300.0, 300.0])))
    need = work_out_need(pairs, np.array([square_metres(300.0)]), properties=2, traps=settings())
    assert need.complex_traps.tolist() == [1]
    assert need.property_traps.tolist() == [1, 0]


@law(60)
@given(st.lists(st.lists(st.floats(1, 2000), min_size=1, max_size=6), min_size=1, max_size=5),
       st.sampled_from(["nearest", "up", "down"]))  # fmt: skip
def test_properties_and_complexes_need_the_same_number(acres, rounding):
    need = need_of(acres, rounding=rounding)
    assert need.property_traps.sum() == need.complex_traps.sum() == need.pair_traps.sum()
    assert need.property_exact.sum() == pytest.approx(need.complex_exact.sum())
    large = np.array([sum(one) >= 75 for one in acres])
    assert (need.complex_traps[large] >= 1).all()
    slack = {"nearest": 0.5, "up": 1, "down": 1}[rounding] + 1e-6
    assert (np.abs(need.complex_traps - need.complex_exact)[need.complex_traps > 1] <= slack).all()
