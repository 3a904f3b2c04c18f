"""What was found while reading: problems gathered from every input, and the errors among them raised once."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from logging import getLogger

from pyogrio.errors import DataLayerError, DataSourceError, FieldError
from pyproj.exceptions import ProjError
from rasterio.errors import RasterioError
from shapely.errors import GEOSException

from allocator.core.errors import AllocatorError, InputError
from allocator.core.study import Problem, Severity

logger = getLogger(__name__)
LIBRARY_FAULTS = (
    GEOSException, ProjError, RasterioError, DataSourceError, DataLayerError, FieldError, UnicodeError, MemoryError,
)  # fmt: skip
"""Raised on data that no reader foresaw; a fault of this program's own is none of them."""


def input_name(role: str, file_name: str) -> str:
    """How an input is called in messages: the table of the study file, then the file.

    Parameters
    ----------
    role : str
        Such as ``land_cover``; the dotted name of a setting outside ``inputs``, such as ``prices.path``.
    file_name : str
        File name, with the layer where one was chosen.

    Returns
    -------
    str
        The name.

    Examples
    --------
    >>> input_name("land_cover", "cover.tif")
    'inputs.land_cover (cover.tif)'
    """
    return f"{role} ({file_name})" if "." in role else f"inputs.{role} ({file_name})"


def count_of(number: int, thing: str) -> str:
    """A number and its noun, with an s where there is not exactly one.

    Parameters
    ----------
    number : int
        How many.
    thing : str
        Noun in the singular.

    Returns
    -------
    str
        For example ``1 record`` or ``1,200 records``.

    Examples
    --------
    >>> count_of(1200, "record")
    '1,200 records'
    """
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def some_of(names: Iterable[str], most: int = 5) -> str:
    """The first few names as text, and how many more there are.

    Parameters
    ----------
    names : iterable of str
        All names.
    most : int
        How many to spell out.

    Returns
    -------
    str
        For example ``a, b and 3 more``.

    Examples
    --------
    >>> some_of(["a", "b", "c"], most=2)
    'a, b and 1 more'
    """
    listed = [str(name) for name in names]
    if len(listed) <= most:
        return ", ".join(listed)
    return f"{', '.join(listed[:most])} and {len(listed) - most:,} more"


class Findings:
    """Problems in the order found; errors are kept so that one bad input does not hide another."""

    def __init__(self) -> None:
        self._problems: list[Problem] = []
        self._errors: list[tuple[type[AllocatorError], str]] = []

    def add(self, severity: Severity, source: str, message: str) -> None:
        """Keep a warning or note.

        Parameters
        ----------
        severity : str
            warning or note.
        source, message : str
            Which input, and what was found.
        """
        self._problems.append(Problem(severity, source, message))

    def extend(self, problems: Iterable[Problem]) -> None:
        """Keep problems that a reader returned.

        Parameters
        ----------
        problems : iterable of Problem
            Warnings and notes.
        """
        self._problems.extend(problems)

    def refuse(self, error: AllocatorError, source: str) -> None:
        """Keep an error, one problem for each of its messages.

        Parameters
        ----------
        error : AllocatorError
            What a reader raised.
        source : str
            Which input, for messages that do not begin with a name of their own.
        """
        for message in error.messages:
            self._errors.append((type(error), message))
            name, found, text = message.partition("): ")
            is_named = bool(found) and name.startswith("inputs.")
            self._problems.append(Problem("error", f"{name})" if is_named else source, text if is_named else message))

    @contextmanager
    def gathering(self, source: str) -> Iterator[None]:
        """Run a step and keep its error, also one of a library of maps, instead of letting it stop the rest.

        Parameters
        ----------
        source : str
            Which input the step reads.
        """
        try:
            yield
        except AllocatorError as error:
            self.refuse(error, source)
        except LIBRARY_FAULTS as error:
            logger.debug("a library failed on %s", source, exc_info=True)
            said = "not enough memory" if isinstance(error, MemoryError) else str(error).split("\n")[0]
            message = f"{source}: the data cannot be used ({said}). The file is probably damaged; export it again."
            self.refuse(InputError(message), source)

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Everything kept so far."""
        return tuple(self._problems)

    def raise_errors(self) -> None:
        """Raise all errors kept as one.

        Raises
        ------
        AllocatorError
            Of the one class that all errors share, else an InputError; carries every message.
        """
        if not self._errors:
            return
        kinds = {kind for kind, _ in self._errors}
        messages = [message for _, message in self._errors]
        raise (kinds.pop() if len(kinds) == 1 else InputError)(*messages)
