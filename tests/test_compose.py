"""Three mono frames to one: files of known content in, the frame and its header out."""

import warnings

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from scipy import ndimage

import starcal
from starcal.checking.check import check
from starcal.compose import compose, match_channels, read_channels
from starcal.demo.clouds import nebula_lines
from starcal.demo.light import add_stars
from starcal.demo.scene import make_scene
from starcal.demo.setup import Setup
from starcal.demo.sky import wcs_header
from starcal.errors import FrameError
from starcal.frame import read_frame, read_plane, write_fits
from starcal.frame.regrid import source_positions
from starcal.place.channels import channel_stars, register
from starcal.stars.noise import frame_noise

SHAPE = (240, 320)
PLACE = {"scale_arcsec": 2.5, "shape": SHAPE}


def sky_header(name=None, **settings):
    header = wcs_header(Setup(**(PLACE | settings)), exact=True)
    if name:
        header["FILTER"] = name
    return header


def mono(path, pixels, header=None):
    fits.PrimaryHDU(np.asarray(pixels), header).writeto(path, overwrite=True)
    return path


@pytest.fixture(scope="module")
def scene():
    return make_scene(
        seed=2,
        ra_deg=324.7,
        dec_deg=57.5,
        shape=SHAPE,
        system="SHO",
        channel_gains=(1.0, 0.25, 0.71),
        sky_electrons=4e3,
        v_zero_electrons=2e11,
        nebula_electrons=2e4,
        fwhm_px=2.6,
    )


@pytest.fixture
def files(scene, tmp_path):
    names = ("S II", "H-alpha", "O III")
    return [
        mono(tmp_path / f"{n[0]}.fits", plane, sky_header(n))
        for n, plane in zip(names, scene.pixels, strict=True)
    ]


def noise_frame(relation, noise=(1e-3, 1e-3, 1e-3), seed=0):
    """A nebula in R, and G and B that follow it by (factor, offset); each with noise of its own."""
    rng = np.random.default_rng(seed)
    red = 0.05 + 0.05 * nebula_lines(SHAPE, rng, 3.0)["H"]
    planes = np.stack([red, *(factor * red + offset for factor, offset in relation)])
    return (planes + rng.standard_normal(planes.shape) * np.array(noise)[:, None, None]).astype(
        np.float32
    )


# --- files ------------------------------------------------------------------------------


def test_channels_go_where_they_are_told(files, scene):
    composed = compose(*files)
    assert np.array_equal(composed.frame.pixels, scene.pixels)
    hos = compose(files[1], files[2], files[0])
    assert np.array_equal(hos.frame.pixels, scene.pixels[[1, 2, 0]])
    assert composed.matching.match == "none"


def test_one_file_may_serve_twice(files, scene):
    hoo = compose(files[1], files[2], files[2], match="fit")
    assert np.array_equal(hoo.frame.pixels[1], hoo.frame.pixels[2])
    assert hoo.frame.filters == ("H-alpha", "O III", "O III")


def test_what_is_written_is_what_was_composed_and_says_how(files, tmp_path):
    composed = compose(*files, match="background")
    composed.write(tmp_path / "sho.fits")
    again = read_frame(tmp_path / "sho.fits")
    assert np.array_equal(again.pixels, composed.frame.pixels)
    assert again.filters == ("S II", "H-alpha", "O III")
    assert "FILTER" not in again.header
    assert check(again).stars.meta["lines"] == "SHO"
    history = " ".join(str(again.header["HISTORY"]).split())
    for text in (
        "R S.fits, G H.fits, B O.fits",
        "matched (background)",
        f"{composed.matching.factors[0]:.6g}",
    ):
        assert text in history
    assert again.wcs.wcs.crval == pytest.approx(composed.frame.wcs.wcs.crval)
    with pytest.raises(OSError, match="--overwrite"):
        composed.write(tmp_path / "sho.fits")
    composed.write(tmp_path / "sho.fits", overwrite=True)


