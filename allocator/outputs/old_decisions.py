"""Field decisions in a plan that is about to be replaced: none of them goes without a word."""

import csv
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from allocator.core.errors import OutputError
from allocator.core.study import Study
from allocator.core.visits import SiteDecision
from allocator.outputs.tables import FORMULA_STARTS

MOST_NAMED = 5


@dataclass(frozen=True)
class OldDecisions:
    """Field decisions of a plan on the disk.

    Parameters
    ----------
    rows : tuple of dict
        Of the table ``field_decisions``: site_id, decision and new_site_id, each as text.
    path : str
        The file they came from, as the plan's settings name it; empty: it named none.
    """

    rows: tuple[dict[str, str], ...]
    path: str


def read_old_decisions(folder: Path) -> OldDecisions:
    """The field decisions that a plan was made with.

    Parameters
    ----------
    folder : pathlib.Path
        Its folder; what is not there or cannot be read counts as no decision.

    Returns
    -------
    OldDecisions
        May be empty.
    """
    try:
        with (folder / "tables" / "field_decisions.csv").open(encoding="utf-8-sig", newline="") as file:
            wanted = ("site_id", "decision", "new_site_id")
            rows = tuple({name: _unguarded(row.get(name) or "") for name in wanted} for row in csv.DictReader(file))
    except (OSError, ValueError, csv.Error):
        rows = ()
    try:
        settings = tomllib.loads((folder / "settings.toml").read_text(encoding="utf-8"))
        path = settings["inputs"]["site_decisions"]["path"]
    except (OSError, ValueError, KeyError, TypeError):
        path = ""
    return OldDecisions(rows, ", ".join(map(str, path)) if isinstance(path, list) else str(path))


def _unguarded(text: str) -> str:
    return text[1:] if text.startswith("'") and text[1:].startswith(FORMULA_STARTS) else text


def refuse_to_drop(target: Path, study: Study) -> None:
    """Refuse a plan without any field decisions in the place of one that has some.

    Parameters
    ----------
    target : pathlib.Path
        The folder to make; may be absent.
    study : Study
        The new study.

    Raises
    ------
    OutputError
        The old plan holds decisions or named a file of them, and the new study names none.
    """
    old = read_old_decisions(target)
    if study.settings.inputs.site_decisions is not None or not (old.rows or old.path):
        return
    kept = sum(row["decision"] == "keep" for row in old.rows)
    held = f"holds field decisions ({kept} keep, {len(old.rows) - kept} reject)" if old.rows else "had field decisions"
    source = f", last time {old.path}" if old.path else ""
    raise OutputError(
        f"The folder {target} is not replaced, because its plan {held} and this study names none: kept sites would "
        f"move and rejected ground would be proposed again. Name the file in [inputs.site_decisions]{source}. To plan "
        "without them choose another folder, or move this one away first."
    )


def decisions_left_out(target: Path, decisions: Iterable[SiteDecision]) -> str:
    """Which decisions of the old plan the new study does not have.

    Parameters
    ----------
    target : pathlib.Path
        The folder to make; may be absent.
    decisions : iterable of SiteDecision
        Of the new study.

    Returns
    -------
    str
        A sentence; empty when all are there. A decision is the same when site and word are; a kept site may go by the
        id that the old plan gave it.
    """
    new = {(one.site_id, one.decision) for one in decisions}
    left = [
        f"{row['site_id']} ({row['decision']})"
        for row in read_old_decisions(target).rows
        if not {(row["site_id"], row["decision"]), (row["new_site_id"], row["decision"])} & new
    ]
    if not left:
        return ""
    more = f" and {len(left) - MOST_NAMED} more" if len(left) > MOST_NAMED else ""
    return (
        f"The plan that is replaced holds field decisions that this study lacks: {', '.join(left[:MOST_NAMED])}{more}. "
        "Give the earlier file as well: path may be a list."
    )
