"""Damaged and hostile files through the whole border post: problems in words, never a traceback, a hang or no memory.

Run by hand: ``python -m tests.benchmarks.fuzz_readers [HOW_MANY] [FIRST]``. Each case is a tiny study with one file
spoiled; its number alone decides what is spoiled and how, so any case can be run again. Every case runs in a process
of its own with 20 s and 2 GiB of address space. Budget: 2,000 cases within 20 minutes on two cores.
"""

import multiprocessing
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from rasterio.shutil import copy

from allocator.inputs.read_study import check_study
from tests.unit.inputs.every_format import FORMATS, write_format
from tests.unit.inputs.small_inputs import ALBERS, NORTH, WEST, classes, tracts, write_raster

SECONDS, ADDRESS_BYTES = 20, 2 << 30
EXTRA_FORMATS = ("osm.pbf", *(("parquet",) if find_spec("pyarrow") else ()))
GOOD_ENDS = ("clean", "told", "told in general")
RASTERS = ("tif", "deflate.tif", "tiled.tif", "float.tif", "img", "asc", "vrt", "tif.zip")
ROLES = ("properties", "roads", "water", "exclusions", "sightings", "existing_traps", "cover_polygons")
RASTER_ROLES = ("land_cover", "elevation", "canopy")
ODD_NUMBERS = (
    b"1e308", b"-1e308", b"nan", b"inf", b"-inf", b"99999999999999999999", b"-1", b"0", b"", b"1e-320", b"0x7f",
)  # fmt: skip
ODD_VALUES: tuple[object, ...] = (
    None, "", " ", "=1+1", "(a+)+$", "<b>", "\x00", "é" * 300, 0, -1, 2**62, 1.5, float("nan"), float("inf"), True,
    b"\x00\xff", "1E5", "00123", "NULL", "\u202e", "a\nb",
)  # fmt: skip


@dataclass(frozen=True)
class Case:
    """What one number stands for."""

    number: int
    form: str
    role: str
    spoiling: str


def case_of(number: int) -> Case:
    """The same number gives the same case everywhere."""
    chance = random.Random(number)
    if chance.random() < 0.25:
        return Case(number, chance.choice(RASTERS), chance.choice(RASTER_ROLES), chance.choice(tuple(BYTES)))
    spoiling = chance.choice((*BYTES, "attributes", "shapes"))
    role = chance.choice(ROLES)
    form = chance.choice((*FORMATS, *(EXTRA_FORMATS if role in ("roads", "water") else EXTRA_FORMATS[1:])))
    return Case(number, form, role, spoiling)


def _random_bytes(data: bytes, chance: random.Random) -> bytes:
    return chance.randbytes(chance.choice((1, 16, 512, 20_000)))


def _truncated(data: bytes, chance: random.Random) -> bytes:
    return data[: chance.randrange(1, max(len(data), 2))]


def _flipped(data: bytes, chance: random.Random) -> bytes:
    out = bytearray(data)
    reach = chance.choice((len(out), min(len(out), 256)))
    for _ in range(chance.choice((1, 3, 30, 300))):
        out[chance.randrange(reach)] ^= 1 << chance.randrange(8)
    return bytes(out)


def _spliced(data: bytes, chance: random.Random) -> bytes:
    start, end = sorted(chance.randrange(len(data)) for _ in range(2))
    end = min(end, start + 4096)
    middle = chance.choice((b"", b"\x00" * (end - start), b"\xff" * (end - start), data[start:end] * 3))
    return data[:start] + middle + data[end:]


def _renumbered(data: bytes, chance: random.Random) -> bytes:
    """A few runs of digits in the file replaced by numbers that no file should hold."""
    out = data
    for _ in range(chance.choice((1, 3, 20))):
        digits = [at for at in range(len(out)) if out[at : at + 1].isdigit()]
        if not digits:
            return _flipped(data, chance)
        start = end = chance.choice(digits)
        while end < len(out) and out[end : end + 1] in b"0123456789.":
            end += 1
        out = out[:start] + chance.choice(ODD_NUMBERS) + out[end:]
    return out


def _unspoiled(data: bytes, chance: random.Random) -> bytes:
    return data


BYTES: dict[str, Callable[[bytes, random.Random], bytes]] = {
    "random bytes": _random_bytes, "truncated": _truncated, "flipped": _flipped, "spliced": _spliced,
    "renumbered": _renumbered,
}  # fmt: skip


def land(role: str) -> gpd.GeoDataFrame:
    """Good features for a role, in degrees."""
    frame = tracts(owner=["Peña", "Béla", "x", "y"], code=["90", "42", "11", "90"], highway=["track"] * 4)
    if role in ("roads", "water"):
        frame["geometry"] = [shapely.LineString(list(shape.exterior.coords)[:3]) for shape in frame.geometry]
    elif role in ("sightings", "existing_traps"):
        frame["geometry"] = frame.centroid
    return frame.to_crs(4326)


