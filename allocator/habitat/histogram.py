"""Ground of every property by class and by what else makes its score: what ranges of the count are drawn from."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from allocator.core.arrays import Floats, Ints, sum_by_key
from allocator.core.settings import Curve
from allocator.core.study import BLANK_CLASS, Season, Study
from allocator.grid.cover import CLASSES
from allocator.grid.edges import WHOLE
from allocator.grid.land import Land
from allocator.grid.targets import season_targets
from allocator.habitat.components import LIMITS, components, used_components
from allocator.habitat.score import Component, curve_index, score_cells

WATER_BINS = 48
HEIGHT_BINS = 32
INDEX_BINS = 16
_BINS = (WATER_BINS + 1, HEIGHT_BINS + 1, INDEX_BINS + 1, INDEX_BINS)
"""Numbers of bins of distance to water, height, the other components together, and the limits; one more for blank."""


@dataclass(frozen=True)
class Histogram:
    """Ground by property, class and bin.

    Parameters
    ----------
    owner, position, bin : array of int64
        Property, class and joint bin.
    share : array of int64
        Ground, in parts of a cell (``WHOLE``).
    """

    owner: Ints
    position: Ints
    bin: Ints
    share: Ints


def _distance_bin(metres: Floats, curve: Curve) -> Ints:
    """Bin of a distance between 0 and the curve's end; farther ground is in the last."""
    return np.asarray(np.minimum(metres / curve[-1][0] * WATER_BINS, WATER_BINS - 1), np.int64)


def _height_ends(curve: Curve) -> tuple[float, float]:
    """Heights between which bins are cut: half a curve's length more at each end."""
    slack = (curve[-1][0] - curve[0][0]) / 2
    return curve[0][0] - slack, curve[-1][0] + slack


