"""Low and high counts: the assumptions drawn at random, habitat and traps worked out for every draw.

The ground of every property is known by class and by the combined index of everything else (``habitat/histogram.py``).
In a draw a class is habitat where that index reaches what the threshold asks of it, so a draw is a sum of table rows.
"""

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.settings import Combine

CUTS = 128
"""Steps of the combined index, 0 to 1: a cut is off by at most half of one, 0.4 percent of the index."""
PROPERTIES_AT_ONCE = 1_000
MOST_VALUES = 50_000_000
"""Properties times draws of which percentiles by property are taken; with more properties they rest on fewer draws."""
FEWEST_DRAWS = 200
LOW, HIGH = 0.1, 0.9
"""Percentiles that are called low and high."""


@dataclass(frozen=True)
class Ground:
    """Ground of the properties, row by row.

    Parameters
    ----------
    owner, position : array of int64, shape (rows,)
        Property and class.
    rest : array of float64, shape (lengths, rows)
        Combined index of all components but the cover, for each length of the curves.
    area_m2 : array of float64, shape (rows,)
        Square metres.
    """

    owner: Ints
    position: Ints
    rest: Floats
    area_m2: Floats


@dataclass(frozen=True)
class Formula:
    """How a score comes of class and rest, at the point values.

    Parameters
    ----------
    scores : array of float64, shape (classes,)
        Cover index of each class; NaN never scored.
    groups : tuple of str
        Group of each class: the scores of a group are drawn together.
    cover_weight, rest_weight : float
        Weights.
    combine : str
        geometric, arithmetic or minimum.
    threshold : float
        Habitat from this score up.
    """

    scores: Floats
    groups: tuple[str, ...]
    cover_weight: float
    rest_weight: float
    combine: Combine
    threshold: float


@dataclass(frozen=True)
class Spread:
    """How far the assumptions may be off.

    Parameters
    ----------
    m2_per_trap : tuple of float
        Least, most likely and most habitat per trap, square metres: drawn from a triangle.
    threshold, scores : float
        Half widths in score: drawn evenly.
    lengths : tuple of float
        Factors on the distances of the curves that ``Ground.rest`` holds, in order, 1 in the middle: drawn evenly
        between the first and the last, the nearest one is used.
    draws, seed : int
        Number of draws and their seed.
    """

    m2_per_trap: tuple[float, float, float]
    threshold: float
    scores: float
    lengths: tuple[float, ...]
    draws: int
    seed: int


@dataclass(frozen=True)
class Ranges:
    """Low and high: 10th and 90th percentile of the draws.

    Parameters
    ----------
    habitat_m2, traps : array of float64, shape (2, properties)
        Habitat, and exact traps on enrolled land.
    total_habitat_m2, total_traps : tuple of float
        Of all properties together.
    tornado : tuple of (str, float, float)
        Each assumption, and the exact traps in all with it alone at its 10th and its 90th percentile; the widest first.
    draws_by_property : int
        Draws that the ranges by property rest on.
    """

    habitat_m2: Floats
    traps: Floats
    total_habitat_m2: tuple[float, float]
    total_traps: tuple[float, float]
    tornado: tuple[tuple[str, float, float], ...]
    draws_by_property: int


@dataclass(frozen=True)
class _Drawn:
    """Assumptions of every draw: shape (draws,), and (draws, groups) for offsets."""

    m2_per_trap: Floats
    threshold: Floats
    offsets: Floats
    length: Ints