def odd_shapes(frame: gpd.GeoDataFrame, chance: random.Random) -> gpd.GeoDataFrame:
    """Some shapes made empty, flat, endless, collected, three-dimensional or far away."""

    def far(factor: float) -> Callable[[shapely.Geometry], shapely.Geometry]:
        return lambda shape: shapely.transform(shape, lambda xy: xy * factor)

    makers: tuple[Callable[[shapely.Geometry], shapely.Geometry | None], ...] = (
        lambda shape: None, lambda shape: type(shape)(), far(0.0), far(1e300), far(float("nan")), far(1e12), far(1.9),
        lambda shape: shapely.GeometryCollection([shape, shapely.Point(0, 0), shape.boundary]),
        lambda shape: shapely.force_3d(shape, float("inf")), lambda shape: shapely.Point(-84.0, 33.0),
        lambda shape: shapely.LineString([(-84, 33), (-84, 33)]), lambda shape: shapely.box(-180, -90, 180, 90),
        lambda shape: shapely.Polygon([(-84, 33), (-83, 34), (-83, 33), (-84, 34)]),
        lambda shape: shapely.union(shape, shapely.transform(shape, lambda xy: xy + np.array([0.0, 20.0]))),
        lambda shape: shape.buffer(0.001, 500),
    )  # fmt: skip
    shapes = [chance.choice(makers)(shape) if chance.random() < 0.6 else shape for shape in frame.geometry]
    return frame.set_geometry(gpd.GeoSeries(shapes, crs=frame.crs))


def odd_attributes(frame: gpd.GeoDataFrame, chance: random.Random) -> gpd.GeoDataFrame:
    """Columns of random types: whole columns of one kind of value, some values missing."""
    frame = frame.copy()
    kinds: tuple[Callable[[], object], ...] = (
        lambda: chance.choice(ODD_VALUES[:3]), lambda: chance.randrange(-(2**40), 2**40), chance.random,
        lambda: chance.random() < 0.5, lambda: np.datetime64(chance.randrange(0, 2_000_000_000), "s"),
        lambda: chance.choice([str(value) for value in ODD_VALUES]), lambda: float("nan"),
    )  # fmt: skip
    for column in ("tract", "owner", "code", "highway"):
        kind = chance.choice(kinds)
        frame[column] = [kind() for _ in range(len(frame))]
    return frame


def write_any_raster(folder: Path, form: str) -> Path:
    """A good raster of classes in one of the formats."""
    path, values = folder / f"raster.{form}", classes(60, 60)
    if form in ("vrt", "tif.zip"):
        inner = write_raster(folder / "inner.tif", values)
        if form == "vrt":
            copy(inner, path, driver="VRT")
        else:
            with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
                archive.write(inner, "county/inner.tif")
        return path
    more = {"deflate.tif": {"compress": "deflate"}, "tiled.tif": {"tiled": True, "blockxsize": 16, "blockysize": 16}}
    driver = {"img": "HFA", "asc": "AAIGrid"}.get(form, "GTiff")
    cells = values.astype("float32" if form == "float.tif" else "int32" if form == "asc" else "uint8")
    profile = {"driver": driver, "height": 60, "width": 60, "count": 1, "dtype": cells.dtype, "crs": ALBERS,
               "transform": Affine(30.0, 0.0, WEST, 0.0, -30.0, NORTH), **more.get(form, {})}  # fmt: skip
    with rasterio.open(path, "w", **profile) as target:
        target.write(cells, 1)
    return path


def spoil(case: Case, folder: Path) -> Path:
    """The study of a case, its file spoiled; gives the study file."""
    chance = random.Random(case.number + 1_000_003)
    if case.role in RASTER_ROLES:
        path = write_any_raster(folder, case.form)
    else:
        frame = land(case.role)
        change = {"attributes": odd_attributes, "shapes": odd_shapes}.get(case.spoiling)
        good = frame
        try:
            path = write_format(change(frame, chance) if change else frame, folder, case.form)
        except Exception:  # a format that cannot hold the oddity: its file as far as it got, or a flipped good one
            for left in folder.iterdir():
                shutil.rmtree(left) if left.is_dir() else left.unlink()
            path = write_format(good, folder, case.form)
    change_bytes = BYTES.get(case.spoiling, _unspoiled)
    targets = [path]
    if path.is_dir():
        targets = sorted(part for part in path.iterdir() if part.stat().st_size)
    elif case.form in ("shp", "tab"):
        targets = sorted(part for part in folder.glob("layer.*") if part.stat().st_size)
    target = chance.choice(targets)
    target.write_bytes(change_bytes(target.read_bytes(), chance))
    return _study(case, path, folder)


