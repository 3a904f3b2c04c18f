"""Soil map units: how often the ground floods and how it drains, in the terms of US soil surveys."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from allocator.core.crs import Bounds
from allocator.core.errors import SettingsError
from allocator.core.settings import Drainage, Flooding, SoilsInput
from allocator.core.study import BLANK_CLASS, Problem, Soils
from allocator.inputs.columns import as_text
from allocator.inputs.features import FeatureTable, near_shapes, read_features
from allocator.inputs.findings import count_of, some_of

FIELDS = {"flooding": "flooding_field", "drainage": "drainage_field"}
CLASSES: dict[str, tuple[str, ...]] = {"flooding": get_args(Flooding), "drainage": get_args(Drainage)}
"""Words of each, in the order of the settings. Ponding is not flooding and is not read."""


def class_positions(texts: Sequence[str], name: str) -> tuple[NDArray[np.uint8], Counter[str]]:
    """Positions of soil classes, whatever their case and whether 'drained' is written out.

    Parameters
    ----------
    texts : sequence of str
        As in the file; empty where blank.
    name : str
        flooding or drainage.

    Returns
    -------
    positions : array of uint8
        Position in ``CLASSES[name]``; 255 where blank or unknown.
    unknown : Counter
        Words that are no class, and how often.

    Examples
    --------
    >>> class_positions(["Poorly drained", "", "VERY POORLY"], "drainage")[0].tolist()
    [5, 255, 6]
    """
    known = {word: at for at, word in enumerate(CLASSES[name])}
    positions = np.full(len(texts), BLANK_CLASS, np.uint8)
    unknown: Counter[str] = Counter()
    for place, text in enumerate(texts):
        word = "_".join(text.casefold().replace("drained", " ").replace("-", " ").split())
        if word in known:
            positions[place] = known[word]
        elif word:
            unknown[text.strip()] += 1
    return positions, unknown


def read_soils(setting: SoilsInput, folder: Path, near: Bounds | None) -> tuple[FeatureTable, list[Problem]]:
    """Soil map units of all files.

    Parameters
    ----------
    setting : SoilsInput
        ``[inputs.soils]``.
    folder : Path
        Folder of the study file.
    near : tuple of float or None
        Rectangle in degrees; units wholly outside are left out.

    Returns
    -------
    table : FeatureTable
        As read; the columns have the names of the settings' keys.
    problems : list of Problem
        What was repaired or left out.

    Raises
    ------
    SettingsError
        Neither field is named.
    InputError
        A file cannot be used.
    """
    columns = {key: value for key in FIELDS.values() if (value := getattr(setting, key)) is not None}
    if not columns:
        raise SettingsError(
            '[inputs.soils] names no column: give flooding_field = "..." or drainage_field = "..." (or both), the '
            "columns with the flooding frequency class and the drainage class of each soil map unit."
        )
    table, problems = read_features("soils", setting, folder, near, columns=columns)
    named = {column: key for key, column in columns.items()}
    return replace(table, frames=tuple(frame.rename(columns=named) for frame in table.frames)), problems


def place_soils(table: FeatureTable, crs_wkt: str, wide_m: Bounds) -> tuple[Soils | None, list[Problem]]:
    """Soil map units near the study in the working system.

    Parameters
    ----------
    table : FeatureTable
        As read.
    crs_wkt : str
        Working system.
    wide_m : tuple of float
        Units wholly outside are left out.

    Returns
    -------
    soils : Soils or None
        None where none lies near.
    problems : list of Problem
        Words that are no class; a warning where no unit lies near.
    """
    shapes, index, problems = near_shapes(table, crs_wkt, wide_m, "soil is left out of the score.")
    if shapes is None:
        return None, problems
    found: dict[str, NDArray[np.uint8]] = {}
    for name, key in FIELDS.items():
        if key not in table.frames[0]:
            continue
        texts = [text for frame in table.frames for text in as_text(frame[key])]
        found[name], unknown = class_positions([texts[at] for at in index], name)
        if unknown:
            listed = some_of([f"{word} ({number})" for word, number in sorted(unknown.items())], 10)
            message = (
                f"{count_of(sum(unknown.values()), 'soil map unit')} with a {name} class that is none of "
                f"{', '.join(word.replace('_', ' ') for word in CLASSES[name])}: {listed}. They are left blank there."
            )
            problems.append(Problem("warning", table.name, message))
    return Soils(shapes, found.get("flooding"), found.get("drainage")), problems
