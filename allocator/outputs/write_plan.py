"""A plan becomes a folder: complete, or not there at all."""

import logging
import os
import sqlite3
from collections.abc import Collection
from datetime import UTC, datetime
from pathlib import Path

from pyogrio.errors import DataLayerError, DataSourceError

from allocator.core.errors import OutputError
from allocator.core.results import Plan
from allocator.core.study import Study
from allocator.outputs.check_written import check_written
from allocator.outputs.folder_swap import all_or_nothing, put_back, reason_of
from allocator.outputs.geopackage import write_geopackage
from allocator.outputs.gpx import write_gpx
from allocator.outputs.justification_text import justification_text
from allocator.outputs.kmz import write_kmz
from allocator.outputs.old_decisions import decisions_left_out, refuse_to_drop
from allocator.outputs.plan_files import changed_files, file_record, is_locked, record_of_plan, strange_files
from allocator.outputs.plan_json import plan_record, write_plan_json
from allocator.outputs.report import report_page
from allocator.outputs.report_docx import docx_maker, write_report_docx
from allocator.outputs.report_pdf import pdf_maker, write_report_pdf
from allocator.outputs.score_raster import write_score_raster
from allocator.outputs.settings_toml import settings_as_toml
from allocator.outputs.site_cards import site_cards_page
from allocator.outputs.styles import write_styles
from allocator.outputs.tables import plan_tables, write_tables
from allocator.outputs.web_map import map_page
from allocator.outputs.workbook import write_workbook

__all__ = ["WRITING_ERRORS", "all_or_nothing", "check_target", "reason_of", "refuse_to_drop", "write_plan"]
logger = logging.getLogger(__name__)
WRITING_ERRORS = (OSError, sqlite3.Error, DataSourceError, DataLayerError)
"""What writing a folder of outputs may raise for want of space or permission."""

REPORTS = {"pdf": (pdf_maker, write_report_pdf), "docx": (docx_maker, write_report_docx)}
"""Further forms of the report: what has to be installed, and what writes them."""


def check_reports(reports: Collection[str]) -> None:
    """See that the further forms of the report can be written; writes nothing.

    Parameters
    ----------
    reports : collection of str
        Names out of ``REPORTS``.

    Raises
    ------
    OutputError
        A name is none of them, or what makes them is not installed.
    """
    for name in reports:
        if name not in REPORTS:
            raise OutputError(f"--report: found {name!r}; expected {' or '.join(REPORTS)}.")
        REPORTS[name][0]()


def check_target(out: str | Path, overwrite: bool = False) -> Path:
    """Where a plan will be written, if it may be; changes nothing, but puts back a plan that a killed run moved away.

    Parameters
    ----------
    out : str or pathlib.Path
        The folder to make.
    overwrite : bool
        Whether a plan of this tool that is already there may be replaced.

    Returns
    -------
    pathlib.Path
        The folder with all links followed.

    Raises
    ------
    OutputError
        Something is there that may not be replaced, or the place cannot be written to.
    """
    try:
        target = Path(out).resolve()
        put_back(target)
        _check_occupant(target, overwrite)
        _check_place(target)
    except (OSError, RuntimeError, ValueError) as error:
        raise OutputError(f"The plan cannot be written to {out}. {reason_of(error)}. Choose another folder.") from error
    return target


def _check_occupant(target: Path, overwrite: bool) -> None:
    if not target.exists():
        return
    if not target.is_dir():
        raise OutputError(
            f"The plan cannot be written to {target}. Found a file there. Name a folder that is not there."
        )
    record, names = record_of_plan(target), sorted(path.name for path in target.iterdir())
    if not names:
        _check_empty(target)
        return
    if record is None:
        raise OutputError(
            f"The folder {target} is not replaced, because it holds no plan made by this tool. "
            f"Found {_listed(names)}. Choose another folder."
        )
    if not overwrite:
        raise OutputError(
            f"The folder {target} exists already. Choose another one, or replace the plan in it with --overwrite "
            "(in Python: overwrite=True)."
        )
    strangers = strange_files(target, record)
    if strangers:
        raise OutputError(
            f"The folder {target} is not replaced, because it also holds what did not come with its plan. "
            f"Found {_listed(strangers)}. Move that elsewhere and close programs that have the plan open, "
            "or choose another folder."
        )
    if is_locked(target / "plan.gpkg"):
        raise OutputError(
            f"The folder {target} is not replaced, because another program is writing to its plan.gpkg, and what it "
            "writes would be lost. Close that program, or choose another folder."
        )
    changed = changed_files(target, record)
    if changed:
        raise OutputError(
            f"The folder {target} is not replaced, because files of its plan were changed since it was made, and the "
            f"changes would be lost. Found {_listed(changed)}. Move what you want to keep out of the folder and give "
            "the command again, or choose another folder."
        )


