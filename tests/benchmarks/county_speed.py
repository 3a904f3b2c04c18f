"""Speed of the way from files to acres, patches and candidates, beside a floor that no such program goes under.

    python tests/benchmarks/county_speed.py [--cells 20e6] [--parcels 50000] [--county FOLDER] [--analyst SCRIPT]

Makes an invented county (or takes a folder with ``study.toml``) and runs, each in a process of its own and one after
the other, several times over: the floor (decode the land cover once, read the parcels with arrow, write them as a
GeoPackage with an index), our way to a GeoPackage with properties, habitat and candidates, on one worker and on two,
and, if given, an analyst's script called as ``SCRIPT FOLDER OUT.gpkg``. Seconds are of the processor and leave out
imports, which stand apart. Beside two workers stands a probe: two processes at once that do plain arithmetic.
Candidates here are spots that keep every limit but the way on foot; ranges, sites and field work are not part of it.
"""

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace

BAR_FLOOR, BAR_ANALYST = 4.0, 20.0
PROBE = "import time, numpy as np\na = np.random.default_rng(1).random((400, 400))\nt = time.perf_counter()\n" \
        "while time.perf_counter() - t < 0.2: pass\nfor _ in range(250): a = np.sin(a) + 1\n"  # fmt: skip


def floor(folder: Path, out: Path) -> dict[str, float]:
    """Decode, read and write; nothing is worked out."""
    import pyogrio
    import rasterio

    start = _clocks()
    with rasterio.open(_named(folder, "landcover.tif", "cover.tif")) as file:
        file.read(1)
    frame = pyogrio.read_dataframe(folder / "parcels.gpkg", use_arrow=True)
    pyogrio.write_dataframe(frame, out, layer="parcels", driver="GPKG", use_arrow=True)
    return _spent(start) | {"parcels": len(frame)}


def ours(folder: Path, out: Path, workers: int) -> dict[str, float]:
    """Properties with their acres, patches and candidates in a GeoPackage."""
    import numpy as np
    import pandas as pd
    import shapely

    from allocator import read_study
    from allocator.core.progress import silent
    from allocator.core.units import acres
    from allocator.grid.land import land_reader
    from allocator.grid.run import run_tiles
    from allocator.grid.tile_files import tile_files
    from allocator.habitat.patches import tile_patches
    from allocator.habitat.season import join_habitat
    from allocator.habitat.tile import score_tile, sum_tile
    from allocator.outputs.columns import columns_of
    from allocator.outputs.geopackage import Layer, plan_layer, write_layers
    from allocator.sites.access import Ways
    from allocator.sites.candidates import measure_candidates
    from allocator.sites.measured import Measurer
    from allocator.sites.roads import TruckRoads
    from allocator.sites.spots import find_spots, join_spots
    from allocator.summary.frames import habitat_frame
    from allocator.summary.site_frames import candidate_frame

    class OnFoot:
        """Takes every spot as reached."""

        def ways(self, spots, points, *, furthest_m):
            return Ways(np.zeros(len(points)), np.full(len(points), None, object))

    start = _clocks()
    study = read_study(folder / "study.toml")
    grid, reader = study.grid, land_reader(study)

    with tile_files() as files:

        def survey(window):
            land = reader.land(window)
            tile = score_tile(land, study, study.planned)
            return tile_patches(tile, grid, files), sum_tile(land, tile), find_spots(land, tile, study)

        tiles = run_tiles(grid.tiles(reader.tile_cells), survey, workers=workers, progress=silent)
        pieces, sums, spots = zip(*tiles, strict=True)
        habitat = join_habitat(pieces, sums, study, study.planned)
    del tiles, pieces, sums
    patches, areas = habitat.patches, habitat.areas
    measurer = Measurer(study, TruckRoads(study), patches.shapes, patches.outlined)
    near = join_spots(spots, grid, study.settings.sites, patches.outlined)
    del spots
    found = measure_candidates(near, measurer, OnFoot(), workers=workers)
    number = len(study.properties.ids)
    values = {
        "property_id": np.array(study.properties.ids, object),
        "name": np.array(study.properties.names, object),
        "area_acres": acres(shapely.area(study.properties.shapes)),
        "habitat_acres": acres(np.bincount(areas.pair_property, areas.pair_m2, number)),
        "habitat_units_acres": acres(np.bincount(areas.pair_property, areas.pair_units_m2, number)),
    }
    none = SimpleNamespace(candidate=np.empty(0, np.int64))
    frames = {
        "habitat": habitat_frame(study, patches, habitat.complexes),
        "candidates": candidate_frame(study, SimpleNamespace(candidates=found), none),
    }
    layers = [plan_layer(name, frame, grid.crs_wkt) for name, frame in frames.items()]
    outlines = shapely.to_wkb(study.properties.shapes, output_dimension=2)
    layers.insert(0, Layer("properties", pd.DataFrame(values), "MultiPolygon", outlines))
    columns = [one for one in columns_of("properties") if one.column in values]
    columns += [one for name in frames for one in columns_of(name)]
    write_layers(layers, out, crs_wkt=grid.crs_wkt, columns=columns)
    return _spent(start) | {
        "parcels": number, "cells": grid.rows * grid.columns, "patches": len(patches.shapes),
        "candidates": len(found.quality), "habitat_acres": round(acres(areas.covered_m2), 3),
    }  # fmt: skip


