"""Whole published habitat models put together from this project's curves and ways of combining, cell by cell.

The models are those of other species: their published expressions are the check, not their numbers. Curves and
expressions were read as kept in the R package ecorest (US Army Corps of Engineers, github cran/ecorest). Where no
source is named beside an input it is invented, and the value expected is worked by hand from the published expression.
"""

from pathlib import Path

import numpy as np
import pytest
import shapely
import shapely.ops

from allocator import plan_traps, read_study
from allocator.habitat.score import Component, curve_index, score_cells
from tests.journey.studies import ALBERS, RASTER_INPUTS, square, write_cover, write_shapes, write_study

NA = float("nan")


def parts(indices, weights=None):
    """Components with equal weights unless some are given."""
    weights = weights or [1.0] * len(indices)
    return [
        Component(str(place), weight, np.asarray(index, float))
        for place, (index, weight) in enumerate(zip(indices, weights, strict=True))
    ]


def geometric(*indices):
    return score_cells(parts(indices), "geometric")


def product(*indices):
    """The product of n indices is their geometric mean to the power n."""
    return geometric(*indices) ** len(indices)


def mean(indices, weights=None):
    return score_cells(parts(indices, weights), "arithmetic")


def least(*indices):
    return score_cells(parts(indices), "minimum")


# Barred owl: curves and what SIcalc gives for them, as printed in the examples of ecorest's SIcalc.
# trees over 51 cm per 0.4 ha; mean diameter of the overstory in inches; canopy of the overstory in percent
BARRED_OWL = ([(0, 0.1), (2, 1), (4, 1)], [(0, 0), (5, 0), (20, 1)], [(0, 0), (20, 0), (60, 1), (100, 1)])


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ((2, 5, 20), (1, 0, 0)),
        ((4, 20, 60), (1, 1, 1)),
        ((4, 20, 40), (1, 1, 0.5)),
        ((0, 12.5, 40), (0.1, 0.5, 0.5)),
        ((4, 40, 60), (1, 1, 1)),  # beyond the last point: its end
        ((4, NA, 60), (1, NA, 1)),
    ],
)
def test_barred_owl_indices_as_printed(values, expected):
    found = [float(curve_index(np.array([value]), curve)[0]) for value, curve in zip(values, BARRED_OWL, strict=True)]
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-12)


def test_barred_owl_composite_as_printed():
    """HSIeqtn("barredowl", ...) prints 1.00, 0.707 and 0.00 for these three triples (examples of ecorest's HSIeqtn).

    The expression sqrt(SI1 SI2) SI3 (Allen 1987, Biol. Rep. 82(10.143)) is from memory, unverified.
    """
    first, second, third = np.array([(1, 1, 1), (0.5, 1, 1), (0, 1, 1)], float).T
    found = product(geometric(first, second), third)
    np.testing.assert_allclose(found, [1.00, 0.707, 0.00], rtol=0, atol=5e-4)


def test_wood_duck_all_along_the_fall():
    """Sousa and Farmer 1983, FWS/OBS-82/10.43: 1 to 0.8 km, then straight to 0 at 3.2 km: (3.2 - d) / 2.4."""
    km = np.linspace(0, 5, 501)
    expected = [1.0 if d <= 0.8 else max((3.2 - d) / 2.4, 0.0) for d in km]
    np.testing.assert_allclose(curve_index(km, [(0.8, 1), (3.2, 0)]), expected, rtol=0, atol=1e-12)


def test_turkey_all_along_the_fall():
    """Schroeder 1985, Biol. Rep. 82(10.106): 1 to 61 m from forest, then straight to 0 at 122 m: (122 - d) / 61."""
    metres = np.linspace(0, 200, 401)
    expected = [1.0 if d <= 61 else max((122 - d) / 61, 0.0) for d in metres]
    np.testing.assert_allclose(curve_index(metres, [(61, 1), (122, 0)]), expected, rtol=0, atol=1e-12)


def test_a_distance_of_nothing_left_cannot_be_made_up():
    """A wood duck's best cover at 0.8, 2.0, 3.2 and 5 km: the root of the index, and 0 from 3.2 km on."""
    distance = curve_index(np.array([0.8, 2.0, 3.2, 5.0]), [(0.8, 1), (3.2, 0)])
    found = geometric(np.ones(4), distance)
    np.testing.assert_allclose(found, [1.0, 0.5**0.5, 0.0, 0.0], rtol=0, atol=1e-12)