def _check_empty(target: Path) -> None:
    """An empty folder gives its place to the plan's, unless others hold on to it: they would be left with nothing."""
    holder = "a drive is mounted there" if target.is_mount() else "you work in it" if target == Path.cwd() else ""
    if holder:
        raise OutputError(
            f"The folder {target} cannot be replaced by the plan's, because {holder}. Found it empty. Name a new "
            f"folder in it, such as {target / 'plan'}."
        )


def _check_place(target: Path) -> None:
    place = next((folder for folder in target.parents if folder.exists()), target)
    if not place.is_dir():
        raise OutputError(f"The plan cannot be written to {target}. Found a file at {place}. Choose another folder.")
    if not os.access(place, os.W_OK | os.X_OK):
        raise OutputError(
            f"The plan cannot be written to {target}. The folder {place} may not be written to. "
            "Ask for permission or choose another folder."
        )


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return ", ".join(names[:3]) + more


def _tell_what_goes(target: Path, study: Study) -> None:
    record = record_of_plan(target)
    if record is not None and changed_files(target, record) is None:
        logger.warning("Whether files in %s were changed since its plan was made cannot be told.", target)
    left_out = decisions_left_out(target, study.site_decisions)
    if left_out:
        logger.warning(left_out)


def write_plan(
    plan: Plan, out: str | Path, overwrite: bool = False, started: datetime | None = None, reports: Collection[str] = ()
) -> Path:
    """Write a plan into a new folder: GeoPackage, tables, map, settings and record.

    Parameters
    ----------
    plan : Plan
        The plan.
    out : str or pathlib.Path
        The folder to make, with the folders above it.
    overwrite : bool
        Whether a plan of this tool that is already there is replaced.
    started : datetime.datetime, optional
        When the work began, with its time zone; absent: now.
    reports : collection of str
        Forms of the report to write besides the page: pdf, docx.

    Returns
    -------
    pathlib.Path
        The folder.

    Raises
    ------
    OutputError
        The folder may not be made or replaced, a form of the report cannot be made, or writing failed. Whatever was
        there before is then untouched.
    """
    check_reports(reports)
    target = check_target(out, overwrite)
    refuse_to_drop(target, plan.study)
    began = started or datetime.now(UTC)
    try:
        with all_or_nothing(target) as folder:
            _write_files(plan, folder, began, reports)
            check_written(folder, {name: len(frame) for name, frame in plan_tables(plan).items()})
            _check_occupant(target, overwrite)  # again: something may have been put there while this was written
            _tell_what_goes(target, plan.study)
    except WRITING_ERRORS as error:
        raise OutputError(
            f"The plan could not be written to {target}. {reason_of(error)}. "
            "Check the free space and the permissions, or choose another folder."
        ) from error
    return target


def _write_files(plan: Plan, folder: Path, began: datetime, reports: Collection[str]) -> None:
    write_geopackage(plan, folder / "plan.gpkg")
    write_tables(plan, folder / "tables")
    (folder / "site_cards.html").write_text(site_cards_page(plan), encoding="utf-8", newline="\n")
    write_gpx(plan, folder / "sites.gpx")
    write_kmz(plan, folder / "sites.kmz")
    write_workbook(plan, folder / "tables.xlsx")
    write_styles(plan, folder / "styles")
    write_score_raster(plan.score, folder / "habitat_score.tif")
    (folder / "map.html").write_text(map_page(plan), encoding="utf-8", newline="\n")
    (folder / "report.html").write_text(report_page(plan), encoding="utf-8", newline="\n")
    for name in reports:
        REPORTS[name][1](plan, folder / f"report.{name}")
    (folder / "justification.txt").write_text(justification_text(plan), encoding="utf-8", newline="\n")
    (folder / "settings.toml").write_text(settings_as_toml(plan.study.settings), encoding="utf-8", newline="\n")
    record = plan_record(plan, began, (datetime.now(UTC) - began).total_seconds())
    write_plan_json(record | file_record(folder), folder / "plan.json")
