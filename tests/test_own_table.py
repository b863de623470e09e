"""The user's own table: every format, columns under many names, and what is wrong with it said in a
line."""

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.table import MaskedColumn, Table

from starcal.catalogue import choose
from starcal.catalogue.own_table import (
    LEAST_BV_ERROR_MAG,
    TYPICAL_BV_ERROR_MAG,
    parse_mapping,
    read_own_table,
)
from starcal.errors import CatalogueError, CatalogueIncomplete

N = 60
RNG = np.random.default_rng(5)
RA, DEC = RNG.uniform(10, 11, N), RNG.uniform(40, 41, N)
V, BV = RNG.uniform(7, 14, N), RNG.uniform(-0.1, 1.6, N)


def table(ra="RAJ2000", dec="DEJ2000", v="Vmag", bv="B-V", **more):
    return Table({ra: RA, dec: DEC, v: V, bv: BV} | more)


FORMATS = {"csv": "ascii.csv", "ecsv": "ascii.ecsv", "fits": "fits", "vot": "votable"}


@pytest.mark.parametrize("suffix", FORMATS)
@pytest.mark.parametrize("name", ["stars.{}", "stars.dat"])
def test_every_format_whatever_its_name(tmp_path, suffix, name):
    path = tmp_path / name.format(suffix)
    table().write(path, format=FORMATS[suffix])
    stars = read_own_table(path)
    np.testing.assert_allclose(stars.ra_deg, RA, rtol=0, atol=1e-12)
    np.testing.assert_allclose(stars.dec_deg, DEC, rtol=0, atol=1e-12)
    np.testing.assert_allclose(stars.v_mag, V, rtol=0, atol=1e-6)  # float32
    np.testing.assert_allclose(stars.bv_mag, BV, rtol=0, atol=1e-6)
    assert stars.no_pm.all()
    assert stars.name == path.name


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_csv_of_any_delimiter_with_comments(tmp_path, delimiter):
    path = tmp_path / "s.csv"
    path.write_text(
        "# my stars\n"
        + "\n".join(
            delimiter.join(row)
            for row in (
                ("ra", "dec", "V", "B-V"),
                ("10.5", "40.5", "9.1", "0.5"),
                ("10.6", "40.6", "9.2", ""),
            )
        )
        + "\n"
    )
    stars = read_own_table(path)
    assert stars.ra_deg.tolist() == [10.5, 10.6]
    assert np.isnan(stars.bv_mag).tolist() == [False, True]


def test_columns_named_by_the_user(tmp_path):
    path = tmp_path / "s.csv"
    table("x", "y", "mag one", "colour").write(path, format="ascii.csv")
    with pytest.raises(
        CatalogueIncomplete, match="no column for ra, dec; it has x, y, mag one, colour"
    ):
        read_own_table(path)
    mapping = parse_mapping("ra=x, dec=y,v=mag one,bv=colour")
    choice = choose.stars_around(f"file:{path}", 10.5, 40.5, 0.3, mapping=mapping)
    inside = (
        SkyCoord(RA, DEC, unit="deg").separation(SkyCoord(10.5, 40.5, unit="deg"))
        <= 0.3 * u.deg
    )
    assert choice.source == "file"
    assert len(choice.stars) == inside.sum() > 0
    with pytest.raises(CatalogueIncomplete, match="no column for zebra"):
        read_own_table(path, parse_mapping("ra=zebra"))


@pytest.mark.parametrize("text", ["", "ra", "place=x", "ra=", "ra=x,ra=y"])
def test_a_mapping_that_is_none(text):
    with pytest.raises(CatalogueError, match="--columns ra=RAJ2000"):
        parse_mapping(text)
    assert (
        parse_mapping("ra=RAJ2000,dec=DEJ2000,v=Vmag,bv=B-V")["bv"] == "B-V"
    )  # as the message has it


def test_b_and_v_make_b_minus_v(tmp_path):
    path = tmp_path / "s.fits"
    made = table()
    made["Bmag"] = V + BV
    made.remove_column("B-V")
    made.write(path)
    np.testing.assert_allclose(read_own_table(path).bv_mag, BV, rtol=0, atol=1e-6)


def test_gaia_s_columns_do_by_the_relation_of_dwarfs(tmp_path):
    """K0V of Pecaut & Mamajek 2013, table 5, as extended: BP-RP 0.983, B-V 0.816, G-V -0.227; and a
    star too red."""
    path = tmp_path / "s.ecsv"
    Table(
        {
            "ra": [10.0, 10.1],
            "dec": [40.0, 40.1],
            "phot_g_mean_mag": [9.773, 9.0],
            "phot_bp_mean_mag": [10.2, 11.0],
            "phot_rp_mean_mag": [9.217, 8.0],
        }
    ).write(path, format="ascii.ecsv")
    stars = read_own_table(path)
    assert stars.bv_mag[0] == pytest.approx(0.816, abs=0.041)  # the worst of the fit
    assert stars.v_mag[0] == pytest.approx(10.0, abs=0.06)  # twice the polynomial's scatter
    assert np.isnan(stars.bv_mag[1])
    assert stars.bv_clamped.tolist() == [False, True]


