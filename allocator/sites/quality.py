"""How well a spot suits a trap, and the shade that it lies in."""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from allocator.core.arrays import Floats, Ints
from allocator.core.settings import SiteSettings
from allocator.core.study import BLANK_CLASS, CoverClass

SHADES = ("open", "partial", "closed")


def shade_of(cover: NDArray[np.uint8], classes: Sequence[CoverClass]) -> Ints:
    """Shade of each cell; closed cover and open ground side by side make partial shade at their edge.

    Parameters
    ----------
    cover : array of uint8, shape (rows, columns)
        Class positions; 255 blank, taken as open.
    classes : sequence of CoverClass
        The scheme.

    Returns
    -------
    array of int64, shape (rows, columns)
        Position in ``SHADES``.
    """
    table = np.zeros(BLANK_CLASS + 1, np.uint8)
    table[: len(classes)] = [SHADES.index(one.shade) for one in classes]
    shade = table[cover]
    around = np.ones((3, 3), np.uint8)
    is_edge = cv2.dilate(shade, around) - cv2.erode(shade, around) == len(SHADES) - 1
    return np.where(is_edge, SHADES.index("partial"), shade).astype(np.int64)


def quality(
    sites: SiteSettings, *, water_m: Floats, slope: Floats, shade: Ints, score: Floats, road_m: Floats | None = None
) -> Floats:
    """How well spots suit a trap, 0 to 1: the weighted mean of the terms that are known.

    Parameters
    ----------
    sites : SiteSettings
        Limits and weights.
    water_m, slope : array
        Distance to water in metres, slope as a fraction; NaN: the term is left out.
    shade : array of int
        Position in ``SHADES``.
    score : array
        Habitat score; NaN: the term is left out.
    road_m : array, optional
        Distance to the nearest truck road in metres.

    Returns
    -------
    array of float64
        0 to 1.
    """
    weights = sites.quality_weights

    def near(distance_m: Floats, ends: tuple[float, float]) -> Floats:
        return np.asarray(1 - 0.5 * np.clip((distance_m - ends[0]) / (ends[1] - ends[0]), 0, 1))

    shade_index = np.array([getattr(sites.shade_index, name) for name in SHADES])
    terms = [
        (weights.water, near(water_m, sites.water_distance_m)),
        (weights.level, 1 - 0.5 * np.clip(slope * 100 / sites.slope_limit_percent, 0, 1)),
        (weights.shade, shade_index[shade]),
        (weights.score, score),
    ]
    if road_m is not None:
        terms.append((weights.road, near(road_m, sites.road_distance_m)))
    total = sum((weight * ~np.isnan(term) for weight, term in terms), np.zeros(len(shade)))
    summed = sum((weight * np.nan_to_num(term) for weight, term in terms), np.zeros(len(shade)))
    return np.asarray(np.divide(summed, total, out=np.zeros(len(shade)), where=total > 0))
