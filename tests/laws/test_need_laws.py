"""Laws of the need: what must not depend on how owners or patches are cut."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.core.units import square_metres
from allocator.traps.need import Pairs, work_out_need
from tests.builders import law, make_settings

acres = st.floats(0.5, 3000)


def need_of(rows, complexes, **changes):
    """Need of (property, complex, acres) rows; a complex's enrolled habitat is the sum of its rows."""
    owner, place, size = (np.array(part) for part in zip(*sorted(rows, key=lambda one: (one[1], one[0])), strict=True))
    m2 = np.asarray(square_metres(size), float)
    total = np.bincount(place, m2, complexes)
    traps = make_settings(traps=changes).traps
    return work_out_need(Pairs(owner, place, m2), total, properties=int(owner.max()) + 1, traps=traps)


@law(150)
@given(
    st.lists(acres, min_size=1, max_size=8), st.integers(0, 7), st.floats(0.01, 0.99),
    st.sampled_from(["largest_remainder", "webster", "huntington_hill"]),
)  # fmt: skip
def test_splitting_a_property_keeps_the_need_of_its_complex(sizes, which, part, rule):
    """Two owners in place of one: the same exact need, the same traps in all; others move by the rule alone."""
    which %= len(sizes)
    rows = [(place, 0, size) for place, size in enumerate(sizes)]
    cut = [row for row in rows if row[0] != which]
    cut += [(which, 0, sizes[which] * part), (len(sizes), 0, sizes[which] * (1 - part))]
    whole, split = need_of(rows, 1, share_by=rule), need_of(cut, 1, share_by=rule)
    assert split.complex_exact[0] == pytest.approx(whole.complex_exact[0], rel=1e-12)
    if abs(whole.complex_exact[0] % 1 - 0.5) > 1e-6:
        assert split.complex_traps.tolist() == whole.complex_traps.tolist()
        assert split.property_traps.sum() == whole.property_traps.sum() == whole.complex_traps[0]


@law(150)
@given(st.lists(acres, min_size=1, max_size=8), st.integers(1, 6), st.sampled_from(["nearest", "up", "down"]))
def test_finer_patches_move_the_total_by_rounding_only(sizes, pieces, rounding):
    """Every complex cut into equal ones: the exact sum stays; each complex is off by its own rounding at most, and by
    one trap more where it only just reaches the smallest habitat.
    """
    rows = [(place, place, size) for place, size in enumerate(sizes)]
    finer = [
        (place, place * pieces + piece, size / pieces) for place, size in enumerate(sizes) for piece in range(pieces)
    ]  # fmt: skip
    whole = need_of(rows, len(sizes), rounding=rounding)
    cut = need_of(finer, len(sizes) * pieces, rounding=rounding)
    assert cut.complex_exact.sum() == pytest.approx(whole.complex_exact.sum(), rel=1e-12)
    most = {"nearest": 0.5, "up": 1.0, "down": 0.0}[rounding]
    least = {"nearest": 0.5, "up": 0.0, "down": 1.0}[rounding]
    for need in (whole, cut):
        for exact, traps in zip(need.complex_exact, need.complex_traps, strict=True):
            # 75 acres reach the smallest habitat and are 0.25 of a trap: one trap is 0.75 more
            assert -least - 1e-6 <= traps - exact <= max(most, 0.75 if exact >= 0.25 - 1e-9 else 0.0) + 1e-6
    assert cut.complex_traps.sum() <= math.ceil(cut.complex_exact.sum() + len(cut.complex_traps) * max(most, 0.75))
