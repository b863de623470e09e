"""True star colours in narrowband pictures, end to end on frames of known truth, and the commands
for it.

The field, colours and line strengths are those of real catalogue stars and spectra (Tycho-2;
Pickles 1998). The limits of colour error are what plain apertures and a robust regression reach on
isolated stars; the aim is to beat them in crowded places, too.
"""

import json

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from campaigns import also
from scipy import ndimage
from scipy.spatial import cKDTree

import starcal
from starcal.audit import audit_picture
from starcal.cli.main import main
from starcal.colour.stellar import luminance, star_rgb, uv_prime_distance
from starcal.cure.stars import colours_of, recolour_stars
from starcal.demo.light import add_stars
from starcal.demo.scene import make_scene
from starcal.draw.tone import choose_stretch
from starcal.errors import FrameError
from starcal.frame import write_fits
from starcal.layers import split
from starcal.stars import Flag

SLOW_FIXTURES = {"made", "monos"}

FIELDS = {
    "cygnus": (305.6, 40.3, 3.0),
    "orion": (84.0, -2.0, 3.0),
    "pole of the galaxy": (190.0, 27.0, 5.5),
    "crowded": (160.0, -59.0, 2.5),
}
CASES = [
    (system, field, width, seed)
    for seed, (system, field, width) in enumerate(
        [
            ("SHO", "cygnus", 3),
            ("HOO", "orion", 3),
            ("HOS", "crowded", 3),
            ("SHO", "pole of the galaxy", 5),
            ("HOO", "crowded", 7),
            ("HOS", "cygnus", 7),
        ]
    )
]
MEDIAN_UV, NINETY_UV = 0.008, 0.028  # of stars of SNR 20 and more


def narrowband(system: str, field: str, width_nm: int, seed: int, **settings):
    ra, dec, scale = FIELDS[field]
    return make_scene(
        system=system,
        width_nm=width_nm,
        seed=seed,
        **{
            "ra_deg": ra,
            "dec_deg": dec,
            "scale_arcsec": scale,
            "shape": (380, 520),
            "scatter": "spectra",
            "v_zero_electrons": 2e11,
            "sky_electrons": 4e3,
            "nebula_electrons": 8e3 * (seed % 2),
            "channel_gains": (1.0, 0.25, 0.71),
        }
        | settings,
    )


def frame_of(scene, folder):
    write_fits(folder / "frame.fits", scene.pixels, scene.header, overwrite=True)
    return starcal.read_frame(folder / "frame.fits")


@pytest.fixture(scope="module", params=[2, *also(6)])
def made(request, tmp_path_factory):
    """The first so many cases."""
    folder = tmp_path_factory.mktemp("colouring")
    scenes = [narrowband(*case) for case in CASES[: request.param]]
    return [(scene, recolour_stars(frame_of(scene, folder))) for scene in scenes]


def errors_uv(scene, made, bv_mag) -> tuple[np.ndarray, np.ndarray]:
    """u'v' error of stars of SNR >= 20 against their true colour, and which of them are blended."""
    stars, truth = made.check.stars, scene.truth
    tree = cKDTree(np.column_stack([truth["x_px"], truth["y_px"]]))
    distance, row = tree.query(np.column_stack([stars["x_px"].value, stars["y_px"].value]))
    good = (distance < 1) & (stars["snr"] >= 20) & (stars["flags"] & Flag.EDGE == 0)
    true = star_rgb(np.asarray(truth["bv_mag"])[row], 0.65)
    return (
        uv_prime_distance(star_rgb(bv_mag, 0.65), true)[good],
        (np.asarray(stars["flags"]) & Flag.BLENDED > 0)[good],
    )


