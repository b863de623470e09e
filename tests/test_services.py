"""Catalogues of the network: the real client, pyvo, against services on the loopback, and all that
goes wrong."""

import datetime
import email.utils
import re
import socket
import time
from dataclasses import replace
from pathlib import Path
from urllib.parse import parse_qs

import astropy.units as u
import fake_services
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.table import MaskedColumn, Table

from starcal.catalogue import (
    choose,
    columns,
    dust,
    gaia,
    johnson,
    mirrors,
    services,
    tap,
    transport,
)
from starcal.catalogue.request import SERVICES, FieldRequest
from starcal.choices import Choices
from starcal.errors import (
    CatalogueError,
    CatalogueIncomplete,
    CatalogueUnreachable,
)
from starcal.frame import Frame
from starcal.place.hints import hints_of

PLACE = (83.6, 22.0, 0.4)
TIMEOUT_S = 20.0  # longer than any of these takes; a machine under load is slow
DWARFS = Path(__file__).parent / "reference" / "mamajek_gaia_dwarfs.csv"


@pytest.fixture
def fake(monkeypatch, tmp_path):
    monkeypatch.setattr(transport, "RETRY_PAUSE_S", 0.02)
    monkeypatch.setattr(transport, "CLEAN_UP_S", 0.3)
    monkeypatch.setattr(tap, "CLEAN_UP_S", 0.3)
    monkeypatch.setattr(tap, "FIRST_POLL_S", 0.01)
    monkeypatch.setenv("STARCAL_CACHE", str(tmp_path / "cache"))
    with fake_services.running() as fake:
        monkeypatch.setenv("STARCAL_GAIA_URL", f"{fake.address}/tap-server/tap")
        monkeypatch.setenv("STARCAL_VIZIER_SERVER", fake.address)
        yield fake


def request_of(catalogue, limit_mag=12.0):
    return FieldRequest(catalogue, *PLACE, limit_mag)


def ask(catalogue, timeout_s=TIMEOUT_S, **settings):
    return services.ask(request_of(catalogue), timeout_s=timeout_s, **settings)


def expected(fake, limit_mag, radius_deg=PLACE[2]):
    """Stars of the fake sky in the circle and above the limit in V, by astropy's own geometry."""
    sky = fake.sky
    apart = SkyCoord(sky.ra, sky.dec, unit="deg").separation(SkyCoord(*PLACE[:2], unit="deg"))
    return np.flatnonzero((apart < radius_deg * u.deg) & (sky.v < limit_mag))


# --- good answers -----------------------------------------------------------------------


def test_apass_gives_the_stars_of_the_field(fake):
    choice = choose.stars_around(
        "apass", *PLACE, epoch_yr=2025.0, limit_mag=12.0, timeout_s=TIMEOUT_S
    )
    rows = expected(fake, 12.0)
    assert choice.source == "service"
    assert len(choice.stars) == len(rows) > 50
    order, truth = np.argsort(choice.stars.ra_deg), rows[np.argsort(fake.sky.ra[rows])]
    np.testing.assert_allclose(
        choice.stars.ra_deg[order], fake.sky.ra[truth], rtol=0, atol=1e-9
    )  # a text of 17 digits
    np.testing.assert_allclose(
        choice.stars.v_mag[order], fake.sky.v[truth], rtol=0, atol=2e-6
    )  # float32 at 16
    np.testing.assert_allclose(
        choice.stars.bv_mag[order], 0.8 * fake.sky.bp_rp[truth], rtol=0, atol=1e-6
    )
    assert choice.stars.no_pm.all()


def test_gaia_stars_stand_where_they_are_at_the_frame_s_epoch(fake):
    choice = choose.stars_around(
        "gaia", *PLACE, epoch_yr=2026.0, limit_mag=12.0, timeout_s=TIMEOUT_S
    )
    sky, stars = fake.sky, choice.stars
    moved = SkyCoord(sky.ra, sky.dec, unit="deg").spherical_offsets_by(
        10 * sky.pmra * u.mas, 10 * sky.pmdec * u.mas
    )  # 10 years from Gaia's epoch, 2016.0
    nearest, apart, _ = SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg").match_to_catalog_sky(
        moved
    )
    assert apart.max() < 0.001 * u.arcsec
    assert len(np.unique(nearest)) == len(stars) > 50
    # the fake's stars are dwarfs of a published table: the polynomial for V scatters by 0.03, that for B-V by 0.014
    assert np.abs(stars.v_mag - sky.v[nearest]).max() < 0.06
    bv = np.interp(sky.bp_rp[nearest], fake_services.DWARF_BP_RP, fake_services.DWARF_B_V)
    assert np.abs(stars.bv_mag - bv).max() < 0.045
    assert stars.v_mag.max() <= 12.0
    assert stars.epoch_yr == 2026.0


def test_tycho2_stars_without_mean_position_stand_where_they_were_seen(fake):
    stars = choose.stars_around(
        "tycho2-online", *PLACE, limit_mag=12.0, timeout_s=TIMEOUT_S
    ).stars
    assert 0 < stars.no_pm.sum() < len(stars)
    nearest, apart, _ = SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg").match_to_catalog_sky(
        SkyCoord(fake.sky.ra, fake.sky.dec, unit="deg")
    )
    assert apart.max() < 1e-6 * u.arcsec
    np.testing.assert_array_equal(
        stars.no_pm, nearest % 7 == 0
    )  # the fake's own rule; it gives those a number, too
    np.testing.assert_array_equal(stars.hip, np.where(stars.no_pm, nearest, 0))
    # Tycho's map itself is tested in test_catalogue.py; here only that it is the one used, to float32
    assert np.abs(stars.bv_mag - johnson.bv_from_tycho(fake.sky.bp_rp[nearest])).max() < 1e-5


