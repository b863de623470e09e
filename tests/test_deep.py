"""The deep table: made of a whole sky on the loopback, stopped and gone on with, read back."""

import fake_services
import numpy as np
import pytest
from astropy.coordinates import SkyCoord

from starcal.catalogue import (
    choose,
    deep,
    deep_build,
    deep_pack,
    dust,
    embedded,
    tap,
    transport,
)
from starcal.catalogue.johnson import v_from_gaia
from starcal.errors import CatalogueDamaged, CatalogueError, CatalogueUnreachable, OutputError

LIMIT_MAG = 13.0


@pytest.fixture(scope="module")
def sky():
    return fake_services.whole_sky(2500)


@pytest.fixture
def service(sky, monkeypatch, tmp_path):
    """The made sky at a service that gives no more than 300 rows at once."""
    monkeypatch.setattr(transport, "RETRY_PAUSE_S", 0.01)
    monkeypatch.setattr(tap, "FIRST_POLL_S", 0.005)
    monkeypatch.setattr(deep_build, "PAUSE_S", 0.0)
    monkeypatch.setattr(deep_build, "FIRST_ORDER", 0)
    monkeypatch.setenv("STARCAL_CACHE", str(tmp_path / "cache"))
    monkeypatch.setenv("STARCAL_DEEP", str(tmp_path / "sky.stars"))
    with fake_services.running() as fake:
        _, gaia, gspc = sky
        fake.tables |= {
            "gaiadr3.gaia_source": gaia,
            "gaiadr3.synthetic_photometry_gspc": gspc,
        }
        fake.most_rows = 300
        monkeypatch.setenv("STARCAL_GAIA_URL", f"{fake.address}/tap")
        yield fake


@pytest.mark.slow
def test_the_whole_sky_stopped_and_gone_on_with(service, sky, tmp_path, monkeypatch):
    path, parts = tmp_path / "sky.stars", tmp_path / "sky.stars.parts"
    service.faults[:] = [""] * 7 + ["status 404"]
    with pytest.raises(CatalogueUnreachable, match=r"% of the sky is kept.*catalogue build"):
        deep_build.build_deep(path, LIMIT_MAG)
    before = {file.name: file.read_bytes() for file in parts.glob("*.part")}
    assert len(before) > 2
    assert len(list(parts.glob("*.split"))) > 0  # more than 300 stars in a twelfth of the sky
    with pytest.raises(CatalogueError, match="--limit 13"):
        deep_build.build_deep(path, 12.0)
    damaged = parts / sorted(before)[0]
    damaged.write_bytes(before[damaged.name][:-1] + b"x")
    asked, seen = len(service.questions), []
    made = deep_build.build_deep(
        path, LIMIT_MAG, progress=lambda text, share: seen.append(share)
    )
    again = service.questions[asked:]
    assert sum("source_id >=" in question for question in again) == len(again)
    assert len(set(again)) == len(again)  # none twice
    assert not parts.exists()
    assert seen[-1] == pytest.approx(1.0)
    assert seen == sorted(seen)
    tycho = embedded.cone(0, 0, 180, limit_mag=5.0)  # the brightest, which this Gaia lacks
    added = np.sum(np.isfinite(tycho.bv_mag) & ~tycho.bv_clamped)
    below = np.sum(np.float32(sky[0].v) <= LIMIT_MAG) - _lost_by_relation(sky)
    assert made.rows == below + added
    assert deep.verify_deep(path) == made
    with pytest.raises(OutputError):
        deep_build.build_deep(path, LIMIT_MAG)
    _every_star_is_there(sky)
    _damage_is_told(path)


def _lost_by_relation(sky) -> int:
    """Stars near the limit on whose side the V by BP-RP, good to 0.03 mag, differs."""
    truth, gaia, gspc = sky
    by_relation = ~np.isin(gaia["source_id"], gspc["source_id"][gspc["b_jkc_flag"] == 1])
    v = truth.v.copy()
    bp_rp = gaia["phot_bp_mean_mag"] - gaia["phot_rp_mean_mag"]
    v[by_relation] = v_from_gaia(np.asarray(gaia["phot_g_mean_mag"]), np.asarray(bp_rp))[
        by_relation
    ]
    return int(np.sum(truth.v <= LIMIT_MAG) - np.sum(v <= LIMIT_MAG))