def test_colours_are_true_to_within_what_one_ratio_tells(made, capsys):
    error, blended, uniform = [], [], []
    for (scene, one), case in zip(made, CASES, strict=False):
        here, crowd = errors_uv(scene, one, one.colours.bv_mag)
        error.append(here)
        blended.append(crowd)
        uniform.append(errors_uv(scene, one, np.full(len(one.check.stars), 0.75))[0])
        with capsys.disabled():
            print(
                f"\n{case}: {len(here)} stars, median {np.median(here):.4f}, 90 % "
                f"{np.quantile(here, 0.9):.4f}, "
                f"uniform {np.median(uniform[-1]):.4f}",
                end="",
            )
    error, blended, uniform = map(np.concatenate, (error, blended, uniform))
    assert len(error) > 80 * len(made)
    assert np.median(error) <= MEDIAN_UV
    assert np.quantile(error, 0.9) <= NINETY_UV
    assert np.median(error[blended]) <= MEDIAN_UV
    assert np.quantile(error[blended], 0.9) <= NINETY_UV
    assert np.median(uniform) > 2 * np.median(error)  # the synthetic palette, side by side


def test_stated_errors_are_honest(made):
    pulls = []
    for scene, one in made:
        stars, truth = one.check.stars, scene.truth
        distance, row = cKDTree(np.column_stack([truth["x_px"], truth["y_px"]])).query(
            np.column_stack([stars["x_px"].value, stars["y_px"].value])
        )
        good = (distance < 1) & (stars["snr"] >= 20)
        pulls.append(
            (
                (one.colours.bv_mag - np.asarray(truth["bv_mag"])[row])
                / one.colours.bv_error_mag
            )[good]
        )
    spread = 1.4826 * np.median(np.abs(np.concatenate(pulls)))
    assert (
        0.6 < spread < 1.4
    )  # few spectra stand for many stars, and their scatter is not normal


def test_the_nebula_is_untouched_and_the_light_of_the_stars_kept(made):
    for scene, one in made:
        outside = (one.stars == 0).all(axis=0)
        np.testing.assert_array_equal(one.picture[:, outside], scene.pixels[:, outside])
        # where a core is clipped its light is rebuilt, and more than the frame holds
        clipped = (scene.pixels > 0.9 * scene.pixels.max()).any(axis=0)
        whole = ~ndimage.binary_dilation(clipped, iterations=3)
        before = luminance(scene.pixels.astype(float) - one.starless, axis=0)[whole].sum()
        after = luminance(one.stars.astype(float), axis=0)[whole].sum()
        assert abs(after / before - 1) < 1e-3


def test_impossible_before_and_possible_after(made):
    before, after = (
        np.sum([[a.n_impossible, a.n_judged] for a in audits], axis=0)
        for audits in zip(
            *(
                (
                    audit_picture(one.frame.pixels, stretched=False),
                    audit_picture(one.picture, stretched=False),
                )
                for _, one in made
            ),
            strict=True,
        )
    )
    assert min(before[1], after[1]) > 30 * len(made)
    assert before[0] / before[1] > 0.8
    # what is left shows a companion nearer than 1.3 FWHM, which none tells from it: 5 to 7 of 627
    assert after[0] / after[1] <= 0.015


def test_every_star_says_where_its_colour_is_from(made):
    for _, one in made:
        assert one.check.route == "continuum"
        assert set(one.check.stars["colour_source"]) <= {
            "catalogue",
            "continuum",
            "catalogue+continuum",
            "field median",
        }
        assert np.isfinite(one.check.stars["colour_bv_error_mag"]).all()