@pytest.mark.parametrize("catalogue", SERVICES)
def test_a_job_goes_by_the_standard(fake, catalogue):
    """UWS 1.1: created, started by PHASE=RUN, waited for, fetched, deleted."""
    fake.polls_of_a_job = 2
    ask(catalogue, row_limit=777)
    steps = [(method, re.sub(r".*/async", "", path)) for method, path, _ in fake.asked]
    once = [step for i, step in enumerate(steps) if step != steps[i - 1]]
    assert once == [
        ("POST", ""),
        ("GET", "/1"),
        ("POST", "/1/phase"),
        ("GET", "/1"),
        ("GET", "/1/results/result"),
        ("DELETE", "/1"),
    ]
    assert fake.asked[3][2] == "PHASE=RUN" or ("PHASE=RUN" in {body for *_, body in fake.asked})
    assert fake.jobs == {}
    created = parse_qs(fake.asked[0][2])
    assert (created["MAXREC"], created["FORMAT"]) == (["777"], ["votable"])
    assert "TOP 777 " in created["QUERY"][0]


def test_nothing_is_printed(fake, capfd):
    for catalogue in SERVICES:
        ask(catalogue)
    fake.faults[:] = ["status 404"]
    with pytest.raises(CatalogueUnreachable):
        ask("gaia")
    assert capfd.readouterr() == ("", "")


# --- faults that pass -------------------------------------------------------------------


PASSING = ["status 500", "status 503", "busy 0", "reset", "cut", "cut_silently"]


@pytest.mark.parametrize(
    ("catalogue", "fault"),
    [
        *((catalogue, fault) for catalogue in ("gaia", "apass") for fault in PASSING),
        ("gaia", "unzippable"),
    ],
)
def test_a_fault_that_passes_is_survived(fake, catalogue, fault):
    good = ask(catalogue)
    fake.faults[:] = [fault]
    again = ask(catalogue)
    assert fake.faults == []
    assert len(again.table) == len(good.table) > 0


@pytest.mark.slow
def test_a_busy_service_is_left_alone_for_as_long_as_it_says(fake):
    fake.faults[:] = ["busy 1"]
    start = time.monotonic()
    ask("apass")
    assert time.monotonic() - start >= 1.0


def test_retry_after_may_be_a_date():
    """RFC 9110, section 10.2.3: seconds, or an HTTP date."""
    soon = datetime.datetime.now(datetime.UTC) + datetime.timedelta(seconds=100)
    assert 95 < transport.retry_after_s(email.utils.format_datetime(soon, usegmt=True)) <= 100
    assert transport.retry_after_s("Wed, 21 Oct 2015 07:28:00 GMT") == 0.0
    assert transport.retry_after_s("7") == 7.0
    assert transport.retry_after_s("soon") is None
    assert transport.retry_after_s(None) is None


# --- faults that stay -------------------------------------------------------------------

STAYING = {
    "status 500": "HTTP status 500",
    "status 404": "HTTP status 404",
    "busy 3600": "another attempt in 3600 s",
    "page": "not a VOTable but text/html: Down for maintenance",
    "failed": r"query failed: ERROR Cannot parse \[31m query",  # without its control character
    "cut": "broke off in the middle",
    "cut_silently": "broke off in the middle",
    "reset": "broke off in the middle",
    "malformed": "cannot be read .*mismatched tag",
    "empty": "answered nothing",
    "elsewhere": "outside the field",
    "bomb": "unpacks to more than .* MB",
    "entities": "defines entities",
    "wide": "longer cells than were asked for",
}


@pytest.mark.parametrize("fault", STAYING)
def test_a_fault_that_stays_is_an_error_that_says_what_to_type(fake, fault, monkeypatch):
    catalogue = "gaia"
    monkeypatch.setattr(tap, "BYTES_OF_ROW", 50)  # 12 MB are the limit, for the bomb has but 25
    fake.faults[:], fake.faulty_for_ever = [fault], True
    with pytest.raises(CatalogueUnreachable, match=STAYING[fault]) as caught:
        choose.stars_around(catalogue, *PLACE, limit_mag=12.0, timeout_s=TIMEOUT_S)
    assert fake.address in str(caught.value)
    assert "HTTPError" not in str(caught.value)  # a library's word, and with it "OK"
    assert request_of(catalogue).command in str(caught.value)
    assert choose.cache.fields() == ((), ())  # nothing broken is kept
    assert fake.jobs == {}  # nor left behind at the service


def test_what_a_message_advises_helps(fake):
    fake.faults[:], fake.faulty_for_ever = ["status 404"], True
    with pytest.raises(CatalogueUnreachable, match="starcal catalogue fetch"):
        ask("gaia")
    fake.faults.clear()
    assert not choose.fetch(request_of("gaia"), timeout_s=TIMEOUT_S).was_there
    assert choose.stars_around("gaia", *PLACE, limit_mag=12.0, online=False).source == "cache"
    assert choose.stars_around("embedded", *PLACE).source == "embedded"