def _every_star_is_there(sky) -> None:
    """Queries at the poles, across RA 0 and anywhere against astropy's own geometry."""
    truth, gaia, gspc = sky
    places = SkyCoord(truth.ra, truth.dec, unit="deg")
    flagged = np.isin(gaia["source_id"], gspc["source_id"][gspc["b_jkc_flag"] == 1])
    for ra, dec, radius in ((10, 90, 1.0), (200, -90, 0.7), (359.9, 0.1, 0.8), (140, 30, 20)):
        choice = choose.stars_around("auto", ra, dec, radius, epoch_yr=2016.0)
        assert choice.source == "file"  # the deep table, since there is one
        stars = choice.stars.select(choice.stars.bv_source != dust.BY_TYCHO)
        apart = places.separation(SkyCoord(ra, dec, unit="deg")).deg
        inside = np.flatnonzero((apart < radius - 0.001) & (truth.v < LIMIT_MAG - 0.05))
        found = SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg")
        row, off, _ = places[inside].match_to_catalog_sky(found)
        assert len(inside) > 20
        assert off.arcsec.max() < 0.2  # half a step of 0.264 in each direction
        assert len(np.unique(row)) == len(inside)
        good = flagged[inside]
        assert np.abs(stars.v_mag[row] - truth.v[inside])[good].max() < 0.0089  # half a step
        assert np.abs(stars.bv_mag[row] - truth.bv_true[inside])[good].max() < 0.0029
        np.testing.assert_array_equal(stars.bv_source[row] == dust.BY_SPECTRA, good)
        speed = np.hypot(truth.pmra, truth.pmdec)[inside]
        moves = np.hypot(stars.pmra_mas_yr, stars.pmdec_mas_yr)[row]
        assert np.abs(moves - speed)[speed > 41].max() < 1.0
        assert (moves[speed < 39] == 0).all()


