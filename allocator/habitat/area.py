"""Habitat by property, patch and complex, added up over the tiles in whole numbers."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from allocator.core.arrays import Floats, Ints, sum_by_key
from allocator.core.results import SCORE_STEPS
from allocator.grid.edges import WHOLE
from allocator.habitat.complexes import Complexes
from allocator.habitat.patches import Patches
from allocator.habitat.tile import Sums


@dataclass(frozen=True)
class Areas:
    """Areas in square metres; units are areas times score.

    Parameters
    ----------
    class_property, class_position : array of int64
        Property and class (255 blank) that meet.
    class_m2 : array of float64
        Area of the class in the property.
    pair_property, pair_complex : array of int64
        Property and complex that meet, sorted by complex, then property.
    pair_m2, pair_units_m2 : array of float64
        Habitat of the complex in the property.
    complex_m2, complex_units_m2, complex_enrolled_m2 : array of float64, shape (complexes,)
        Whole complex; and its part on enrolled land, no ground counted twice.
    covered_m2, covered_units_m2, enrolled_m2 : float
        Habitat on all properties and on enrolled ones, no ground counted twice.
    double_m2 : float
        Ground by which properties overlap, as often as it is counted too much.
    """

    class_property: Ints
    class_position: Ints
    class_m2: Floats
    pair_property: Ints
    pair_complex: Ints
    pair_m2: Floats
    pair_units_m2: Floats
    complex_m2: Floats
    complex_units_m2: Floats
    complex_enrolled_m2: Floats
    covered_m2: float
    covered_units_m2: float
    enrolled_m2: float
    double_m2: float


def add_up(sums: Sequence[Sums], patches: Patches, complexes: Complexes, *, cell_area_m2: float) -> Areas:
    """Areas by property and complex from the sums of all tiles.

    Parameters
    ----------
    sums : sequence of Sums
        One per tile.
    patches : Patches
        Patches that are large enough; others do not count.
    complexes : Complexes
        Which complex each patch belongs to.
    cell_area_m2 : float
        Area of a cell.

    Returns
    -------
    Areas
        The same whatever the tiling: everything is added in whole numbers.
    """
    owner, position, class_share = _joined(sums, "class_owner", "class_position", "class_share")
    class_key, class_share = sum_by_key(owner * 256 + position, class_share)
    complex_of = np.append(complexes.complex_of, -1)
    pair_complex = np.concatenate(
        [complex_of[of[part.patch_label]] for part, of in zip(sums, patches.patch_of, strict=True)]
    )
    pair_owner, pair_share, pair_score = _joined(sums, "patch_owner", "patch_share", "patch_score")
    kept = pair_complex >= 0
    stride = int(pair_owner.max(initial=0)) + 1
    pair_key, pair_share, pair_score = sum_by_key(
        (pair_complex * stride + pair_owner)[kept], pair_share[kept], pair_score[kept]
    )
    by_complex = [
        _per_complex(sums, patches, complexes, name)
        for name in ("covered_share", "covered_score", "enrolled_share")
    ]  # fmt: skip
    cells = np.zeros(complexes.count, np.int64)
    scores = np.zeros(complexes.count, np.int64)
    np.add.at(cells, complexes.complex_of, patches.cells)
    np.add.at(scores, complexes.complex_of, patches.score_sum)
    part_m2 = cell_area_m2 / WHOLE
    return Areas(
        class_property=class_key // 256, class_position=class_key % 256, class_m2=class_share * part_m2,
        pair_property=pair_key % stride, pair_complex=pair_key // stride,
        pair_m2=pair_share * part_m2, pair_units_m2=pair_score * (part_m2 / SCORE_STEPS),
        complex_m2=cells * cell_area_m2, complex_units_m2=scores * (cell_area_m2 / SCORE_STEPS),
        complex_enrolled_m2=by_complex[2] * part_m2,
        covered_m2=int(by_complex[0].sum()) * part_m2,
        covered_units_m2=int(by_complex[1].sum()) * (part_m2 / SCORE_STEPS),
        enrolled_m2=int(by_complex[2].sum()) * part_m2,
        double_m2=sum(part.double_share for part in sums) * part_m2,
    )  # fmt: skip


def _joined(sums: Sequence[Sums], *names: str) -> list[Ints]:
    return [np.concatenate([getattr(part, name) for part in sums]).astype(np.int64) for name in names]


def _per_complex(sums: Sequence[Sums], patches: Patches, complexes: Complexes, name: str) -> Ints:
    total = np.zeros(complexes.count + 1, np.int64)
    complex_of = np.append(complexes.complex_of, complexes.count)
    for part, patch_of in zip(sums, patches.patch_of, strict=True):
        np.add.at(total, complex_of[patch_of[1:]], getattr(part, name))
    return total[:-1]