def draw_ranges(
    ground: Ground, formula: Formula, spread: Spread, *, point_m2: Floats, enrolled: Bools, total_m2: float,
    total_enrolled_m2: float,
) -> Ranges:  # fmt: skip
    """Ranges of habitat and traps.

    Parameters
    ----------
    ground : Ground
        All ground that may be habitat.
    formula : Formula
        Scores, weights, threshold at their point values.
    spread : Spread
        How far they may be off.
    point_m2 : array of float64, shape (properties,)
        Habitat of each property in the plan.
    enrolled : array of bool, shape (properties,)
        Whose habitat asks for traps.
    total_m2, total_enrolled_m2 : float
        Habitat of the plan in all and on enrolled land, no ground counted twice.

    Returns
    -------
    Ranges
        The change from the point values that the rows show is added to the plan's own figures: patches too small are
        left out there, which the rows do not know. Without any spread low and high are the plan's figures.

    Raises
    ------
    ValueError
        Shapes or numbers make no sense.
    """
    _check(ground, formula, spread)
    groups = list(
        dict.fromkeys(group for group, score in zip(formula.groups, formula.scores, strict=True) if score > 0)
    )
    drawn, alone, names = _draw(spread, groups)
    cuts = _cuts(_stack(drawn, alone), formula, spread, groups)
    lengths = np.concatenate([drawn.length, alone.length])
    number, draws = len(point_m2), spread.draws
    by_property = min(draws, max(FEWEST_DRAWS, MOST_VALUES // max(number, 1)))
    order = np.argsort(ground.owner, kind="stable")
    firsts = np.arange(0, number, PROPERTIES_AT_ONCE)
    starts = np.searchsorted(ground.owner[order], np.append(firsts, number))

    # All land in two heaps, enrolled or not, gives the totals of every draw; property by property fewer draws do.
    heaps = _changes(ground, order, enrolled[ground.owner[order]].astype(np.int64), cuts, lengths, float)
    few, some = np.r_[cuts[:by_property], cuts[-1:]], lengths[:by_property]

    def work(chunk: int) -> tuple[Floats, Floats]:
        first = int(firsts[chunk])
        its = np.s_[first : min(first + PROPERTIES_AT_ONCE, number)]
        rows = order[starts[chunk] : starts[chunk + 1]]
        moved = _changes(ground, rows, ground.owner[rows] - first, few, some, np.float32, len(point_m2[its]))
        habitat = np.maximum(point_m2[its] + _percentiles(moved), 0)
        # What a draw changes is small beside the plan's own figure, which is added in full precision afterwards.
        per_m2 = 1 / drawn.m2_per_trap[:by_property]
        likely = spread.m2_per_trap[1]
        moved *= per_m2[:, None].astype(np.float32)
        moved += np.outer(per_m2 - 1 / likely, point_m2[its]).astype(np.float32)
        traps = np.maximum(point_m2[its] / likely + _percentiles(moved), 0) * enrolled[its]
        return habitat, traps

    with ThreadPoolExecutor(2) as pool:
        done = list(pool.map(work, range(len(firsts))))
    empty = np.zeros((2, 0))
    habitat = np.concatenate([empty, *(one[0] for one in done)], axis=1)
    traps = np.concatenate([empty, *(one[1] for one in done)], axis=1)
    total = np.maximum(total_m2 + heaps.sum(axis=1), 0)
    asked = np.maximum(total_enrolled_m2 + heaps[:, 1], 0)
    pair = asked[draws:] / alone.m2_per_trap
    tornado = [
        (name, float(min(ends)), float(max(ends))) for name, ends in zip(names, pair.reshape(-1, 2), strict=True)
    ]
    return Ranges(
        habitat_m2=habitat, traps=traps,
        total_habitat_m2=_pair(total[:draws]), total_traps=_pair(asked[:draws] / drawn.m2_per_trap),
        tornado=tuple(sorted(tornado, key=lambda one: (one[1] - one[2], one[0]))), draws_by_property=by_property,
    )  # fmt: skip


def _check(ground: Ground, formula: Formula, spread: Spread) -> None:
    least, likely, most = spread.m2_per_trap
    if not 0 < least <= likely <= most < math.inf:
        raise ValueError(f"habitat per trap {spread.m2_per_trap}: expected least, most likely and most, above 0")
    if ground.rest.shape != (len(spread.lengths), len(ground.owner)) or 1.0 not in spread.lengths:
        raise ValueError("one row of rest is needed for each length of the curves, and 1 among the lengths")
    if spread.draws < 1 or min(spread.threshold, spread.scores) < 0:
        raise ValueError("at least one draw, and half widths of 0 or more, are needed")
    if len(formula.groups) != len(formula.scores):
        raise ValueError("every class needs a group")


def triangle(part: Floats, ends: tuple[float, float, float]) -> Floats:
    """Quantiles of a triangular distribution.

    Parameters
    ----------
    part : array of float64
        0 to 1.
    ends : tuple of float
        Least, most likely, most.

    Returns
    -------
    array of float64
        In the unit of the ends.

    Examples
    --------
    >>> triangle(np.array([0.0, 0.5, 1.0]), (200.0, 300.0, 400.0)).tolist()
    [200.0, 300.0, 400.0]
    """
    least, likely, most = ends
    if most == least:
        return np.full(np.shape(part), float(likely))
    at = (likely - least) / (most - least)
    rising = least + np.sqrt(part * (most - least) * (likely - least))
    falling = most - np.sqrt((1 - part) * (most - least) * (most - likely))
    return np.asarray(np.where(part < at, rising, falling))


def _draw(spread: Spread, groups: Sequence[str]) -> tuple[_Drawn, _Drawn, list[str]]:
    """The draws; and for each assumption its 10th and 90th percentile with the others at their point values."""
    random = np.random.Generator(np.random.PCG64(spread.seed))
    part = random.random((spread.draws, 3 + len(groups)))
    names = ["acres per trap", "threshold", "length of the curves", *(f"score of {group}" for group in groups)]
    single = np.full((2 * len(names), len(names)), 0.5)
    for place in range(len(names)):
        single[2 * place : 2 * place + 2, place] = (LOW, HIGH)
    drawn, alone = (_from_parts(one, spread) for one in (part, single))
    alone.m2_per_trap[2:] = spread.m2_per_trap[1]
    return drawn, alone, names


def _from_parts(part: Floats, spread: Spread) -> _Drawn:
    ends = spread.lengths[0], spread.lengths[-1]
    wanted = ends[0] + part[:, 2] * (ends[1] - ends[0])
    return _Drawn(
        m2_per_trap=triangle(part[:, 0], spread.m2_per_trap),
        threshold=(2 * part[:, 1] - 1) * spread.threshold,
        offsets=(2 * part[:, 3:] - 1) * spread.scores,
        length=np.abs(wanted[:, None] - np.array(spread.lengths)).argmin(axis=1),
    )


def _stack(drawn: _Drawn, alone: _Drawn) -> _Drawn:
    names = ("m2_per_trap", "threshold", "offsets", "length")
    return _Drawn(*(np.concatenate([getattr(drawn, name), getattr(alone, name)]) for name in names))


def _cuts(drawn: _Drawn, formula: Formula, spread: Spread, groups: Sequence[str]) -> Ints:
    """Step of the rest from which a class is habitat, per draw and class; one more row for the point values."""
    point = _Drawn(np.ones(1), np.zeros(1), np.zeros((1, len(groups))), np.zeros(1, np.int64))
    every = _stack(drawn, point)
    place = {group: at for at, group in enumerate(groups)}
    offsets = np.stack(
        [every.offsets[:, place[one]] if one in place else every.threshold * 0 for one in formula.groups], 1
    )
    scored = formula.scores > 0
    score = np.where(scored, np.clip(np.where(scored, formula.scores, 0) + offsets, 0, 1), 0)
    asked = rest_asked(score, np.clip(formula.threshold + every.threshold, 1e-4, 1)[:, None], formula)
    # A millionth keeps a rest that meets what is asked from missing it by its last bit.
    steps = np.ceil(np.clip(asked, 0, 2) * CUTS - 1e-6)
    return np.where(steps > CUTS, CUTS + 1, steps).astype(np.int64)


def rest_asked(score: Floats, threshold: Floats, formula: Formula) -> Floats:
    """What the rest must reach for a class to be habitat.

    Parameters
    ----------
    score, threshold : array of float64
        Cover index and threshold, broadcast together.
    formula : Formula
        Weights and rule.

    Returns
    -------
    array of float64
        Habitat where the rest is at least this; infinite where no rest is enough.
    """
    cover, rest = formula.cover_weight, formula.rest_weight
    if rest <= 0:
        return np.where(score >= threshold, 0.0, np.inf)
    if formula.combine == "minimum":
        return np.where(score >= threshold, threshold, np.inf)
    if formula.combine == "arithmetic":
        return np.asarray((threshold * (cover + rest) - cover * score) / rest)
    with np.errstate(divide="ignore"):
        return np.asarray(np.exp(((cover + rest) * np.log(threshold) - cover * np.log(score)) / rest))


def _changes(
    ground: Ground, rows: Ints, heap: Ints, cuts: Ints, lengths: Ints, kind: type, number: int = 2
) -> Floats:  # fmt: skip
    """Habitat of heaps of ground in every draw, less that at the point values, the last cuts: shape (draws, heaps)."""
    present = np.unique(ground.position[rows])
    column = np.zeros(cuts.shape[1], np.int64)
    column[present] = np.arange(len(present))
    size = (len(present), CUTS + 2, number)
    tables: list[Floats] = []
    for rest in ground.rest[:, rows]:
        step = np.floor(rest * CUTS + 1e-6).astype(np.int64)
        key = (column[ground.position[rows]] * (CUTS + 2) + step) * number + heap
        area = np.bincount(key, ground.area_m2[rows], int(np.prod(size))).reshape(size)
        tables.append(np.cumsum(area[:, ::-1], axis=1)[:, ::-1].astype(kind))
    pick = np.arange(len(present))
    middle = len(tables) // 2
    point = tables[middle][pick, cuts[-1, present]].sum(axis=0)
    moved: Floats = np.empty((len(lengths), number), kind)
    for draw, length in enumerate(lengths):
        moved[draw] = tables[length][pick, cuts[draw, present]].sum(axis=0) - point
    return moved


def _percentiles(values: Floats) -> Floats:
    """10th and 90th percentile down the first axis: shape (2, columns)."""
    at = [round(part * (len(values) - 1)) for part in (LOW, HIGH)]
    return np.asarray(np.partition(values, at, axis=0)[at], float)


def _pair(values: Floats) -> tuple[float, float]:
    low, high = _percentiles(values[:, None])[:, 0]
    return float(low), float(high)
