"""Does the score rank places with pigs above random land? A check, never a proof.

The background is every cell with a score, counted exactly through a histogram of whole scores; nothing is drawn.
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from allocator.core.arrays import Floats, Ints
from allocator.core.results import BLANK_SCORE, SCORE_STEPS, ScoreMap

FEW = 10
"""With fewer places than this nothing can be told."""
WINDOW_PART = 0.1
"""Width of a Boyce window, as a part of the range of scores."""
WINDOWS = 101


@dataclass(frozen=True)
class SightingsCheck:
    """How well the score ranks sightings.

    Parameters
    ----------
    sightings : int
        Points given.
    used : int
        Cells with a score that hold at least one of them; several in one cell count once.
    off_map : int
        Points outside the grid, or on ground without a score.
    background_cells : int
        Cells with a score.
    area_under_curve, area_low, area_high : float
        Chance that a place with pigs scores above random land, and its 95 percent interval; NaN where not known.
    boyce : float
        Boyce index, -1 to 1; NaN where it cannot be told.
    boyce_windows : int
        Windows of score that it rests on.
    """

    sightings: int
    used: int
    off_map: int
    background_cells: int
    area_under_curve: float
    area_low: float
    area_high: float
    boyce: float
    boyce_windows: int


def check_sightings(score: ScoreMap, x_m: Floats, y_m: Floats) -> SightingsCheck:
    """Check a score against sightings.

    Parameters
    ----------
    score : ScoreMap
        Score of every cell.
    x_m, y_m : array of float64
        Sightings in the grid's coordinate system.

    Returns
    -------
    SightingsCheck
        The same for any order of the sightings.
    """
    grid = score.grid
    columns, rows = (np.floor(part).astype(np.int64) for part in grid.to_cells(np.asarray(x_m), np.asarray(y_m)))
    inside = (rows >= 0) & (rows < grid.rows) & (columns >= 0) & (columns < grid.columns)
    cell = rows[inside] * grid.columns + columns[inside]
    known = score.score.ravel()[cell] != BLANK_SCORE
    at = score.score.ravel()[np.unique(cell[known])].astype(np.int64)
    background = np.zeros(SCORE_STEPS + 1, np.int64)
    for row in range(0, grid.rows, 512):  # in strips: counting widens the cells
        strip = score.score[row : row + 512].ravel()
        background += np.bincount(strip, minlength=BLANK_SCORE + 1)[: SCORE_STEPS + 1]
    cells = int(background.sum())
    area = area_under_curve(at, background)
    half = 1.96 * standard_error(area, len(at), cells)
    boyce, windows = boyce_index(at, background)
    return SightingsCheck(
        sightings=len(columns), used=len(at), off_map=len(columns) - int(known.sum()), background_cells=cells,
        area_under_curve=area, area_low=max(area - half, 0.0), area_high=min(area + half, 1.0),
        boyce=boyce, boyce_windows=windows,
    )  # fmt: skip


def area_under_curve(presence: Ints, background: Ints) -> float:
    """Chance that a place with pigs scores above a random cell; equal scores count half.

    Parameters
    ----------
    presence : array of int64
        Scores where pigs were seen, in ten-thousandths.
    background : array of int64, shape (10001,)
        Number of cells of each score.

    Returns
    -------
    float
        0 to 1, 0.5 no better than chance; NaN without sightings or cells. The area under the receiver operating
        characteristic curve, which is the Mann-Whitney U over the product of both numbers.

    Examples
    --------
    >>> area_under_curve(np.array([9000, 5000]), np.bincount([1000, 5000], minlength=10001))
    0.875
    """
    cells = int(background.sum())
    if not len(presence) or not cells:
        return math.nan
    below = np.cumsum(background) - background
    wins = below[presence] + background[presence] / 2
    return float(wins.sum() / (len(presence) * cells))


def standard_error(area: float, presences: int, cells: int) -> float:
    """Standard error of an area under the curve.

    Parameters
    ----------
    area : float
        The area, 0 to 1.
    presences, cells : int
        Sizes of both samples.

    Returns
    -------
    float
        NaN with fewer than two of either.

    References
    ----------
    Hanley, J.A. and McNeil, B.J. (1982), Radiology 143:29-36: with Q1 = A / (2 - A) and Q2 = 2 A^2 / (1 + A), the
    variance is [A (1 - A) + (n - 1)(Q1 - A^2) + (m - 1)(Q2 - A^2)] / (n m).
    """
    if presences < 2 or cells < 2 or math.isnan(area):
        return math.nan
    first, second = area / (2 - area), 2 * area * area / (1 + area)
    spread = area * (1 - area) + (presences - 1) * (first - area**2) + (cells - 1) * (second - area**2)
    return math.sqrt(max(spread, 0.0) / (presences * cells))


def boyce_index(presence: Ints, background: Ints) -> tuple[float, int]:
    """Rank correlation of the score with how much oftener than by chance pigs were seen at it.

    Parameters
    ----------
    presence : array of int64
        Scores where pigs were seen, in ten-thousandths.
    background : array of int64, shape (10001,)
        Number of cells of each score.

    Returns
    -------
    index : float
        -1 to 1; NaN where fewer than three windows differ.
    windows : int
        Windows that it rests on.

    Notes
    -----
    A window a tenth of the range of background scores wide moves in 101 steps over that range. In each, P is the part
    of the sightings and E the part of the cells; windows without cells are left out, and of neighbouring windows with
    the same P/E only the first counts. The index is Spearman's correlation of P/E with the middle of the window.

    References
    ----------
    Hirzel, A.H. et al. (2006), Ecological Modelling 199:142-152 (the continuous index); leaving out repeated ratios as
    in later practice (from memory, unverified).
    """
    scores = np.flatnonzero(background)
    if len(presence) < 2 or len(scores) < 2:
        return math.nan, 0
    low, high = float(scores[0]), float(scores[-1])
    width = (high - low) * WINDOW_PART
    start = np.linspace(low, high - width, WINDOWS)
    seen = np.bincount(presence, minlength=SCORE_STEPS + 1)

    def within(counts: Ints) -> Floats:
        total = np.concatenate([[0], np.cumsum(counts)])
        first = np.ceil(start - 1e-9).astype(np.int64)
        last = np.floor(start + width + 1e-9).astype(np.int64)
        return np.asarray((total[last + 1] - total[first]) / total[-1])

    expected = within(background)
    has_cells = expected > 0
    ratio = within(seen)[has_cells] / expected[has_cells]
    middle = (start + width / 2)[has_cells]
    kept = np.r_[True, ~np.isclose(ratio[1:], ratio[:-1], rtol=1e-12, atol=0)]
    ratio, middle = ratio[kept], middle[kept]
    if len(ratio) < 3:
        return math.nan, len(ratio)
    # By pandas' own ranks: scipy.stats takes half a second to import.
    return float(pd.DataFrame({"ratio": ratio, "middle": middle}).corr("spearman").to_numpy()[0, 1]), len(ratio)


def verdict(check: SightingsCheck) -> str:
    """What a check says, in words for the phone.

    Parameters
    ----------
    check : SightingsCheck
        What was found.

    Returns
    -------
    str
        A few sentences.
    """
    places = "1 place" if check.used == 1 else f"{check.used} places"
    lost = f" {check.off_map} of {check.sightings} sightings lie on ground without a score." if check.off_map else ""
    if math.isnan(check.area_under_curve):
        return f"No sighting lies on ground with a score, so the score could not be checked against them.{lost}"
    times = f"{100 * check.area_under_curve:.0f} times in 100"
    interval = ""
    if not math.isnan(check.area_low):
        interval = f" (95 percent interval {100 * check.area_low:.0f} to {100 * check.area_high:.0f})"
    boyce = "" if math.isnan(check.boyce) else f" Boyce index {check.boyce:.2f} (1 is best, 0 is chance)."
    words = f"A place with pigs scores above random land {times}{interval}, from {places} with sightings.{boyce}{lost}"
    if check.used < FEW:
        return f"{words} That is too few to tell."
    if check.area_under_curve < 0.5:
        words += " Pigs were seen more often where the score is low: look at the scores and the season."
    return f"{words} People see pigs where people are: this is a check, not a proof."
