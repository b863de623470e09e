"""Many frames: each by itself, whatever becomes of the others; going on where an earlier call
ended."""

import json
import os
import re
import signal
import urllib.parse
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table

import starcal
from starcal.choices import read_settings
from starcal.cli.main import main
from starcal.cores import cores
from starcal.demo.scene import make_scene
from starcal.errors import ClusterError, FrameError, OutputError, StarcalError, TooFewStars
from starcal.frame import write_fits
from starcal.many import FrameFate, ManyRuns, frames_named, write_summary
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
    return number if number < 3 else cores()


# --- handing out ------------------------------------------------------------------------------


def test_a_process_that_dies_takes_no_other_with_it():
    ended = dict(work_through(dying, [(n,) for n in range(4)], jobs=2))
    assert ended[0].result == 0
    assert ended[3].result == max(1, cores() // 2)  # its share
    assert str(ended[1].error) == "its process died (exit status 9)"
    assert str(ended[2].error) == "internal fault: ZeroDivisionError a fault"
    assert all(isinstance(ended[n].error, StarcalError) for n in (1, 2))


def test_less_than_one_process_is_none():
    with pytest.raises(ValueError, match="jobs 0 given, a whole number above 0 needed"):
        starcal.check_many(["a.fits", "b.fits"], jobs=0)


def test_names_stand_for_files(night, monkeypatch):
    monkeypatch.chdir(night)
    all_of_it = [Path(name) for name in ("a.fits", "b.fits", "bad.fits")]
    assert frames_named(["."]) == all_of_it
    assert frames_named(["[ab].fits", "a.fits", "none.fits"]) == [
        *all_of_it[:2],
        Path("none.fits"),
    ]
    assert frames_named("a.fits") == all_of_it[:1]
    assert frames_named(["./a.fits", night / "a.fits", "*.fits"]) == all_of_it
    with pytest.raises(FrameError, match="no file fits this pattern"):
        frames_named(["z*.fits"])
    (night / "empty").mkdir(exist_ok=True)
    with pytest.raises(FrameError, match="no FITS, TIFF or PNG in this folder"):
        frames_named(["empty"])


def test_what_a_run_made_is_no_frame(tmp_path):
    """As by ``starcal run night/*`` typed again; frames beside such files are frames."""
    made = tmp_path / "a-starcal"
    made.mkdir()
    for path in (tmp_path / "a.fits", made / "picture.fits", made / "after.png"):
        path.touch()
    (made / "result.json").write_text('{"files": ["picture.fits", "after.png"]}')
    assert frames_named([made, tmp_path / "a.fits"]) == [tmp_path / "a.fits"]
    assert frames_named([tmp_path / "*"]) == [tmp_path / "a.fits"]
    with pytest.raises(FrameError, match="nothing but what runs have made"):
        frames_named([made])
    with pytest.raises(FrameError, match="no frame given"):
        frames_named([])
    (made / "b.fits").touch()
    assert frames_named([made]) == [made / "b.fits"]


@pytest.mark.parametrize("name", ["index.html", "summary.ecsv"])
def test_nobody_else_s_file_makes_room_for_the_summary(tmp_path, capsys, name):
    (tmp_path / "a.fits").touch()
    (tmp_path / name).write_text("mine")
    assert main(["run", str(tmp_path)]) == 1
    assert f"{tmp_path / name} would be replaced" in capsys.readouterr().err
    assert (tmp_path / name).read_text() == "mine"
    (tmp_path / name).unlink()
    assert main(["run", str(tmp_path)]) == 1  # no frame; said in a summary, which is replaced
    assert main(["run", str(tmp_path)]) == 1
    assert "would be replaced" not in capsys.readouterr().err


def test_two_frames_of_one_name_are_not_written_over_each_other(tmp_path):
    with pytest.raises(OutputError, match="would both be written to"):
        starcal.run_many(
            [tmp_path / "x" / "a.fits", tmp_path / "y" / "a.fits"], tmp_path / "out"
        )
    frames = [tmp_path / "x" / "a.fits", tmp_path / "y" / "a.fits"]
    with pytest.raises(OutputError, match="would both be written to"):
        starcal.calibrate_many(frames, tmp_path, overwrite=True)


def test_no_frame_is_calibrated_over_another(tmp_path):
    frames = [tmp_path / "a.fits", tmp_path / "a-calibrated.fits"]
    with pytest.raises(
        OutputError, match=r"a-calibrated.fits is an input: choose another place"
    ):
        starcal.calibrate_many(frames, tmp_path, overwrite=True)


def test_links_lead_to_folders_of_any_name(tmp_path):
    """A colon would make the first word a scheme; bytes of another age's names are no text."""
    for name in ("M31: night #2 50%?", os.fsdecode(b"caf\xe9")):
        fate = FrameFate(
            frame=f"{name}.fits", folder=str(tmp_path / name), state="done", outcome="done"
        )
        _, page = write_summary(ManyRuns((fate,)), tmp_path)
        link = re.search('href="([^"]*)/report.html"', Path(page).read_text(encoding="utf-8"))
        there = urllib.parse.urljoin(f"{tmp_path.as_uri()}/", link[1])
        assert urllib.parse.unquote_to_bytes(there) == b"file://" + os.fsencode(tmp_path / name)


@pytest.mark.slow
def test_no_cluster_is_said(monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr("starcal.many.working.CLUSTER_ANSWERS_S", 1)
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
    other = starcal.run_many([night / "a.fits"], out, timeout=9, warmth=2, sky="keep")
    assert other.fates[0].outcome.startswith("done before with another sky and warmth:")
    write_summary(again, out)
    assert Table.read(out / "summary.ecsv")["gain_r"][0] == table["gain_r"][0]


@pytest.mark.slow
def test_checks_of_many_are_those_of_each(night):
    found = starcal.check_many([night / "a.fits", night / "bad.fits"], snr=7)
    alone = starcal.check(night / "a.fits", snr=7)
    assert found[str(night / "a.fits")].to_dict() == alone.to_dict()
    assert isinstance(found[str(night / "bad.fits")], FrameError)


@pytest.mark.campaign
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


# --- gains in common --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def panels(tmp_path_factory):
    """Three panels of one camera beside each other, and one that gains cannot rescue."""
    folder = tmp_path_factory.mktemp("panels")
    for number, dec_deg in enumerate((39.4, 39.8, 40.2)):
        scene = make_scene(**FIELD | {"dec_deg": dec_deg, "seed": number}, channel_gains=GAINS)
        write_fits(folder / f"{number}.fits", scene.pixels, scene.header)
    sho = make_scene(**FIELD, system="SHO", channel_gains=(1.0, 0.25, 0.71))
    write_fits(folder / "sho.fits", sho.pixels, sho.header)
    return folder, np.asarray(scene.gains_true)


@pytest.fixture(scope="module")
def panel_checks(panels):
    return starcal.check_many([panels[0]])


def test_gains_in_common_are_the_true_ones(panels, panel_checks):
    """Of each panel's own gains the mean by weight is as near to the truth as it says, and better
    known than any."""
    common = starcal.gains_in_common(panel_checks)
    fits = [panel_checks[name].fit for name in common.frames]
    assert [Path(name).name for name in common.frames] == ["0.fits", "1.fits", "2.fits"]
    assert common.agree
    np.testing.assert_allclose(common.weight.sum(axis=1), 1)
    off = (common.gains - panels[1])[[0, 2]] / common.gain_errors[[0, 2]]
    assert np.abs(off).max() < 3
    least = np.min([fit.stated_errors for fit in fits], axis=0)
    assert np.all(common.gain_errors[[0, 2]] / common.gains[[0, 2]] < least)
    own = np.array([fit.gains[[0, 2]] for fit in fits]).T
    told = common.gains[[0, 2]][:, None] * (1 + common.difference)
    np.testing.assert_allclose(told, own)


def test_the_same_night_thrice_is_no_better_known(panel_checks):
    """Errors of stars that all frames share do not average out."""
    (first, *_) = panel_checks.values()
    alone = starcal.gains_in_common({"a": first})
    thrice = starcal.gains_in_common(dict.fromkeys("abc", first))
    np.testing.assert_allclose(thrice.gain_errors, alone.gain_errors)
    np.testing.assert_allclose(alone.gain_errors, first.fit.gain_errors, rtol=1e-6)


def test_frames_that_differ_are_said_to(panel_checks):
    first, second, *_ = panel_checks.values()
    red, blue = first.fit.gains[[0, 2]]
    other = replace(second, fit=second.fit.with_given((1.2 * red, 0.01, blue, 0.01)))
    common = starcal.gains_in_common({"a": first, "b": other})
    assert not common.agree
    assert "they differ by more than their errors" in str(common)
    # the error covers either frame: half their distance, a fifth of the gain apart
    assert common.gain_errors[0] > 0.08 * red


def test_no_gains_have_nothing_in_common(panel_checks):
    with pytest.raises(TooFewStars, match="see what `starcal check` says of each"):
        starcal.gains_in_common({"sho.fits": list(panel_checks.values())[-1]})


@pytest.mark.campaign
def test_panels_are_calibrated_alike(panels, panel_checks, tmp_path, capsys):
    """Each by the same gains; what has none is said, and stops no other."""
    folder, out = panels[0], tmp_path / "out"
    told = ["calibrate", str(folder), "--common-gains", "--json", "-o", str(out)]
    assert main([*told, "--sky", "keep"]) == 1
    facts = json.loads(capsys.readouterr().out)
    assert [("output" in each) for each in facts["frames"]] == [True, True, True, False]
    common = starcal.gains_in_common(panel_checks)
    assert list(facts["common_gains"]["gains"].values()) == common.gains.tolist()
    for number in range(3):
        before = starcal.read_frame(folder / f"{number}.fits").pixels
        after = starcal.read_frame(out / f"{number}-calibrated.fits").pixels
        dark = np.all(before < 0.5, axis=0)  # what is clipped becomes white
        factors = common.gains.astype(np.float32)[:, None]
        np.testing.assert_allclose(after[:, dark], factors * before[:, dark], rtol=1e-5)


@pytest.mark.slow
def test_a_run_with_gains_in_common_can_be_gone_on_with_and_repeated(panels, tmp_path):
    """Done before is what was done with the same gains; its settings have them to the last bit."""
    frames = [panels[0] / "0.fits"]
    made = starcal.run_many(frames, tmp_path, common_gains=True)
    (fate,) = made.fates
    assert fate.gain_r == made.common.gains[0]
    assert fate.own_gain_r == pytest.approx(fate.gain_r, rel=1e-12)  # mean of one: its rounding
    again = starcal.run_many(frames, tmp_path, common_gains=True)
    assert again.fates[0].state == "done before"
    other = starcal.run_many(frames, tmp_path, common_gains=True, neutral_bv=0.5)
    assert "done before with another neutral_bv and gains:" in other.fates[0].outcome
    folder = Path(fate.folder)
    assert read_settings(folder / "result.json").gains == made.common.given
    page = (folder / "report.html").read_text()
    assert f"--gains {','.join(map(repr, made.common.given))}" in page


def test_gains_in_common_with_what_leaves_them_no_part(panels, capsys):
    frames = [str(panels[0] / f"{number}.fits") for number in (0, 1)]
    for words, says in (
        ([*frames, "--model", "matrix"], "gains of several frames need gains or gradient"),
        ([*frames, "--route", "palette"], "gains of several frames need best or gains"),
        (frames[:1], "--common-gains is of several frames"),
        ([*frames, "--gains", "1,2"], "gain of R, its error, gain of B, its error needed"),
    ):
        with pytest.raises(SystemExit, match="2"):
            main(["run", *words, "--common-gains"])
        assert says in capsys.readouterr().err