@pytest.mark.parametrize(
    ("trouble", "says"),
    [
        ("page at launch", "Down for maintenance"),
        ("page for a phase", "page where a job was due: Down for maintenance"),
        ("job fails", "its job ended as ERROR.*out of memory"),
        ("other host", "sends on to another place, http://stars.invalid"),
    ],
)
def test_troubles_of_a_job(fake, trouble, says):
    fake.job_trouble = trouble
    with pytest.raises(CatalogueUnreachable, match=says):
        ask("gaia")


def test_a_result_that_is_elsewhere_is_followed(fake):
    fake.job_trouble = "result elsewhere"
    assert len(ask("gaia").table) > 50


@pytest.mark.parametrize(
    ("catalogue", "name", "path"),
    [
        ("gaia", "STARCAL_GAIA_URL", "/a/longer/path/tap"),
        ("apass", "STARCAL_VIZIER_SERVER", "/TAPVizieR/tap"),
    ],
)
def test_a_mirror_is_asked_from_the_moment_it_is_named(
    fake, monkeypatch, catalogue, name, path
):
    with fake_services.running() as mirror:
        ask(catalogue)
        monkeypatch.setenv(name, f"{mirror.address}{path}")
        assert ask(catalogue).address == f"{mirror.address}{path}"
    assert len(mirror.questions) == len(fake.questions) == 1
    assert mirror.asked[0][1].startswith(path)


@pytest.mark.parametrize(("down", "catalogue"), [("GAIA", "gaia"), ("VIZIER", "apass")])
def test_mirrors_are_tried_in_order_and_said(fake, monkeypatch, down, catalogue):
    monkeypatch.delenv("STARCAL_GAIA_URL")
    monkeypatch.delenv("STARCAL_VIZIER_SERVER")
    refused = fake_services.refused_address()
    for name in ("GAIA", "VIZIER"):
        monkeypatch.setattr(mirrors, f"{name}_MIRRORS", ())
    monkeypatch.setattr(mirrors, f"{down}_MIRRORS", (refused, f"{fake.address}/tap"))
    answer = services.ask(request_of(catalogue), timeout_s=TIMEOUT_S)
    assert answer.address == f"{fake.address}/tap"
    assert len(answer.table) > 50
    assert re.search(rf"not to be had of {refused}: .*refused", answer.notes[0])
    fake.faults[:], fake.faulty_for_ever = ["status 404"], True
    with pytest.raises(
        CatalogueUnreachable, match=rf"{refused}: .*refused.*/tap: HTTP status 404"
    ):
        services.ask(request_of(catalogue), timeout_s=TIMEOUT_S)


def test_gaia_is_had_of_vizier_where_its_own_mirrors_are_down(fake, monkeypatch):
    """Its tables there have other names; one that is not as expected is looked up."""
    monkeypatch.delenv("STARCAL_GAIA_URL")
    monkeypatch.setattr(mirrors, "GAIA_MIRRORS", (fake_services.refused_address(),))
    monkeypatch.setattr(mirrors, "VIZIER_MIRRORS", (f"{fake.address}/TAPVizieR/tap",))
    sources, synthetic = fake.sky.gaia(), fake.sky.gspc()
    for table, plain, there in (
        (sources, mirrors.GAIA_SOURCES, mirrors.GAIA_SOURCES_AT_VIZIER),
        (synthetic, mirrors.GAIA_SYNTHETIC, mirrors.GAIA_SYNTHETIC_AT_VIZIER),
    ):
        for ours, spellings in there.columns.items():
            table.rename_column(plain.columns[ours][0], spellings[-1])
        table.rename_column("source_id", there.source_id)
        fake.tables[there.name] = table
    choice = choose.stars_around("gaia", *PLACE, limit_mag=12.0, timeout_s=TIMEOUT_S)
    assert len(choice.stars) > 50
    assert set(choice.stars.bv_source) == {dust.BY_SPECTRA, dust.BY_BP_RP}


def test_a_catalogue_under_a_newer_release_is_told_as_such(fake):
    fake.tables["gaiadr4.gaia_source"] = fake.tables.pop("gaiadr3.gaia_source")
    with pytest.raises(CatalogueUnreachable, match=r"no table gaiadr3\.gaia_source"):
        ask("gaia")


def test_a_service_without_synthetic_photometry_serves_and_says_so(fake):
    del fake.tables["gaiadr3.synthetic_photometry_gspc"]
    choice = choose.stars_around("gaia", *PLACE, limit_mag=12.0, timeout_s=TIMEOUT_S)
    assert "no table gaiadr3.synthetic_photometry_gspc: B-V of all" in choice.notes[0]
    assert set(choice.stars.bv_source) == {dust.BY_BP_RP}


def test_the_strict_server_knows_standard_formats_only(fake):
    form = {
        "LANG": ["ADQL"],
        "REQUEST": ["doQuery"],
        "QUERY": ["x"],
        "FORMAT": ["votable_gzip"],
    }
    with pytest.raises(fake_services.Refusal, match="unknown format"):
        fake.answer(form)


