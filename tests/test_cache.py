"""The cache of deeper fields: whole files that can be checked and copied, whatever happens while
they are written."""

import os
import shutil
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table

from starcal.catalogue import cache, choose, columns, services
from starcal.catalogue.request import FieldRequest
from starcal.errors import CatalogueDamaged, CatalogueError, CatalogueUnreachable, OutputError

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("STARCAL_CACHE", str(tmp_path / "cache"))
    (tmp_path / "packaged").mkdir()
    monkeypatch.setattr(cache, "data_folder", lambda: tmp_path / "packaged")
    monkeypatch.setattr(services, "ask", lambda *_, **__: pytest.fail("the network was asked"))
    return tmp_path / "cache"


def request_of(catalogue="apass", ra=83.6, dec=22.0, radius=0.5, limit=14.0):
    return FieldRequest(catalogue, ra, dec, radius, limit)


def answer_of(request, n=200, seed=0):
    """Stars spread over the circle of a request."""
    rng = np.random.default_rng(seed)
    out, turn = request.radius_deg * np.sqrt(rng.uniform(0, 1, n)), rng.uniform(0, 2 * np.pi, n)
    dec = request.dec_deg + out * np.sin(turn)
    table = {
        "ra_deg": request.ra_deg + out * np.cos(turn) / np.cos(np.radians(dec)),
        "dec_deg": dec,
    }
    for name in columns.no_rows(request.catalogue).colnames:
        table.setdefault(name, rng.uniform(8, request.limit_mag, n).astype(np.float32))
    table["bv_mag"], table["bv_error_mag"] = (
        rng.uniform(0, 1.5, n).astype(np.float32),
        np.full(n, np.nan, np.float32),
    )
    return services.Answer(Table(table), "the query", "https://stars.invalid", 1000)


def keep(**where):
    request = request_of(**where)
    return cache.keep(request, answer_of(request))


def test_what_was_kept_comes_back_to_the_last_bit(folder):
    request = request_of()
    answer = answer_of(request)
    field = cache.keep(request, answer)
    assert field.path.parent == folder
    assert (
        field.request,
        field.rows,
        field.row_limit,
        field.query,
        field.address,
        field.with_starcal,
    ) == (request, 200, 1000, "the query", "https://stars.invalid", False)
    stars, direct = cache.read_field(field), columns.catalogue_stars(answer.table, request)
    for name in (
        "ra_deg",
        "dec_deg",
        "v_mag",
        "bv_mag",
        "bv_error_mag",
        "bv_fit_error_mag",
        "double",
    ):
        np.testing.assert_array_equal(getattr(stars, name), getattr(direct, name))
    assert cache.find(request) == field
    assert cache.verify_fields() == (field,)
    assert cache.fields() == ((field,), ())


def test_a_file_is_plain_text_that_says_what_it_is():
    text = keep().path.read_text(encoding="ascii")
    assert text.startswith("# %ECSV")
    for fact in (
        "query: the query",
        "rows: 200",
        "row_limit: 1000",
        "date:",
        "pyvo:",
        "sha256:",
        "limit_mag: 14.0",
    ):
        assert fact in text
    assert len(Table.read(text, format="ascii.ecsv")) == 200  # astropy alone reads it


@pytest.mark.parametrize(
    ("asked", "served"),
    [
        ({}, True),
        ({"radius": 0.4}, True),
        ({"limit": 12.0}, True),
        ({"ra": 83.65, "radius": 0.4}, True),
        ({"ra": 360 + 83.6}, True),
        ({"radius": 0.6}, False),
        ({"limit": 14.5}, False),
        ({"dec": 22.2, "radius": 0.4}, False),
        ({"catalogue": "gaia"}, False),
    ],
)
def test_a_larger_field_serves_a_smaller_request(asked, served):
    keep()
    assert (cache.find(request_of(**asked)) is not None) is served


def test_the_smallest_field_that_serves_is_taken():
    big = cache.keep(request_of(radius=2.0), answer_of(request_of(radius=2.0), 900))
    small = keep(radius=0.5)
    assert cache.find(request_of(radius=0.3)) == small
    assert cache.find(request_of(radius=1.0)) == big