def test_without_wcs_the_same_grid_will_do(scene, tmp_path):
    paths = [mono(tmp_path / f"{i}.fits", plane) for i, plane in enumerate(scene.pixels)]
    composed = compose(*paths)
    assert np.array_equal(composed.frame.pixels, scene.pixels)
    assert composed.frame.wcs is None
    assert composed.frame.filters == (None, None, None)


def test_one_wcs_serves_all(scene, tmp_path):
    paths = [
        mono(tmp_path / f"{i}.fits", plane, sky_header() if i == 2 else None)
        for i, plane in enumerate(scene.pixels)
    ]
    assert compose(*paths).frame.wcs is not None


def test_numbers_of_cameras_are_scaled_alike(tmp_path):
    counts = np.random.default_rng(0).integers(100, 60000, (3, *SHAPE)).astype(np.uint16)
    composed = compose(*(mono(tmp_path / f"{i}.fits", plane) for i, plane in enumerate(counts)))
    np.testing.assert_allclose(composed.frame.pixels, counts / 65535, rtol=1e-6)
    given = compose(*(tmp_path / f"{i}.fits" for i in range(3)), full_scale=70000)
    np.testing.assert_allclose(given.frame.pixels, counts / 70000, rtol=1e-6)


def test_files_of_one_name_in_different_folders_are_kept_apart(scene, tmp_path):
    paths = []
    for i, plane in enumerate(scene.pixels):
        (tmp_path / str(i)).mkdir()
        paths.append(
            mono(tmp_path / str(i) / "master.fits", plane, sky_header(rotation_deg=2.0 * i))
        )
    frame = compose(*paths).frame
    assert not np.array_equal(frame.pixels[1], frame.pixels[2], equal_nan=True)


# --- one grid ---------------------------------------------------------------------------


def starry_file(path, name, **settings):
    """A file with the same stars of the sky, each of 1 in its own pixels' area, on sky of 0.1."""
    setup = Setup(**(PLACE | settings))
    header = sky_header(name, **settings)
    x, y = np.meshgrid(np.arange(50, 300, 50), np.arange(40, 220, 45))
    there = source_positions(WCS(header), WCS(sky_header()), x.ravel(), y.ravel())
    plane = np.full(setup.shape, 0.1, np.float32)
    area = (
        2.5 / setup.scale_arcsec
    ) ** 2  # per pixel: in smaller ones the same light is spread over more
    add_stars(plane, *there, np.full(x.size, area), 7.5 / setup.scale_arcsec, None, floor=1e-5)
    return mono(path, plane, header), x.ravel(), y.ravel()


def test_frames_that_lie_otherwise_are_brought_onto_the_first(tmp_path):
    red, x_px, y_px = starry_file(tmp_path / "r.fits", "S")
    green, *_ = starry_file(tmp_path / "g.fits", "H", rotation_deg=7.0, ra_deg=305.61)
    blue, *_ = starry_file(
        tmp_path / "b.fits", "O", scale_arcsec=5.0, shape=(150, 190), mirrored=True
    )
    composed = compose(red, green, blue)
    assert composed.frame.pixels.shape == (3, *SHAPE)
    dy, dx = np.mgrid[-9:10, -9:10]
    for x, y in zip(x_px, y_px, strict=True):
        stamp = composed.frame.pixels[:, y - 9 : y + 10, x - 9 : x + 10].astype(float) - 0.1
        if not np.isfinite(stamp).all():
            continue
        light = stamp.sum(axis=(1, 2))
        assert light == pytest.approx(1, rel=0.01)  # brightness per area of sky stays
        centre = np.array([(stamp * d).sum(axis=(1, 2)) / light for d in (dx, dy)])
        assert np.abs(centre).max() < 0.05  # px; solutions themselves differ by 0.1
    assert np.isnan(
        composed.frame.pixels[1]
    ).any()  # a corner that the turned frame does not show
    notes = " ".join(composed.frame.notes + composed.history)
    assert "g.fits brought onto the pixel grid of r.fits" in notes


