"""How many pigs there may be, and what taking them asks for.

Nothing here follows from habitat alone: the user gives a density, or a count from cameras. Numbers of pigs are averages
and may be fractions. The arithmetic knows a closed population that multiplies by the same factor every year; pigs that
move in are not in it. Where removal was heavy, births and newcomers have made up for it (Hanson et al. 2009, Wildl.
Res. 36:185-191), so no decline is promised.
"""

import math
from dataclasses import dataclass

SQUARE_METRES_PER_KM2 = 1e6


@dataclass(frozen=True)
class Density:
    """A published density with its interval.

    Parameters
    ----------
    median_per_km2, low_per_km2, high_per_km2 : float
        Pigs per square kilometre.
    source : str
        Where it was published, and for what land.
    """

    median_per_km2: float
    low_per_km2: float
    high_per_km2: float
    source: str


@dataclass(frozen=True)
class Target:
    """A removal target as somebody published it; never worked out here.

    Parameters
    ----------
    words : str
        The target in words.
    value : float
        Share of the pigs to take each year, 0 to 1.
    source : str
        Who published it.
    """

    words: str
    value: float
    source: str


@dataclass(frozen=True)
class RemovalYear:
    """One year of removal: pigs are taken first, then the rest multiply.

    Parameters
    ----------
    year : int
        1 for the first.
    start, taken, end : float
        Pigs at its start, pigs taken, pigs at its end.
    """

    year: int
    start: float
    taken: float
    end: float


PUBLISHED_DENSITY = Density(
    median_per_km2=5.34,
    low_per_km2=0.60,
    high_per_km2=15.85,
    source="Taylor et al., J. Wildl. Manage., doi 10.1002/jwmg.70054: removal model, 25 properties in South Carolina, "
    "2020 to 2023",
)
ANNUAL_GROWTH = 0.32
"""Mean yearly growth in a simulation for one state: Mellish et al. 2014, Southeast. Nat. 13:367-376."""
HOURS_PER_PIG = 6.8
LAST_HOURS_PER_PIG = 122.8
LAST_SHARE = 0.01
"""Effort hours per pig for the first 99 % and for the last 1 % of 376 pigs: one study, Fischer et al. 2020, Sci. Rep.
10, s41598-020-68264-z."""
TARGETS = (
    Target(
        words="take about 66 % of the pigs every year for 5 years or more to hold their number level",
        value=0.66,
        source="Timmons et al. 2012, SP-472",
    ),
)


def expected_pigs(
    habitat_m2: float, *, density_per_km2: float, low_per_km2: float, high_per_km2: float
) -> tuple[float, float, float]:
    """Pigs on some habitat at a density that the user gives.

    Parameters
    ----------
    habitat_m2 : float
        Habitat, square metres, 0 or more. Published densities are per area of land, not of habitat: on habitat alone
        they give too few.
    density_per_km2, low_per_km2, high_per_km2 : float
        Pigs per square kilometre: the best guess and the interval around it. There is no default on purpose; see
        PUBLISHED_DENSITY for one with its interval.

    Returns
    -------
    tuple of float
        Expected, low and high number of pigs.

    Raises
    ------
    ValueError
        A number is negative, blank or infinite, or the interval does not hold the density.

    Examples
    --------
    >>> expected_pigs(10e6, density_per_km2=5.0, low_per_km2=1.0, high_per_km2=16.0)
    (50.0, 10.0, 160.0)
    """
    _check_not_negative("habitat", habitat_m2)
    for what, value in (("density", density_per_km2), ("low density", low_per_km2), ("high density", high_per_km2)):
        _check_not_negative(what, value)
    if not low_per_km2 <= density_per_km2 <= high_per_km2:
        raise ValueError(
            f"The density {density_per_km2} must lie between its low {low_per_km2} and its high {high_per_km2} value."
        )
    habitat_km2 = habitat_m2 / SQUARE_METRES_PER_KM2
    return habitat_km2 * density_per_km2, habitat_km2 * low_per_km2, habitat_km2 * high_per_km2


def removals_to_hold(pigs: float, annual_growth: float) -> tuple[float, float]:
    """Share and number of pigs to take each year so that there are as many a year later.

    Parameters
    ----------
    pigs : float
        Pigs at the start of the year, 0 or more.
    annual_growth : float
        What the rest gain in a year, as a share: 0.32 multiplies them by 1.32. 0 or more.

    Returns
    -------
    tuple of float
        Share (0 to 1) and number, taken before the year's growth.

    Raises
    ------
    ValueError
        A number is negative, blank or infinite.

    Notes
    -----
    (1 - share)(1 + growth) = 1, so share = growth / (1 + growth). Taken after the year's growth the share is the same
    but of more pigs: the number is growth times the pigs. Published targets (TARGETS) do not follow from this; see
    target_against_growth.

    Examples
    --------
    >>> share, number = removals_to_hold(100, 0.25)
    >>> round(share, 9), round(number, 9)
    (0.2, 20.0)
    """
    _check_not_negative("number of pigs", pigs)
    _check_not_negative("annual growth", annual_growth)
    share = annual_growth / (1 + annual_growth)
    return share, share * pigs


