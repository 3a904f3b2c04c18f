"""Numbers as the page writes them: counts, dollars, and what is blank."""

from typing import Any

import pandas as pd

NO_PRICE, BLANK = "no price", "–"


def whole(value: Any, blank: str = BLANK) -> str:
    """A whole number.

    Parameters
    ----------
    value : number or blank
        None, NaN and NA are blank.
    blank : str
        Words for a blank one.

    Returns
    -------
    str
        With commas between thousands.
    """
    return blank if pd.isna(value) else f"{int(value):,}"


def number(value: Any, digits: int, blank: str = BLANK) -> str:
    """A number with so many digits after the point.

    Parameters
    ----------
    value : number or blank
        As in :func:`whole`.
    digits : int
        Digits after the point.
    blank : str
        Words for a blank one.

    Returns
    -------
    str
        With commas between thousands.
    """
    return blank if pd.isna(value) else f"{value:,.{digits}f}"


def amount(value: Any) -> str:
    """A quantity: a whole one as it is, any other in hundredths.

    Parameters
    ----------
    value : number or blank
        As in :func:`whole`.

    Returns
    -------
    str
        With commas between thousands; a dash where blank.

    Examples
    --------
    >>> amount(13500.0), amount(101.481374), amount(None)
    ('13,500', '101.48', '–')
    """
    return BLANK if pd.isna(value) else number(value, 0 if float(value).is_integer() else 2)


def dollars(value: Any) -> str:
    """An amount of money without its sign; blank is never 0.

    Parameters
    ----------
    value : number or blank
        US dollars.

    Returns
    -------
    str
        Two digits after the point; ``no price`` where blank.

    Examples
    --------
    >>> dollars(1730.4), dollars(float("nan"))
    ('1,730.40', 'no price')
    """
    return number(value, 2, NO_PRICE)


def unit_price(value: Any) -> str:
    """The price of one: dollars and cents, and parts of a cent where the price has them.

    Parameters
    ----------
    value : number or blank
        US dollars.

    Returns
    -------
    str
        Two to four digits after the point; ``no price`` where blank.

    Examples
    --------
    >>> unit_price(75), unit_price(0.725), unit_price(0.0525)
    ('75.00', '0.725', '0.0525')
    """
    if pd.isna(value):
        return NO_PRICE
    units, parts = f"{value:,.4f}".split(".")
    return f"{units}.{parts[:2]}{parts[2:].rstrip('0')}"


def at_least(value: Any, is_short: bool) -> str:
    """A sum of money that may leave out things without a price.

    Parameters
    ----------
    value : number or blank
        US dollars.
    is_short : bool
        Whether it leaves something out.

    Returns
    -------
    str
        Says so; where nothing of the sum is known it is ``no price``, never 0.

    Examples
    --------
    >>> at_least(12.5, True), at_least(0.0, True), at_least(0.0, False)
    ('at least 12.50', 'no price', '0.00')
    """
    if pd.isna(value) or (is_short and value == 0):
        return NO_PRICE
    return f"at least {dollars(value)}" if is_short else dollars(value)


def count(many: int, word: str) -> str:
    """So many of a thing, with the word in its right form.

    Parameters
    ----------
    many : int
        How many.
    word : str
        For one; an ``s`` makes it many.

    Returns
    -------
    str
        Number and word.

    Examples
    --------
    >>> count(1, "site"), count(1200, "site")
    ('1 site', '1,200 sites')
    """
    return f"{many:,} {word if many == 1 else word + 's'}"