def test_a_smaller_request_gets_its_own_stars_only():
    field = keep()
    choice = choose.stars_around("apass", 83.6, 22.0, 0.2, limit_mag=12.0, online=False)
    table = cache.read_field(field)
    from astropy.coordinates import SkyCoord

    apart = (
        SkyCoord(table.ra_deg, table.dec_deg, unit="deg")
        .separation(SkyCoord(83.6, 22.0, unit="deg"))
        .deg
    )
    assert len(choice.stars) == int(np.sum((apart <= 0.2) & (table.v_mag <= 12.0))) > 5
    assert (choice.source, choice.path, choice.notes) == ("cache", field.path, ())


def test_fields_that_come_with_starcal_serve_and_stay(folder, tmp_path):
    field = keep()
    shutil.move(field.path, tmp_path / "packaged" / field.path.name)
    packaged = cache.find(request_of())
    assert packaged.with_starcal
    assert choose.stars_around("auto", 83.6, 22.0, 0.3, limit_mag=13.0).source == "cache"
    assert cache.forget() == ()
    with pytest.raises(CatalogueError, match="starcal catalogue list"):
        cache.forget(field.path.name)
    assert cache.verify_fields(field.path.name) == (packaged,)


def test_a_file_copied_from_another_machine_serves(folder, tmp_path, monkeypatch):
    """What the message advises when the network fails: fetch elsewhere, copy the file."""
    with pytest.raises(CatalogueUnreachable) as caught:
        choose.stars_around("apass", 83.6, 22.0, 0.5, limit_mag=14.0, online=False)
    elsewhere = tmp_path / "elsewhere"
    monkeypatch.setenv("STARCAL_CACHE", str(elsewhere))
    field = keep()
    assert field.path.name in str(caught.value)
    monkeypatch.setenv("STARCAL_CACHE", str(folder))
    folder.mkdir()
    shutil.copy(field.path, folder)
    assert (
        choose.stars_around("apass", 83.6, 22.0, 0.5, limit_mag=14.0, online=False).source
        == "cache"
    )


# --- damage -----------------------------------------------------------------------------


def spoil_a_number(text):
    return text[:-30] + ("1" if text[-30] != "1" else "2") + text[-29:]