@pytest.mark.parametrize("unit", [u.rad, u.hourangle, u.arcmin])
def test_positions_in_the_column_s_own_unit(tmp_path, unit):
    path = tmp_path / "s.ecsv"
    made = table()
    made["RAJ2000"] = (RA * u.deg).to(unit)
    made["DEJ2000"] = (DEC * u.deg).to(unit)
    made.write(path, format="ascii.ecsv")
    np.testing.assert_allclose(read_own_table(path).ra_deg, RA, rtol=0, atol=1e-9)


def test_a_position_in_no_unit_of_angle(tmp_path):
    path = tmp_path / "s.ecsv"
    made = table()
    made["RAJ2000"].unit = u.mag
    made.write(path, format="ascii.ecsv")
    with pytest.raises(CatalogueIncomplete, match="RAJ2000 is in mag, which is no angle"):
        read_own_table(path)


def test_sexagesimal_texts_are_hours_and_degrees(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text(
        "ra,dec,v,bv\n05:34:31.94,+22:00:52.2,12,0.5\n,,11,0.4\n00 42 44.3,-41 16 09,12,0.5\n"
    )  # a blank is no place, and not the origin
    stars = read_own_table(path)
    hours = np.array([5 + 34 / 60 + 31.94 / 3600, 42 / 60 + 44.3 / 3600])
    np.testing.assert_allclose(stars.ra_deg, 15 * hours, atol=1e-9)
    np.testing.assert_allclose(
        stars.dec_deg, [22 + 52.2 / 3600, -41 - 16 / 60 - 9 / 3600], atol=1e-9
    )


def test_proper_motions_bring_the_stars_to_the_epoch(tmp_path):
    path = tmp_path / "s.csv"
    table(pmRA=np.full(N, 500.0), pmDE=np.full(N, -300.0)).write(path, format="ascii.csv")
    stars = choose.stars_around(f"file:{path}", 10.5, 40.5, 2.0, epoch_yr=2020.0).stars
    moved = SkyCoord(RA, DEC, unit="deg").spherical_offsets_by(
        10 * u.arcsec, -6 * u.arcsec
    )  # 20 years
    apart = SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg").separation(moved)
    assert len(stars) == N
    assert apart.max() < 0.01 * u.arcsec  # the offset of astropy is along great circles as well


@pytest.mark.parametrize("unit", [u.arcsec / u.yr, u.deg / u.yr, u.mas / u.Myr])
def test_proper_motions_in_the_column_s_own_unit_from_the_year_that_is_stated(tmp_path, unit):
    path = tmp_path / "s.ecsv"
    east, north = (np.full(N, speed) * u.mas / u.yr for speed in (500.0, -300.0))
    stated = np.tile([2010.0, 1990.0, np.nan], N // 3)
    table(pmra=east.to(unit), pmdec=north.to(unit), ref_epoch=stated).write(path)
    stars = choose.stars_around(f"file:{path}", 10.5, 40.5, 2.0, epoch_yr=2020.0).stars
    years = 2020 - np.nan_to_num(stated, nan=2000.0)
    moved = SkyCoord(RA, DEC, unit="deg").spherical_offsets_by(
        0.5 * years * u.arcsec, -0.3 * years * u.arcsec
    )
    assert SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg").separation(moved).max() < (
        0.01 * u.arcsec
    )


def test_a_speed_that_is_no_proper_motion(tmp_path):
    path = tmp_path / "s.ecsv"
    table(pmra=np.ones(N) * u.km / u.s).write(path)
    with pytest.raises(CatalogueIncomplete, match="pmra is in km / s, which is no proper mot"):
        read_own_table(path)


def test_masked_values_and_rows_without_position(tmp_path):
    path = tmp_path / "s.ecsv"
    made = table()
    for name, row in (("RAJ2000", 0), ("B-V", 1), ("Vmag", 2)):
        made[name] = MaskedColumn(made[name], mask=np.arange(N) == row)
    made.write(path, format="ascii.ecsv")
    stars = read_own_table(path)
    assert len(stars) == N - 1
    assert np.flatnonzero(np.isnan(stars.bv_mag)).tolist() == [0]
    assert np.flatnonzero(np.isnan(stars.v_mag)).tolist() == [1]
    assert len(stars.bv_fit_error_mag) == N - 1


def test_errors_for_the_fit_are_smooth_in_v(tmp_path):
    path = tmp_path / "s.csv"
    n, v = 600, np.linspace(7, 14, 600)
    truth = 0.01 * 10 ** (0.15 * (v - 7))  # 0.01 to 0.11 mag, each stated wrong by up to 30 %
    Table(
        {
            "ra": np.linspace(10, 11, n),
            "dec": np.full(n, 40.0),
            "v": v,
            "bv": np.full(n, 0.5),
            "e_B-V": truth * RNG.uniform(0.7, 1.3, n),
        }
    ).write(path, format="ascii.csv")
    error = read_own_table(path).bv_fit_error_mag
    assert error.min() == pytest.approx(LEAST_BV_ERROR_MAG)
    middle = (v > 10) & (v < 13.5)  # beyond the middles of the outer bins it stays level
    # the median of 50 stated errors scatters by 0.3 / sqrt(50) = 4 %
    np.testing.assert_allclose(error[middle], truth[middle], rtol=0.15)
    table().write(path, format="ascii.csv", overwrite=True)  # which states none
    np.testing.assert_allclose(read_own_table(path).bv_fit_error_mag, TYPICAL_BV_ERROR_MAG)


def test_the_first_table_of_a_fits_file_is_meant(tmp_path):
    path = tmp_path / "s.fits"
    fits.HDUList(
        [fits.PrimaryHDU(), fits.BinTableHDU(table()), fits.BinTableHDU(table("a", "b"))]
    ).writeto(path)
    assert len(read_own_table(path)) == N


WRONG = {
    "a picture": (b"\x89PNG\r\n\x1a\n\0\0\0", "Save it as CSV"),
    "prose": (b"these are no stars\n", "Save it as CSV"),
    "an empty file": (b"", "Save it as CSV"),
    "a cut FITS file": (b"SIMPLE  =                    T", "Save it as CSV"),
    "broken XML": (b"<?xml version='1.0'?><VOTABLE><RES", "Save it as CSV"),
    "no rows": (b"ra,dec,v,bv\n", "without rows"),
    "no colour": (b"ra,dec,v\n1,2,3\n", "v with bv or b, or g with bp"),
    "no numbers": (b"ra,dec,v,bv\n1,2,bright,0.5\n", "column v holds no numbers"),
    "no places": (b"ra,dec,v,bv\nhere,there,9,0.5\n", "its column ra holds no numbers"),
    "positions blank": (b"ra,dec,v,bv\n,,9,0.5\n,,9,0.5\n", "none of 2 rows has a position"),
}


@pytest.mark.parametrize("what", WRONG)
def test_what_is_wrong_is_said(tmp_path, what):
    path = tmp_path / "s.csv"
    content, says = WRONG[what]
    path.write_bytes(content)
    with pytest.raises(CatalogueError, match=says) as caught:
        read_own_table(path)
    assert str(path) in str(caught.value)
    path.write_text(
        "ra,dec,v,bv\n10,40,9,0.5\n"
    )  # saved as CSV with a line of column names, as the message says
    assert len(read_own_table(path)) == 1


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(CatalogueError, match="--catalogue file:PATH"):
        choose.stars_around(f"file:{tmp_path}/none.csv", 10.0, 40.0, 1.0)
    with pytest.raises(CatalogueError, match="--catalogue file:PATH"):
        read_own_table(tmp_path)


CSV_ROWS = {
    "right ascension in degrees beside a sexagesimal declination": (
        "10.5,+40:30:00,9.1,0.5",
        "10.6,+40:36:00,9.2,0.6",
    ),
    "texts that are numbers": ("10.5,40.5,9.1,0.5", "n/a,40.6,9.2,0.6", "10.6,40.6,9.2,0.6"),
    "a star twice": ("10.5,40.5,9.1,0.5", "10.6,40.6,9.2,0.6", "10.5,40.5,9.1,0.5"),
    "no place of that kind": ("10.5,40.5,9.1,0.5", "-999,0,9,0", "10.6,40.6,9.2,0.6"),
}


@pytest.mark.parametrize("rows", CSV_ROWS.values(), ids=list(CSV_ROWS))
def test_what_tables_of_people_hold(tmp_path, rows):
    path = tmp_path / "s.csv"
    path.write_text("\n".join(["ra,dec,V,B-V", *rows]))
    stars = read_own_table(path)
    assert stars.ra_deg.tolist() == pytest.approx([10.5, 10.6])
    assert stars.dec_deg.tolist() == pytest.approx([40.5, 40.6])
    assert stars.v_mag.tolist() == pytest.approx([9.1, 9.2])
    assert not stars.double.any()


def test_numbers_with_a_comma(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("ra;dec;V;B-V\n10,5;40;9,1;0,5\n10,6;40,6;;0,6\n")
    stars = read_own_table(path)
    assert stars.ra_deg.tolist() == [10.5, 10.6]
    assert stars.v_mag.tolist() == pytest.approx([9.1, np.nan], nan_ok=True)


def test_numbers_that_stand_for_none(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("ra,dec,V,B-V\n10.5,40.5,-99,0.5\n10.6,40.6,9.2,99.999\n")
    stars = read_own_table(path)
    assert np.isnan(stars.v_mag).tolist() == [True, False]
    assert np.isnan(stars.bv_mag).tolist() == [False, True]


def test_galactic_latitude_is_no_magnitude(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("ra,dec,l,b,V\n10.5,40.5,120.1,-22.3,9.1\n")
    with pytest.raises(CatalogueIncomplete, match="no column for v with bv or b"):
        read_own_table(path)
    path.write_text("ra,dec,l,b,V\n10.5,40.5,120.1,9.6,9.1\n")
    stars = read_own_table(path, parse_mapping("b=b"))
    assert stars.bv_mag == pytest.approx(0.5, abs=1e-6)  # float32
