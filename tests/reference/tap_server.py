"""The client of `starcal.catalogue` against a real TAP server on the loopback, not part of the tests.

Needs root, and Debian's packages gavodachs2-server (with PostgreSQL, pgsphere and q3c behind it).
It publishes a made sky of 50 000 stars as gaiadr3.gaia_source and
gaiadr3.synthetic_photometry_gspc, serves them on 127.0.0.1:8123, and asks. Type:

    apt-get install gavodachs2-server && pg_ctlcluster 15 main start && dpkg --configure -a
    python tests/reference/tap_server.py

It prints a line a check and ends with 1 if one failed.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

import numpy as np
from astropy.coordinates import SkyCoord
from astropy.table import Table

from starcal.catalogue import choose, deep, deep_build, embedded, services, transport
from starcal.catalogue.request import PROBE, FieldRequest
from starcal.catalogue.tap import query_table
from starcal.errors import CatalogueIncomplete, CatalogueUnreachable

USER = "dachsroot"
INPUTS = Path("/var/gavo/inputs/gaiadr3")
PORT = 8123
ADDRESS = f"http://127.0.0.1:{PORT}/tap"
FIELD = (305.6, 40.3, 1.0)
SETTINGS = (
    f"[web]\nbindAddress: 127.0.0.1\nserverPort: {PORT}\nserverURL: http://127.0.0.1:{PORT}\n"
)
N_FIELD, N_PLACE, N_SKY = 45_000, 1_000, 2_000


def made_sky(seed: int = 4) -> tuple[Table, Table]:
    """Stars in one field, at both poles, across RA 0, where the probe looks, and everywhere."""
    rng = np.random.default_rng(seed)
    circles = [
        (*FIELD, N_FIELD),
        (0.0, 90.0, 0.5, N_PLACE),
        (0.0, -90.0, 0.5, N_PLACE),
        (0.0, 10.0, 0.5, N_PLACE),
        (*PROBE[:3], 100),
        (0.0, 0.0, 180.0, N_SKY),
    ]
    places = [_places_in(rng, *circle) for circle in circles]
    ra, dec = np.concatenate(places, axis=1)
    n = len(ra)
    bp_rp = rng.uniform(0.1, 1.7, n)
    g = rng.uniform(8.0, 18.4, n)
    sources = Table(
        {
            "source_id": np.sort(rng.choice(6_900_000_000_000_000_000, n, replace=False)),
            "ra": ra,
            "dec": dec,
            "pmra": rng.normal(0, 20, n),
            "pmdec": rng.normal(0, 20, n),
            "parallax": np.full(n, 5.0),
            "parallax_over_error": np.full(n, 50.0),
            "phot_g_mean_mag": g,
            "phot_bp_mean_mag": g + bp_rp / 2,
            "phot_rp_mean_mag": g - bp_rp / 2,
            "phot_bp_mean_flux_over_error": np.full(n, 900.0),
            "phot_rp_mean_flux_over_error": np.full(n, 900.0),
        }
    )
    synthetic = Table({"source_id": sources["source_id"], "c_star": rng.normal(0, 0.002, n)})
    for band, mag in (("b", g + bp_rp), ("v", g + 0.1)):
        synthetic[f"{band}_jkc_mag"] = mag
        synthetic[f"{band}_jkc_flux"] = np.full(n, 100.0)
        synthetic[f"{band}_jkc_flux_error"] = np.full(n, 1.0)
        synthetic[f"{band}_jkc_flag"] = np.ones(n, int)
    return sources, synthetic[(g < 17.65) & (rng.uniform(size=n) < 0.7)]


def _places_in(rng, ra_deg, dec_deg, radius_deg, n) -> np.ndarray:
    """RA and Dec, evenly spread over a circle."""
    from astropy import units as u
    from astropy.coordinates import SkyCoord

    low = np.cos(np.radians(radius_deg))
    out = np.degrees(np.arccos(rng.uniform(low, 1.0, n)))
    centre = SkyCoord(ra_deg, dec_deg, unit="deg")
    there = centre.directional_offset_by(rng.uniform(0, 360, n) * u.deg, out * u.deg)
    return np.array([there.ra.deg, there.dec.deg])


def with_gaps(table: Table, rng) -> Table:
    """A copy, as text, in which one star of twenty has no colour, motion or parallax."""
    text = Table({name: table[name].astype(str) for name in table.colnames})
    blank = rng.uniform(size=len(table)) < 0.05
    for name in ("phot_bp_mean_mag", "pmra", "parallax"):
        text[name][blank] = ""
    return text


def published(sources: Table, synthetic: Table) -> None:
    """Write the description of both tables and have the server take them in."""
    shutil.rmtree(INPUTS, ignore_errors=True)
    INPUTS.mkdir(parents=True)
    tables = {"gaia_source": sources, "synthetic_photometry_gspc": synthetic}
    parts = []
    for name, table in tables.items():
        table.write(INPUTS / f"{name}.csv", format="ascii.csv", overwrite=True)
        columns = "\n".join(map(_column, table.colnames))
        mixin = ' mixin="//scs#q3cindex"' if name == "gaia_source" else ""
        parts.append(
            f'<table id="{name}" onDisk="True" adql="True" primary="source_id"{mixin}>\n{columns}\n'
            f'</table>\n<data id="import_{name}"><sources>{name}.csv</sources><csvGrammar/>'
            f'<make table="{name}"><rowmaker idmaps="*"/></make></data>'
        )
    meta = "".join(
        f'<meta name="{name}">{text}</meta>'
        for name, text in {
            "title": "A made sky",
            "description": "Stars that are none",
            "creationDate": "2026-01-01T00:00:00",
            "subject": "stars",
        }.items()
    )
    resource = f'<resource schema="gaiadr3">{meta}\n{"".join(parts)}\n</resource>\n'
    (INPUTS / "q.rd").write_text(resource)
    subprocess.run(["chown", "-R", USER, str(INPUTS)], check=True)
    as_user(["dachs", "imp", "gaiadr3/q"])


def _column(name: str) -> str:
    places = {"ra": "pos.eq.ra;meta.main", "dec": "pos.eq.dec;meta.main"}
    if name in places:
        return (
            f'<column name="{name}" type="double precision" ucd="{places[name]}" unit="deg"/>'
        )
    if name == "source_id" or name.endswith("_flag"):
        kind = "bigint" if name == "source_id" else "smallint"
        return f'<column name="{name}" type="{kind}"><values nullLiteral="-1"/></column>'
    return f'<column name="{name}" type="real"/>'


def as_user(command: list[str], **more) -> subprocess.CompletedProcess:
    """Run something as the server's user, with its settings."""
    setting = f"GAVOSETTINGS={settings_file()}"
    return subprocess.run(
        ["runuser", "-u", USER, "--", "env", setting, *command], check=True, cwd="/tmp", **more
    )


