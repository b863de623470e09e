"""`starcal catalogue build` killed at random instants over a made sky, not part of the tests.

200 000 stars on the loopback, given 4000 at a time; the command is killed without warning as often
as asked, begun again each time, and its table compared with the sky star by star. Type:

    python tests/reference/whole_sky.py [STARS [KILLS [FOLDER]]]

In a FOLDER where it was itself stopped it goes on.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from astropy.coordinates import SkyCoord

sys.path.insert(0, str(Path(__file__).parents[1]))

import fake_services

from starcal.catalogue import deep, embedded

LIMIT_MAG = 13.0
WITHOUT_PAUSE = (
    "from starcal.catalogue import deep_build, tap; deep_build.PAUSE_S = 0.0; "
    "tap.FIRST_POLL_S = 0.01; from starcal.cli.main import main; import sys; "
    "sys.exit(main(['catalogue', 'build', '--limit', '13', '--json']))"
)


def main() -> int:
    """Build, kill, build on, compare."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    kills = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    folder = Path(sys.argv[3] if len(sys.argv) > 3 else tempfile.mkdtemp())
    folder.mkdir(exist_ok=True)
    path = folder / "sky.stars"
    os.environ |= {"STARCAL_DEEP": str(path), "STARCAL_CACHE": str(folder / "cache")}
    sky, gaia, gspc = fake_services.whole_sky(n)
    rng = np.random.default_rng(7)
    with fake_services.running() as fake:
        fake.tables |= {
            "gaiadr3.gaia_source": gaia,
            "gaiadr3.synthetic_photometry_gspc": gspc,
        }
        fake.most_rows = 4000
        os.environ["STARCAL_GAIA_URL"] = f"{fake.address}/tap"
        start = time.monotonic()
        for _ in range(kills):
            building = subprocess.Popen([sys.executable, "-c", WITHOUT_PAUSE])
            until = len(fake.questions) + rng.integers(1, 15)
            while len(fake.questions) < until and building.poll() is None:
                time.sleep(0.005)
            time.sleep(rng.uniform(0.0, 0.4))
            building.kill()
            building.wait()
            parts = len(list(Path(f"{path}.parts").glob("*.part")))
            print(f"killed with {parts} cells, {len(fake.questions)} questions", flush=True)
        ended = subprocess.run([sys.executable, "-c", WITHOUT_PAUSE], check=True)
        seconds = time.monotonic() - start
        asked = len(fake.questions)
    print(f"{ended.returncode}: {asked} questions, {len(set(fake.questions))} of them new")
    print(f"{seconds:.0f} s, {path.stat().st_size} bytes")
    left = [
        file.name for file in path.parent.iterdir() if file.name not in (path.name, "cache")
    ]
    deep.verify_deep()
    return compared(sky, left)


def compared(sky, left: list[str]) -> int:
    """Every star of the sky against the table, circle by circle, and how long a circle takes."""
    places = SkyCoord(sky.ra, sky.dec, unit="deg")
    rng = np.random.default_rng(8)
    circles = [(0, 90, 2), (0, -90, 2), (0, 0, 2), (359.5, 0.3, 1)]
    middles = zip(rng.uniform(0, 360, 200), rng.uniform(-90, 90, 200), strict=True)
    circles += [(ra, dec, 5.0) for ra, dec in middles]
    seen, worst, took, embedded_took = 0, 0.0, [], []
    for ra, dec, radius in circles:
        start = time.perf_counter()
        stars = deep.deep_cone(ra, dec, radius, epoch_yr=2016.0)
        took.append(time.perf_counter() - start)
        start = time.perf_counter()
        embedded.cone(ra, dec, radius, epoch_yr=2016.0)
        embedded_took.append(time.perf_counter() - start)
        apart = places.separation(SkyCoord(ra, dec, unit="deg")).deg
        inside = np.flatnonzero((apart < radius - 0.001) & (sky.v < LIMIT_MAG - 0.05))
        stars = stars.select(stars.bv_source != "Tycho-2")
        row, off, _ = places[inside].match_to_catalog_sky(
            SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg")
        )
        alike = len(inside) - len(np.unique(row))  # pairs closer than the steps of places
        assert alike <= 1e-4 * len(inside) + 1, (ra, dec, alike)
        seen, worst = seen + len(inside), max(worst, off.arcsec.max(initial=0))
    rows = deep.deep_info().rows
    brightest = embedded.cone(0, 0, 180, limit_mag=5.0)  # of Tycho-2, which the made sky lacks
    sure = np.isfinite(brightest.bv_mag) & ~brightest.bv_clamped
    expected = int(np.sum(sky.v <= LIMIT_MAG) + np.sum(sure))
    print(f"{rows} rows, {expected} stars above the limit; {seen} looked for and found")
    print(f"worst place {worst:.3f} arcsec; left behind: {left}")
    print(
        f"median circle {1e3 * np.median(took):.1f} ms, embedded {1e3 * np.median(embedded_took):.1f}"
    )
    return int(worst > 0.2 or abs(rows - expected) > 0.01 * expected or bool(left))


if __name__ == "__main__":
    sys.exit(main())