@pytest.mark.parametrize("fault", ["drip", "silent"])
def test_a_slow_service_is_left_at_the_timeout(fake, fault):
    fake.faults[:], fake.faulty_for_ever = [fault], True
    start = time.monotonic()
    with pytest.raises(CatalogueUnreachable, match=r"no whole answer within 0\.4 s"):
        ask("gaia", timeout_s=0.4)
    assert time.monotonic() - start < 3.0  # 0.4 s and a busy machine


def test_a_job_that_never_ends_is_left_and_deleted_at_the_timeout(fake):
    fake.polls_of_a_job = 10**6
    start = time.monotonic()
    with pytest.raises(
        CatalogueUnreachable, match=r"within 0\.4 s; the job's last phase was EXECUTING"
    ):
        ask("gaia", timeout_s=0.4)
    assert time.monotonic() - start < 3.0
    assert fake.asked[-1][0] == "DELETE"
    assert fake.jobs == {}


@pytest.mark.parametrize("catalogue", ["gaia", "apass"])
def test_connection_refused(fake, catalogue, monkeypatch):
    for name in ("STARCAL_GAIA_URL", "STARCAL_VIZIER_SERVER"):
        monkeypatch.setenv(name, fake_services.refused_address())
    with pytest.raises(CatalogueUnreachable, match="refused"):
        ask(catalogue)


@pytest.mark.parametrize("catalogue", ["gaia", "apass"])
def test_a_name_that_nobody_knows(fake, catalogue, monkeypatch):
    def unknown(*_, **__):
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    monkeypatch.setenv(
        "STARCAL_GAIA_URL", "http://stars.invalid/tap-server/tap"
    )  # RFC 6761: never a name
    monkeypatch.setenv("STARCAL_VIZIER_SERVER", "stars.invalid")
    with pytest.raises(CatalogueUnreachable, match=r"stars\.invalid.*not known"):
        ask(catalogue)


@pytest.mark.parametrize("catalogue", ["gaia", "apass"])
def test_a_name_server_that_does_not_answer(fake, catalogue, monkeypatch):
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: fake.stop.wait(20) and [])
    start = time.monotonic()
    with pytest.raises(CatalogueUnreachable, match="no whole answer within"):
        ask(catalogue, timeout_s=0.1)
    assert time.monotonic() - start < 3.0


@pytest.mark.parametrize("catalogue", ["gaia", "apass"])
def test_an_address_that_is_none(fake, catalogue, monkeypatch):
    monkeypatch.setenv("STARCAL_GAIA_URL", "ftp://x")
    monkeypatch.setenv("STARCAL_VIZIER_SERVER", "ftp://x")
    with pytest.raises(
        CatalogueUnreachable, match="unset STARCAL_GAIA_URL STARCAL_VIZIER_SERVER"
    ):
        ask(catalogue)
    monkeypatch.delenv("STARCAL_GAIA_URL")
    monkeypatch.delenv("STARCAL_VIZIER_SERVER")
    assert all(address.startswith("https://") for address in mirrors.mirrors_of(catalogue))


# --- answers that are not whole ---------------------------------------------------------


@pytest.mark.parametrize("catalogue", ["gaia", "apass"])
def test_an_answer_with_as_many_rows_as_allowed_is_not_whole(fake, catalogue):
    rows = len(ask(catalogue).table)
    assert len(ask(catalogue, row_limit=rows + 1).table) == rows
    with pytest.raises(
        CatalogueIncomplete, match=r"--limit 11\.00 instead of 12\.00"
    ) as caught:
        ask(catalogue, row_limit=rows)
    assert (caught.value.rows, caught.value.row_limit) == (rows, rows)
    # what the message advises
    assert (
        len(
            services.ask(request_of(catalogue, 11.0), timeout_s=TIMEOUT_S, row_limit=rows).table
        )
        < rows
    )


@pytest.mark.parametrize("catalogue", ["gaia", "apass"])
def test_an_answer_that_the_service_cut_off_is_not_whole(fake, catalogue):
    fake.faults[:], fake.faulty_for_ever = ["overflow"], True
    with pytest.raises(CatalogueIncomplete, match="cut off by the service"):
        choose.stars_around(catalogue, *PLACE, limit_mag=12.0, timeout_s=TIMEOUT_S)
    assert choose.cache.fields() == ((), ())


@pytest.mark.parametrize("catalogue", SERVICES)
def test_an_empty_field_is_believed_only_if_a_full_one_is_not_empty(fake, catalogue):
    choice = choose.stars_around(
        catalogue, 200.0, 50.0, 0.3, limit_mag=12.0, timeout_s=TIMEOUT_S
    )
    assert len(choice.stars) == 0
    assert len(fake.questions) == 2
    assert "has no stars" in choice.notes[0]
    assert choose.cache.fields() == ((), ())
    with pytest.raises(CatalogueUnreachable, match="larger --radius"):
        choose.fetch(FieldRequest(catalogue, 200.0, 50.0, 0.3, 12.0), timeout_s=TIMEOUT_S)


@pytest.mark.parametrize(
    ("catalogue", "old", "new"),
    [
        ("gaia", "phot_g_mean_mag", "gmag"),
        ("apass", "B-V", "B_V"),
        ("apass", "e_B-V", "e_BV"),
        ("tycho2-online", "RA(ICRS)", "RA_ICRS_"),
    ],
)
def test_older_spellings_of_columns_are_known(fake, catalogue, old, new):
    good = ask(catalogue).table
    for table in fake.tables.values():
        if old in table.colnames:
            table.rename_column(old, new)
    again = ask(catalogue).table
    assert again.colnames == good.colnames
    for name in good.colnames:
        np.testing.assert_array_equal(again[name], good[name])