def with_companions(scene, seed: int) -> np.ndarray:
    """Pixels with a redder star of a fifth of its light 4 to 8 px from each star brighter than V 8,
    which no catalogue has; clipped as the others."""
    rng = np.random.default_rng(seed)
    bright = scene.truth[np.asarray(scene.truth["v_mag"]) < 8]
    reach_px, angle = rng.uniform(4, 8, len(bright)), rng.uniform(0, 2 * np.pi, len(bright))
    x_px = np.asarray(bright["x_px"]) + reach_px * np.cos(angle)
    y_px = np.asarray(bright["y_px"]) + reach_px * np.sin(angle)
    pixels = scene.pixels.copy()
    gains = scene.setup.channel_gains
    for channel, (name, share) in enumerate(zip("rgb", (0.2, 0.16, 0.1), strict=True)):
        light = share * np.asarray(bright[f"flux_{name}"])
        add_stars(pixels[channel], x_px, y_px, light, 2.6, 3.0, floor=1e-5)
        np.minimum(pixels[channel], gains[channel], out=pixels[channel])
    if scene.setup.system == "HOO":
        pixels[2] = pixels[1] * np.float32(gains[2] / gains[1])
    return pixels


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("system", "place", "width"),
    [
        ("SHO", (93.7, 22.5), 3),  # eta Gem, V 3.3, B-V 1.61
        ("HOS", (161.0, -59.6), 7),  # Carina
        ("HOO", (305.6, 40.3), 5),  # gamma Cyg, V 2.2
    ],
)
def test_the_brightest_stars_have_their_catalogue_colour(system, place, width, tmp_path):
    """On nebula, most of them clipped, with a companion that no catalogue has: every matched star
    brighter than V 8 within 0.007 in u'v', which is 0.1 mag of B-V, the error up to which a colour
    of the catalogue is good; half of them within 0.002. Every star brighter than V 6 that the
    catalogue has in the frame is matched, unless it is one blob with a brighter."""
    scene = narrowband(
        system,
        "cygnus",
        width,
        len(system) + width,
        ra_deg=place[0],
        dec_deg=place[1],
        scale_arcsec=10.0,
        shape=(420, 600),
        full_well_electrons=2e6,
        nebula_electrons=8e3,
        faint_to_mag=13.0,
        fwhm_px=2.6,
    )
    write_fits(tmp_path / "frame.fits", with_companions(scene, width), scene.header)
    frame = starcal.read_frame(tmp_path / "frame.fits")
    found = starcal.check(frame)
    colours = colours_of(found, split(frame.pixels, found.stars), starcal.Choices())
    stars = found.stars
    bright = np.asarray(stars["v_mag"]) < 8
    listed = star_rgb(np.asarray(stars["bv_mag"])[bright], 0.65)
    away = uv_prime_distance(star_rgb(colours.bv_mag[bright], 0.65), listed)
    assert np.max(away) < 0.007
    assert np.median(away) < 0.002
    assert np.count_nonzero(stars["flags"][bright] & Flag.SATURATED) > 0
    truth = scene.truth[np.asarray(scene.truth["v_mag"]) < 6]
    tree = cKDTree(np.column_stack([stars["x_px"].value, stars["y_px"].value])[bright])
    inside = (
        (truth["x_px"] > 8)
        & (truth["x_px"] < 592)
        & (truth["y_px"] > 8)
        & (truth["y_px"] < 412)
    )
    for row in truth[inside & np.isfinite(truth["bv_catalogue_mag"])]:
        near = np.flatnonzero(bright)[tree.query_ball_point([row["x_px"], row["y_px"]], 8.0)]
        assert len(near), row
        assert np.min(stars["v_mag"][near]) <= row["v_mag"] + 0.01


@pytest.mark.slow
def test_taste_is_followed_and_said(tmp_path):
    frame = frame_of(narrowband("SHO", "cygnus", 3, 0, shape=(200, 270)), tmp_path)
    white = recolour_stars(frame, saturation=0.0)
    ratio = white.stars[:, luminance(white.stars, axis=0) > 0.01]
    assert np.abs(ratio / ratio.mean(axis=0) - 1).max() < 1e-5  # saturation 0 is white
    palette = recolour_stars(frame, route="palette", bv=0.9, spread=0.1)
    assert (palette.check.route, set(palette.colours.source)) == ("palette", {"palette"})
    assert "invented" in palette.check.route_reason
    assert "saturation 0" in " ".join(white.history)


