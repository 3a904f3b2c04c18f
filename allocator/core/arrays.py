"""Short names for arrays by what they hold, and sums of whole numbers that share a key."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.signedinteger[Any]]


def sum_by_key(key: Ints, *values: Ints) -> tuple[Ints, ...]:
    """Distinct keys and, for each array of values, the sums under each key, in whole numbers.

    Parameters
    ----------
    key : array of int64
        Keys, in any order.
    *values : array of int64
        Each as long as the keys.

    Returns
    -------
    tuple of array of int64
        The keys, sorted; then one array of sums per array of values.

    Examples
    --------
    >>> [part.tolist() for part in sum_by_key(np.array([7, 3, 7]), np.array([1, 2, 5]))]
    [[3, 7], [2, 6]]
    """
    if not len(key):
        return (key, *values)
    key, values = _sum_runs(key, values)  # as they come: fewer are left to sort
    order = np.argsort(key, kind="stable")
    key, values = _sum_runs(key[order], tuple(value[order] for value in values))
    return (key, *values)


def _sum_runs(key: Ints, values: tuple[Ints, ...]) -> tuple[Ints, tuple[Ints, ...]]:
    """Runs of equal keys made one, their values summed."""
    starts = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    return key[starts], tuple(np.add.reduceat(value, starts) for value in values)