@pytest.mark.parametrize(("catalogue", "old"), [("gaia", "phot_rp_mean_mag"), ("apass", "B-V")])
def test_a_column_of_an_unknown_name_is_an_error_that_lists_those_received(
    fake, catalogue, old
):
    for table in fake.tables.values():
        if old in table.colnames:
            table.rename_column(old, "zebra")
    with pytest.raises(CatalogueIncomplete, match=f"without its column {old}; it has .*zebra"):
        ask(catalogue)


def test_masked_values_are_nan_and_not_zero(fake):
    table = fake.tables["gaiadr3.gaia_source"]
    in_field = expected(fake, 12.0)
    mask = np.zeros(len(table), bool)
    mask[in_field[:5]] = True
    for name in ("phot_bp_mean_mag", "pmra", "parallax_over_error"):
        table[name] = MaskedColumn(table[name], mask=mask)
    stars = choose.stars_around(
        "gaia", *PLACE, epoch_yr=2016.0, limit_mag=13.0, timeout_s=TIMEOUT_S
    ).stars
    nearest = SkyCoord(fake.sky.ra, fake.sky.dec, unit="deg")[
        in_field[:5]
    ].match_to_catalog_sky(SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg"))[0]
    assert np.isnan(stars.bv_mag[nearest]).all()
    assert np.isnan(stars.bv_error_mag[nearest]).all()
    assert stars.no_pm[nearest].all()
    assert not stars.bv_clamped[nearest].any()
    assert np.isfinite(stars.v_mag[nearest]).all()
    assert np.isfinite(stars.bv_mag).sum() == len(stars) - 5


def test_an_answer_of_a_wrong_type_is_judged_by_what_it_holds(fake):
    fake.faults[:] = ["type text/plain"]
    assert len(ask("apass").table) > 0


@pytest.mark.parametrize("catalogue", ["gaia", "apass"])
def test_a_votable_needs_no_xml_declaration(fake, catalogue):
    fake.faults[:] = ["bare"]
    assert len(ask(catalogue).table) == len(ask(catalogue).table) > 0


@pytest.mark.parametrize(
    "settings", [{"timeout_s": 0.0}, {"timeout_s": float("inf")}, {"row_limit": 0}]
)
def test_settings_out_of_range(settings):
    with pytest.raises(ValueError, match="above 0"):
        services.ask(request_of("gaia"), **settings)


# --- photometry -------------------------------------------------------------------------


def test_bv_of_dwarfs_from_gaia_against_published_colours():
    """The mean dwarf colours of Pecaut & Mamajek 2013, table 5, as extended: rms of the fit 0.014,
    worst 0.041."""
    table = Table.read(DWARFS, format="ascii.csv", comment="#")
    inside = (table["bp_rp_mag"] > johnson.BP_RP_RANGE_MAG[0]) & (
        table["bp_rp_mag"] < johnson.BP_RP_RANGE_MAG[1]
    )
    off = johnson.bv_from_gaia(table["bp_rp_mag"]) - table["bv_mag"]
    assert inside.sum() >= 12
    assert np.sqrt(np.mean(off[inside] ** 2)) < 0.025
    assert np.abs(off[inside]).max() < 0.045
    assert np.isnan(off[~inside]).all()
    # G-V of the same table; the polynomial's scatter is 0.030
    v_off = johnson.v_from_gaia(table["g_v_mag"], table["bp_rp_mag"])
    assert np.abs(v_off[inside]).max() < 0.06


def test_no_bv_from_gaia_beyond_the_range():
    low, high = johnson.BP_RP_RANGE_MAG
    assert np.isnan(johnson.bv_from_gaia([low - 1e-6, high + 1e-6, 3.0, np.nan])).all()
    assert np.isfinite(johnson.bv_from_gaia([low + 1e-6, high - 1e-6])).all()
    step = 1e-4
    slope = (johnson.bv_from_gaia(0.7 + step) - johnson.bv_from_gaia(0.7 - step)) / (2 * step)
    assert johnson.bv_slope_gaia(0.7) == pytest.approx(slope, abs=1e-6)


def gaia_table(**changed):
    row = {
        "ra_deg": 10.0,
        "dec_deg": 0.0,
        "pmra_mas_yr": 0.0,
        "pmdec_mas_yr": 0.0,
        "parallax_mas": 10.0,
        "parallax_over_error": 100.0,
        "g_mag": 10.0,
        "bp_mag": 10.5,
        "rp_mag": 9.4,
        "bp_snr": 1000.0,
        "rp_snr": 1000.0,
    }
    return Table({k: np.array([v]) for k, v in (row | changed).items()})


@pytest.mark.parametrize(
    ("what", "changed", "error_mag"),
    [
        ("dwarf at 100 pc: absolute G is 5", {}, gaia.DWARF_BV_ERROR_MAG),
        ("giant at 1 kpc: absolute G is 0", {"parallax_mas": 1.0}, gaia.GIANT_BV_ERROR_MAG),
        ("parallax unknown", {"parallax_over_error": np.nan}, gaia.GIANT_BV_ERROR_MAG),
        (
            "blue, so no giant",
            {"parallax_over_error": np.nan, "rp_mag": 10.0},
            gaia.DWARF_BV_ERROR_MAG,
        ),
    ],
)
def test_giants_have_the_larger_error(what, changed, error_mag):
    stars = columns.catalogue_stars(
        gaia_table(**changed), FieldRequest("gaia", 10.0, 0.0, 1.0, 15.0)
    )
    # the noise adds 0.0015 mag in quadrature, at most 5 % of the smaller error; dust comes later
    assert stars.bv_fit_error_mag[0] == pytest.approx(error_mag, rel=0.05), what
    assert stars.bv_error_mag[0] == pytest.approx(error_mag, rel=0.05), what


def test_bv_is_that_of_spectra_where_these_are_good(fake):
    fake.tables["gaiadr3.synthetic_photometry_gspc"] = fake.sky.gspc()
    choice = choose.stars_around(
        "gaia", *PLACE, epoch_yr=2016.0, limit_mag=15.0, timeout_s=TIMEOUT_S
    )
    sky, stars = fake.sky, choice.stars
    row, _, _ = SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg").match_to_catalog_sky(
        SkyCoord(sky.ra, sky.dec, unit="deg")
    )
    spectra = stars.bv_source == dust.BY_SPECTRA
    g = sky.gaia()["phot_g_mean_mag"][row]
    np.testing.assert_array_equal(spectra, (row % 5 > 0) & (g > 10))  # the fake's own rules
    assert np.abs(stars.bv_mag - sky.bv_true[row])[spectra].max() < 1e-5  # float32
    # the others keep the relation of dwarfs, off by the fake's 0.2, and say that it may be off
    assert np.nanmedian((sky.bv_true[row] - stars.bv_mag)[~spectra]) > 0.15
    assert not stars.bv_off_per_ebv[spectra].any()
    assert (stars.bv_off_per_ebv[~spectra] < -0.2).all()
    assert "from spectra" in choice.notes[-1]