def test_the_finest_grid_is_kept(tmp_path):
    coarse, *_ = starry_file(tmp_path / "s.fits", "S", scale_arcsec=5.0, shape=(120, 160))
    fine, *_ = starry_file(tmp_path / "h.fits", "H")
    composed = compose(coarse, fine, coarse)
    assert composed.frame.pixels.shape == (3, *SHAPE)
    assert np.array_equal(composed.frame.pixels[1], read_plane(fine).pixels)
    assert composed.frame.filters == ("S", "H", "S")


def test_solutions_that_differ_by_a_tenth_of_a_pixel_change_nothing(scene, tmp_path):
    paths = [
        mono(tmp_path / f"{i}.fits", plane, sky_header(ra_deg=305.6 + i * 0.1 * 2.5 / 3600))
        for i, plane in enumerate(scene.pixels)
    ]
    assert np.array_equal(compose(*paths).frame.pixels, scene.pixels)


def test_a_channel_that_is_moved_stays_as_coarse_as_it_was(tmp_path):
    """A sky of noise 0.3 in whole numbers, blue half a pixel beside the others: its values lie
    between the numbers then, and the file that is written tells of its steps to who reads it."""
    rng = np.random.default_rng(4)
    files = []
    for name, aside_px in (("red", 0.0), ("green", 0.0), ("blue", 0.5)):
        header = sky_header(shape=(96, 128))
        header["CRPIX1"] += aside_px
        sky = np.rint(100.4 + 0.3 * rng.standard_normal((96, 128))).astype(np.uint16)
        files.append(mono(tmp_path / f"{name}.fits", sky, header))
    compose(*files).write(tmp_path / "three.fits")
    again = read_frame(tmp_path / "three.fits")
    assert frame_noise(again.pixels).step[2] == 0
    noise = check(again).stars.meta["noise"]
    assert np.array(noise.step) * 65535 == pytest.approx(1, rel=1e-3)
    assert noise.rounded_steps[2] == pytest.approx(noise.rounded_steps[1], rel=0.3)
    assert not {"STEPB", "ROUNDEDB"} & set(again.header)


def test_zero_borders_do_not_bleed_into_the_picture(scene, tmp_path):
    bordered = scene.pixels[1].copy()
    bordered[:, :30] = 0
    paths = [
        mono(tmp_path / "r.fits", scene.pixels[0], sky_header()),
        mono(tmp_path / "g.fits", bordered, sky_header(ra_deg=305.6 + 10.4 * 2.5 / 3600)),
        mono(tmp_path / "b.fits", scene.pixels[2], sky_header()),
    ]
    green = compose(*paths).frame.pixels[1]
    assert np.nanmin(green) > 0.5 * np.median(scene.pixels[1])


# --- levels -----------------------------------------------------------------------------


def test_background_gives_all_channels_one_sky_and_one_noise():
    scene = make_scene(
        seed=4,
        ra_deg=324.7,
        dec_deg=57.5,
        shape=SHAPE,
        system="SHO",
        channel_gains=(1.0, 0.25, 0.71),
        sky_electrons=(4e3, 9e3, 2e3),
    )
    pixels = scene.pixels.copy()
    matching = match_channels(pixels, "background")
    factor, offset = np.array(matching.factors), np.array(matching.offsets)
    wanted = scene.noise[matching.reference]
    assert factor * scene.noise == pytest.approx(
        wanted, rel=0.05
    )  # 500 blocks tell noise to a per cent
    assert factor * scene.sky + offset == pytest.approx(
        scene.sky[matching.reference], abs=0.3 * wanted
    )
    assert (factor[matching.reference], offset[matching.reference]) == (1, 0)
    matching.apply(pixels)
    assert np.median(pixels, axis=(1, 2)) == pytest.approx(
        scene.sky[matching.reference], abs=0.3 * wanted
    )


