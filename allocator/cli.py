"""The command line: a command reads, calls one function, writes. Heavy imports stay inside the commands."""

import json
import logging
import os
import sys
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager, nullcontext, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from allocator.console import STOP, Stopped, told_in_lines
from allocator.core.errors import AllocatorError
from allocator.core.progress import Progress, part_of, silent

app = typer.Typer(
    name="allocator",
    help="From property lines and land cover to feral swine habitat, corral trap counts and sites a crew can reach.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

StudyFile = Annotated[Path, typer.Argument(metavar="STUDY.toml", help="The study file.")]
Overrides = Annotated[list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="Use another value, once.")]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace a folder that an earlier plan made.")]
AsJson = Annotated[bool, typer.Option("--json", help="As JSON.")]
Reports = Annotated[
    list[str] | None, typer.Option("--report", metavar="pdf|docx", help="Write the report in this form too.")
]
Dask = Annotated[
    str | None,
    typer.Option("--dask", metavar="ADDRESS", help="Let a Dask cluster do the tiles, such as tcp://HOST:8786."),
]
MOST_WORKERS = 4
"""Threads that are used unasked: each holds a tile, about 100 MB, of cells of 1 m some 300 MB."""
Workers = Annotated[
    int | None,
    typer.Option(min=1, max=64, help=f"Threads to use; absent: one for each core, at most {MOST_WORKERS}."),
]
READ_PART, WRITE_PART = 0.1, 0.55
"""Where, of the whole run, reading ends and writing begins: about so from a district to a state."""
TileCells = Annotated[
    int | None,
    typer.Option(
        min=64, max=16384, help="Side of a tile in cells; the plan is the same with any. Absent: what is quick here."
    ),
]


@app.callback()
def options(
    context: typer.Context,
    verbose: Annotated[int, typer.Option("-v", count=True, help="Say more.")] = 0,
    quiet: Annotated[bool, typer.Option("-q", help="Say only what is wrong.")] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show where in the code a fault arose.")] = False,
) -> None:
    """From property lines and land cover to feral swine habitat, corral trap counts and sites a crew can reach."""
    context.obj = {"quiet": quiet, "debug": debug}
    level = logging.ERROR if quiet else (logging.WARNING, logging.INFO, logging.DEBUG)[min(verbose, 2)]
    logging.basicConfig(level=level, format="%(levelname)s %(name)s: %(message)s", force=True)
    logging.getLogger().handlers[0].setLevel(level)  # a log file may take more than the screen


@app.command()
def demo(
    context: typer.Context,
    out: Annotated[Path, typer.Option(help="Folder for the plan.")] = Path("demo_plan"),
    overwrite: Overwrite = False,
) -> None:
    """Plan the invented district that comes with the tool, with no network, and say where the map is."""
    from allocator.inputs.demo import demo_study_file

    _plan(context, demo_study_file(), out=out, overwrite=overwrite)