def test_synthetic_photometry_that_is_flagged_or_off_is_not_taken():
    """Cuts of Montegriffo et al. 2023; C* by Riello et al. 2021, equation 18: 0.014 at G 15."""
    row = {"g_mag": 15.0, "b_jkc_mag": 15.8, "v_jkc_mag": 15.1}
    row |= {"b_jkc_flag": 1.0, "v_jkc_flag": 1.0, "c_star": 0.0}
    cases = {
        True: [{}, {"c_star": -0.041}, {"b_jkc_mag": 17.3}],
        False: [
            {"b_jkc_flag": 0.0},
            {"v_jkc_flag": np.nan},
            {"c_star": 0.043},
            {"b_jkc_mag": 17.5},
            {"g_mag": 17.7},
            {"b_jkc_mag": np.nan},
        ],
    }
    for good, changes in cases.items():
        for change in changes:
            columns_ = {name: np.array([value]) for name, value in (row | change).items()}
            assert gaia.good_spectra(columns_)[0] == good, change


def test_bright_stars_have_the_colour_that_tycho_measured():
    place = (56.75, 24.12, 0.6)  # the Pleiades; Gaia lacks none of them here but the brightest
    tycho = choose.embedded.cone(*place, epoch_yr=2016.0, limit_mag=11.5)
    fainter = tycho.select(tycho.v_mag > gaia.GAIA_MISSES_V_MAG)
    n = len(fainter)
    table = Table({name: np.repeat(column, n) for name, column in gaia_table().columns.items()})
    table["ra_deg"], table["dec_deg"] = fainter.ra_deg, fainter.dec_deg
    bright = np.arange(n) % 2 == 0
    table["g_mag"] = np.where(bright, 10.6, 10.8)
    stars = columns.catalogue_stars(table, FieldRequest("gaia", *place, 15.0))
    has_colour = np.isfinite(fainter.bv_mag) & ~fainter.bv_clamped
    by_tycho = stars.bv_source[:n] == dust.BY_TYCHO
    np.testing.assert_array_equal(by_tycho, bright & has_colour)
    np.testing.assert_array_equal(stars.bv_mag[:n][by_tycho], fainter.bv_mag[by_tycho])
    assert np.ptp(stars.bv_mag[:n][~by_tycho]) < 1e-6  # all of one BP-RP
    assert set(stars.v_mag[n:]) == set(tycho.v_mag[tycho.v_mag < gaia.GAIA_MISSES_V_MAG])
    assert len(stars) > n


