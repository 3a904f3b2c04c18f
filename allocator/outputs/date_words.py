"""Dates as people say them, always in English and whatever the machine's language is."""

from datetime import date

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day_words(day: str | date | None) -> str:
    """A day in words.

    Parameters
    ----------
    day : str, datetime.date or None
        A date, or its text as year-month-day; None and empty text are blank.

    Returns
    -------
    str
        Such as ``Feb 1, 2027``; empty where the day is blank.

    Examples
    --------
    >>> day_words("2027-02-01"), day_words("")
    ('Feb 1, 2027', '')
    """
    if not day:
        return ""
    one = date.fromisoformat(day) if isinstance(day, str) else day
    return f"{MONTHS[one.month - 1]} {one.day}, {one.year}"


def span_words(first: str | date | None, last: str | date | None) -> str:
    """A run of days in words, the year said once where both ends share it.

    Parameters
    ----------
    first, last : str, datetime.date or None
        First and last day; blank as in :func:`day_words`.

    Returns
    -------
    str
        Such as ``Feb 3 to Feb 24, 2027``; one day alone where both are the same; empty where either is blank.

    Examples
    --------
    >>> span_words("2027-02-03", "2027-02-24"), span_words("2027-02-03", "2027-02-03")
    ('Feb 3 to Feb 24, 2027', 'Feb 3, 2027')
    """
    begin, end = day_words(first), day_words(last)
    if not begin or not end:
        return ""
    if begin == end:
        return begin
    is_one_year = begin[-4:] == end[-4:]
    return f"{begin[:-6] if is_one_year else begin} to {end}"
