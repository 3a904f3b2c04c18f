"""The table that the number of traps is counted and shared by, with all digits."""

import numpy as np
import pandas as pd

from allocator.core.ids import numbered
from allocator.core.study import Study
from allocator.habitat.area import Areas
from allocator.traps.need import Need


def share_table(study: Study, areas: Areas, need: Need) -> pd.DataFrame:
    """Habitat of every complex on every enrolled property that holds some.

    Parameters
    ----------
    study : Study
        Ids of the properties.
    areas : Areas
        Enrolled habitat of the complexes.
    need : Need
        Enrolled properties and their complexes.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``trap_shares``, square metres, sorted by complex, then by property as in the input.

    Notes
    -----
    Acres per trap, rounding and rule of sharing make of these numbers what :func:`allocator.traps.need.work_out_need`
    does, to the last bit; acres cut to some digits would not.
    """
    of = need.pairs.complex
    return pd.DataFrame(
        {
            "property_id": np.array(study.properties.ids, object)[need.pairs.property],
            "complex_id": numbered("C", len(areas.complex_m2))[of],
            "habitat_m2": need.pairs.habitat_m2,
            "complex_habitat_m2": areas.complex_enrolled_m2[of],
        }
    )