def test_dust_is_told_by_latitude_and_by_the_stars_own_excess():
    places = np.array([[192.86, 27.13], [305.6, 40.3], [266.4, -29.0], [0.0, 10.0]])
    latitude = dust.latitudes_deg(*places.T)
    np.testing.assert_allclose(
        latitude, SkyCoord(*places.T, unit="deg").galactic.b.deg, atol=1e-4
    )
    usual, v = np.random.default_rng(2).normal(0.5, 0.35, 200), np.full(200, 13.0)
    high, low, bright, red, blue = (
        dust.expected_reddening(degrees, mags, colours, 0.05)
        for degrees, mags, colours in (
            (90.0, v, usual),
            (0.0, v, usual),
            (0.0, v - 2.5, usual),
            (0.0, v, usual + 0.8),
            (0.0, v, usual - 0.5),
        )
    )
    # 0.7 mag a kiloparsec, stars at 1.3
    assert 3.1 * high.ebv_mag < 0.2 < 0.7 < 3.1 * low.ebv_mag < 1.5
    # stars ten times as bright are three times as near: 0.4 kpc
    assert high.ebv_mag < bright.ebv_mag == pytest.approx(0.09, abs=0.002)
    # at the poles less than all of the layer, 0.15 mag of V (Bahcall & Soneira 1980)
    assert 0.01 < high.ebv_mag < 0.15 / 3.1
    assert red.ebv_mag - low.ebv_mag == pytest.approx(0.4, abs=0.03)  # half of it
    assert red.error_mag > 0.4
    assert blue.ebv_mag == pytest.approx(low.ebv_mag, abs=0.03)  # they may be behind dust
    assert dust.expected_reddening(0.0, [], [], []).ebv_mag > 0
    # errors of a catalogue do not pass for blue stars
    noisy = usual + np.random.default_rng(3).normal(0, 0.28, 200)
    told = dust.expected_reddening(0.0, v, noisy + 0.4, 0.28)
    known = dust.expected_reddening(0.0, v, usual + 0.4, 0.0)
    assert told.ebv_mag == pytest.approx(known.ebv_mag, abs=0.05)


def test_bv_by_bp_rp_has_dust_in_its_error_and_spectra_have_not():
    stars = columns.catalogue_stars(
        gaia_table(ra_deg=303.0, dec_deg=38.0, g_mag=13.0),
        FieldRequest("gaia", 303.0, 38.0, 0.2, 15),
    )
    behind = dust.with_dust(stars)
    assert behind.bv_fit_error_mag[0] > 0.07 > stars.bv_fit_error_mag[0]
    by_spectra = dust.with_dust(replace(stars, bv_source=np.array([dust.BY_SPECTRA])))
    assert by_spectra.bv_fit_error_mag[0] == stars.bv_fit_error_mag[0]
    assert by_spectra.bv_common_error_mag[0] < 0.02 < behind.bv_common_error_mag[0]
    assert by_spectra.bv_off_per_ebv[0] == 0 > behind.bv_off_per_ebv[0]


def test_an_error_of_zero_is_an_error_unknown():
    """APASS DR9 states 0 for stars that it saw in one night."""
    table = Table(
        {
            "ra_deg": [10.0, 11.0],
            "dec_deg": [0.0, 0.0],
            "v_mag": [12.0, 12.0],
            "bv_mag": [0.5, 0.5],
            "bv_error_mag": [0.0, 0.04],
        }
    )
    stars = columns.catalogue_stars(table, FieldRequest("apass", 10.0, 0.0, 2.0, 15.0))
    assert np.isnan(stars.bv_error_mag).tolist() == [True, False]
    assert (stars.bv_fit_error_mag > 0).all()


def test_stars_beyond_the_relation_are_flagged_and_have_no_colour():
    stars = columns.catalogue_stars(
        gaia_table(bp_mag=13.0), FieldRequest("gaia", 10.0, 0.0, 1.0, 15.0)
    )
    assert np.isnan(stars.bv_mag[0])
    assert stars.bv_clamped[0]
    assert np.isnan(stars.bv_error_mag[0])


def test_only_neighbours_bright_enough_make_a_double():
    ra = 10.0 + np.array([0.0, 3.0, 100.0, 103.0, 500.0]) / 3600
    assert columns.has_neighbour(
        ra, np.zeros(5), np.array([10.0, 12.0, 10.0, 14.0, 9.0]), 4.0
    ).tolist() == [True, True, False, True, False]
    assert columns.has_neighbour(ra[:1], np.zeros(1), np.array([10.0]), 4.0).tolist() == [False]


# --- the choice -------------------------------------------------------------------------


def test_auto_stays_off_the_network_unless_told(fake):
    choice = choose.stars_around("auto", *PLACE, limit_mag=12.0)
    assert (choice.source, fake.asked) == ("embedded", [])
    np.testing.assert_array_equal(
        choice.stars.bv_fit_error_mag,
        choose.embedded.bv_error_model(choice.stars.v_mag).astype(np.float32),
    )


def test_auto_online_asks_gaia_where_the_embedded_catalogue_has_few_stars(fake):
    deep = choose.stars_around("auto", *PLACE, limit_mag=12.0, online=True, timeout_s=TIMEOUT_S)
    assert deep.stars.name == "Gaia DR3"
    asked = len(fake.asked)
    assert (
        choose.stars_around("auto", *PLACE, limit_mag=12.0).source == "cache"
    )  # and from then on without a network
    wide = choose.stars_around("auto", 83.6, 22.0, 3.0, limit_mag=12.0, online=True)
    assert (wide.source, len(fake.asked)) == ("embedded", asked)
    assert len(wide.stars) > choose.ENOUGH_EMBEDDED


@pytest.mark.parametrize("fault", ["status 404", "page", "overflow"])
def test_auto_falls_back_and_says_so(fake, fault):
    fake.faults[:], fake.faulty_for_ever = [fault], True
    choice = choose.stars_around(
        "auto", *PLACE, limit_mag=12.0, online=True, timeout_s=TIMEOUT_S
    )
    assert choice.source == "embedded"
    assert "embedded catalogue was used instead of Gaia" in choice.notes[-1]


