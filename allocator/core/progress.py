"""How long steps say where they are: a plain function of a fraction and a few words."""

from collections.abc import Callable

Progress = Callable[[float, str], None]


def silent(fraction: float, message: str) -> None:
    """Take progress and show nothing.

    Parameters
    ----------
    fraction : float
        Part done, 0 to 1.
    message : str
        What is being done.
    """


def part_of(progress: Progress, start: float, stop: float) -> Progress:
    """Progress that fills only the stretch from start to stop of another.

    Parameters
    ----------
    progress : Progress
        The whole.
    start, stop : float
        Fractions of the whole, 0 to 1.

    Returns
    -------
    Progress
        Takes 0 to 1, passes on start to stop.

    Examples
    --------
    >>> part_of(lambda f, m: print(f, m), 0.5, 1.0)(0.5, "patches")
    0.75 patches
    """

    def report(fraction: float, message: str) -> None:
        progress(start + (stop - start) * fraction, message)

    return report