def _study(case: Case, path: Path, folder: Path) -> Path:
    name = {"kml": "Name", "kmz": "Name", "gpx": "name"}.get(case.form, "tract")
    here = {role: "" for role in ("properties", "land_cover")}
    tract_file, cover_file = folder / "good_tracts.gpkg", folder / "good_cover.tif"
    tracts().to_file(tract_file)
    write_raster(cover_file, classes(60, 60))
    here["properties"] = f'path = "{tract_file.name}"\nid = "tract"'
    here["land_cover"] = f'path = "{cover_file.name}"\nscheme = "nlcd"'
    table = f'path = "{path.name}"'
    if case.role == "properties":
        owner = "" if name != "tract" else '\nname = "owner"'
        here["properties"] = f'{table}\nid = "{name}"{owner}'
    elif case.role == "cover_polygons":
        here["land_cover"] = f'{table}\nscheme = "nlcd"\nclass_field = "{"code" if name == "tract" else name}"'
    elif case.role == "land_cover":
        here["land_cover"] = f'{table}\nscheme = "nlcd"'
    elif case.role == "roads" and name == "tract":
        here["roads"] = f'{table}\nclass_field = "highway"\nscheme = "osm"'
    else:
        here[case.role] = table
    inputs = "".join(f"[inputs.{role}]\n{text}\n" for role, text in here.items())
    study = folder / "study.toml"
    study.write_text(f'[study]\nname = "Fuzz"\nmargin_m = 300\n{inputs}', encoding="utf-8")
    return study


def outcome(case: Case, folder: Path) -> str:
    """``clean``, ``told`` (problems in words), ``told in general`` or the traceback that should not be."""
    study = spoil(case, folder)
    try:
        problems = check_study(study)
    except Exception:
        return traceback.format_exc()
    errors = [problem.message for problem in problems if problem.severity == "error"]
    if any("the data cannot be used" in message for message in errors):
        return "told in general"
    return "told" if errors else "clean"


@dataclass(frozen=True)
class Ended:
    """How the process of one case ended."""

    case: Case
    what: str
    seconds: float
    peak_mib: float


def run_alone(number: int) -> Ended:
    """One case in a forked process with limits."""
    case, folder = case_of(number), Path(tempfile.mkdtemp(prefix="fuzz"))
    started = time.perf_counter()
    child = os.fork()
    if child == 0:
        _in_child(case, folder)
    while True:
        done, status, usage = os.wait4(child, os.WNOHANG)
        if done:
            break
        if time.perf_counter() - started > SECONDS:
            os.kill(child, signal.SIGKILL)
        time.sleep(0.01)
    seconds = time.perf_counter() - started
    said = folder / "outcome.txt"
    what = said.read_text(encoding="utf-8", errors="replace") if said.exists() else f"ended with status {status}"
    shutil.rmtree(folder)
    return Ended(case, "took too long" if seconds > SECONDS else what, seconds, usage.ru_maxrss / 1024)


def _in_child(case: Case, folder: Path) -> None:
    try:
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        warnings.simplefilter("ignore")
        resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_BYTES, ADDRESS_BYTES))
        what = outcome(case, folder)
        (folder / "outcome.txt").write_text(what, encoding="utf-8", errors="replace")
    finally:
        os._exit(0)


def main(how_many: int = 2_000, first: int = 0) -> int:
    """Run the cases on all cores, print what was found; 1 where anything but problems in words was."""
    started, ended = time.perf_counter(), []
    with ProcessPoolExecutor(os.cpu_count(), multiprocessing.get_context("fork")) as pool:
        for one in pool.map(run_alone, range(first, first + how_many), chunksize=8):
            ended.append(one)
            if one.what not in ("clean", "told"):
                about = f"case {one.case.number}: {one.case.form} as {one.case.role}, {one.case.spoiling}"
                print(f"--- {about}\n{one.what[-1500:]}", flush=True)
    for key in ("form", "role", "spoiling"):
        print(key, dict(sorted(Counter(getattr(one.case, key) for one in ended).items())))
    print("ended", dict(Counter(one.what if one.what in GOOD_ENDS else "FAILED" for one in ended)))
    slow, large = max(ended, key=lambda one: one.seconds), max(ended, key=lambda one: one.peak_mib)
    print(f"longest {slow.seconds:.1f} s (case {slow.case.number}), most memory {large.peak_mib:,.0f} MiB "
          f"(case {large.case.number}), all in {time.perf_counter() - started:,.0f} s")  # fmt: skip
    return int(any(one.what not in GOOD_ENDS for one in ended))


if __name__ == "__main__":
    sys.exit(main(*(int(word) for word in sys.argv[1:])))
