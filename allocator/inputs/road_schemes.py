"""Road schemes: which roads a truck may use."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from allocator.core.errors import SettingsError
from allocator.inputs.scheme_tables import plain_code, read_table

ROAD_SCHEMES = ("mtfcc", "osm")
ROAD_COLUMNS = ("code", "name", "truck", "source")


@dataclass(frozen=True)
class RoadScheme:
    """Which roads a truck may use.

    Parameters
    ----------
    name : str
        Its name, or the file name of a CSV.
    names, truck : mapping
        Road class to what it is called, and to yes, dry or no.
    """

    name: str
    names: Mapping[str, str]
    truck: Mapping[str, str]


def read_road_scheme(name_or_path: str, folder: Path) -> RoadScheme:
    """A shipped road scheme or the user's own table.

    Parameters
    ----------
    name_or_path : str
        ``mtfcc``, ``osm``, or path of a CSV: code,name,truck[,source]; truck is yes, dry or no.
    folder : Path
        Folder of the study file.

    Returns
    -------
    RoadScheme
        The scheme.

    Raises
    ------
    SettingsError
        No such scheme, or a faulty table.
    """
    name, rows = read_table(
        name_or_path, folder, shipped=ROAD_SCHEMES, file_prefix="roads_", needed=ROAD_COLUMNS[:3]
    )  # fmt: skip
    problems: list[str] = []
    names: dict[str, str] = {}
    truck: dict[str, str] = {}
    for line, row in enumerate(rows, start=2):
        code, use = plain_code(row["code"]), row["truck"].casefold()
        if use not in ("yes", "dry", "no"):
            problems.append(f"{name}, line {line}: truck is {row['truck']!r}; expected yes, dry or no.")
        if not code or code in names:
            problems.append(f"{name}, line {line}: code {code!r} is blank or stands twice; codes must be unique.")
        names[code], truck[code] = row["name"] or code, use
    if problems:
        raise SettingsError(*problems)
    return RoadScheme(name, names, truck)