@pytest.mark.parametrize(
    "relation",
    [((0.3, 0.02), (2.0, -0.03)), ((1.0, 0.0), (0.05, 0.2)), ((6.0, -0.1), (4.0, 0.0))],
)
def test_linear_finds_the_line(relation):
    pixels = noise_frame(relation, noise=[1e-3, *(1e-3 * factor for factor, _ in relation)])
    matching = match_channels(pixels, "fit")
    slopes, offsets = (
        np.array([start, *(pair[i] for pair in relation)]) for i, start in enumerate((1.0, 0.0))
    )
    wanted = slopes[matching.reference] / slopes
    assert matching.factors == pytest.approx(
        wanted, rel=0.015
    )  # blocks of 256 pixels, S/N of some 20 each
    assert np.array(matching.offsets) == pytest.approx(
        offsets[matching.reference] - wanted * offsets, abs=2e-3 * slopes[matching.reference]
    )
    error = np.abs(matching.factors / wanted - 1)
    assert (error <= 5 * np.array(matching.factor_errors) + 1e-9).all()


def soft_blocks(levels):
    """Blocks of 16 x 16 pixels with soft edges: sharp corners would pass for stars."""
    return ndimage.gaussian_filter(np.repeat(np.repeat(levels, 16, 0), 16, 1), 3.0)


def test_noise_does_not_flatten_the_line():
    """y on x would be flattened by the share of noise in the variance of x (Fuller 1987), here by a
    third or more."""
    rng = np.random.default_rng(3)
    red = soft_blocks(rng.normal(0.1, 3e-3, (15, 20)))
    both = np.stack([red + soft_blocks(rng.normal(0, 2e-3, (15, 20))) for _ in range(2)])
    pixels = np.stack([both[0], 0.5 * both[1], both[0]]) + rng.normal(0, 1e-4, (3, *SHAPE))
    matching = match_channels(pixels.astype(np.float32), "fit")
    error = np.hypot(2e-3, 2e-3) / 3e-3 / np.sqrt(300)  # of a slope from 300 blocks
    assert matching.factors[1] / matching.factors[0] == pytest.approx(2.0, rel=4 * error)


def test_linear_does_not_depend_on_the_order_of_channels():
    pixels = noise_frame(((0.3, 0.02), (2.0, -0.03)))
    first, turned = match_channels(pixels, "fit"), match_channels(pixels[[2, 0, 1]], "fit")
    ratio = np.array(first.factors) / first.factors[0]
    assert np.array(turned.factors)[[1, 2, 0]] / turned.factors[1] == pytest.approx(
        ratio, rel=0.02
    )


def test_stars_do_not_bend_the_line():
    """Stars are equally bright in all channels here, the nebula is not: unmasked, they would pull
    the factors to 1."""
    pixels = noise_frame(((0.3, 0.0), (0.3, 0.0)))
    clean = match_channels(pixels, "fit")
    rng = np.random.default_rng(1)
    x, y, light = (
        rng.uniform(0, SHAPE[1], 250),
        rng.uniform(0, SHAPE[0], 250),
        rng.exponential(1.0, 250),
    )
    for plane in pixels:
        add_stars(plane, x, y, light, 3.0, 3.0, floor=1e-5)
    starry = match_channels(pixels, "fit")
    assert np.array(starry.factors) / starry.factors[0] == pytest.approx(
        np.array(clean.factors) / clean.factors[0], rel=0.03
    )
    assert starry.n_blocks < clean.n_blocks + 1


def test_pixels_without_data_are_not_looked_at():
    pixels = noise_frame(((0.3, 0.02), (2.0, -0.03)))
    whole = match_channels(pixels, "fit")
    pixels[1, :60] = np.nan
    pixels[0, :, 290:] = np.nan
    part = match_channels(pixels, "fit")
    ratios = [np.array(matching.factors) / matching.factors[0] for matching in (part, whole)]
    assert ratios[0] == pytest.approx(ratios[1], rel=0.03)
    part.apply(pixels)
    assert np.isnan(pixels[1, :60]).all()


# --- refusals ---------------------------------------------------------------------------