SPOILT = {
    "a digit": spoil_a_number,
    "the header": lambda text: text.replace("limit_mag: 14.0", "limit_mag: 15.0"),
    "cut off": lambda text: text[: len(text) // 2],
    "the checksum": lambda text: text.replace("sha256", "sha255"),
    "empty": lambda text: "",
    "something else": lambda text: "# %ECSV 1.0\n# ---\n# {}\nnot a field\n",
    "bad YAML": lambda text: text.replace("# meta:", "# meta: [}"),
}


@pytest.mark.parametrize("how", SPOILT)
def test_a_damaged_file_is_never_believed(how):
    field = keep()
    spoilt = SPOILT[how](field.path.read_text())
    assert spoilt != field.path.read_text()
    field.path.write_text(spoilt)
    with pytest.raises(
        CatalogueDamaged,
        match=f"starcal catalogue forget {field.path.name}".replace("+", r"\+"),
    ):
        cache.verify_fields()
    # the work goes on without it
    assert choose.stars_around("auto", 83.6, 22.0, 0.3, limit_mag=13.0).source == "embedded"
    with pytest.raises(CatalogueUnreachable):
        choose.stars_around("apass", 83.6, 22.0, 0.3, limit_mag=13.0, online=False)
    with pytest.raises(CatalogueError):  # another file of this name
        cache.forget(field.path.parent.parent / field.path.name)
    # what the message advises
    assert cache.forget(field.path.name) == (field.path,)
    assert cache.verify_fields() == ()


def test_bytes_that_are_no_text():
    field = keep()
    field.path.write_bytes(field.path.read_bytes()[:-10] + b"\xff\xfe\xff")
    with pytest.raises(CatalogueDamaged, match="not text"):
        cache.read_field(field)


def test_a_whole_file_that_is_not_what_its_header_says(monkeypatch):
    """Checksum right, content wrong: made so by a fault of whatever wrote it."""
    text = cache._file_text(request_of(), answer_of(request_of())).replace(
        "rows: 200", "rows: 201"
    )
    zeros = cache._DIGEST.sub(cache._ZEROS, text)
    path = keep().path
    path.write_text(
        zeros.replace(cache._ZEROS, cache.hashlib.sha256(zeros.encode()).hexdigest())
    )
    with pytest.raises(CatalogueDamaged, match="200 rows instead of 201"):
        cache.verify_fields(path.name)


def test_a_field_and_what_was_fetched_print_in_a_line(monkeypatch):
    monkeypatch.setattr(services, "ask", lambda request, **_: answer_of(request))
    first, second = choose.fetch(request_of()), choose.fetch(request_of())
    assert "200 stars of apass within 0.500 deg of 83.6000 +22.0000 to V 14.00" in str(first)
    assert str(first.field.path) in str(first)
    assert "was there already" in str(second)


def test_a_damaged_field_is_said_and_fetched_anew(monkeypatch):
    field = keep()
    field.path.write_text(spoil_a_number(field.path.read_text()))
    monkeypatch.setattr(services, "ask", lambda request, **_: answer_of(request))
    assert "SHA-256" in choose.stars_around("auto", 83.6, 22.0, 0.3, limit_mag=13.0).notes[0]
    assert not choose.fetch(request_of()).was_there
    assert choose.fetch(request_of()).was_there
    assert cache.verify_fields() == (cache.field_info(field.path),)


def test_a_file_that_is_gone():
    field = keep()
    field.path.unlink()
    with pytest.raises(CatalogueError, match="starcal catalogue list"):
        cache.read_field(field)
    with pytest.raises(CatalogueError, match="starcal catalogue list"):
        cache.field_info("nothing.ecsv")
    assert cache.fields() == ((), ())


def test_no_empty_answer_is_kept(folder):
    with pytest.raises(ValueError, match="without stars"):
        cache.keep(request_of(), services.Answer(columns.no_rows("apass"), "", "", 10))
    assert not folder.exists()


# --- size -------------------------------------------------------------------------------


def test_the_oldest_fields_go_when_the_cache_is_full():
    made = [keep(ra=ra) for ra in (10.0, 20.0, 30.0)]
    for age, field in zip((300, 200, 100), made, strict=True):
        os.utime(field.path, (time.time() - age,) * 2)
    size = made[0].size_bytes
    new = request_of(ra=40.0)
    cache.keep(new, answer_of(new), max_bytes=int(2.5 * size))
    assert [field.request.ra_deg for field in cache.fields()[0]] == [30.0, 40.0]
    cache.keep(request_of(ra=50.0), answer_of(request_of(ra=50.0)), max_bytes=1)
    assert [field.request.ra_deg for field in cache.fields()[0]] == [
        50.0
    ]  # the new one stays in any case


def test_what_a_killed_process_left_is_swept_up(folder):
    keep()
    (folder / ".starcal-aaaa.part").write_text("half")
    keep(ra=10.0)
    assert list(folder.glob(".starcal-*")) == []


# --- two processes, kills, disks --------------------------------------------------------

WRITER = """
    import sys
    sys.path.insert(0, {tests!r})
    import test_cache as t
    t.cache.data_folder = lambda: t.Path({nowhere!r})
    request = t.request_of()
    print("ready", flush=True)
    for turn in range({turns}):
        t.cache.keep(request, t.answer_of(request, 400, seed=turn + {seed}))
"""


def start_writer(folder, *, turns, seed=0):
    code = textwrap.dedent(WRITER).format(
        tests=str(ROOT / "tests"), nowhere=str(folder / "none"), turns=turns, seed=seed
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT), "STARCAL_CACHE": str(folder)}
    return subprocess.Popen(
        [sys.executable, "-c", code], env=environment, stdout=subprocess.PIPE, text=True
    )