@pytest.mark.slow
def test_a_starless_frame_of_the_users_is_used_and_a_wrong_one_refused(tmp_path):
    scene = narrowband("SHO", "cygnus", 3, 1, shape=(200, 270))
    frame = frame_of(scene, tmp_path)
    rng = np.random.default_rng(0)
    nebula = (
        scene.nebula + rng.normal(0, 1, scene.pixels.shape) * scene.noise[:, None, None]
    ).astype(np.float32)
    write_fits(tmp_path / "starless.fits", nebula)
    write_fits(tmp_path / "scaled.fits", 0.5 * nebula)
    one = recolour_stars(frame, starless=starcal.read_frame(tmp_path / "starless.fits"))
    inside = (one.stars != 0).any(axis=0)
    np.testing.assert_array_equal(one.starless[:, inside], nebula[:, inside])
    with pytest.raises(FrameError, match="neither stretched nor scaled"):
        recolour_stars(frame, starless=starcal.read_frame(tmp_path / "scaled.fits"))


# --- the commands -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def monos(tmp_path_factory):
    """Three mono frames of one field, and a broadband frame of it with the same stars."""
    folder = tmp_path_factory.mktemp("monos")
    scene = narrowband("SHO", "cygnus", 3, 2, shape=(280, 370), faint_to_mag=None)
    for plane, name in zip(scene.pixels, ("s2", "ha", "o3"), strict=True):
        fits.writeto(folder / f"{name}.fits", plane, scene.header)
    stars = make_scene(
        system="camera",
        ra_deg=305.6,
        dec_deg=40.3,
        scale_arcsec=3.6,
        rotation_deg=25.0,
        seed=2,
        shape=(380, 460),
        channel_gains=(0.6, 1.0, 0.8),
        faint_to_mag=None,
    )
    write_fits(folder / "stars.fits", stars.pixels, stars.header)
    return folder