@pytest.mark.slow
def test_sizes_that_differ_need_stars_in_common_or_a_wcs(files, scene, tmp_path):
    cut = scene.pixels[1][:-10]
    small = mono(tmp_path / "small.fits", cut)
    composed = compose(files[0], small, files[2])
    assert np.array_equal(np.isfinite(composed.frame.pixels[1]).any(axis=1)[:-14], [True] * 226)
    assert any(
        "by their WCS" not in n and "stars that both show" in n for n in composed.history
    )
    rng = np.random.default_rng(1)
    empty = mono(tmp_path / "empty.fits", rng.normal(0.1, 0.01, cut.shape).astype(np.float32))
    with pytest.raises(FrameError, match=r"empty.fits has 320 x 230, .* Plate solve"):
        compose(files[0], empty, files[2])
    solved = mono(tmp_path / "solved.fits", cut, sky_header())
    assert compose(files[0], solved, files[2]).frame.pixels.shape == (3, *SHAPE)


def test_another_part_of_the_sky_is_refused(files, scene, tmp_path):
    rng = np.random.default_rng(1)
    other = rng.normal(0.1, 0.01, SHAPE).astype(np.float32)
    elsewhere = mono(tmp_path / "elsewhere.fits", other, sky_header(ra_deg=30.0))
    with pytest.raises(FrameError, match="different parts of the sky"):
        compose(files[0], elsewhere, files[2])
    assert compose(files[0], files[1], files[2]).frame.pixels.shape == (3, *SHAPE)


def test_stars_decide_against_a_wrong_wcs(files, scene, tmp_path):
    wrong = mono(tmp_path / "wrong.fits", scene.pixels[1], sky_header(ra_deg=305.61))
    composed = compose(files[0], wrong, files[2])
    assert np.array_equal(composed.frame.pixels[1], scene.pixels[1])
    assert any("their WCS are off by" in note for note in composed.history)


def test_channels_without_common_structure_have_no_line(tmp_path):
    pixels = np.random.default_rng(0).normal(0.1, 1e-3, (3, *SHAPE)).astype(np.float32)
    with pytest.raises(FrameError, match=r"no structure in common .* Use --match background"):
        match_channels(pixels, "fit")
    assert match_channels(pixels, "background").factors == pytest.approx((1, 1, 1), rel=0.05)


def test_a_channel_of_coarse_values_has_no_line():
    """Most of its blocks are of one level, so that the slope between pairs is 0 mostly."""
    y, x = np.mgrid[:256, :256]
    nebula = np.exp(-((y - 90) ** 2 + (x - 90) ** 2) / 40**2)
    rng = np.random.default_rng(1)
    fine = 0.1 + 0.05 * nebula + rng.normal(0, 2e-3, (3, 256, 256))
    coarse = np.rint(255 * (0.05 + 0.012 * nebula) + rng.normal(0, 0.15, nebula.shape)) / 255
    pixels = np.float32([coarse, *fine[1:]])
    with pytest.raises(FrameError, match=r"channel R or G has values so coarse .* background"):
        match_channels(pixels, "fit")
    assert np.isfinite(match_channels(pixels, "background").factors).all()


def test_too_few_blocks_have_no_line():
    pixels = noise_frame(((0.3, 0.02), (2.0, -0.03)))[:, :64, :64].copy()
    with pytest.raises(FrameError, match=r"30 needed for a linear fit. Use --match background"):
        match_channels(pixels, "fit")
    match_channels(pixels, "background")


def test_without_noise_there_is_nothing_to_match_by():
    pixels = noise_frame(((0.3, 0.02), (2.0, -0.03)))
    pixels[1] = 0.1
    with pytest.raises(FrameError, match=r"channel G has no noise .* Use --match none"):
        match_channels(pixels, "background")
    assert match_channels(pixels, "none").factors == (1, 1, 1)


def test_a_colour_frame_is_no_channel(files, scene, tmp_path):
    write_fits(tmp_path / "colour.fits", scene.pixels)
    with pytest.raises(FrameError, match="holds a colour frame"):
        compose(files[0], tmp_path / "colour.fits", files[2])


