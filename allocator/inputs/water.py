"""Water: lines and polygons of several files as one layer, each permanent, seasonal, wetland or none."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

import geopandas as gpd
import numpy as np

from allocator.core.crs import Bounds
from allocator.core.errors import SettingsError
from allocator.core.settings import WaterInput
from allocator.core.study import InputRecord, Problem, Water
from allocator.inputs.boundaries import keep_kinds, mend_polygons
from allocator.inputs.columns import as_text
from allocator.inputs.features import FeatureTable, near_shapes
from allocator.inputs.findings import count_of, some_of
from allocator.inputs.scheme_tables import plain_code, read_table
from allocator.inputs.vectors import KINDS, read_vector

WATER_SCHEMES = ("nhd",)
KINDS_OF_WATER = ("permanent", "seasonal", "wetland", "no")


@dataclass(frozen=True)
class WaterScheme:
    """Which features are water, and whether they dry up.

    Parameters
    ----------
    name : str
        Its name, or the file name of a CSV.
    kinds : mapping
        Code to permanent, seasonal, wetland or no.
    names : mapping
        Code to what it is called.
    """

    name: str
    kinds: Mapping[str, str]
    names: Mapping[str, str]

    def code_of(self, value: object) -> str | None:
        """The scheme's code for a value of a file.

        Parameters
        ----------
        value : object
            A code; for nhd also the three digits of a feature type, or its name.

        Returns
        -------
        str or None
            None where the scheme does not know it. A five-digit nhd code that is not listed counts as its type, which
            its first three digits give.
        """
        text = plain_code(value)
        if text in self.kinds:
            return text
        if self.name not in WATER_SCHEMES:
            return None
        is_code = text.isdecimal() and len(text) in (3, 5)
        whole = f"{text[:3]}00" if is_code else self._types.get(_letters(text))
        return whole if whole in self.kinds else None

    def kind(self, value: object) -> str | None:
        """Whether a feature is water, and whether it dries up.

        Parameters
        ----------
        value : object
            As for ``code_of``.

        Returns
        -------
        str or None
            permanent, seasonal, wetland or no; None where the scheme does not know the value.
        """
        code = self.code_of(value)
        return None if code is None else self.kinds[code]

    @cached_property
    def _types(self) -> dict[str, str]:
        """Letters of a type's name, as some files hold it instead of a code, to its code."""
        return {_letters(name): code for code, name in self.names.items() if code.endswith("00")}


def _letters(text: str) -> str:
    return "".join(letter for letter in text.casefold() if letter.isalpha())


def read_water_scheme(name_or_path: str, folder: Path) -> WaterScheme:
    """A shipped water scheme or the user's own table.

    Parameters
    ----------
    name_or_path : str
        ``nhd``, or path of a CSV: code,name,water[,source]; water is permanent, seasonal, wetland or no.
    folder : Path
        Folder of the study file.

    Returns
    -------
    WaterScheme
        The scheme.

    Raises
    ------
    SettingsError
        No such scheme, or a faulty table.
    """
    name, rows = read_table(
        name_or_path, folder, shipped=WATER_SCHEMES, file_prefix="water_", needed=("code", "name", "water")
    )  # fmt: skip
    problems: list[str] = []
    kinds: dict[str, str] = {}
    names: dict[str, str] = {}
    for line, row in enumerate(rows, start=2):
        code, kind = plain_code(row["code"]), row["water"].casefold()
        if kind not in KINDS_OF_WATER:
            problems.append(
                f"{name}, line {line}: water is {row['water']!r}; expected permanent, seasonal, wetland or no."
            )
        if not code or code in kinds:
            problems.append(f"{name}, line {line}: code {code!r} is blank or stands twice; codes must be unique.")
        kinds[code], names[code] = kind, row["name"] or code
    if problems:
        raise SettingsError(*problems)
    return WaterScheme(name, kinds, names)


@dataclass(frozen=True)
class WaterTable:
    """Water as read, each file in its own coordinate system.

    Parameters
    ----------
    features : FeatureTable
        Shapes of every file, without those that are no water.
    kinds : tuple of str
        permanent, seasonal or wetland, for each shape in the order of the files.
    left_out : int
        Features that are no water.
    """

    features: FeatureTable
    kinds: tuple[str, ...]
    left_out: int

    @property
    def name(self) -> str:
        """Name of the input in messages."""
        return self.features.name

    @property
    def records(self) -> tuple[InputRecord, ...]:
        """The files."""
        return self.features.records


