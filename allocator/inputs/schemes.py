"""Land-cover and road schemes: which codes there are, what they are called and how they score."""

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from allocator.core.errors import SettingsError
from allocator.core.study import BLANK_CLASS, CoverClass
from allocator.inputs.findings import some_of

COVER_SCHEMES = ("nlcd", "nlcd_1992", "ccap", "worldcover", "cowardin", "cdl")
ROAD_SCHEMES = ("mtfcc", "osm")
PREFIX_SCHEMES = ("cowardin",)
"""Schemes whose codes grow by letters: the longest prefix that the table knows counts."""
LARGE_TABLE = 65_536
COVER_COLUMNS = ("code", "name", "score", "is_water", "shade", "source")
ROAD_COLUMNS = ("code", "name", "truck", "source")
YES = {"yes", "y", "true", "1"}
NO = {"no", "n", "false", "0", ""}
Row = dict[str, str]


def plain_code(value: object) -> str:
    """A class code as text: blanks stripped, whole numbers without decimals.

    Parameters
    ----------
    value : object
        Number or text; None and NaN are blank.

    Returns
    -------
    str
        Empty where blank.

    Examples
    --------
    >>> [plain_code(v) for v in (90, 90.0, " 90 ", "90.0", "PFO1A", None, float("nan"))]
    ['90', '90', '90', '90', 'PFO1A', '', '']
    """
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    text = str(value).strip()
    return str(int(text.partition(".")[0])) if re.fullmatch(r"[+-]?\d+(\.0*)?", text) else text


@dataclass(frozen=True)
class Scheme:
    """A land-cover scheme with the user's scores.

    Parameters
    ----------
    name : str
        Its name, or the file name of a CSV.
    classes : tuple of CoverClass
        At most 255, in table order.
    matches_by_prefix : bool
        Whether a code longer than any in the table takes the class of its longest known prefix.
    """

    name: str
    classes: tuple[CoverClass, ...]
    matches_by_prefix: bool = False

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
        known = _positions(self)
        if not self.matches_by_prefix:
            return known.get(text, -1)
        folded = text.casefold()
        return next((known[folded[:end]] for end in range(len(folded), 0, -1) if folded[:end] in known), -1)

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
    fold = scheme.matches_by_prefix
    return {one.code.casefold() if fold else one.code: at for at, one in enumerate(scheme.classes)}


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


def read_scheme(name_or_path: str, folder: Path, cover_overrides: Mapping[str, float]) -> Scheme:
    """A shipped scheme or the user's own table, with the scores of ``[habitat.cover]`` over it.

    Parameters
    ----------
    name_or_path : str
        Name of a shipped scheme, or path of a CSV: code,name,score[,is_water][,shade][,source].
    folder : Path
        Folder of the study file.
    cover_overrides : mapping
        Class code to score, 0 to 1.

    Returns
    -------
    Scheme
        A blank score is NaN: background, never scored.

    Raises
    ------
    SettingsError
        No such scheme, a faulty table, or a score for a code that the scheme does not have.
    """
    name, rows = _read_table(name_or_path, folder, shipped=COVER_SCHEMES, file_prefix="", needed=COVER_COLUMNS[:3])
    problems: list[str] = []
    classes = tuple(_cover_class(row, number, name, problems) for number, row in enumerate(rows, start=2))
    by_prefix = name in PREFIX_SCHEMES
    codes = [one.code.casefold() if by_prefix else one.code for one in classes]
    problems += [f"{name}: code {code} stands {codes.count(code)} times; codes must be unique."
                 for code in dict.fromkeys(codes) if codes.count(code) > 1]  # fmt: skip
    if len(classes) > BLANK_CLASS:
        problems.append(f"{name}: {len(classes)} classes; at most {BLANK_CLASS} can be used. Join some of them.")
    if problems:
        raise SettingsError(*problems)
    return _with_scores(Scheme(name, classes, by_prefix), cover_overrides)


def _with_scores(scheme: Scheme, scores: Mapping[str, float]) -> Scheme:
    known = _positions(scheme)
    classes = list(scheme.classes)
    problems = []
    for code, score in scores.items():
        text = plain_code(code)
        at = known.get(text.casefold() if scheme.matches_by_prefix else text)
        if at is None:
            near = get_close_matches(text, [one.code for one in classes], 1, 0.5)
            hint = f" The nearest code is {near[0]}." if near else ""
            problems.append(
                f"habitat.cover.{code}: the scheme {scheme.name} has no class {code}.{hint} "
                f"Its codes: {some_of([one.code for one in classes], 30)}."
            )
            continue
        classes[at] = replace(classes[at], score=float(score), source="study file, habitat.cover")
    if problems:
        raise SettingsError(*problems)
    return replace(scheme, classes=tuple(classes))


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
    is_water = row.get("is_water", "").casefold()
    if is_water not in YES | NO:
        problems.append(f"{where}: is_water is {is_water!r}; expected yes or no.")
    shade = row.get("shade", "").casefold() or "open"
    if shade not in ("open", "partial", "closed"):
        problems.append(f"{where}: shade is {shade!r}; expected open, partial or closed.")
    return CoverClass(
        code=code, name=row["name"] or code, score=score, is_water=is_water in YES,
        shade=shade, source=row.get("source", "") or table,  # type: ignore[arg-type]
    )  # fmt: skip


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
    name, rows = _read_table(
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


def _read_table(
    name_or_path: str, folder: Path, *, shipped: Sequence[str], file_prefix: str, needed: Sequence[str]
) -> tuple[str, list[Row]]:
    if name_or_path in shipped:
        source = resources.files("allocator.inputs") / "schemes" / f"{file_prefix}{name_or_path}.csv"
        return name_or_path, _rows(source.read_text(encoding="utf-8"), name_or_path, needed)
    path = Path(folder) / name_or_path
    if not path.is_file():
        near = get_close_matches(name_or_path.casefold(), shipped, 1, 0.5)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise SettingsError(
            f"scheme = {name_or_path!r} is neither a shipped scheme ({', '.join(shipped)}) nor a CSV file "
            f"in the folder of the study file.{hint}"
        )
    try:
        return path.name, _rows(path.read_bytes().decode("utf-8-sig"), path.name, needed)
    except UnicodeDecodeError as error:
        raise SettingsError(
            f"{path.name}: byte {error.start} is not UTF-8 text. Save the table as CSV UTF-8."
        ) from None


def _rows(text: str, table: str, needed: Sequence[str]) -> list[Row]:
    reader = csv.reader(text.splitlines())
    header = [name.strip().casefold() for name in next(reader, [])]
    missing = [name for name in needed if name not in header]
    if missing:
        found = ", ".join(header) or "nothing"
        hint = " Use commas between columns." if len(header) == 1 and re.search(r"[;\t]", text[:500]) else ""
        raise SettingsError(
            f"{table}: column {', '.join(missing)} is missing; the header line holds: {found}. "
            f"Expected at least {','.join(needed)}.{hint}"
        )
    rows = []
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > len(header):
            raise SettingsError(
                f"{table}, line {reader.line_num}: {len(cells)} values for {len(header)} columns. "
                "Put quotes around text that holds a comma."
            )
        padded = cells + [""] * (len(header) - len(cells))
        rows.append({name: cell.strip() for name, cell in zip(header, padded, strict=True)})
    if not rows:
        raise SettingsError(f"{table}: the table has no rows. Expected one line for each class.")
    return rows


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
    known = [(name, read_scheme(name, Path(), {})) for name in COVER_SCHEMES]
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
    declared = read_scheme(scheme_name, Path(), {})
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
