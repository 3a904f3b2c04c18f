"""Cells that hold the edge of a land-cover polygon: scored piece by piece, so that acres follow the polygons."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from allocator.core.arrays import Ints
from allocator.core.settings import Combine
from allocator.grid.cover import Pieces
from allocator.grid.edges import WHOLE
from allocator.grid.shares import Shares
from allocator.habitat.score import Component, score_cells, whole_score


@dataclass(frozen=True)
class ScoredPieces:
    """Pieces of mixed cells with their scores.

    Parameters
    ----------
    cell, position, share : array of int64
        As in ``Pieces``.
    score : array of int64
        Ten-thousandths.
    is_habitat : array of bool
        At or above the threshold.
    """

    cell: Ints
    position: Ints
    share: Ints
    score: Ints
    is_habitat: NDArray[np.bool_]


def score_pieces(pieces: Pieces, parts: Sequence[Component], combine: Combine, *, threshold: int) -> ScoredPieces:
    """Score the pieces of mixed cells: each with its own class and what else is known of its cell.

    Parameters
    ----------
    pieces : Pieces
        From the land.
    parts : sequence of Component
        Components of the whole tile; the first takes the class of each piece when it is the land cover.
    combine : str
        geometric, arithmetic or minimum.
    threshold : int
        Habitat from this score up, in ten-thousandths.

    Returns
    -------
    ScoredPieces
        A piece of a class that is never scored, or of no class, is never habitat.
    """
    made = []
    for part in parts:
        if part.name == "cover":
            made.append(replace(part, entry=pieces.position))
        elif part.entry is None:
            made.append(replace(part, index=part.index.ravel()[pieces.cell]))
        else:
            made.append(replace(part, entry=part.entry.ravel()[pieces.cell]))
    score = whole_score(score_cells(made, combine)).astype(np.int64)
    cover = next((part.index for part in parts if part.name == "cover"), np.ones(0))
    is_blank = np.isnan(cover[pieces.position]) if len(cover) else np.zeros(len(score), bool)
    is_habitat = (score >= threshold) & ~is_blank
    return ScoredPieces(pieces.cell, pieces.position, pieces.share, score, is_habitat)


def habitat_part(pieces: ScoredPieces, cells: int, parts: int) -> tuple[Ints, Ints, Ints]:
    """Part of each mixed cell that is habitat, and the mean score of that part.

    Parameters
    ----------
    pieces : ScoredPieces
        Scored.
    cells : int
        Cells of the tile.
    parts : int
        A whole cell.

    Returns
    -------
    cell, part, score : array of int64
        Mixed cells; 0 to ``parts``; ten-thousandths, 0 where no part is habitat.
    """
    share = np.where(pieces.is_habitat, pieces.share, 0)
    mixed = np.flatnonzero(np.bincount(pieces.cell, minlength=cells))
    total = np.bincount(pieces.cell, share, cells)[mixed].astype(np.int64)
    scored = np.bincount(pieces.cell, share * pieces.score, cells)[mixed]
    part = (total * parts + WHOLE // 2) // WHOLE
    score = np.rint(np.divide(scored, total, out=np.zeros(len(mixed)), where=total > 0)).astype(np.int64)
    return mixed, part, score


def meet(shares: Shares, pieces: Pieces | ScoredPieces) -> tuple[Ints, Ints, Ints]:
    """Pairs of a property's part of a mixed cell and a piece of that cell.

    Parameters
    ----------
    shares : Shares
        Parts of cells inside properties.
    pieces : Pieces or ScoredPieces
        Sorted by cell.

    Returns
    -------
    pair, piece, share : array of int64
        Place in ``shares``, place in ``pieces``, and the part of the cell that both have, in parts of ``WHOLE``: the
        product of the two, as if the property's line and the polygon's edge fell independently.
    """
    first = np.searchsorted(pieces.cell, shares.cell, "left")
    number = np.searchsorted(pieces.cell, shares.cell, "right") - first
    pair = np.repeat(np.arange(len(number)), number)
    piece = np.arange(len(pair)) - np.repeat(np.cumsum(number) - number, number) + np.repeat(first, number)
    return pair, piece, (shares.share[pair] * pieces.share[piece] + WHOLE // 2) // WHOLE