def target_against_growth(target: Target, annual_growth: float) -> str:
    """One sentence that sets a published target beside a growth rate, so that nobody derives one from the other.

    Parameters
    ----------
    target : Target
        A published yearly share, below 1.
    annual_growth : float
        Growth as a share a year, 0 or more.

    Returns
    -------
    str
        What growth the target would imply, and what the growth rate would ask for.

    Raises
    ------
    ValueError
        The growth is negative, blank or infinite.
    """
    share, _ = removals_to_hold(1.0, annual_growth)
    return (
        f"A need to take {target.value:.0%} a year ({target.source}) would imply pigs that multiply by "
        f"{1 / (1 - target.value):.2f} a year, while growth by {annual_growth:.0%} a year asks for {share:.0%}: "
        "the target is quoted as published, not derived."
    )


def removals_to_reduce(
    pigs: float, *, annual_growth: float, years: int, end_share: float
) -> tuple[float, list[RemovalYear]]:
    """The constant yearly share that brings the pigs down to a share of their number, and the years one by one.

    Parameters
    ----------
    pigs : float
        Pigs at the start, 0 or more.
    annual_growth : float
        What the rest gain in a year, as a share, 0 or more.
    years : int
        Number of years, 1 or more.
    end_share : float
        What is left after the last year, as a share of the start: above 0, at most 1. None left cannot be reached by
        taking shares.

    Returns
    -------
    share : float
        Share to take each year, 0 to 1. In every year pigs are taken before the rest multiply, so the last year ends
        with growth.
    years : list of RemovalYear
        One per year.

    Raises
    ------
    ValueError
        A number is outside its range, blank or infinite.

    Notes
    -----
    ((1 - share)(1 + growth))^years = end_share. With end_share 1 this is removals_to_hold.

    Examples
    --------
    >>> share, years = removals_to_reduce(100, annual_growth=0.25, years=2, end_share=0.25)
    >>> round(share, 9), [(one.year, round(one.taken, 6), round(one.end, 6)) for one in years]
    (0.6, [(1, 60.0, 50.0), (2, 30.0, 25.0)])
    """
    _check_not_negative("number of pigs", pigs)
    _check_not_negative("annual growth", annual_growth)
    if not float(years).is_integer() or years < 1:
        raise ValueError(f"The number of years is {years}; it must be a whole number, 1 or more.")
    if not 0 < end_share <= 1:
        raise ValueError(f"The share left at the end is {end_share}; it must be above 0 and at most 1.")
    share = 1 - end_share ** (1 / years) / (1 + annual_growth)
    table, start = [], float(pigs)
    for year in range(1, int(years) + 1):
        taken = share * start
        end = (start - taken) * (1 + annual_growth)
        table.append(RemovalYear(year, start, taken, end))
        start = end
    return share, table


def effort_hours(
    pigs: float,
    share_taken: float = 1.0,
    *,
    hours_per_pig: float = HOURS_PER_PIG,
    last_hours_per_pig: float = LAST_HOURS_PER_PIG,
    last_share: float = LAST_SHARE,
) -> float:
    """Hours of work to take a share of the pigs; the last ones cost most.

    Parameters
    ----------
    pigs : float
        Pigs at the start, 0 or more.
    share_taken : float
        Share of them to take, 0 to 1.
    hours_per_pig : float
        Hours for each pig but the last ones.
    last_hours_per_pig : float
        Hours for each of the last ones.
    last_share : float
        Which are the last ones, as a share of the start, 0 to 1.

    Returns
    -------
    float
        Hours.

    Raises
    ------
    ValueError
        A number is negative, blank or infinite, or a share is above 1.

    Notes
    -----
    Two straight parts. The default hours come from one study, the removal of all 376 pigs of one county in five years
    (Fischer et al. 2020), with traps and other methods; other ground, methods and crews will differ. Of fewer than 100
    pigs the last 1 % is less than one animal, and the curve says too little.

    Examples
    --------
    >>> round(effort_hours(1000, 0.99)), round(effort_hours(1000))
    (6732, 7960)
    """
    _check_not_negative("number of pigs", pigs)
    _check_not_negative("hours per pig", hours_per_pig)
    _check_not_negative("hours per pig of the last ones", last_hours_per_pig)
    for what, share in (("share taken", share_taken), ("share of the last ones", last_share)):
        if not 0 <= share <= 1:
            raise ValueError(f"The {what} is {share}; it must lie between 0 and 1.")
    first = min(share_taken, 1 - last_share)
    return pigs * (first * hours_per_pig + (share_taken - first) * last_hours_per_pig)


def _check_not_negative(what: str, value: float) -> None:
    if not 0 <= value < math.inf:
        raise ValueError(f"The {what} is {value}; it must be a number, 0 or more.")
