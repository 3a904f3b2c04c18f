"""Ids that the tool gives: to patches, complexes, candidates, sites, rounds."""

import numpy as np
from numpy.typing import NDArray


def numbered(letter: str, number: int, least: int = 3) -> NDArray[np.object_]:
    """Ids such as P001, all of one length so that they sort as text.

    Parameters
    ----------
    letter : str
        What they begin with.
    number : int
        How many.
    least : int
        Least number of digits.

    Returns
    -------
    array of str, shape (number,)
        From 1.
    """
    width = max(least, len(str(number)))
    return np.array([f"{letter}{place:0{width}d}" for place in range(1, number + 1)], object)
