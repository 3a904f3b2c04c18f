"""Road schemes: which roads a truck may use, by their class and by what else is known of them."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from allocator.core.errors import SettingsError
from allocator.inputs.scheme_tables import plain_code, read_table

ROAD_SCHEMES = ("mtfcc", "osm")
ROAD_COLUMNS = ("code", "name", "truck", "source")
TRUCK_USES = ("yes", "dry", "no", "private")
"""What a scheme may say; private roads are for trucks on enrolled land only."""
ACCESS_KEYS = ("motor_vehicle", "vehicle", "access")
"""Who may use a road: the first that is given counts. ``vehicle`` overrides ``access`` and ``motor_vehicle`` both:
OpenStreetMap wiki Tag:vehicle=destination, read as a stored copy.
"""
STRICTEST_FIRST = ("no", "private", "class")
TAG_PAIR = re.compile(r'"((?:[^"\\]|\\.)*)"=>"((?:[^"\\]|\\.)*)"')
"""One tag in a text of tags, quotes and backslashes inside it escaped by a backslash."""


@dataclass(frozen=True)
class RoadScheme:
    """Which roads a truck may use.

    Parameters
    ----------
    name : str
        Its name, or the file name of a CSV.
    names, truck : mapping
        Road class to what it is called, and to yes, dry, no or private.
    """

    name: str
    names: Mapping[str, str]
    truck: Mapping[str, str]


@dataclass(frozen=True)
class TruckUse:
    """Whether a truck may use a road.

    Parameters
    ----------
    truck : str
        yes, dry or no.
    is_private : bool
        Whether that holds with the owner's leave only.
    """

    truck: str
    is_private: bool = False


@dataclass(frozen=True)
class TagRules:
    """How tags refine what the class of a road says.

    Parameters
    ----------
    tracktype : mapping
        Road class and firmness to yes or dry.
    access : mapping
        Who may use a road to no, private or class: as its class says.
    """

    tracktype: Mapping[tuple[str, str], str]
    access: Mapping[str, str]

    def refine(self, code: str, truck: str, tags: Mapping[str, str]) -> TruckUse:
        """Whether a truck may use a road of a class with tags.

        Parameters
        ----------
        code, truck : str
            Class of the road and what the scheme says of it.
        tags : mapping
            ``tracktype`` and ``ACCESS_KEYS`` to the road's values; blank or missing where not known.

        Returns
        -------
        TruckUse
            A road closed by its class stays closed; values that no rule knows change nothing.
        """
        use = truck_use(truck)
        if use.truck == "no":
            return use
        access = strictest([self.access.get(one, "class") for one in access_values(tags)])
        if access == "no":
            return TruckUse("no")
        firm = self.tracktype.get((code.casefold(), tags.get("tracktype", "").casefold()), use.truck)
        return TruckUse(firm, use.is_private or access == "private")

    def unknown(self, code: str, tags: Mapping[str, str]) -> list[str]:
        """Values that no rule knows.

        Parameters
        ----------
        code : str
            Class of the road.
        tags : mapping
            As for ``refine``.

        Returns
        -------
        list of str
            Such as ``access=mine``.
        """
        key = next((key for key in ACCESS_KEYS if tags.get(key)), "")
        found = [f"{key}={one}" for one in access_values(tags) if one not in self.access]
        firm, code = tags.get("tracktype", "").casefold(), code.casefold()
        if firm and code in {one for one, _ in self.tracktype} and (code, firm) not in self.tracktype:
            found.append(f"tracktype={firm}")
        return found


def truck_use(truck: str) -> TruckUse:
    """What a scheme's word means.

    Parameters
    ----------
    truck : str
        yes, dry, no or private.

    Returns
    -------
    TruckUse
        A private road may be used all year, with the owner's leave.
    """
    return TruckUse("yes", True) if truck == "private" else TruckUse(truck)


def access_values(tags: Mapping[str, str]) -> list[str]:
    """Who may use a road: the values of the most particular key that is given.

    Parameters
    ----------
    tags : mapping
        Key to value; several values stand between semicolons.

    Returns
    -------
    list of str
        In small letters; empty where nothing is known.

    Examples
    --------
    >>> access_values({"access": "no", "motor_vehicle": "agricultural; forestry"})
    ['agricultural', 'forestry']
    """
    text = next((tags[key] for key in ACCESS_KEYS if tags.get(key)), "")
    return [part.strip().casefold() for part in text.split(";") if part.strip()]


def strictest(rules: list[str]) -> str:
    """Of several rules the strictest.

    Parameters
    ----------
    rules : list of str
        Each no, private or class.

    Returns
    -------
    str
        ``class`` where there is none.

    Examples
    --------
    >>> strictest(["class", "private"])
    'private'
    """
    return min(rules, key=STRICTEST_FIRST.index, default="class")


def tags_of_text(text: str) -> dict[str, str]:
    """Tags from the one column that conversions of OpenStreetMap keep them in.

    Parameters
    ----------
    text : str
        ``"key"=>"value"`` with commas between.

    Returns
    -------
    dict
        Key to value; empty where the text holds no tag.

    Examples
    --------
    >>> tags_of_text('"access"=>"private","note"=>"gate \\\\"B\\\\", ask"')
    {'access': 'private', 'note': 'gate "B", ask'}
    """
    return {_unescaped(key): _unescaped(value) for key, value in TAG_PAIR.findall(text)}


def _unescaped(text: str) -> str:
    return re.sub(r"\\(.)", r"\1", text)


def read_road_scheme(name_or_path: str, folder: Path) -> RoadScheme:
    """A shipped road scheme or the user's own table.

    Parameters
    ----------
    name_or_path : str
        ``mtfcc``, ``osm``, or path of a CSV: code,name,truck[,source]; truck is yes, dry, no or private.
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
        if use not in TRUCK_USES:
            problems.append(f"{name}, line {line}: truck is {row['truck']!r}; expected yes, dry, no or private.")
        if not code or code in names:
            problems.append(f"{name}, line {line}: code {code!r} is blank or stands twice; codes must be unique.")
        names[code], truck[code] = row["name"] or code, use
    if problems:
        raise SettingsError(*problems)
    return RoadScheme(name, names, truck)


def read_tag_rules() -> TagRules:
    """The shipped rules for tags of OpenStreetMap.

    Returns
    -------
    TagRules
        The rules.
    """
    _, rows = read_table(
        "osm_tags", Path(), shipped=("osm_tags",), file_prefix="roads_", needed=("class", "key", "value", "truck")
    )  # fmt: skip
    tracktype = {(row["class"], row["value"]): row["truck"] for row in rows if row["key"] == "tracktype"}
    return TagRules(tracktype, {row["value"]: row["truck"] for row in rows if row["key"] == "access"})