def test_swamp_rabbit_over_canopy_and_water_regime():
    """Allen 1985, Biol. Rep. 82(10.107): HSI = SI(canopy) SI(water regime), all five canopies on all six regimes.

    Canopy 0 -> 0, 25 -> 1, 65 -> 1, 100 -> 0.5, so 80 is 1 - 0.5 * 15 / 35 = 0.785714. Regimes a to f by table.
    """
    percent = np.repeat([0.0, 12.5, 45.0, 80.0, 100.0], 6)
    regime = np.tile(np.arange(6), 5)
    canopy = Component("canopy", 1.0, curve_index(percent, [(0, 0), (25, 1), (65, 1), (100, 0.5)]))
    table = Component("regime", 1.0, np.array([0, 0.1, 0.5, 0.8, 1, 1]), entry=regime)
    found = score_cells([canopy, table], "geometric") ** 2
    expected = [
        [0, 0, 0, 0, 0, 0],
        [0, 0.05, 0.25, 0.4, 0.5, 0.5],
        [0, 0.1, 0.5, 0.8, 1, 1],
        [0, 0.0785714, 0.392857, 0.628571, 0.785714, 0.785714],
        [0, 0.05, 0.25, 0.4, 0.5, 0.5],
    ]
    np.testing.assert_allclose(found.reshape(5, 6), expected, rtol=0, atol=5e-7)


def test_mink_weighted_mean_inside_a_least():
    """Allen 1986, Biol. Rep. 82(10.127), palustrine emergent: min((4 SI4 + SI5) / 5, SI1).

    SI1 of surface water 0, 25, 40, 50, 75 and 100 percent of the year: 0, 0, 0.3, 0.5, 1, 1.
    Cover: (4 * 0.5 + 1) / 5 = 0.6, (4 * 0.9 + 0.2) / 5 = 0.76, (4 * 0 + 1) / 5 = 0.2, by turns.
    """
    water = curve_index(np.array([0.0, 25, 40, 50, 75, 100]), [(25, 0), (75, 1)])
    cover = mean([[0.5, 0.9, 0.0, 0.5, 0.9, 0.0], [1.0, 0.2, 1.0, 1.0, 0.2, 1.0]], [4, 1])
    np.testing.assert_allclose(cover, [0.6, 0.76, 0.2, 0.6, 0.76, 0.2], rtol=1e-12)
    found = score_cells([Component("cover", 1.0, cover), Component("water", 1.0, water)], "minimum")
    np.testing.assert_allclose(found, [0, 0, 0.2, 0.5, 0.76, 0.2], rtol=0, atol=1e-12)


def test_gray_squirrel_roots_inside_a_least():
    """Allen 1987, Biol. Rep. 82(10.135): min(sqrt(SI1 SI2) SI3, sqrt(SI4 SI5)).

    Food: sqrt(0.64 * 0.25) = 0.4, times 1, 0.5, 1, 0; cover: 0.54, 0.54, sqrt(0.81 * 0.04) = 0.18, 0.54.
    """
    food = product(geometric(np.full(4, 0.64), np.full(4, 0.25)), [1, 0.5, 1, 0])
    cover = geometric(np.full(4, 0.81), [0.36, 0.36, 0.04, 0.36])
    np.testing.assert_allclose(least(food, cover), [0.4, 0.2, 0.18, 0], rtol=0, atol=1e-12)


