"""The habitat suitability index of cells: arithmetic only.

Each component is an index from 0 to 1, found by table (land cover) or by a curve (distance to water, height above it).
``HSI = (prod SI_i ** w_i) ** (1 / sum w_i)``, or the weighted mean, or the least. The forms are those of the Habitat
Evaluation Procedures (US Fish and Wildlife Service, Ecological Services Manual 101 to 103).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce

import cv2
import numpy as np
from numpy.typing import NDArray

from allocator.core.arrays import Floats, Ints
from allocator.core.results import BLANK_SCORE, SCORE_STEPS
from allocator.core.settings import Combine


@dataclass(frozen=True)
class Component:
    """One component of the score: an index per entry of a table, and each cell's entry.

    Parameters
    ----------
    name : str
        As in the settings' weights.
    weight : float
        Its weight, above 0.
    index : array of float64
        Index 0 to 1 of each entry; NaN blank.
    entry : array of int, or None
        Entry of each cell; None: ``index`` already holds one value per cell.
    is_limit : bool
        Whether it only takes away: the score of the others is multiplied by its index to the power of its weight.
    """

    name: str
    weight: float
    index: Floats
    entry: Ints | NDArray[np.uint8] | None = None
    is_limit: bool = False

    def spread(self, values: Floats) -> Floats:
        """Values per entry laid out per cell.

        Parameters
        ----------
        values : array
            One per entry.

        Returns
        -------
        array
            One per cell.
        """
        return values if self.entry is None else values[self.entry]


def curve_index(values: Floats, curve: Sequence[tuple[float, float]]) -> Floats:
    """Index of values on a curve of straight lines, clamped at its ends.

    Parameters
    ----------
    values : array
        In the curve's unit; NaN blank.
    curve : sequence of (value, index)
        Breakpoints with growing values.

    Returns
    -------
    array of float64
        0 to 1; NaN where the value is blank.

    References
    ----------
    The plateau and straight fall of Sousa, P.J. and Farmer, A.H. (1983), FWS/OBS-82/10.43 (wood duck): 1 up to 0.8 km,
    0 from 3.2 km, so 0.5 at 2.0 km.

    Examples
    --------
    >>> curve_index(np.array([0.4, 2.0, 5.0]), [(0.8, 1.0), (3.2, 0.0)]).tolist()
    [1.0, 0.5, 0.0]
    """
    points = np.asarray(curve, float)
    return np.asarray(np.interp(np.asarray(values, float), points[:, 0], points[:, 1]))


def _combine(indices: Sequence[Floats], weights: Sequence[float], combine: Combine) -> Floats:
    """Combine components that have no blanks."""
    if combine == "minimum":
        return np.asarray(reduce(np.minimum, indices))
    total = sum(weights)
    parts = [index * (weight / total) for index, weight in zip(indices, weights, strict=True)]
    out = parts[0]
    for part in parts[1:]:
        out = out + part
    return out


def _combine_with_blanks(indices: Sequence[Floats], weights: Sequence[float], combine: Combine) -> Floats:
    """Combine components cell by cell, leaving out the blank ones and sharing their weight among the rest."""
    stack = np.stack([np.broadcast_to(index, np.broadcast_shapes(*(i.shape for i in indices))) for index in indices])
    known = ~np.isnan(stack)
    if combine == "minimum":
        low: Floats = np.where(known, stack, np.inf).min(axis=0)
        return np.where(known.any(axis=0), low, np.nan)
    weight = np.asarray(weights, float).reshape((-1,) + (1,) * (stack.ndim - 1)) * known
    total = weight.sum(axis=0)
    parts = np.where(weight > 0, np.where(known, stack, 0) * np.where(weight > 0, weight, 1), 0).sum(axis=0)
    return np.asarray(np.divide(parts, total, out=np.full(total.shape, np.nan), where=total > 0))


def score_cells(components: Sequence[Component], combine: Combine = "geometric") -> Floats:
    """Habitat suitability index of cells, 0 to 1.

    Parameters
    ----------
    components : sequence of Component
        Only those with a source; at least one that is no limit. The first must be known for a cell to have a score.
    combine : str
        geometric, arithmetic or minimum.

    Returns
    -------
    array of float64
        NaN where the first component (land cover) is blank. Another component that is blank in a cell is left out
        there and the weights of the rest are renormalised. A limit is multiplied in afterwards; where it is blank it
        takes nothing away.

    References
    ----------
    Aggregation of indices 0.1 and 1: arithmetic 0.55, geometric 0.316228, minimum 0.1 (HUcalc example inputs, R package
    ecorest, US Army Corps of Engineers; values computed).

    Examples
    --------
    >>> pair = [Component("cover", 1, np.array([0.1])), Component("water", 1, np.array([1.0]))]
    >>> [round(float(score_cells(pair, how)[0]), 6) for how in ("arithmetic", "geometric", "minimum")]
    [0.55, 0.316228, 0.1]
    """
    limits = [component for component in components if component.is_limit]
    score = _combined([component for component in components if not component.is_limit], combine)
    for limit in limits:
        table = np.where(np.isnan(limit.index), 1.0, limit.index) ** limit.weight
        score = score * limit.spread(table)
    return score


def _combined(components: Sequence[Component], combine: Combine) -> Floats:
    """The score of components that are no limits."""
    in_logs = combine == "geometric"
    weights = [component.weight for component in components]
    tables = []
    with np.errstate(divide="ignore"):
        tables = [np.log(component.index) if in_logs else component.index for component in components]
    indices = [component.spread(table) for component, table in zip(components, tables, strict=True)]
    has_blanks = any(np.isnan(table).any() for table in tables[1:])
    combined = (_combine_with_blanks if has_blanks else _combine)(indices, weights, combine)
    score = np.exp(combined) if in_logs else combined
    if has_blanks:
        score = np.where(np.isnan(indices[0]), np.nan, score)
    return score


def whole_scores(components: Sequence[Component], combine: Combine) -> NDArray[np.uint16]:
    """Whole scores of cells; of every combination of entries once, where these are fewer than the cells.

    Parameters
    ----------
    components, combine
        As for ``score_cells``.

    Returns
    -------
    array of uint16
        As from ``whole_score``.
    """
    first, *others = components
    sizes = [len(one.index) for one in others]
    entries = [one.entry for one in others if one.entry is not None]
    if first.entry is None or first.entry.dtype != np.uint8 or len(entries) < len(others):
        return whole_score(score_cells(components, combine))
    held = np.flatnonzero(cv2.calcHist([first.entry], [0], None, [256], [0, 256]))
    if len(held) * math.prod(sizes) > first.entry.size:
        return whole_score(score_cells(components, combine))
    tables = np.ix_(first.index[held], *(one.index for one in others))
    grid = [replace(one, index=table, entry=None) for one, table in zip(components, tables, strict=True)]
    place = np.zeros(256, np.int32)
    place[held] = np.arange(len(held))
    at = np.asarray(cv2.LUT(first.entry, place))
    for entry, size in zip(entries, sizes, strict=True):
        at = at * np.int32(size) + entry
    return np.asarray(whole_score(score_cells(grid, combine)).ravel()[at])


def whole_score(score: Floats) -> NDArray[np.uint16]:
    """Scores cut down to whole ten-thousandths, so that a score under the threshold never reaches it by rounding.

    Parameters
    ----------
    score : array
        0 to 1; NaN blank.

    Returns
    -------
    array of uint16
        0 to 10,000; 65535 blank.

    Examples
    --------
    >>> whole_score(np.array([0.5, 1.0, np.nan])).tolist()
    [5000, 10000, 65535]
    """
    # The millionth of a step keeps 0.5 reached through roots from falling to 0.4999.
    steps = np.floor(score * SCORE_STEPS + 1e-6)
    return np.where(np.isnan(steps), float(BLANK_SCORE), steps).astype(np.uint16)
