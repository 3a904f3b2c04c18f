"""Ring, kit list, truck loads and prices of a trap design."""

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from math import ceil

import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.core.errors import SettingsError
from allocator.core.kit import Design, Price
from allocator.field.kit import KitItem, holds, kit_list, kit_total, priced, ring, truck_loads
from tests.builders import law

SIMPLE = Design(
    panels=4,
    panel_length_ft=11,
    panel_height_ft=5,
    mesh_wide_in=4,
    mesh_high_in=4,
    wire_gauge=12,
    overlap_ft=1,
    door_ft=0,
    post_spacing_ft=5,
    post_length_ft=6,
    extra_posts=1,
    ties_per_overlap=6,
    bottom_ties=2,
)


def item(key="panel", each=3, traps=2, spares=1, weight_lb=None, unit="each"):
    return KitItem(key, key, each, traps, spares, unit, weight_lb)


def price(key="panel", usd="75", unit="each"):
    return Price(key, Decimal(usd), unit, "2020-01-01", "an example")


def test_ring_by_hand():
    made = ring(SIMPLE)
    assert made.circumference_ft == 40  # 4 x (11 - 1)
    assert made.posts == 8 + 1
    assert made.overlaps == 4
    assert made.ties == 4 * (5 + 2)  # six places, the lowest tied twice


def test_a_door_of_its_own_width_widens_the_ring_and_adds_a_place_to_tie():
    made = ring(replace(SIMPLE, door_ft=3, ties_per_post=2))
    assert made.circumference_ft == 43
    assert (made.posts, made.overlaps) == (9 + 1, 5)
    assert made.ties == 5 * 7 + 10 * 2


def test_a_whole_number_of_spaces_is_not_rounded_up_by_a_hair():
    # 3 x 1.1 / 0.3 is 11.000000000000002 in floats
    made = ring(replace(SIMPLE, panels=3, panel_length_ft=1.1, overlap_ft=0, post_spacing_ft=0.3, extra_posts=0))
    assert made.circumference_ft / 0.3 > 11
    assert made.posts == 11


@law(200)
@given(
    panels=st.integers(1, 30),
    tenths=st.tuples(st.integers(20, 300), st.integers(0, 19), st.integers(0, 100), st.integers(5, 100)),
)
def test_posts_are_never_farther_apart_than_asked_and_never_one_too_many(panels, tenths):
    length, overlap, door, spacing = (Fraction(one, 10) for one in tenths)
    design = replace(
        SIMPLE,
        panels=panels,
        panel_length_ft=float(length),
        overlap_ft=float(overlap),
        door_ft=float(door),
        post_spacing_ft=float(spacing),
        extra_posts=0,
    )
    way_round = panels * (length - overlap) + door
    posts = ring(design).posts
    assert posts * spacing >= way_round
    assert (posts - 1) * spacing < way_round


@pytest.mark.parametrize(
    ("wide", "high", "warned"),
    [
        (4, 4, None),
        (2, 4, None),
        (2, 6, None),
        (4, 6, "40 lb"),
        (6, 6, "40 lb"),
        (5, 5, "not known"),
        (3, 6, "not known"),
    ],
)
def test_mesh(wide, high, warned):
    found = holds(replace(SIMPLE, mesh_wide_in=wide, mesh_high_in=high))
    assert len(found) == (warned is not None)
    assert warned is None or warned in found[0]


def test_every_warning_is_given_with_a_source():
    worst = replace(
        SIMPLE, panel_height_ft=4.5, mesh_high_in=6, wire_gauge=16, has_corners=True, ties_per_overlap=3, bottom_ties=1
    )
    found = holds(worst)
    assert len(found) == 5
    assert all(one.endswith(")") for one in found)
    assert not holds(replace(SIMPLE, panel_height_ft=5, wire_gauge=12, ties_per_overlap=5))