@pytest.mark.campaign
def test_two_processes_write_the_same_field_while_a_third_reads(folder):
    writers = [start_writer(folder, turns=25, seed=seed) for seed in (0, 100)]
    reads = 0
    while any(w.poll() is None for w in writers):
        field = cache.find(request_of())
        if field is not None:
            try:
                assert len(cache.read_field(field)) == 400
                reads += 1
            except CatalogueError as error:
                pytest.fail(f"a half-written file was seen: {error}")
    assert [w.wait() for w in writers] == [0, 0]
    for writer in writers:
        writer.stdout.close()
    assert reads > 0
    assert len(cache.verify_fields()) == 1
    assert list(folder.glob(".starcal-*.part")) == []


@pytest.mark.slow
def test_a_kill_at_any_moment_leaves_whole_files_only(folder):
    for wait_s in (0.01, 0.05, 0.11):
        writer = start_writer(folder, turns=10**6)
        assert writer.stdout.readline() == "ready\n"
        time.sleep(wait_s)
        writer.kill()
        writer.wait()
        writer.stdout.close()
        assert len(cache.verify_fields()) <= 1
        assert cache.fields()[1] == ()


def test_a_folder_that_cannot_be_made(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("STARCAL_CACHE", str(tmp_path / "file" / "cache"))
    with pytest.raises(OutputError, match="export STARCAL_CACHE=FOLDER"):
        keep()
    monkeypatch.setenv("STARCAL_CACHE", str(tmp_path / "another"))
    assert keep().path.is_file()


def test_a_full_disk_leaves_nothing(folder, monkeypatch):
    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        keep()
    assert list(folder.iterdir()) == []


def test_a_file_that_may_not_be_removed(monkeypatch):
    field = keep()

    def refused(*_, **__):
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", refused)
        with pytest.raises(OutputError, match="chmod u"):
            cache.forget(field.path.name)
    assert cache.forget() == (field.path,)


@pytest.mark.slow
def test_the_cache_needs_no_network_client(folder):
    keep()
    code = (
        "import sys\nfrom starcal.catalogue import choose\n"
        "choice = choose.stars_around('auto', 83.6, 22.0, 0.3, limit_mag=13.0)\n"
        "assert choice.source == 'cache', choice\n"
        "loaded = {'astroquery', 'requests', 'pyvo'} & set(sys.modules)\n"
        "sys.exit(f'imported {loaded}' if loaded else 0)\n"
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT), "STARCAL_CACHE": str(folder)}
    answer = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert answer.returncode == 0, answer.stderr


# --- folders ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("platform", "os_name", "environment", "ending"),
    [
        ("linux", "posix", {}, (".cache", "starcal")),
        ("linux", "posix", {"XDG_CACHE_HOME": "/x"}, ("x", "starcal")),
        ("darwin", "posix", {}, ("Library", "Caches", "starcal")),
    ],
)
def test_the_platform_s_folder(monkeypatch, platform, os_name, environment, ending):
    for name in ("STARCAL_CACHE", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys, "platform", platform)
    assert cache.cache_folder().parts[-len(ending) :] == ending


def test_no_folder_no_fields(folder):
    assert cache.fields() == ((), ())
    assert cache.verify_fields() == ()
    assert cache.forget() == ()
    assert cache.find(request_of()) is None
    assert not folder.exists()  # looking makes nothing


@pytest.mark.parametrize(("ra", "dec"), [(83.6, 22.0), (0.0, -89.99), (359.99999, -0.00004)])
def test_the_command_of_a_request_reads_as_one(ra, dec):
    """As argparse splits it: five options, five values, numbers back to the digits printed."""
    import shlex

    words = shlex.split(request_of(ra=ra, dec=dec).command)
    assert words[:3] == ["starcal", "catalogue", "fetch"]
    values = dict(zip(words[3::2], words[4::2], strict=True))
    again = FieldRequest(
        values["--catalogue"],
        *(float(values[k]) for k in ("--ra", "--dec", "--radius", "--limit")),
    )
    assert again.serves(request_of(ra=ra, dec=dec))


@pytest.mark.parametrize(
    "wrong",
    [{"catalogue": "gaya"}, {"dec": 95.0}, {"radius": -1.0}, {"limit": 99.0}, {"ra": np.nan}],
)
def test_a_request_out_of_range(wrong):
    with pytest.raises(ValueError, match="given"):
        request_of(**wrong)