def tile_histogram(land: Land, study: Study, season: Season) -> Histogram:
    """Ground of a tile by property, class and bin.

    Parameters
    ----------
    land : Land
        The tile.
    study : Study
        Sources.
    season : Season
        Curves and scores; ground of classes that are never scored is left out.

    Returns
    -------
    Histogram
        One row for each combination that is there.
    """
    habitat, shape = season.habitat, land.cover.shape
    water = np.full(shape, WATER_BINS, np.int64)
    height = np.full(shape, HEIGHT_BINS, np.int64)
    target = season_targets(study, season).get("water")
    if target is not None:
        metres = np.sqrt(land.squared[target]) * study.grid.cell_m
        water = _distance_bin(metres, habitat.curves.water_m)
        if target in land.height_m:
            above = land.height_m[target]
            low, high = _height_ends(habitat.curves.lowland_m)
            far = metres > habitat.curves.water_m[-1][0]
            with np.errstate(invalid="ignore"):
                part = np.where(far, 1.0, (above - low) / (high - low))
            known = ~np.isnan(above)
            height[known] = np.clip(part[known] * HEIGHT_BINS, 0, HEIGHT_BINS - 1).astype(np.int64)
    parts = components(land, study, season)
    others = [one for one in parts if one.name not in ("cover", "water", "lowland") and not one.is_limit]
    other = _index_bins(others, season, shape)
    limit = np.full(shape, INDEX_BINS - 1, np.int64)
    for one in parts:
        if one.is_limit:
            index = np.broadcast_to(one.spread(one.index), shape) ** one.weight
            limit = np.minimum(index * INDEX_BINS, INDEX_BINS - 1).astype(np.int64)
    joint = ((water * _BINS[1] + height) * _BINS[2] + other) * _BINS[3] + limit
    scored = np.zeros(CLASSES, bool)
    scored[: len(season.scores)] = np.array(season.scores, float) > 0
    scored[BLANK_CLASS] = False
    cover = land.cover.ravel()[land.shares.cell]
    kept = np.flatnonzero(scored[cover])
    cell = land.shares.cell[kept]
    size = int(np.prod(_BINS))
    key = (land.shares.owner[kept] * CLASSES + cover[kept]) * size + joint.ravel()[cell]
    key, share = sum_by_key(key, land.shares.share[kept])
    pair, joint_bin = np.divmod(key, size)
    return Histogram(pair // CLASSES, pair % CLASSES, joint_bin, share)


def _index_bins(parts: Sequence[Component], season: Season, shape: tuple[int, ...]) -> Ints:
    """Bins of the combined index of some components; the last where there are none or all are blank."""
    if not parts:
        return np.full(shape, INDEX_BINS, np.int64)
    spread = [Component(one.name, one.weight, np.broadcast_to(one.spread(one.index), shape)) for one in parts]
    steady = Component("all", 1e-12, np.ones(shape))  # so that no cell is blank for want of the first
    index = score_cells([steady, *spread], season.habitat.combine)
    return np.minimum(index * INDEX_BINS, INDEX_BINS - 1).astype(np.int64)


def join_histograms(tiles: Sequence[Histogram]) -> Histogram:
    """Ground of the whole study.

    Parameters
    ----------
    tiles : sequence of Histogram
        One per tile.

    Returns
    -------
    Histogram
        Sorted by property, class, bin; the same whatever the tiling.
    """
    owner, position, joint, share = (
        np.concatenate([getattr(one, name) for one in tiles]) for name in ("owner", "position", "bin", "share")
    )
    size = int(np.prod(_BINS))
    key, share = sum_by_key((owner * CLASSES + position) * size + joint, share)
    pair, joint = np.divmod(key, size)
    return Histogram(pair // CLASSES, pair % CLASSES, joint, share)


@dataclass(frozen=True)
class RestIndex:
    """What the components other than the cover make of each row, at several lengths of the curves.

    Parameters
    ----------
    rest : array of float64, shape (lengths, rows)
        Their combined index, 0 to 1, limits counted in.
    weight : float
        Their summed weight.
    """

    rest: Floats
    weight: float


def rest_index(histogram: Histogram, study: Study, season: Season, lengths: Sequence[float]) -> RestIndex:
    """The combined index of everything but the cover, with the curves of water and height made longer or shorter.

    Parameters
    ----------
    histogram : Histogram
        Rows.
    study : Study
        Says which components are there.
    season : Season
        Curves and weights.
    lengths : sequence of float
        Factors on the distances and heights of both curves: 1 leaves them.

    Returns
    -------
    RestIndex
        A row stands for the middle of its bins. Ground beyond the end of the water curve stays at the end's index, also
        where the curve is made longer.
    """
    habitat = season.habitat
    joint, limit = np.divmod(histogram.bin, _BINS[3])
    joint, other = np.divmod(joint, _BINS[2])
    water, height = np.divmod(joint, _BINS[1])
    weights = habitat.weights
    metres = np.where(water == WATER_BINS - 1, np.inf, (water + 0.5) * habitat.curves.water_m[-1][0] / WATER_BINS)
    low, high = _height_ends(habitat.curves.lowland_m)
    above = low + (height + 0.5) * (high - low) / HEIGHT_BINS
    known = {"water": bool((water < WATER_BINS).any()), "lowland": bool((height < HEIGHT_BINS).any())}
    made = []
    for length in lengths:
        parts = []
        if known["water"] and weights.water > 0:
            parts.append(Component("water", weights.water, curve_index(metres / length, habitat.curves.water_m)))
        if known["lowland"] and weights.lowland > 0:
            index = curve_index(above / length, habitat.curves.lowland_m)
            parts.append(Component("lowland", weights.lowland, np.where(height == HEIGHT_BINS, np.nan, index)))
        extra = _other_weight(study, season)
        if extra > 0:
            index = np.where(other == INDEX_BINS, np.nan, (other + 0.5) / INDEX_BINS)
            parts.append(Component("other", extra, index))
        steady = Component("all", 1e-12, np.ones(len(other)))
        made.append(score_cells([steady, *parts], habitat.combine) if parts else np.ones(len(other)))
    total = sum(one.weight for one in parts)
    factor = np.where(limit == INDEX_BINS - 1, 1.0, (limit + 0.5) / INDEX_BINS)
    # A factor on the whole score is one on the rest, to the power of all weights over the rest's.
    power = (weights.cover + total) / total if total else 1.0
    return RestIndex(np.stack(made) * factor**power, total)


def _other_weight(study: Study, season: Season) -> float:
    used = [name for name in used_components(study, season) if name not in ("cover", "water", "lowland", *LIMITS)]
    return float(sum(getattr(season.habitat.weights, name) for name in used))


def habitat_area_m2(share: Ints, cell_area_m2: float) -> Floats:
    """Square metres of shares of cells.

    Parameters
    ----------
    share : array of int64
        In parts of a cell.
    cell_area_m2 : float
        Area of a cell.

    Returns
    -------
    array of float64
        Square metres.
    """
    return np.asarray(share * (cell_area_m2 / WHOLE))