def test_three_monos_to_a_finished_picture(monos, capsys):
    words = [
        "--red",
        monos / "s2.fits",
        "--green",
        monos / "ha.fits",
        "--blue",
        monos / "o3.fits",
    ]
    assert main(["compose", *map(str, words), "-o", str(monos / "sho.fits")]) == 0
    capsys.readouterr()
    assert main(["run", "--json", str(monos / "sho.fits"), "--out", str(monos / "run")]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["route"] == "continuum"
    assert facts["audit"]["before"]["share_impossible"] > 0.5
    assert facts["audit"]["after"]["share_impossible"] <= 0.02
    assert "Can stars have these colours?" in (monos / "run" / "report.html").read_text()


@pytest.mark.campaign
def test_a_separate_star_frame_is_calibrated_and_used(monos, capsys):
    test_three = monos / "sho2.fits"
    words = [
        "--red",
        monos / "s2.fits",
        "--green",
        monos / "ha.fits",
        "--blue",
        monos / "o3.fits",
    ]
    assert main(["compose", "-q", *map(str, words), "-o", str(test_three), "--overwrite"]) == 0
    assert (
        main(["run", "--json", str(test_three), "--star-frame", str(monos / "stars.fits")]) == 0
    )
    facts = json.loads(capsys.readouterr().out)
    assert facts["route"] == "star frame"
    assert "stars.fits, calibrated by gains" in facts["route_reason"]
    assert facts["audit"]["after"]["share_impossible"] <= 0.03


def test_split_and_join_are_inverse(monos, capsys):
    frame = str(monos / "stars.fits")
    stem = str(monos / "parts")
    assert main(["split", "-q", frame, "-o", stem]) == 0
    assert (
        main(
            [
                "join",
                "-q",
                f"{stem}-starless.fits",
                f"{stem}-stars.fits",
                "--clipped-cores",
                "keep",
                "-o",
                str(monos / "whole.fits"),
            ]
        )
        == 0
    )
    np.testing.assert_allclose(
        fits.getdata(monos / "whole.fits"), fits.getdata(frame), atol=1e-7
    )  # float32 rounding
    assert (
        main(
            [
                "join",
                "-q",
                "--stretch",
                f"{stem}-starless.fits",
                f"{stem}-stars.fits",
                "-o",
                str(monos / "shown.fits"),
            ]
        )
        == 0
    )
    shown = fits.getdata(monos / "shown.fits")
    assert shown.min() >= 0
    assert shown.max() <= 1
    assert (
        main(
            [
                "join",
                f"{stem}-starless.fits",
                f"{stem}-stars.fits",
                "--how",
                "screen",
                "-o",
                str(monos / "no.fits"),
            ]
        )
        == 1
    )  # negative star light is no display value
    assert "stretch them first" in capsys.readouterr().err


def test_recolour_and_audit_from_the_command_line(monos, tmp_path, capsys):
    scene = narrowband("HOO", "orion", 3, 3, shape=(300, 400))
    write_fits(tmp_path / "hoo.fits", scene.pixels, scene.header)
    assert main(["recolour", str(tmp_path / "hoo.fits"), "-o", str(tmp_path / "out.fits")]) == 0
    assert "continuum" in capsys.readouterr().out
    assert (
        main(
            [
                "audit",
                "--json",
                str(tmp_path / "out.fits"),
                "--report",
                str(tmp_path / "audit.html"),
            ]
        )
        == 0
    )
    assert (
        json.loads(capsys.readouterr().out)["impossible"] <= 1
    )  # of some 20: a star in the middle of a filament
    page = (tmp_path / "audit.html").read_text()
    assert page.count("data:image/jpeg") == 1  # the picture
    assert "<li>out.fits: " not in page  # its headline is not said again
    assert main(["audit", str(tmp_path / "nosuch.png")]) == 1


@pytest.mark.parametrize(
    "words",
    [
        ["split", "w-stars.fits", "-o", "w"],
        ["join", "w-starless.fits", "w-stars.fits", "-o", "w-stars.fits"],
        [
            "recolour",
            "w-stars.fits",
            "--star-frame",
            "w-starless.fits",
            "-o",
            "w-starless.fits",
        ],
        ["recolour", "w-stars.fits", "--starless", "w-starless.fits", "-o", "w-starless.fits"],
        ["audit", "w-stars.fits", "--report", "w-stars.fits"],
        ["run", "picture.fits", "--out", "."],
        ["calibrate", "picture.fits", "--wcs", "w-stars.fits", "-o", "w-stars.fits"],
    ],
)
def test_no_input_is_ever_written_over(words, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    for name in ("w-stars.fits", "w-starless.fits", "picture.fits"):
        (tmp_path / name).write_text(f"precious {name}")
    assert main([*words, "--overwrite"]) == 1
    assert "input" in capsys.readouterr().err
    assert all(path.read_text() == f"precious {path.name}" for path in tmp_path.iterdir())


@pytest.mark.campaign
def test_a_stretched_picture_is_refused_by_every_cure_that_needs_light(tmp_path, capsys):
    scene = narrowband("SHO", "cygnus", 3, 0, shape=(200, 270))
    write_fits(
        tmp_path / "shown.fits", choose_stretch(scene.pixels).apply(scene.pixels), scene.header
    )
    frame = str(tmp_path / "shown.fits")
    for words in (
        ["run", frame, "--route", "continuum"],
        ["recolour", frame, "-o", str(tmp_path / "o.fits")],
        ["split", frame, "-o", str(tmp_path / "o")],
    ):
        assert main([*words, "-q"]) == 1
        assert "Use the linear frame" in capsys.readouterr().err
    assert (
        main(["recolour", "-q", "--assume-linear", frame, "-o", str(tmp_path / "o.fits")]) == 0
    )


def test_an_eight_bit_picture_has_stars(tmp_path, capsys):
    scene = make_scene(shape=(300, 400), sky_electrons=1e3, faint_to_mag=13.0)
    tifffile.imwrite(
        tmp_path / "eight.tif",
        np.round(255 * np.clip(scene.pixels, 0, 1)).astype(np.uint8).transpose(1, 2, 0),
        photometric="rgb",
    )
    assert len(starcal.check(tmp_path / "eight.tif").stars) >= 5
