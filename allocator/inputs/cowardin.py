"""Wetland codes of the United States read as a grammar: system, subsystem, class, subclass, regime, modifiers.

The classification is that of Cowardin et al. 1979 (FGDC-STD-004-2013). A code is the system (M E R L P), a subsystem
digit (none for P), a class of two letters with a subclass digit, for mixed ground a second class behind a slash, then
the water regime as a capital letter and special modifiers: ``PFO1/EM1Cd`` is palustrine, forested (broad-leaved
deciduous) and emergent (persistent), seasonally flooded, partly drained. Chemistry and soil letters may follow too.
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from allocator.core.study import CoverClass, CoverWater

SUBSYSTEMS = {"M": "12", "E": "12", "R": "12345", "L": "12", "P": ""}
CLASSES = {
    "M1": "RB UB AB RF OW", "M2": "AB RF RS US",
    "E1": "RB UB AB RF OW", "E2": "AB RF SB RS US EM SS FO",
    "R1": "RB UB AB SB RS US EM OW", "R2": "RB UB AB RS US EM OW", "R3": "RB UB AB RS US OW", "R4": "SB",
    "R5": "RB UB AB SB RS US EM", "L1": "RB UB AB OW", "L2": "RB UB AB RS US EM OW",
    "P": "RB UB AB US ML EM SS FO OW",
}  # fmt: skip
"""Classes of each system and subsystem: keys of ``schemes/cowardin.csv``."""
SUBCLASSES = "1234567"
REGIMES = "ABCDEFGHJKLMNPQRSTVUWYZ"  # those of older maps last
CHEMISTRY = "0123456atign"  # salinity 0 to 6, pH a t i, soil g n; only behind a water regime
MODIFIERS = "bdfhmrsx"  # beaver, drained or ditched, farmed, diked, managed, artificial, spoil, excavated
VEGETATED = ("EM", "SS", "FO", "ML")
SHORES = ("US", "RS", "SB")
FALLS_DRY = "ACEJRSWY"  # temporarily, seasonally or intermittently flooded, with their tidal and older letters
WET_SHORE = "CEFRT"  # regimes under which a shore or a streambed is flooded for a season or longer
LOOKALIKES = {"0": "O", "O": "0", "1": "I", "I": "1", "l": "1", "5": "S", "S": "5", "8": "B"}
FARMED = "Pf"
LONGEST = 16  # characters of a text that may be a code with a slip in it
MOST_LIKELY = 200  # faulty codes of a file whose likely code is looked for: a hundred times as slow as reading


class CowardinError(ValueError):
    """A text is no wetland code, or one that stops too early.

    Parameters
    ----------
    reason : str
        What was found where, and what was expected.
    text : str
        The text where another code is likely; empty where none is.
    """

    def __init__(self, reason: str, text: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.text = text

    @property
    def likely(self) -> str | None:
        """The code that was probably meant, looked for when asked; None where none is near."""
        return likely_code(self.text)


@dataclass(frozen=True)
class CowardinCode:
    """A wetland code in its parts.

    Parameters
    ----------
    system, subsystem : str
        M, E, R, L or P; a digit, empty where there is none.
    classes, subclasses : tuple of str
        None, one, or two for mixed ground; a subclass is empty where not given.
    regime : str
        Water regime; empty where not given.
    modifiers : tuple of str
        Special modifiers and water chemistry, as written.
    """

    system: str
    subsystem: str
    classes: tuple[str, ...]
    subclasses: tuple[str, ...]
    regime: str
    modifiers: tuple[str, ...]

    @property
    def keys(self) -> tuple[str, ...]:
        """Rows of the scheme that the code stands on: one, or two different ones for mixed ground."""
        head = self.system + self.subsystem
        return tuple(dict.fromkeys(head + one for one in self.classes)) or (head,)

    @property
    def is_farmed(self) -> bool:
        """Whether the wetland is farmed."""
        return "f" in self.modifiers

    @property
    def has_row(self) -> bool:
        """Whether the code says enough for a row of the scheme; P, E, M and R alone do not."""
        return bool(self.classes or self.subsystem) or self.system == "L" or self.is_farmed


def read_code(text: str) -> CowardinCode:
    """A wetland code in its parts.

    Parameters
    ----------
    text : str
        As in the file. Wholly in capitals or wholly in small letters is read as if written properly.

    Returns
    -------
    CowardinCode
        The parts.

    Raises
    ------
    CowardinError
        The text is no such code.

    Examples
    --------
    >>> code = read_code("PFO1/EM1Cd")
    >>> code.keys, code.subclasses, code.regime, code.modifiers
    (('PFO', 'PEM'), ('1', '1'), 'C', ('d',))
    """
    try:
        return _parse(text)
    except CowardinError as error:
        written = next(_proper(_recased(text)), None)
        if written is None:
            raise CowardinError(error.reason, text) from None
    return _parse(written)


def _recased(text: str) -> Iterator[str]:
    """The text as it would be properly written, where it is wholly in capitals or in small letters."""
    if text not in (text.upper(), text.lower()):
        return
    names = " ".join(CLASSES.values()).split()
    # Small letters stand at the end, two at most. Not where they would hide a lost slash, as in PFO1EM1.
    for cut in range(len(text), max(len(text) - 3, 0), -1):
        capitals, small = text[:cut].upper(), text[cut:].lower()
        is_lost_class = len(small) == 2 and capitals[-1] + small[0].upper() in names
        if capitals + small != text and all(letter in MODIFIERS + CHEMISTRY for letter in small) and not is_lost_class:
            yield capitals + small


def _parse(text: str) -> CowardinCode:
    if not text or text[0] not in SUBSYSTEMS:
        raise CowardinError(f"begins with {text[:1]!r}; expected a system: M, E, R, L or P")
    system = text[0]
    subsystem = text[1] if text[1:2].isdecimal() else ""
    if subsystem and subsystem not in SUBSYSTEMS[system]:
        expected = ", ".join(SUBSYSTEMS[system]) or "none, as P has no subsystem"
        raise CowardinError(f"has subsystem {subsystem} at character 2; expected {expected}")
    allowed = CLASSES.get(system + subsystem, "").split()
    classes, subclasses, at = _parse_classes(text, 1 + len(subsystem), allowed)
    rest = text[at:]
    if not classes and rest and not (system in "PL" and re.fullmatch(f"[{MODIFIERS}]+", rest)):
        where = f"of {system}{subsystem}" if allowed else f"after {system}: a subsystem comes first"
        raise CowardinError(
            f"has {rest[:2]!r} at character {at + 1}, which is no class {where}"
            + (f"; expected one of {', '.join(allowed)}" if allowed else "")
        )
    if text[at - 1] == "/":
        raise CowardinError(f"has {rest[:2]!r} after the slash at character {at}; expected a class, or two subclasses")
    regime, modifiers = _parse_tail(text, at)
    return CowardinCode(system, subsystem, classes, subclasses, regime, modifiers)


def _parse_classes(text: str, at: int, allowed: Sequence[str]) -> tuple[tuple[str, ...], tuple[str, ...], int]:
    """Classes and subclasses from a position on, and the position behind them."""
    classes: list[str] = []
    subclasses: list[str] = []
    while text[at : at + 2] in allowed:
        classes.append(text[at : at + 2])
        subclasses.append(_one_of(SUBCLASSES, text, at + 2))
        at += 2 + len(subclasses[-1])
        if len(classes) == 2 or text[at : at + 1] != "/":
            break
        at += 1
        if subclasses[0] and (
            other := _one_of(SUBCLASSES.replace(subclasses[0], ""), text, at)
        ):  # two subclasses of one class, such as PFO1/2C
            return (classes[0], classes[0]), (subclasses[0], other), at + 1
    return tuple(classes), tuple(subclasses), at


def _one_of(letters: str, text: str, at: int) -> str:
    return text[at] if at < len(text) and text[at] in letters else ""


def _parse_tail(text: str, at: int) -> tuple[str, tuple[str, ...]]:
    """Water regime and modifiers, in any order: maps have E2EM1Pd6 and E2EM1P6d."""
    regime = _one_of(REGIMES, text, at)
    at += len(regime)
    allowed = MODIFIERS + CHEMISTRY if regime else MODIFIERS
    for place, letter in enumerate(text[at:], start=at):
        if letter not in allowed:
            raise CowardinError(
                f"has {letter!r} at character {place + 1}; expected "
                + ("" if regime or place > at else "a water regime (a capital letter) or ")
                + f"a special modifier (one of {' '.join(MODIFIERS)})"
            )
        if letter in text[at:place]:
            raise CowardinError(f"has {letter!r} a second time at character {place + 1}; expected it once")
    return regime, tuple(text[at:])


@lru_cache(maxsize=4096)
def likely_code(text: str) -> str | None:
    """The code that a mistyped one was probably meant to be.

    Parameters
    ----------
    text : str
        A text that ``read_code`` refuses.

    Returns
    -------
    str or None
        The first that reads of: blanks and signs dropped, one lookalike swapped (0 and O, 1 and l), a slash put in,
        another case, the only possible subsystem put in, one character dropped, two neighbours swapped, a second
        lookalike swapped, one character replaced. None where none does, or several that stand for other ground.

    Examples
    --------
    >>> likely_code("PF01A"), likely_code("P1FO1A"), likely_code("PFO1 A"), likely_code("RUBH")
    ('PFO1A', 'PFO1A', 'PFO1A', None)
    """
    plain = re.sub(r"[^A-Za-z0-9/]", "", text)
    plain = plain.upper() if plain.islower() else plain
    if not 3 <= len(plain) <= LONGEST:
        return None
    if likely := next(_proper(_small_edits(plain)), None):
        return likely
    with_subsystem = list(_proper(plain[0] + digit + plain[1:] for digit in "12345"))
    if with_subsystem:
        return with_subsystem[0] if len(with_subsystem) == 1 else None
    if likely := next(_proper(_larger_edits(plain)), None):
        return likely
    letters = "PEMRLFOSUBABWC12345/"
    replaced = list(_proper(plain[:at] + one + plain[at + 1 :] for at in range(len(plain)) for one in letters))
    return replaced[0] if len({_parse(one).keys for one in replaced}) == 1 else None


def _proper(texts: Iterable[str]) -> Iterator[str]:
    """The codes with a row among some texts, properly written."""
    for written in (written for text in texts for written in (text, *_recased(text))):
        try:
            if _parse(written).has_row:
                yield written
        except CowardinError:
            continue


def _small_edits(plain: str) -> Iterator[str]:
    yield plain
    yield from _lookalikes(plain)
    yield from (f"{plain[:at]}/{plain[at:]}" for at in range(3, len(plain) - 1))
    yield plain.upper()
    yield from (plain[:at] + one.swapcase() + plain[at + 1 :] for at, one in enumerate(plain))


def _larger_edits(plain: str) -> Iterator[str]:
    yield from (plain[:at] + plain[at + 1 :] for at in range(len(plain)))
    yield from (plain[:at] + plain[at + 1] + plain[at] + plain[at + 2 :] for at in range(len(plain) - 1))
    yield from (twice for once in _lookalikes(plain) for twice in _lookalikes(once))


def _lookalikes(plain: str) -> Iterator[str]:
    yield from (plain[:at] + LOOKALIKES[one] + plain[at + 1 :] for at, one in enumerate(plain) if one in LOOKALIKES)


def water_kind(code: CowardinCode) -> CoverWater:
    """Which kind of water the ground of a code is, by its first class and its water regime.

    Parameters
    ----------
    code : CowardinCode
        A code.

    Returns
    -------
    str
        no, permanent, seasonal or wetland; the first row that fits:

        ============================================  ===================================  =========================
        ground                                        kind                                 rests on
        ============================================  ===================================  =========================
        farmed (f)                                    no                                   project default
        EM, SS, FO, ML                                wetland                              vegetated classes of 1979
        R4 and its classes                            seasonal                             name: intermittent
        US, RS, SB                                    seasonal by C E F R T, else no       project default
        M2, E2: RF or no class; P without class       no                                   project default
        RB, UB, AB, OW, RF or no class                seasonal by A C E J R S W Y          names of the regimes
        the same under other regimes or none          permanent                            project default
        ============================================  ===================================  =========================

    Notes
    -----
    Regimes as named in the code table of the US FWS and, for W and Z, of the older maps: A temporary, C and E seasonal,
    F semipermanent, G intermittently exposed, H permanent, J intermittent, K artificial, W intermittent or temporary,
    Z exposed or permanent; in tidal fresh water Q regular (daily), R seasonal, S temporary, T semipermanent, V
    permanent. Y (saturated, semipermanent or seasonal) from memory, unverified. L M N P are of tidal salt water.
    """
    head, first = code.system + code.subsystem, "".join(code.classes[:1])
    if code.is_farmed:
        return "no"
    if first in VEGETATED:
        return "wetland"
    if head == "R4":
        return "seasonal"
    if first in SHORES:
        return "seasonal" if code.regime and code.regime in WET_SHORE else "no"
    if first in ("", "RF") and head in ("M2", "E2", "P"):
        return "no"
    return "seasonal" if code.regime and code.regime in FALLS_DRY else "permanent"


def combined_class(code: CowardinCode, table: Mapping[str, CoverClass]) -> CoverClass:
    """The land-cover class of a code.

    Parameters
    ----------
    code : CowardinCode
        A code.
    table : mapping
        Rows of the scheme by their code.

    Returns
    -------
    CoverClass
        The scheme's own row where it says all; else a class of its own for mixed ground, or for water that a regime
        makes seasonal. Codes that differ in nothing else share one. Farmed wetland of any class is the row ``Pf``.

    Raises
    ------
    CowardinError
        The code stops too early for any row.
    """
    if code.is_farmed:
        return table[FARMED]
    if not code.has_row:
        missing = ", ".join(SUBSYSTEMS[code.system] or CLASSES[code.system].split())
        raise CowardinError(f"names only the system {code.system}; expected {missing} behind it")
    rows = tuple(table[key] for key in code.keys)
    water = water_kind(code)
    made = rows[0]
    if len(rows) > 1:
        names = [row.name.rpartition(", ")[2] for row in rows]
        made = replace(
            rows[0], code="/".join(row.code for row in rows), name=f"{rows[0].name} / {names[1]}",
            score=float(np.mean([row.score for row in rows])), parts=rows,
        )  # fmt: skip
    if water == made.water:
        return made
    return replace(made, code=f"{made.code} {water}", name=f"{made.name}, {water}", water=water, parts=rows)


def classes_of(
    codes: Sequence[str], classes: Sequence[CoverClass]
) -> tuple[tuple[CoverClass, ...], dict[str, int], dict[str, str]]:
    """The classes that some codes need, and which code is which.

    Parameters
    ----------
    codes : sequence of str
        Distinct codes of a file.
    classes : sequence of CoverClass
        The scheme.

    Returns
    -------
    classes : tuple of CoverClass
        The scheme's, and behind them those that mixed and farmed codes need.
    positions : dict
        Code to position.
    faults : dict
        Code to what is wrong with it and, for the first ``MOST_LIKELY``, what it probably is.
    """
    table = {one.code: one for one in classes}
    made = {one: at for at, one in enumerate(classes)}
    positions: dict[str, int] = {}
    faults: dict[str, str] = {}
    for text in codes:
        row = table.get(text) or table.get(text.upper())
        if row:  # a code of the table itself, also one that is no wetland (U, upland)
            positions[text] = made[row]
            continue
        try:
            one = combined_class(read_code(text), table)
        except CowardinError as error:
            likely = error.likely if len(faults) < MOST_LIKELY else None
            faults[text] = error.reason + (f"; probably {likely}" if likely else "")
            continue
        positions[text] = made.setdefault(one, len(made))
    return tuple(made), positions, faults