def read_water(setting: WaterInput, folder: Path, near: Bounds | None) -> tuple[WaterTable, list[Problem]]:
    """The water of all files.

    Parameters
    ----------
    setting : WaterInput
        ``[inputs.water]``.
    folder : Path
        Folder of the study file.
    near : tuple of float or None
        Rectangle in degrees; features wholly outside are left out.

    Returns
    -------
    table : WaterTable
        As read.
    problems : list of Problem
        What was repaired, left out or doubted.

    Raises
    ------
    InputError
        A file cannot be used, or none has the column of ``class_field``.
    SettingsError
        A scheme without ``class_field``, or ``class_field`` without a scheme.
    """
    scheme = _scheme(setting, folder)
    frames: list[gpd.GeoDataFrame] = []
    records, kinds, total, dry = [], [], 0, 0
    problems: list[Problem] = []
    column = setting.class_field
    optional = () if column is None else (column,)
    layers = [
        read_vector(path_text, setting.layer, "water", folder, optional=optional, near=near)
        for path_text in setting.paths
    ]
    if column is not None and all(column not in layer.frame for layer in layers):
        # The reader of the first file says what columns there are.
        read_vector(setting.paths[0], setting.layer, "water", folder, columns={"class_field": column}, near=near)
    for layer in layers:
        frame, left_out = keep_kinds(layer.frame, KINDS["water"], layer.name)
        frame, mended = mend_polygons(frame, layer.name)
        found, told = _kinds(frame, column, scheme, layer.name)
        is_water = np.array([kind != "no" for kind in found], bool)
        frames.append(frame[is_water])
        kinds += [kind for kind in found if kind != "no"]
        dry += int((~is_water).sum())
        records.append(layer.record)
        total += layer.features_in_file
        problems += layer.problems + left_out + mended + told
    return WaterTable(FeatureTable("water", tuple(frames), tuple(records), total), tuple(kinds), dry), problems


def _scheme(setting: WaterInput, folder: Path) -> WaterScheme | None:
    if setting.class_field is None and setting.scheme is not None:
        raise SettingsError(
            f"inputs.water.scheme = {setting.scheme!r} but inputs.water.class_field is missing: name the column with "
            "the feature code."
        )
    if setting.class_field is not None and setting.scheme is None:
        raise SettingsError(
            f"inputs.water.class_field = {setting.class_field!r} but inputs.water.scheme is missing: say nhd, or the "
            "path of a CSV (code,name,water)."
        )
    return None if setting.scheme is None else read_water_scheme(setting.scheme, folder)


def _kinds(
    frame: gpd.GeoDataFrame, column: str | None, scheme: WaterScheme | None, name: str
) -> tuple[list[str], list[Problem]]:
    """Kind of water of each record, and what to say about it."""
    if scheme is None or column is None:
        return ["permanent"] * len(frame), []
    if column not in frame:
        message = f"no column {column}: all of it counts as permanent water."
        return ["permanent"] * len(frame), [Problem("note", name, message)]
    code_of, kind_of = cache(scheme.code_of), cache(scheme.kind)
    texts = as_text(frame[column])
    codes = [code_of(text) for text in texts]
    # Water left out would be the worse mistake: a code that nobody knows counts as water that does not dry up.
    kinds = [kind_of(text) or "permanent" for text in texts]
    problems = []
    unknown = Counter(text or "blank" for text, code in zip(texts, codes, strict=True) if code is None)
    if unknown:
        listed = some_of([f"{code} ({number})" for code, number in sorted(unknown.items())], 10)
        message = (
            f"{count_of(sum(unknown.values()), 'feature')} with a code that the scheme {scheme.name} does not have: "
            f"{listed}; they count as permanent water."
        )
        problems.append(Problem("warning", name, message))
    dry = Counter(code for code, kind in zip(codes, kinds, strict=True) if code is not None and kind == "no")
    if dry:
        listed = some_of([f"{code} {scheme.names[code]} ({number})" for code, number in sorted(dry.items())], 10)
        problems.append(
            Problem("note", name, f"{count_of(sum(dry.values()), 'feature')} left out, no water: {listed}.")
        )
    return kinds, problems


def place_water(table: WaterTable, crs_wkt: str, wide_m: Bounds) -> tuple[Water | None, list[Problem]]:
    """The water near the study in the working system.

    Parameters
    ----------
    table : WaterTable
        As read.
    crs_wkt : str
        Working system.
    wide_m : tuple of float
        Shapes wholly outside are left out.

    Returns
    -------
    water : Water or None
        None where nothing lies there.
    problems : list of Problem
        A warning where the files hold water but none near.
    """
    shapes, index, problems = near_shapes(table.features, crs_wkt, wide_m, "it is left out.")
    if shapes is not None:
        return Water(shapes, np.array(table.kinds, object)[index]), problems
    if table.left_out and not table.kinds:
        problems = [
            Problem("warning", table.name, "none of its features near the properties is water: it is left out.")
        ]
    return None, problems