def settings_file() -> Path:
    """The server's settings, for the loopback."""
    path = Path(tempfile.gettempdir()) / "starcal-tap-server.rc"
    path.write_text(SETTINGS)
    path.chmod(0o644)
    return path


def serving() -> subprocess.Popen:
    """The server, once it answers."""
    setting = f"GAVOSETTINGS={settings_file()}"
    command = ["runuser", "-u", USER, "--", "env", setting, "dachs", "serve", "debug"]
    with (Path(tempfile.gettempdir()) / "starcal-tap-server.log").open("w") as log:
        server = subprocess.Popen(
            command, cwd="/tmp", stdout=log, stderr=log, start_new_session=True
        )
    for _ in range(120):
        try:
            with urllib.request.urlopen(f"{ADDRESS}/availability", timeout=5):
                return server
        except OSError:
            time.sleep(0.5)
    raise SystemExit("the server does not answer")


# --- checks -----------------------------------------------------------------------------


def expected_in(sources: Table, circle, limit_mag: float) -> np.ndarray:
    """Rows of the made sky that a request must bring."""
    request = FieldRequest("gaia", *circle, limit_mag)
    apart = request.separation_deg(sources["ra"], sources["dec"])
    inside = apart <= request.radius_deg + 0.01
    return np.flatnonzero(inside & (sources["phot_g_mean_mag"] < limit_mag + 0.05))


def checks(sources: Table, text: Table, synthetic: Table):
    """Each check: its name, and a function that gives a line of figures or raises."""

    def field(circle):
        def check() -> str:
            start = time.monotonic()
            answer = services.ask(FieldRequest("gaia", *circle, 18.35), timeout_s=300)
            rows = expected_in(sources, circle, 18.35)
            assert len(answer.table) == len(rows), (len(answer.table), len(rows))
            order, truth = (
                np.argsort(answer.table["dec_deg"]),
                rows[np.argsort(sources["dec"][rows])],
            )
            assert np.allclose(answer.table["ra_deg"][order], sources["ra"][truth], atol=1e-9)
            blank = text["pmra"][truth] == ""
            assert np.array_equal(np.isnan(answer.table["pmra_mas_yr"][order]), blank)
            known = np.isin(sources["source_id"][truth], synthetic["source_id"])
            assert np.array_equal(np.isfinite(answer.table["b_jkc_mag"][order]), known)
            seconds = time.monotonic() - start
            return f"{len(rows)} rows, {blank.sum()} without motion, {seconds:.1f} s"

        return check

    def refused(adql, words, job=True):
        def check() -> str:
            said = "no fault"
            try:
                query_table(
                    ADDRESS, adql, deadline=transport.Deadline(60), most_rows=100, job=job
                )
            except transport.Fault as fault:
                said = str(fault)
            assert words in said.lower(), said
            assert "HTTPError" not in said
            return said[:150]

        return check

    good = "SELECT TOP 5 ra FROM gaiadr3.gaia_source"
    return {
        "one field, 45 000 rows": field(FIELD),
        "north pole": field((123.0, 90.0, 0.4)),
        "south pole": field((0.0, -90.0, 0.4)),
        "RA 0": field((359.9, 10.0, 0.3)),
        "at once": lambda: str(
            len(
                query_table(
                    ADDRESS, good, deadline=transport.Deadline(60), most_rows=100, job=False
                )
            )
        ),
        "unknown table": refused("SELECT TOP 5 ra FROM gaiadr9.gaia_source", "gaiadr9"),
        "unknown column": refused("SELECT TOP 5 zebra FROM gaiadr3.gaia_source", "zebra"),
        "unknown column, at once": refused(
            "SELECT TOP 5 zebra FROM gaiadr3.gaia_source", "zebra", job=False
        ),
        "syntax error": refused("SELECT TOP FROM WHERE", "parse"),
        "fault while running": refused(
            "SELECT TOP 5 1/(source_id-source_id) AS x FROM gaiadr3.gaia_source", "zero"
        ),
        "more rows than allowed": _cut_off,
        "a time too short": _too_short,
        "a table renamed": _renamed,
        "a deep table": lambda: _deep_table(sources),
        "jobs left behind": _jobs_left,
    }