def test_kit_list_by_hand():
    design = replace(SIMPLE, bottom_wire_turns=2, cameras=1, gloves=2)
    lines = {one.item: one for one in kit_list(design, 10, 7.5, {"post": 8.5})}
    assert list(lines) == ["panel", "door", "post", "tie", "bottom_wire", "camera", "gloves"]
    counts = {key: (one.each, one.traps, one.spares, one.total) for key, one in lines.items()}
    assert counts == {
        "panel": (4, 10, 3, 43),
        "door": (1, 10, 1, 11),
        "post": (9, 10, 7, 97),  # 6.75
        "tie": (28, 10, 21, 301),  # 21 exactly
        "bottom_wire": (80, 10, 60, 860),
        "camera": (1, 10, 1, 11),
        "gloves": (2, 10, 2, 22),
    }
    assert lines["bottom_wire"].unit == "ft" and lines["gloves"].unit == "pair"
    assert lines["post"].weight_lb == 8.5 and lines["panel"].weight_lb is None
    assert "11 x 5 ft" in lines["panel"].words and "4 x 4 in" in lines["panel"].words


def test_no_sets_need_nothing():
    assert all(one.total == 0 for one in kit_list(SIMPLE, 0, 10))
    assert kit_total(priced(kit_list(SIMPLE, 0, 10), {})).unpriced == ()


@law(200)
@given(sets=st.integers(0, 500), permille=st.integers(0, 1000))
def test_spares_are_the_smallest_whole_number_that_is_enough(sets, permille):
    for one in kit_list(SIMPLE, sets, permille / 10):
        assert one.spares == ceil(Fraction(one.each * sets * permille, 1000))


def test_truck_loads_by_hand():
    loads = truck_loads([item(weight_lb=50), item("post", 10, 2, 0, 8.0)], payload_lb=255)
    assert (loads.weight_lb, loads.loads, loads.unweighed) == (510, 2, ())  # 7 x 50 + 20 x 8
    assert truck_loads([item(weight_lb=50), item("post", 10, 2, 0, 8.0)], payload_lb=254).loads == 3
    assert truck_loads([], payload_lb=100).loads == 0


def test_a_missing_weight_leaves_the_loads_blank_and_is_named():
    loads = truck_loads([item(weight_lb=50), item("camera"), item("stake", 1, 0, 0)], payload_lb=255)
    assert (loads.weight_lb, loads.loads, loads.unweighed) == (350, None, ("camera",))


def test_prices_by_hand():
    lines = priced([item(), item("bottom_wire", 45, 1, 0, unit="ft")], {
        "panel": price(), "bottom_wire": price("bottom_wire", "0.125", "ft")
    })  # fmt: skip
    assert [one.amount_usd for one in lines] == [Decimal("525.00"), Decimal("5.63")]  # 7 x 75; 5.625
    total = kit_total(lines)
    assert (total.known_usd, total.unpriced) == (Decimal("530.63"), ())


def test_half_a_cent_goes_up_even_after_an_even_cent():
    (line,) = priced([item(each=1, traps=1, spares=0)], {"panel": price(usd="0.125")})
    assert line.amount_usd == Decimal("0.13")


def test_a_missing_price_is_blank_and_never_zero():
    lines = priced([item(), item("camera", 1, 2, 0)], {"panel": price(), "door": price("door")})
    assert [one.amount_usd for one in lines] == [Decimal("525.00"), None]
    total = kit_total(lines)
    assert (total.known_usd, total.unpriced) == (Decimal("525.00"), ("camera",))
    gift = priced([item()], {"panel": price(usd="0")})
    assert (gift[0].amount_usd, kit_total(gift).unpriced) == (Decimal("0.00"), ())


@pytest.mark.parametrize("wrong", [price(unit="ft"), price("door")])
def test_a_price_of_another_unit_or_item_is_refused(wrong):
    with pytest.raises(SettingsError, match="expected panel per each"):
        priced([item()], {"panel": wrong})
