"""Land-cover schemes: which codes there are, what they are called, how they score, which are water."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from allocator.core.errors import SettingsError
from allocator.core.settings import CoverGroup, HabitatSettings
from allocator.core.study import BLANK_CLASS, CoverClass
from allocator.inputs.findings import some_of
from allocator.inputs.scheme_tables import Row, plain_code, read_table

COVER_SCHEMES = ("nlcd", "nlcd_1992", "ccap", "worldcover", "cowardin", "cdl")
LARGE_TABLE = 65_536
COVER_COLUMNS = ("code", "name", "score", "is_water", "shade", "group", "crops", "source")
GROUPS: tuple[str, ...] = get_args(CoverGroup)
WATER_WORDS = {"yes": "permanent", "y": "permanent", "true": "permanent", "1": "permanent", "permanent": "permanent",
               "seasonal": "seasonal", "wetland": "wetland",
               "no": "no", "n": "no", "false": "no", "0": "no", "": "no"}  # fmt: skip


@dataclass(frozen=True)
class Scheme:
    """A land-cover scheme.

    Parameters
    ----------
    name : str
        Its name, or the file name of a CSV.
    classes : tuple of CoverClass
        At most 255, in table order.
    """

    name: str
    classes: tuple[CoverClass, ...]

    def position(self, code: object) -> int:
        """Position of a code's class.

        Parameters
        ----------
        code : object
            Number or text.

        Returns
        -------
        int
            255 where blank, -1 where the scheme does not know it.
        """
        text = plain_code(code)
        if not text:
            return BLANK_CLASS
        return _positions(self).get(text.casefold(), -1)

    def positions(self, codes: Any) -> tuple[NDArray[np.uint8], dict[str, int]]:
        """Class positions of many codes, and the codes that the scheme does not know.

        Parameters
        ----------
        codes : array or sequence
            Numbers or text.

        Returns
        -------
        positions : array of uint8, same shape
            255 where blank or unknown.
        unknown : dict
            Code to how often it is found, in the order of the codes.
        """
        array = np.asarray(codes)
        labels, distinct = pd.factorize(array.ravel())
        found = np.array([self.position(code) for code in distinct] + [BLANK_CLASS], dtype=np.int64)
        each = found[labels]  # pandas labels blanks -1: the last entry
        counts = np.bincount(labels[each < 0], minlength=len(distinct)) if len(distinct) else np.zeros(0, int)
        unknown: dict[str, int] = {}
        for index in np.flatnonzero(counts):
            code = plain_code(distinct[index])
            unknown[code] = unknown.get(code, 0) + int(counts[index])
        ordered = dict(sorted(unknown.items(), key=lambda item: _numeric_first(item[0])))
        return np.where(each < 0, BLANK_CLASS, each).astype(np.uint8).reshape(array.shape), ordered

    def raster_table(self) -> NDArray[np.uint8]:
        """Class position for each whole number below 65,536, for reading rasters.

        Returns
        -------
        array of uint8, shape (65536,)
            255 where the scheme has no such code.
        """
        table = np.full(LARGE_TABLE, BLANK_CLASS, dtype=np.uint8)
        for position, one in enumerate(self.classes):
            if one.code.isdecimal() and int(one.code) < LARGE_TABLE:
                table[int(one.code)] = position
        return table


@cache
def _positions(scheme: Scheme) -> Mapping[str, int]:
    return {one.code.casefold(): at for at, one in enumerate(scheme.classes)}


def _numeric_first(code: str) -> tuple[bool, float, str]:
    return (False, float(code), "") if re.fullmatch(r"[+-]?\d+", code) else (True, 0.0, code)


def shipped_schemes() -> tuple[str, ...]:
    """Names of the land-cover schemes that come with the package.

    Returns
    -------
    tuple of str
        As used under ``scheme`` in the study file.
    """
    return COVER_SCHEMES


def read_scheme(name_or_path: str, folder: Path) -> Scheme:
    """A shipped scheme or the user's own table.

    Parameters
    ----------
    name_or_path : str
        Name of a shipped scheme, or path of a CSV: code,name,score[,is_water][,shade][,group][,crops][,source].
    folder : Path
        Folder of the study file.

    Returns
    -------
    Scheme
        A blank score is NaN: background, never scored.

    Raises
    ------
    SettingsError
        No such scheme, or a faulty table.
    """
    name, rows = read_table(name_or_path, folder, shipped=COVER_SCHEMES, file_prefix="", needed=COVER_COLUMNS[:3])
    problems: list[str] = []
    classes = tuple(_cover_class(row, number, name, problems) for number, row in enumerate(rows, start=2))
    codes = [one.code.casefold() for one in classes]
    problems += [f"{name}: code {code} stands {codes.count(code)} times; codes must be unique."
                 for code in dict.fromkeys(codes) if codes.count(code) > 1]  # fmt: skip
    if len(classes) > BLANK_CLASS:
        problems.append(f"{name}: {len(classes)} classes; at most {BLANK_CLASS} can be used. Join some of them.")
    if problems:
        raise SettingsError(*problems)
    return Scheme(name, classes)


def check_scores(scheme: Scheme, habitat: HabitatSettings) -> None:
    """Refuse scores for codes that the scheme does not have, all year and in every season.

    Parameters
    ----------
    scheme : Scheme
        The scheme of the land cover.
    habitat : HabitatSettings
        With ``cover`` and the ``cover`` of its seasons.

    Raises
    ------
    SettingsError
        One message for each such code, with the nearest code that there is.
    """
    tables = {"habitat.cover": habitat.cover}
    tables |= {f"habitat.seasons.{name}.cover": season.cover for name, season in habitat.seasons.items()}
    known = [one.code for one in scheme.classes]
    problems = []
    for table, scores in tables.items():
        for code in scores:
            if code.casefold() in _positions(scheme) or _is_mixed(code, scheme):
                continue
            near = get_close_matches(code.strip(), known, 1, 0.5)
            hint = f" The nearest code is {near[0]}." if near else ""
            problems.append(
                f"{table}.{code}: the scheme {scheme.name} has no class {code}.{hint} Its codes: {some_of(known, 30)}."
            )
    if problems:
        raise SettingsError(*problems)


def _is_mixed(code: str, scheme: Scheme) -> bool:
    """Whether a code is two of the scheme's with a slash between, as split wetland classes are written."""
    return "/" in code and all(part.casefold() in _positions(scheme) for part in code.split("/"))


