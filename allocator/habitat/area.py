"""Habitat by property, patch and complex, added up over the tiles in whole numbers."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from allocator.core.arrays import Floats, Ints, sum_by_key
from allocator.core.results import SCORE_STEPS
from allocator.grid.cover import CLASSES
from allocator.grid.edges import WHOLE
from allocator.habitat.complexes import Complexes
from allocator.habitat.patches import Patches
from allocator.habitat.tile import CELL_PARTS, Sums


@dataclass(frozen=True)
class Areas:
    """Areas in square metres; units are areas times score.

    Parameters
    ----------
    class_property, class_position : array of int64
        Property and class (255 blank) that meet.
    class_m2, class_habitat_m2, class_units_m2 : array of float64
        Area of the class in the property; habitat among it, and its habitat units.
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
    class_habitat_m2: Floats
    class_units_m2: Floats
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
    class_key, class_share = sum_by_key(owner * CLASSES + position, class_share)
    complex_of = np.append(complexes.complex_of, -1)
    pair_complex = np.concatenate(
        [complex_of[of[part.patch_label]] for part, of in zip(sums, patches.patch_of, strict=True)]
    )
    names = ("patch_owner", "patch_position", "patch_share", "patch_score")
    kept = pair_complex >= 0
    pair_owner, position, pair_share, pair_score = (values[kept] for values in _joined(sums, *names))
    habitat_key, habitat_share, habitat_score = sum_by_key(pair_owner * CLASSES + position, pair_share, pair_score)
    place = np.searchsorted(class_key, habitat_key)  # a class that holds habitat of a property holds land of it
    class_habitat, class_score = np.zeros((2, len(class_key)), np.int64)
    class_habitat[place], class_score[place] = habitat_share, habitat_score
    stride = int(pair_owner.max(initial=0)) + 1
    pair_key, pair_share, pair_score = sum_by_key(pair_complex[kept] * stride + pair_owner, pair_share, pair_score)
    by_complex = [
        _per_complex(sums, patches, complexes, name)
        for name in ("covered_share", "covered_score", "enrolled_share")
    ]  # fmt: skip
    parts, scores = np.zeros((2, complexes.count), np.int64)
    np.add.at(parts, complexes.complex_of, patches.parts)
    np.add.at(scores, complexes.complex_of, patches.part_scores)
    of_cell_m2 = cell_area_m2 / CELL_PARTS
    part_m2 = cell_area_m2 / WHOLE
    return Areas(
        class_property=class_key // CLASSES, class_position=class_key % CLASSES, class_m2=class_share * part_m2,
        class_habitat_m2=class_habitat * part_m2, class_units_m2=class_score * (part_m2 / SCORE_STEPS),
        pair_property=pair_key % stride, pair_complex=pair_key // stride,
        pair_m2=pair_share * part_m2, pair_units_m2=pair_score * (part_m2 / SCORE_STEPS),
        complex_m2=parts * of_cell_m2, complex_units_m2=scores * (of_cell_m2 / SCORE_STEPS),
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