def _named(folder: Path, *names: str) -> Path:
    return next(folder / name for name in names if (folder / name).exists())


def _clocks() -> tuple[float, float]:
    return time.process_time(), time.perf_counter()


def _spent(start: tuple[float, float]) -> dict[str, float]:
    """Seconds since a start, those before it (imports), and the most memory in MiB."""
    now = _clocks()
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"seconds": now[0] - start[0], "wall": now[1] - start[1], "start_up": start[0], "mib": memory}


def _run(part: str, folder: Path) -> dict[str, float]:
    """One part in a process of its own."""
    with tempfile.TemporaryDirectory() as place:
        command = [sys.executable, "-W", "ignore", __file__, "--part", part, "--county", str(folder)]
        done = subprocess.run([*command, "--out", f"{place}/out.gpkg"], capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def _run_analyst(script: str, folder: Path) -> dict[str, float]:
    """A script of somebody else's; its own imports count, since nothing says when they end."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as place:
        command = [sys.executable, "-W", "ignore", script, str(folder), f"{place}/out.gpkg"]
        subprocess.run(command, capture_output=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return {"seconds": seconds, "wall": time.perf_counter() - start, "start_up": 0.0, "mib": after.ru_maxrss / 1024}


def _probe() -> float:
    """How much faster two processes at once are than one after the other: 2 on two free cores, 1 on one."""
    times = []
    for count in (1, 2):
        start = time.perf_counter()
        for process in [subprocess.Popen([sys.executable, "-c", PROBE]) for _ in range(count)]:
            process.wait()
        times.append(time.perf_counter() - start)
    return 2 * times[0] / times[1]


def _compare(folder: Path, repeats: int, analyst: str | None) -> None:
    parts = ("floor", "one", "two")
    found: dict[str, list[dict[str, float]]] = {part: [] for part in parts}
    ratios, gains, probes = [], [], []
    for _ in range(repeats):
        for part in parts:
            found[part].append(_run(part, folder))
        probes.append(_probe())
        ratios.append(found["one"][-1]["seconds"] / found["floor"][-1]["seconds"])
        gains.append(found["one"][-1]["wall"] / found["two"][-1]["wall"])
        if analyst is not None:
            found.setdefault("analyst", []).append(_run_analyst(analyst, folder))
    one = found["one"][0]
    print(", ".join(f"{one[name]:,} {name.replace('_', ' ')}" for name in
                    ("cells", "parcels", "patches", "candidates", "habitat_acres")))  # fmt: skip
    print(f"{'':10}{'processor s':>12}{'wall s':>9}{'start-up s':>12}{'peak MiB':>10}")
    for part, runs in found.items():
        middle = [statistics.median(run[name] for run in runs) for name in ("seconds", "wall", "start_up", "mib")]
        print(f"{part:10}{middle[0]:12.2f}{middle[1]:9.2f}{middle[2]:12.2f}{middle[3]:10.0f}")
    print(f"ours over floor: {statistics.median(ratios):.1f} (bar: at most {BAR_FLOOR:g})")
    if analyst is not None:
        for part, kind in (("one", "seconds"), ("two", "wall")):
            pairs = zip(found["analyst"], found[part], strict=True)
            times = statistics.median(theirs[kind] / mine[kind] for theirs, mine in pairs)
            what = {"seconds": "processor, one worker", "wall": "wall, two workers"}[kind]
            print(f"analyst over ours ({what}): {times:.1f} (bar: at least {BAR_ANALYST:g})")
    print(f"two workers: {statistics.median(gains):.2f} times as fast; two processes of the probe: "
          f"{statistics.median(probes):.2f}")  # fmt: skip


def main() -> None:
    """Read the command line and compare."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cells", type=float, default=20e6)
    parser.add_argument("--parcels", type=int, default=50_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--county", type=Path, help="a folder with study.toml, parcels.gpkg and the land cover")
    parser.add_argument("--analyst", help="a script to compare with")
    parser.add_argument("--part", choices=("floor", "one", "two"), help=argparse.SUPPRESS)
    parser.add_argument("--out", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.part == "floor":
        print(json.dumps(floor(asked.county, asked.out)))
    elif asked.part:
        print(json.dumps(ours(asked.county, asked.out, {"one": 1, "two": 2}[asked.part])))
    elif asked.county is not None:
        _compare(asked.county, asked.repeats, asked.analyst)
    else:
        from county_data import make_county

        with tempfile.TemporaryDirectory() as place:
            make_county(Path(place), round(asked.cells), asked.parcels)
            _compare(Path(place), asked.repeats, asked.analyst)


if __name__ == "__main__":
    main()