def _cover_class(row: Row, line: int, table: str, problems: list[str]) -> CoverClass:
    code = plain_code(row["code"])
    where = f"{table}, line {line}"
    if not code:
        problems.append(f"{where}: the code is blank.")
    score = float("nan")
    if row["score"]:
        try:
            score = float(row["score"])
        except ValueError:
            score = float("inf")
        if not 0 <= score <= 1:
            problems.append(f"{where}: score {row['score']!r} of class {code}; expected 0 to 1, or blank.")
    water = WATER_WORDS.get(row.get("is_water", "").casefold())
    if water is None:
        problems.append(
            f"{where}: is_water is {row['is_water']!r}; expected yes or no, or one of permanent, seasonal, wetland."
        )
    shade = row.get("shade", "").casefold() or "open"
    if shade not in ("open", "partial", "closed"):
        problems.append(f"{where}: shade is {shade!r}; expected open, partial or closed.")
    group = row.get("group", "").casefold() or ("open_water" if water == "permanent" else "other")
    if group not in GROUPS:
        problems.append(f"{where}: group is {group!r}; expected one of {', '.join(GROUPS)}.")
    crops = tuple(one for part in row.get("crops", "").casefold().split(";") if (one := part.strip()))
    return CoverClass(
        code=code, name=row["name"] or code, score=score, water=water or "no", shade=shade,  # type: ignore[arg-type]
        source=row.get("source", "") or table, group=group, crops=crops,  # type: ignore[arg-type]
    )  # fmt: skip


def schemes_that_know(codes: Sequence[str]) -> tuple[str, ...]:
    """Shipped schemes that have every one of some codes.

    Parameters
    ----------
    codes : sequence of str
        Class codes.

    Returns
    -------
    tuple of str
        Names, in the order shipped.
    """
    known = [(name, read_scheme(name, Path())) for name in COVER_SCHEMES]
    return tuple(name for name, scheme in known if codes and all(scheme.position(code) >= 0 for code in codes))


def doubts_about_scheme(scheme_name: str, codes_with_counts: Mapping[str, int]) -> list[str]:
    """Reasons to think that a file is in another scheme than the one declared.

    Parameters
    ----------
    scheme_name : str
        Declared scheme.
    codes_with_counts : mapping
        Code to how many cells or polygons have it.

    Returns
    -------
    list of str
        Sentences; empty where nothing speaks against it.
    """
    codes = [code for code in codes_with_counts if code]
    if scheme_name not in COVER_SCHEMES or not codes:
        return []
    declared = read_scheme(scheme_name, Path())
    unknown = [code for code in codes if declared.position(code) < 0]
    others = [name for name in schemes_that_know(codes) if name != scheme_name]
    if unknown and others:
        return [
            f"The scheme {' or '.join(others)} has all {len(codes)} codes found, {scheme_name} lacks "
            f"{some_of(unknown)}: perhaps the file is {others[0]}."
        ]
    # Crop codes are numbered without gaps, so any file of small codes fits; a real one also has its 100s.
    if scheme_name == "cdl" and others and len(codes) > 3 and all(int(code) < 100 for code in codes):
        return [
            f"None of the {len(codes)} codes found is above 100, where cdl keeps water, wetland and forest; "
            f"{' or '.join(others)} has all of them too. Check the scheme."
        ]
    return []