def _cut_off() -> str:
    try:
        services.ask(FieldRequest("gaia", *FIELD, 18.0), row_limit=1000, timeout_s=60)
    except CatalogueIncomplete as error:
        return str(error)[:90]
    raise AssertionError("no fault")


def _too_short() -> str:
    said = "no fault"
    try:
        services.ask(FieldRequest("gaia", *FIELD, 18.35), timeout_s=0.9)
    except CatalogueUnreachable as error:
        said = str(error)
    assert "no whole answer within" in said, said
    return said[:150]


def _renamed() -> str:
    from dataclasses import replace

    from starcal.catalogue import mirrors

    real = mirrors.TABLES["gaia"]
    mirrors.TABLES["gaia"] = (real[0], replace(real[1], name="gaiadr3.no_such_table"))
    try:
        choice = choose.stars_around("gaia", 0.0, 90.0, 0.2, limit_mag=14.0, timeout_s=100)
        return choice.notes[0][:120]
    finally:
        mirrors.TABLES["gaia"] = real


def _deep_table(sources: Table) -> str:
    """Twelve cells of the whole sky, those with over 6000 stars split."""
    deep_build.FIRST_ORDER, deep_build.PAUSE_S, deep_build.CELL_ROWS = 0, 0.0, 6000
    start = time.monotonic()
    made = deep_build.build_deep(Path(tempfile.mkdtemp()) / "deep.stars", 12.0)
    seconds = time.monotonic() - start
    known = embedded.cone(0.0, 0.0, 180.0, limit_mag=5.0)  # the real ones, which this sky lacks
    added = int(np.sum(np.isfinite(known.bv_mag) & ~known.bv_clamped))
    bright = int(np.sum(sources["phot_g_mean_mag"] < 12.0))  # V differs by 0.1 mag and less
    assert abs(made.rows - added - bright) < 0.05 * bright, (made.rows, added, bright)
    worst_arcsec = _worst_place(sources, made.path)
    return f"{made.rows} stars, {made.size_bytes} bytes, {seconds:.0f} s, {worst_arcsec:.2f} arcsec"


def _worst_place(sources: Table, path: Path) -> float:
    """How far off the table's places are at both poles and across RA 0; every star is there."""
    worst, bright = 0.0, sources[sources["phot_g_mean_mag"] < 11.5]
    places = SkyCoord(bright["ra"], bright["dec"], unit="deg")
    for ra, dec in ((77.0, 90.0), (0.0, -90.0), (359.95, 10.0)):
        stars = deep.deep_cone(ra, dec, 0.4, epoch_yr=2016.0, path=path)
        inside = places.separation(SkyCoord(ra, dec, unit="deg")).deg < 0.399
        found = SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg")
        row, off, _ = places[inside].match_to_catalog_sky(found)
        assert len(np.unique(row)) == np.sum(inside) > 50, (ra, dec, len(row))
        worst = max(worst, float(off.arcsec.max()))
    assert worst < 0.2, worst  # half a step of 0.264 in each direction
    return worst


def _jobs_left() -> str:
    time.sleep(1)
    with urllib.request.urlopen(f"{ADDRESS}/async", timeout=20) as page:
        count = page.read().decode().count("<uws:jobref")
    assert count == 0, count
    return "none"


def main() -> int:
    """Set up, serve, ask."""
    os.environ["STARCAL_GAIA_URL"] = ADDRESS
    os.environ["STARCAL_CACHE"] = tempfile.mkdtemp()
    sources, synthetic = made_sky()
    text = with_gaps(sources, np.random.default_rng(5))
    published(text, synthetic)
    server, failed = serving(), 0
    try:
        for name, check in checks(sources, text, synthetic).items():
            try:
                print(f"{name}: {check()}", flush=True)
            except Exception as error:
                failed += 1
                print(f"{name}: FAILED: {type(error).__name__} {error}", flush=True)
    finally:
        os.killpg(server.pid, 15)
    return min(failed, 1)


if __name__ == "__main__":
    sys.exit(main())