def test_auto_does_not_believe_an_empty_field(fake):
    choice = choose.stars_around(
        "auto", 200.0, 50.0, 0.3, limit_mag=12.0, online=True, timeout_s=TIMEOUT_S
    )
    assert choice.source == "embedded"
    assert "embedded catalogue was used instead" in choice.notes[-1]


@pytest.mark.parametrize("catalogue", SERVICES)
def test_offline_a_named_catalogue_says_what_to_type(fake, catalogue):
    with pytest.raises(
        CatalogueUnreachable, match=r"network is not to be used.*starcal catalogue fetch"
    ):
        choose.stars_around(catalogue, *PLACE, limit_mag=12.0, online=False)
    assert fake.asked == []


def test_a_cached_field_that_is_not_as_deep_is_better_than_nothing(fake):
    choose.fetch(request_of("gaia", 12.0), timeout_s=TIMEOUT_S)
    deep = choose.stars_around("gaia", *PLACE, limit_mag=14.0, online=False)
    assert deep.source == "cache"
    assert any("to V 12.00, not 14.00" in note for note in deep.notes)
    fake.faults[:], fake.faulty_for_ever = ["status 404"], True
    failed = choose.stars_around("gaia", *PLACE, limit_mag=14.0, timeout_s=TIMEOUT_S)
    assert "HTTP status 404" in failed.notes[0]
    fake.faults.clear()
    whole = choose.stars_around("gaia", *PLACE, limit_mag=14.0, timeout_s=TIMEOUT_S)
    assert whole.source == "service"
    assert all("from BP-RP" in note for note in whole.notes)  # the fake has no spectra
    assert len(whole.stars) > len(deep.stars)


def test_a_cache_that_cannot_be_written_does_not_stop_the_work(fake, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("not a folder")
    monkeypatch.setenv("STARCAL_CACHE", str(tmp_path / "file" / "cache"))
    choice = choose.stars_around("apass", *PLACE, limit_mag=12.0, timeout_s=TIMEOUT_S)
    assert len(choice.stars) == len(expected(fake, 12.0))
    assert "could not be kept" in choice.notes[0]


@pytest.mark.parametrize("name", ["gaya", "file:", ""])
def test_a_name_that_is_none(name):
    with pytest.raises(CatalogueError, match="--catalogue auto"):
        choose.stars_around(name, *PLACE)
    assert choose.stars_around("auto", *PLACE).source == "embedded"


@pytest.mark.parametrize(
    ("place", "says"),
    [((0, 91, 1), "dec_deg"), ((0, 0, 0), "radius_deg"), ((np.nan, 0, 1), "ra_deg")],
)
def test_a_place_that_is_none(place, says):
    with pytest.raises(ValueError, match=says):
        choose.stars_around("gaia", *place)


def test_an_epoch_that_is_none(fake):
    with pytest.raises(ValueError, match="epoch_yr"):
        choose.stars_around("apass", *PLACE, epoch_yr=20.0, limit_mag=12.0)


@pytest.mark.parametrize("zero_point_mag", [0.0, 7.3, -20.0])
def test_the_limit_follows_the_depth_of_the_frame(zero_point_mag):
    """Stars of a made-up sky whose number grows threefold a magnitude; a frame that sees them down
    to V 14.2."""
    rng = np.random.default_rng(3)
    v = 15.0 + np.log(rng.uniform(1e-4, 1.0, 4000)) / np.log(3.0)
    seen = v[v < 14.2] + zero_point_mag
    limit = choose.magnitude_limit(np.append(seen, np.nan), v[v < 11.5])
    assert 14.0 <= limit <= 14.5  # rounded up to halves
    assert choose.magnitude_limit(seen, v[v < 11.5], faintest_mag=13.0) == 13.0
    assert (
        choose.magnitude_limit(seen, [])
        == choose.magnitude_limit([], [10.0])
        == choose.USUAL_LIMIT_MAG
    )


# --- names ------------------------------------------------------------------------------


def test_an_object_nobody_knows_here_is_asked_where_the_network_is_allowed(fake, monkeypatch):
    monkeypatch.setenv("STARCAL_SESAME_URL", f"{fake.address}/sesame/")
    frame = Frame(np.zeros((3, 8, 8), np.float32), fits.Header({"PIXSCALE": 1.2}))
    chosen = Choices(object="V1500 Cyg", online=True, timeout=TIMEOUT_S)
    hints = hints_of(chosen, frame)
    assert (hints.ra_deg, hints.dec_deg) == (350.20125, 61.2111111)  # as the fake says
    assert "V1500 Cyg" in str(hints)
    typed = hints_of(replace(chosen, ra=10.0, dec=20.0), frame)
    known = hints_of(replace(chosen, object="NGC 7635"), frame)
    assert (typed.ra_deg, len(fake.asked)) == (10.0, 1)  # what is typed goes first
    assert abs(known.ra_deg - 350.2) < 0.1  # and what is known here
    with pytest.raises(CatalogueError, match="none of the"):
        hints_of(Choices(object="V1500 Cyg"), frame)
    with pytest.raises(CatalogueUnreachable, match=r"'V2 Zebra'.*Give --ra and --dec"):
        hints_of(replace(chosen, object="V2 Zebra"), frame)
    monkeypatch.setenv("STARCAL_SESAME_URL", fake_services.refused_address())
    with pytest.raises(CatalogueUnreachable, match="refused"):
        hints_of(chosen, frame)