def _damage_is_told(path) -> None:
    whole = path.read_bytes()
    path.write_bytes(whole[:-100] + bytes(100))
    with pytest.raises(CatalogueDamaged, match="differs from its checksum"):
        deep.verify_deep(path)
    for broken in (whole[: len(whole) // 2], b"text", whole[:30]):
        path.write_bytes(broken)
        with pytest.raises(CatalogueDamaged, match="This deep table is damaged"):
            choose.stars_around("deep", 10, 10, 1)
        choice = choose.stars_around("auto", 10, 10, 1)
        assert choice.source == "embedded"
        assert "damaged" in choice.notes[0]
    path.write_bytes(deep.OLDER_MARK + whole[len(deep.MARK) :])
    with pytest.raises(CatalogueDamaged, match=r"older starcal.*--overwrite"):
        choose.stars_around("deep", 10, 10, 1)
    path.unlink()
    with pytest.raises(CatalogueError, match="starcal catalogue build"):
        choose.stars_around("deep", 10, 10, 1)


def test_records_take_six_bytes_and_keep_what_they_are_given():
    rng = np.random.default_rng(3)
    n = 500
    photometry = {
        "v_mag": rng.uniform(5, 16, n),
        "bv_mag": np.where(rng.random(n) < 0.1, np.nan, rng.uniform(-0.4, 2.2, n)),
        "bv_clamped": rng.random(n) < 0.2,
        "bv_fit_error_mag": np.full(n, 0.02),
        "bv_source": np.where(rng.random(n) < 0.5, dust.BY_SPECTRA, dust.BY_BP_RP),
    }
    bright = rng.random(n) < 0.3
    dra, ddec = rng.integers(0, 65536, (2, n)).astype(np.uint16)
    cells = rng.integers(0, deep.FIRST_CELL[-1], n)
    records = deep.packed_stars(dra, ddec, photometry, bright)
    assert records.dtype.itemsize == 6
    facts = {"limit_mag": 13.0, "date": "2026-01-01", "address": "x"}
    order = np.argsort(cells)
    size = len(deep.deep_file(records[order], cells[order], np.zeros((n, 2)), facts))
    assert size - 4 * len(deep.FIRST_CELL) < 6 * n + 4 * deep.FIRST_CELL[-1] + 1000
    table = deep._Table(facts, *[np.zeros(0)] * 3, np.zeros(0))
    places = np.array(deep.unpacked_places(cells, records["place"]))
    stars = deep._unpacked_stars(table, records, places, np.zeros((2, n)), 2016.0)
    np.testing.assert_array_equal(stars.bv_source == dust.BY_TYCHO, bright)
    np.testing.assert_allclose(stars.v_mag, photometry["v_mag"], atol=0.0088)
    np.testing.assert_allclose(stars.bv_mag, photometry["bv_mag"], atol=0.0028)
    np.testing.assert_array_equal(stars.bv_clamped, photometry["bv_clamped"])
    known = np.isfinite(stars.bv_mag) & ~bright
    np.testing.assert_array_equal(
        stars.bv_source[known] == dust.BY_SPECTRA,
        photometry["bv_source"][known] == dust.BY_SPECTRA,
    )


def test_bright_stars_and_neighbours_are_settled_when_the_table_is_made(tmp_path):
    """A field of the real sky: the Pleiades by the embedded catalogue, as if Gaia had them a bit
    off in colour, without the brightest; and a pair of made stars, 3 and 30 arcsec apart."""
    tycho = embedded.cone(56.75, 24.1, 1.0, epoch_yr=2016.0)
    sure = np.isfinite(tycho.bv_mag) & ~tycho.bv_clamped & ~tycho.double
    gaia = tycho.select(sure & (tycho.v_mag > 4.5))
    pair_ra, pair_dec = np.array([57.2, 57.2, 57.2]), 24.5 + np.array([0, 3, 33]) / 3600
    ra, dec = np.append(gaia.ra_deg, pair_ra), np.append(gaia.dec_deg, pair_dec)
    v_mag, n = np.append(gaia.v_mag, [12.0, 12.5, 12.0]), len(ra)
    cells, dra, ddec = embedded.cell_of(ra, dec)
    photometry = {
        "v_mag": v_mag + 0.1,
        "bv_mag": np.append(gaia.bv_mag, [0.6] * 3) + 0.2,
        "bv_clamped": np.zeros(n, bool),
        "bv_fit_error_mag": np.full(n, 0.02),
        "bv_source": np.full(n, dust.BY_SPECTRA),
    }
    bright = v_mag < 10.5
    records = deep.packed_stars(dra, ddec, photometry, bright)
    motions = np.zeros((n, 2))
    facts = {"limit_mag": 13.0, "date": "2026-01-01", "address": "x"}
    (tmp_path / "t").write_bytes(deep_pack.settled_file(records, cells, motions, facts))
    stars = deep.deep_cone(56.75, 24.1, 1.01, epoch_yr=2016.0, path=tmp_path / "t")
    found = SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg")
    row, off, _ = SkyCoord(ra, dec, unit="deg").match_to_catalog_sky(found)
    assert off.arcsec.max() < 0.2
    np.testing.assert_array_equal((stars.bv_source == dust.BY_TYCHO)[row], bright)
    as_tycho = np.abs(stars.bv_mag[row] - np.append(gaia.bv_mag, [0.6] * 3))
    assert as_tycho[bright].max() < 0.0028  # half a step
    assert as_tycho[~bright].min() > 0.19
    np.testing.assert_array_equal(stars.double[row[-3:]], [True, True, False])
    # the six Pleiades brighter than 4.5, which the made Gaia lacks
    lacking = tycho.select(tycho.v_mag < 4.5)
    row, off, _ = SkyCoord(lacking.ra_deg, lacking.dec_deg, unit="deg").match_to_catalog_sky(
        found
    )
    assert len(lacking) >= 6
    assert off.arcsec.max() < 0.2
    assert np.abs(stars.v_mag[row] - lacking.v_mag).max() < 0.0089


@pytest.mark.parametrize("limit_mag", [5.0, 17.0, np.nan])
def test_a_limit_that_is_none(tmp_path, limit_mag):
    with pytest.raises(ValueError, match="limit_mag"):
        deep_build.build_deep(tmp_path / "x", limit_mag)
    with pytest.raises(ValueError, match="dec_deg"):
        choose.stars_around("deep", 0, 91, 1)