def test_a_match_that_does_not_exist():
    with pytest.raises(ValueError, match="'none', 'background' or 'fit'"):
        match_channels(np.zeros((3, 8, 8), np.float32), "median")
    with pytest.raises(ValueError, match="'none', 'background' or 'fit'"):
        compose("a", "b", "c", match="median")  # before any file is looked for


def test_frames_read_as_three_channels_are_the_same(files):
    """Two ways to the same pixels: registered files, read at once."""
    assert np.array_equal(read_channels(*files).pixels, compose(*files).frame.pixels)


def test_no_warning_where_data_are_missing(files, scene, tmp_path):
    holed = scene.pixels[1].copy()
    holed[:100] = np.nan
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        compose(
            files[0],
            mono(tmp_path / "h.fits", holed, sky_header(rotation_deg=3.0)),
            files[2],
            match="background",
        )


# --- registered by the stars alone ------------------------------------------------------


def turned(plane, degrees):
    """A plane turned about its middle, by cubic splines."""
    return ndimage.rotate(plane, degrees, reshape=False, order=3, mode="nearest")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("move", "where"),
    [
        (lambda plane: np.roll(plane, (3, -2), (0, 1)), lambda x, y: (x - 2, y + 3)),
        (
            lambda plane: plane[::-1, ::-1].copy(),
            lambda x, y: (SHAPE[1] - 1 - x, SHAPE[0] - 1 - y),
        ),
        (lambda plane: turned(plane, 4.0), None),
    ],
    ids=["shifted", "half a turn", "turned"],
)
def test_channels_without_a_wcs_are_brought_together_by_their_stars(
    scene, tmp_path, move, where
):
    """Truth: numpy's and scipy's own motion of the pixels. Places to a tenth of a pixel."""
    moved = move(scene.pixels[1])
    told = register(channel_stars(moved), channel_stars(scene.pixels[0]), None, None)
    x, y = np.meshgrid(np.linspace(30, SHAPE[1] - 31, 4), np.linspace(30, SHAPE[0] - 31, 4))
    if where is None:
        angle, middle = np.radians(4.0), ((SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2)
        across, down = x - middle[0], y - middle[1]
        true_x = middle[0] + across * np.cos(angle) + down * np.sin(angle)
        true_y = middle[1] - across * np.sin(angle) + down * np.cos(angle)
    else:
        true_x, true_y = where(x, y)
    there = source_positions(told.wcs, told.home, x, y)
    assert np.hypot(there[0] - true_x, there[1] - true_y).max() < 0.1

    paths = [mono(tmp_path / f"{c}.fits", p) for c, p in zip("rgb", scene.pixels, strict=True)]
    mono(paths[1], moved)
    composed = compose(*paths)
    assert any("g.fits brought onto the pixel grid of r.fits" in n for n in composed.history)
    inside = (slice(40, -40), slice(40, -40))
    difference = composed.frame.pixels[1][inside] - scene.pixels[1][inside]
    # a spline through well sampled stars; what is left is noise that it smooths
    assert np.nanstd(difference) < 0.2 * np.std(scene.pixels[1][inside])


@pytest.mark.slow
def test_a_channel_two_pixels_off_changes_no_gain(scene_of, tmp_path):
    """The same planes as three files, G as it is and moved by numpy."""
    made = scene_of(seed=1, scale_arcsec=4.0, faint_to_mag=13.5, channel_gains=(0.6, 1.0, 0.8))
    names = ("r.fits", "g.fits", "b.fits")
    paths = [
        mono(tmp_path / name, plane, made.header)
        for name, plane in zip(names, made.pixels, strict=True)
    ]
    as_it_was = starcal.check(read_channels(*paths), assume_linear=True)
    mono(paths[1], np.roll(made.pixels[1], 2, axis=1), made.header)
    frame = read_channels(*paths)
    assert any("g.fits brought onto" in note for note in frame.notes)
    moved = starcal.check(frame, assume_linear=True)
    assert abs(len(moved.match.star) / len(as_it_was.match.star) - 1) < 0.05
    change = np.abs(moved.fit.gains - as_it_was.fit.gains)
    assert np.all(change <= as_it_was.fit.gain_errors)