@app.command()
def start(folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder.")]) -> None:
    """Write a study file with comments and a folder for your inputs."""
    from allocator.outputs.starter import write_starter

    path = write_starter(folder)
    _say(f"Wrote {path}. Put your files into {folder / 'inputs'}, edit the study file, then: allocator check {path}")


@app.command()
def check(study: StudyFile, overrides: Overrides = None, as_json: AsJson = False) -> None:
    """Read everything, say of every input what it holds and of every problem what to do; write nothing."""
    from allocator.inputs.read_study import look_at_study
    from allocator.outputs.check_words import check_record, check_words

    checked = look_at_study(study, overrides or ())
    _say(json.dumps(check_record(checked), indent=2) if as_json else check_words(checked))
    if checked.study is None:
        raise typer.Exit(2)


@app.command()
def plan(
    context: typer.Context,
    study: StudyFile,
    out: Annotated[Path, typer.Option(help="Folder for the plan.")],
    overrides: Overrides = None,
    overwrite: Overwrite = False,
    workers: Workers = None,
    tile_cells: TileCells = None,
    dask: Dask = None,
    reports: Reports = None,
) -> None:
    """Habitat acres, trap counts and sites, as a map, a GeoPackage and tables."""
    _plan(
        context, study, out=out, overwrite=overwrite, overrides=overrides or [], workers=workers,
        tile_cells=tile_cells, reports=reports or (), dask=dask,
    )  # fmt: skip


@app.command()
def explain(
    study: StudyFile,
    at: Annotated[str, typer.Option(metavar="LAT,LON", help="A point in degrees, WGS 84; west is negative.")],
    overrides: Overrides = None,
) -> None:
    """Why a place has its score: every component, its raw value, its index, its source."""
    from allocator.explain import explain_point
    from allocator.inputs.read_study import read_study

    _say(explain_point(read_study(study, overrides or ()), at))


@app.command()
def compare(
    one: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of a plan.")],
    other: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of another plan.")],
    as_json: AsJson = False,
) -> None:
    """What changed from one plan to another: totals, settings, inputs, properties, sites."""
    from allocator.compare import compare_plans, comparison_words
    from allocator.inputs.plan_folder import read_plan_folder
    from allocator.outputs.folder_swap import put_back

    for folder in (one, other):
        put_back(folder)
    plans = read_plan_folder(one), read_plan_folder(other)
    found = compare_plans(*plans)
    as_text = json.dumps(found, indent=2, sort_keys=True, default=str) if as_json else comparison_words(*plans, found)
    _say(as_text)


@app.command()
def share(
    context: typer.Context,
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of a plan.")],
    audience: Annotated[str, typer.Option(metavar="partner|public", help="Who will see the copy.")],
    out: Annotated[Path, typer.Option(help="New folder for the copy.")],
    title: Annotated[str, typer.Option(help="Stands on the copy in place of the study's name.")] = (
        "Feral swine trap plan"
    ),
    least: Annotated[int, typer.Option(help="Public: no sum of fewer properties is told; 3 or more.")] = 5,
    side_miles: Annotated[float, typer.Option(help="Public: side of the squares in miles.")] = 5.0,
    areas: Annotated[
        str | None,
        typer.Option(metavar="FILE[:LAYER]", help="Public: polygons in place of squares, such as watersheds."),
    ] = None,
) -> None:
    """A copy of a plan with what an audience may see and nothing else."""
    from allocator.outputs.shared_copy import check_new_folder, write_shared_copy
    from allocator.share import share_plan

    check_new_folder(out)
    copy = share_plan(folder, audience, title=title, least=least, side_miles=side_miles, areas=areas)
    written = write_shared_copy(copy, out)
    if not context.obj["quiet"]:
        if copy.undecided:
            _say(f"Left out, because nobody has decided who may see it: {', '.join(copy.undecided)}")
        _say(f"Copy for {audience}: {written / 'shared.html'}. Read {written / 'notes.txt'} before it is handed on.")


@app.command()
def schemes(name: Annotated[str | None, typer.Argument(help="A scheme; without it, all are listed.")] = None) -> None:
    """Schemes of land cover, roads and water that come with the tool: classes, default scores, sources."""
    from allocator.core.errors import SettingsError
    from allocator.inputs.road_schemes import ROAD_SCHEMES, read_road_scheme
    from allocator.inputs.schemes import COVER_SCHEMES, read_scheme
    from allocator.inputs.water import WATER_SCHEMES, read_water_scheme

    if name is None:
        _say(f"land cover: {', '.join(COVER_SCHEMES)}\nroads: {', '.join(ROAD_SCHEMES)}")
        _say(f"water: {', '.join(WATER_SCHEMES)}")
    elif name in ROAD_SCHEMES:
        roads = read_road_scheme(name, Path.cwd())
        _say("\n".join(f"{code:>14}  {use:7}  {roads.names[code]}" for code, use in roads.truck.items()))
    elif name in WATER_SCHEMES:
        water = read_water_scheme(name, Path.cwd())
        _say("\n".join(f"{code:>6}  {kind:9}  {water.names[code]}" for code, kind in water.kinds.items()))
    elif name in COVER_SCHEMES or name.endswith(".csv"):
        for one in read_scheme(name, Path.cwd()).classes:
            score = "-" if one.score != one.score else f"{one.score:g}"
            water_words = "" if one.water == "no" else one.water
            crops = f" ({', '.join(one.crops)})" if one.crops else ""
            _say(f"{one.code:>6}  {score:>5}  {water_words:9}  {one.group:18}  {one.name}{crops}  [{one.source}]")
    else:
        names = ", ".join((*COVER_SCHEMES, *ROAD_SCHEMES, *WATER_SCHEMES))
        raise SettingsError(f"{name!r} is no scheme; expected one of {names}, or the path of a CSV.")


@app.command()
def profiles(name: Annotated[str | None, typer.Argument(help="A profile; without it, all are listed.")] = None) -> None:
    """Regional starting values for the score: what each is for, how much it is worth, what it changes."""
    from allocator.core.errors import SettingsError
    from allocator.core.settings import read_profile, shipped_profiles

    if name is not None and name not in shipped_profiles():
        raise SettingsError(f"{name!r} is no profile; expected one of {', '.join(shipped_profiles())}.")
    for one in (name,) if name else shipped_profiles():
        told = read_profile(one)
        _say(f"{one}: {told['name']}\n  {' '.join(told['note'].split())}\n  source: {told['source']}")
        _say(f"  changes: {json.dumps(told['habitat'])}\n")


@app.command()
def settings(schema: Annotated[bool, typer.Option("--schema", help="As JSON Schema.")] = False) -> None:
    """Every setting: meaning, unit, default, source."""
    from allocator.core.settings import Settings, read_defaults

    if schema:
        _say(json.dumps(Settings.model_json_schema(), indent=2))
        return

    def show(table: dict[str, Any], name: str) -> None:
        if "value" in table:
            _say(f"{name} = {json.dumps(table['value'])}  ({table['unit']})")
            _say(f"    {table['meaning']}\n    source: {table['source']}")
            return
        for key, part in table.items():
            show(part, f"{name}.{key}" if name else key)

    show(read_defaults(), "")


def _plan(
    context: typer.Context, study_file: Path, *, out: Path, overwrite: bool, overrides: list[str] | None = None,
    workers: int | None = None, tile_cells: int | None = None, reports: Collection[str] = (), dask: str | None = None,
) -> None:  # fmt: skip
    from allocator.cluster import DaskTiles
    from allocator.inputs.read_study import read_study
    from allocator.outputs.folder_swap import claim
    from allocator.outputs.plan_words import plan_words
    from allocator.outputs.write_plan import check_reports, check_target, refuse_to_drop, write_plan
    from allocator.plan import plan_traps
    from allocator.run_log import run_log

    started, quiet = datetime.now(UTC), context.obj["quiet"]
    check_reports(reports)
    target = check_target(out, overwrite)
    with _stopping_in_words(target):
        with claim(target), run_log(target) as note, _progress(quiet, note) as progress:
            progress(0.0, "reading inputs")
            study = read_study(study_file, overrides or ())
            for problem in study.problems:
                note(f"{problem.severity}: {problem.source}: {problem.message}")
            refuse_to_drop(target, study)
            steps = part_of(progress, READ_PART, WRITE_PART)
            shared = None if dask is None else target.parent  # workers elsewhere see it as they see the study
            with nullcontext(workers or _cores()) if dask is None else DaskTiles(dask, target.parent) as pool:
                made = plan_traps(study, workers=pool, tile_cells=tile_cells, progress=steps, scratch=shared)
            progress(WRITE_PART, "writing the plan")
            folder = write_plan(made, out, overwrite=overwrite, started=started, reports=reports)
            for warning in made.warnings:
                note(f"warning: {warning}")
        if not quiet:
            _say(plan_words(made, folder))


def _cores() -> int:
    """Cores that this process may use, at most ``MOST_WORKERS``."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(usable, MOST_WORKERS)


@contextmanager
def _stopping_in_words(target: Path) -> Iterator[None]:
    """Say of a run that was told to stop what is in its folder now."""

    def now() -> tuple[int, int] | None:
        with suppress(OSError):
            found = target.stat()
            return found.st_dev, found.st_ino
        return None

    before = now()
    try:
        yield
    except BaseException as error:
        if not STOP.requested:
            raise
        if now() != before:
            raise Stopped(f"stopped; the plan had just been written and is whole: {target}") from error
        as_it_was = f"; the plan in {target} is as it was" if before else ""
        raise Stopped(f"stopped; nothing was written{as_it_was}") from error


@contextmanager
def _progress(quiet: bool, note: Callable[[str], None]) -> Iterator[Progress]:
    """A bar on a terminal, plain lines elsewhere; lines in the log always."""
    log = told_in_lines(note)

    def told(show: Progress) -> Progress:
        def report(fraction: float, message: str) -> None:
            STOP.check()
            show(fraction, message)
            log(fraction, message)

        return report

    if quiet:
        yield told(silent)
    elif sys.stderr.isatty():
        from rich.console import Console
        from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
        from rich.progress import Progress as Bar

        columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
        with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task("starting", total=1.0)
            yield told(lambda fraction, message: bar.update(task, completed=fraction, description=message))
    else:
        yield told(told_in_lines(lambda line: typer.echo(line, err=True)))


def _say(text: str) -> None:
    typer.echo(text)


def _flags_first(arguments: list[str]) -> list[str]:
    """Arguments with -v, -q and --debug moved to the front, so that they may stand anywhere."""
    flags = ("-v", "-vv", "-q", "--debug")
    return [one for one in arguments if one in flags] + [one for one in arguments if one not in flags]


def main() -> None:
    """Run the command line; the way out for every mistake of the user's is one clear message and status 2."""
    with STOP.listening():
        _run("--debug" in sys.argv)


def _run(debug: bool) -> None:
    try:
        app(_flags_first(sys.argv[1:]))
    except (Stopped, KeyboardInterrupt) as error:
        _end_stopped(str(error))
    except AllocatorError as error:
        if debug:
            raise
        for message in error.messages:
            typer.secho(f"error: {message}", fg="red", err=True)
        sys.exit(2)
    except Exception as error:
        if STOP.requested:  # a stop that came out of another's code as its own error
            _end_stopped("")
        if debug:
            raise
        typer.secho(f"fault of the tool: {type(error).__name__}: {error}", fg="red", err=True)
        typer.secho("run the same command with --debug to see where, and report it", fg="red", err=True)
        sys.exit(1)


def _end_stopped(words: str) -> None:
    STOP.ignore()
    typer.secho(words or "stopped; nothing was written", fg="red", err=True)
    sys.exit(130)
