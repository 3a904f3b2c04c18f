"""Whole numbers shared in proportion to sizes: the same problem as seats of a parliament.

Largest remainder (Hamilton) keeps everyone within one of the exact share. Webster and Huntington-Hill are divisor
methods: one more to share never costs anyone one. Arithmetic is exact (fractions), so ties are real ties.
"""

import heapq
from collections.abc import Callable, Sequence
from fractions import Fraction

from allocator.core.errors import SettingsError
from allocator.core.settings import ShareBy


def share(total: int, sizes: Sequence[float], method: ShareBy = "largest_remainder") -> list[int]:
    """Whole shares of a total in proportion to sizes.

    Parameters
    ----------
    total : int
        What is shared, 0 or more.
    sizes : sequence of float
        Sizes, 0 or more; of equal claims the larger size wins, then the earlier place.
    method : str
        largest_remainder, webster or huntington_hill. Huntington-Hill gives every size above 0 at least one while
        the total allows.

    Returns
    -------
    list of int
        One per size, summing to the total; a size of 0 gets 0.

    Raises
    ------
    SettingsError
        The total or a size is negative or not a number, every size is 0 while there is something to share, or the
        method is not known.

    References
    ----------
    Populations of 3.31, 2.67, 1.33 and 0.69 million and 160 seats: quotas 66.2, 53.4, 26.6, 13.8, shares 66, 53, 27, 14
    (Tannenbaum, Excursions in Modern Mathematics).

    Examples
    --------
    >>> share(total=160, sizes=[3.31, 2.67, 1.33, 0.69], method="largest_remainder")
    [66, 53, 27, 14]
    """
    if total != int(total) or total < 0:
        raise SettingsError(f"The number to share is {total}; it must be a whole number, 0 or more.")
    if any(not 0 <= size < float("inf") for size in sizes):
        raise SettingsError("Every size to share by must be a number, 0 or more.")
    exact = [Fraction(size) for size in sizes]
    if total and not any(exact):
        raise SettingsError(f"There are {total} to share but every size is 0.")
    if method == "largest_remainder":
        return _largest_remainder(int(total), exact)
    claims: dict[str, Callable[[Fraction, int], Fraction]] = {
        "webster": lambda size, held: size / (2 * held + 1),
        "huntington_hill": lambda size, held: size * size / (held * (held + 1)),
    }
    if method not in claims:
        raise SettingsError(f"There is no rule '{method}'; use largest_remainder, webster or huntington_hill.")
    return _by_claims(int(total), exact, claims[method], first_is_sure=method == "huntington_hill")


def _largest_remainder(total: int, sizes: Sequence[Fraction]) -> list[int]:
    whole = sum(sizes)
    if not whole:
        return [0] * len(sizes)
    quotas = [size * total / whole for size in sizes]
    shares = [int(quota) for quota in quotas]
    left = total - sum(shares)
    by_claim = sorted(range(len(sizes)), key=lambda i: (shares[i] - quotas[i], -sizes[i], i))
    for i in by_claim[:left]:
        shares[i] += 1
    return shares


def _by_claims(
    total: int, sizes: Sequence[Fraction], claim: Callable[[Fraction, int], Fraction], *, first_is_sure: bool
) -> list[int]:
    """Give one at a time to the largest claim; a sure first claim comes before all others, larger sizes first."""
    shares = [0] * len(sizes)
    queue = [
        (not first_is_sure, Fraction(0) if first_is_sure else -claim(size, 0), -size, i)
        for i, size in enumerate(sizes)
        if size
    ]
    heapq.heapify(queue)
    for _ in range(total):
        _, _, negative_size, i = queue[0]
        shares[i] += 1
        heapq.heapreplace(queue, (True, -claim(-negative_size, shares[i]), negative_size, i))
    return shares