def test_black_bear_people_lower_the_whole():
    """Rogers and Allen 1987, Biol. Rep. 82(10.144): ((wetland + soft mast SI6 + hard mast SI7) / 3) times disturbance.

    Wetland share 0 -> 0.5, 5 to 50 -> 1, 100 -> 0.5: not monotone. Disturbance falls from 1 to 0.05 as the share of
    ground in zones of human influence goes from 0 to 100 percent: 1 - 0.0095 per percent.
    By hand: wetland 2.5, 30, 75, 100, 30 percent: 0.75, 1, 0.75, 0.5, 1. Soft mast 0.6 * 0.5 = 0.3, hard mast
    0.9 * 0.5 = 0.45: means 0.5, 1.75 / 3, 0.5, 1.25 / 3, and with everything best 1. Influence 0, 40, 20, 100, 100
    percent: 1, 0.62, 0.81, 0.05, 0.05.
    """
    wetland = curve_index(np.array([2.5, 30, 75, 100, 30]), [(0, 0.5), (5, 1), (50, 1), (100, 0.5)])
    soft = product([0.6, 0.6, 0.6, 0.6, 1], [0.5, 0.5, 0.5, 0.5, 1])
    hard = product([0.9, 0.9, 0.9, 0.9, 1], [0.5, 0.5, 0.5, 0.5, 1])
    people = curve_index(np.array([0.0, 40, 20, 100, 100]), [(0, 1), (100, 0.05)])
    found = product(mean([wetland, soft, hard]), people)
    by_hand = [0.5, 1.75 / 3 * 0.62, 0.405, 1.25 / 3 * 0.05, 0.05]
    np.testing.assert_allclose(found, by_hand, rtol=1e-12)


SIDE_M, CELL_M = 3000.0, 30.0
POLYGON_INPUTS = RASTER_INPUTS.replace("cover.tif", "cover.gpkg") + 'class_field = "code"\n'


def slanted_halves(shape):
    """Both parts of a shape cut by a line that follows no row and no column of cells."""
    west, south, east, north = shape.bounds
    cut = shapely.LineString([(west + 411.3, south - 10), (east - 277.9, north + 10)])
    halves = list(shapely.ops.split(shape, cut).geoms)
    assert len(halves) == 2 and min(half.area for half in halves) > 0.1 * shape.area
    return halves


def planned(folder, tracts, more=""):
    write_shapes(folder / "tracts.gpkg", tracts, {"no": [str(n) for n in range(len(tracts))]}, ALBERS)
    inputs = POLYGON_INPUTS if (folder / "cover.gpkg").exists() else RASTER_INPUTS
    return plan_traps(read_study(write_study(folder, inputs, more)))


@pytest.mark.parametrize("more", ["", 'property_lines = "centre"'], ids=["share", "centre"])
def test_habitat_units_stay_when_a_property_is_cut_by_a_slanted_line(tmp_path: Path, more: str) -> None:
    """HU = HSI times area (US FWS Ecological Services Manual 102): the same for a polygon and for its two parts."""
    codes = np.full((100, 100), 90)
    codes[:, :30] = 41
    codes[:, 60:] = 82
    codes[:, 45] = 11
    write_cover(tmp_path / "cover.tif", codes, CELL_M)
    tract = square(SIDE_M)
    whole, cut = planned(tmp_path, [tract], more), planned(tmp_path, slanted_halves(tract), more)
    assert whole.totals.habitat_units_acres > 100
    assert whole.totals.habitat_units_acres < whole.totals.habitat_acres  # scores differ over the tract
    assert (cut.properties["habitat_units_acres"] > 20).all()
    assert cut.totals.habitat_units_acres == pytest.approx(whole.totals.habitat_units_acres, rel=1e-9)
    assert cut.properties["habitat_units_acres"].sum() == pytest.approx(whole.totals.habitat_units_acres, rel=1e-9)


def test_habitat_units_stay_when_a_land_cover_polygon_is_cut_by_a_slanted_line(tmp_path: Path) -> None:
    """As above: two polygons of one class in place of one. The cut adds points to
    the rim, which then bends a little otherwise when it is projected (3 parts in 100 million here).
    """
    swamp, field, pond = square(1200.0, 0, 0, SIDE_M), square(1500.0, 1500.0, 0, SIDE_M), square(300, 1200, 0, SIDE_M)
    found = []
    for swamps in ([swamp], slanted_halves(swamp)):
        codes = ["90"] * len(swamps) + ["82", "11"]
        write_shapes(tmp_path / "cover.gpkg", [*swamps, field, pond], {"code": codes}, ALBERS)
        found.append(planned(tmp_path, [square(SIDE_M)], "cell_m = 10").totals)
    assert found[0].habitat_units_acres > 100
    assert found[1].habitat_units_acres == pytest.approx(found[0].habitat_units_acres, rel=1e-7)
    assert found[1].habitat_acres == pytest.approx(found[0].habitat_acres, rel=1e-7)
