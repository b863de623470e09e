"""Many frames: each by itself, whatever becomes of the others; going on where an earlier call
ended."""

import json
import os
import re
import signal
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table

import starcal
from starcal.cli.main import main
from starcal.demo.scene import make_scene
from starcal.errors import ClusterError, FrameError, OutputError, StarcalError
from starcal.frame import write_fits
from starcal.many import frames_named, write_summary
from starcal.many.working import work_through

FIELD = {"shape": (300, 420), "scale_arcsec": 5.0, "faint_to_mag": 13.0}
GAINS = (0.5, 1.0, 0.7)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """A folder with a good frame, the same again, and a file that is no frame."""
    folder = tmp_path_factory.mktemp("night")
    scene = make_scene(**FIELD, channel_gains=GAINS)
    for name in ("a.fits", "b.fits"):
        write_fits(folder / name, scene.pixels, scene.header)
    (folder / "bad.fits").write_text("no frame")
    return folder


def dying(number):
    """Work of which one piece kills its process."""
    if number == 1:
        os._exit(9)
    if number == 2:
        raise ZeroDivisionError("a fault")
    return number


# --- handing out ------------------------------------------------------------------------------


def test_a_process_that_dies_takes_no_other_with_it():
    ended = dict(work_through(dying, [(n,) for n in range(4)], jobs=2))
    assert [ended[0].result, ended[3].result] == [0, 3]
    assert str(ended[1].error) == "its process died (exit status 9)"
    assert str(ended[2].error) == "internal fault: ZeroDivisionError a fault"
    assert all(isinstance(ended[n].error, StarcalError) for n in (1, 2))


def test_names_stand_for_files(night, monkeypatch):
    monkeypatch.chdir(night)
    all_of_it = [Path(name) for name in ("a.fits", "b.fits", "bad.fits")]
    assert frames_named(["."]) == all_of_it
    assert frames_named(["[ab].fits", "a.fits", "none.fits"]) == [
        *all_of_it[:2],
        Path("none.fits"),
    ]
    with pytest.raises(FrameError, match="no file fits this pattern"):
        frames_named(["z*.fits"])
    (night / "empty").mkdir(exist_ok=True)
    with pytest.raises(FrameError, match="no FITS, TIFF or PNG in this folder"):
        frames_named(["empty"])


def test_two_frames_of_one_name_are_not_written_over_each_other(tmp_path):
    with pytest.raises(OutputError, match="would both be written to"):
        starcal.run_many(
            [tmp_path / "x" / "a.fits", tmp_path / "y" / "a.fits"], tmp_path / "out"
        )


@pytest.mark.slow
def test_no_cluster_is_said():
    pytest.importorskip("distributed")
    with pytest.raises(ClusterError, match="no Dask scheduler answers at tcp"):
        dict(work_through(dying, [(0,)], cluster="tcp://127.0.0.1:1"))


# --- the job ----------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_folder_is_run_and_gone_on_with(night, tmp_path, capsys):
    out = tmp_path / "done"
    assert main(["run", str(night), "--out", str(out), "--jobs", "2", "--json"]) == 1
    facts = json.loads(capsys.readouterr().out)
    assert [each["state"] for each in facts["frames"]] == ["done", "done", "failed"]
    alone = starcal.check(night / "a.fits")
    assert facts["frames"][0]["gain_r"] == alone.to_dict()["gains"]["R"]
    table = Table.read(out / "summary.ecsv")
    assert list(table["state"]) == ["done", "done", "failed"]
    assert table["gain_r"][0] == table["gain_r"][1]
    assert np.isnan(table["gain_r"][2])
    page = (out / "index.html").read_text()
    links = re.findall(r'href="([^"]*)"', page)
    assert all((out / link).exists() for link in links)
    assert page.count("data:image/jpeg") == 2
    before = (out / "a-starcal" / "result.json").stat().st_mtime_ns
    again = starcal.run_many([night], out)
    assert [fate.state for fate in again.fates] == ["done before", "done before", "failed"]
    assert (out / "a-starcal" / "result.json").stat().st_mtime_ns == before
    assert str(again) == "3 frames: 2 done before, 1 failed"
    write_summary(again, out)
    assert Table.read(out / "summary.ecsv")["gain_r"][0] == table["gain_r"][0]


@pytest.mark.slow
def test_checks_of_many_are_those_of_each(night):
    found = starcal.check_many([night / "a.fits", night / "bad.fits"], snr=7)
    alone = starcal.check(night / "a.fits", snr=7)
    assert found[str(night / "a.fits")].to_dict() == alone.to_dict()
    assert isinstance(found[str(night / "bad.fits")], FrameError)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="this system knows no such kill")
def test_a_cluster_gives_the_same(night, tmp_path):
    """Bit for bit; a worker that is killed is replaced and its frame done."""
    distributed = pytest.importorskip("distributed")
    alone = starcal.calibrate_many([night / "a.fits"], tmp_path)
    (tmp_path / "far").mkdir()
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        first = next(iter(cluster.workers.values()))
        os.kill(first.pid, signal.SIGKILL)
        frames = [night / "a.fits", night / "b.fits"]
        made = starcal.calibrate_many(
            frames, tmp_path / "far", cluster=cluster.scheduler_address
        )
    (path,) = alone.values()
    for each in made.values():
        assert Path(each).read_bytes() == path.read_bytes()


def test_what_belongs_to_one_frame_is_refused_with_several(night):
    with pytest.raises(SystemExit, match="2"):
        main(
            [
                "run",
                str(night / "a.fits"),
                str(night / "b.fits"),
                "--wcs",
                str(night / "a.fits"),
            ]
        )
