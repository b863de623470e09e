"""starcal.finish: stars back into a nebula that was worked on elsewhere."""

import json
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from made_pictures import icc_profile
from scipy import ndimage

from starcal.choices import Choices
from starcal.cli.main import main
from starcal.colour import luminance, srgb_decode, srgb_encode, star_rgb, uv_prime_distance
from starcal.demo.scene import make_scene
from starcal.draw.tone import Stretch, screen
from starcal.errors import FrameError, GeometryError
from starcal.finish import (
    belonging_cards,
    carried,
    carried_layer,
    features,
    find_moved,
    geometry,
    join_pictures,
    laid_over,
    screen_keeping_hue,
)
from starcal.finish.belonging import require_starless
from starcal.finish.bends import most_moved_part, require_no_bend
from starcal.finish.drift import CERTAIN, Drift, fitted_shifts, similar
from starcal.finish.rebuilt import CORES, read_star_layer
from starcal.finish.tones import tones_of
from starcal.frame import (
    add_fits_table,
    colour_space,
    icc_profile_of,
    read_frame,
    write_fits,
)

# --- hue over coloured ground -----------------------------------------------------------------

GROUNDS = {  # display values
    "red": (0.45, 0.10, 0.12),
    "teal": (0.08, 0.40, 0.42),
    "bright white": (0.75, 0.75, 0.75),
    "sky": (0.08, 0.08, 0.08),
}


def star_over(ground, bv_mag, brightness):
    colour = star_rgb(bv_mag) / luminance(star_rgb(bv_mag))
    above = srgb_encode(np.clip(brightness * colour, 0, 1))[:, None, None]
    below = np.array(GROUNDS[ground])[:, None, None]
    return below, above


@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("bv_mag", [-0.2, 0.3, 0.65, 1.1, 1.5])
@pytest.mark.parametrize("brightness", [0.02, 0.1, 0.2])
def test_the_light_that_a_star_adds_has_the_stars_colour(ground, bv_mag, brightness):
    """Tolerance: a tenth of what two colours side by side must differ by to be told apart, 0.004 in
    u'v' (common practice); nothing here rounds more coarsely than float32."""
    below, above = star_over(ground, bv_mag, brightness)
    joined = screen_keeping_hue(below, above)
    added = (srgb_decode(joined.astype(float)) - srgb_decode(below))[:, 0, 0]
    true = srgb_decode(above)[:, 0, 0]
    assert uv_prime_distance(added, true) < 4e-4


def test_a_screen_channel_by_channel_would_shift_it():
    """The fault that this cures: half a magnitude between red and green over a red nebula."""
    below, above = star_over("red", 0.65, 0.1)
    added = (screen(below, above) - below)[:, 0, 0]
    own = above[:, 0, 0]
    shift_mag = -2.5 * np.log10((added[0] / added[1]) / (own[0] / own[1]))
    assert shift_mag > 0.4


def test_lightness_is_that_of_a_screen_and_nothing_else_changes():
    rng = np.random.default_rng(3)
    below = rng.uniform(0, 1, (3, 40, 50)).astype(np.float32)
    above = np.zeros_like(below)
    above[:, 10:20, 10:20] = rng.uniform(0, 0.5, (3, 10, 10))
    joined = screen_keeping_hue(below, above)
    outside = (above == 0).all(axis=0)
    assert np.array_equal(joined[:, outside], below[:, outside])
    light = [
        srgb_encode(luminance(srgb_decode(p.astype(float)), axis=0)) for p in (below, above)
    ]
    wanted = 1 - (1 - light[0]) * (1 - light[1])
    got = srgb_encode(luminance(srgb_decode(joined.astype(float)), axis=0))
    assert got == pytest.approx(wanted, abs=1e-5)  # float32
    assert joined.min() >= 0
    assert joined.max() <= 1


def test_a_core_too_bright_for_its_colour_becomes_white_not_another_hue():
    below = np.full((3, 1, 1), 0.3)
    above = srgb_encode(np.array([1.0, 0.75, 0.4]))[:, None, None]
    joined = srgb_decode(screen_keeping_hue(below, above).astype(float))[:, 0, 0]
    assert joined[0] >= joined[1] >= joined[2] > 0.4


# --- colour spaces ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["adobergb", "p3"])
def test_a_star_has_its_colour_in_the_pictures_own_space(name):
    space = colour_space(icc_profile(name))
    below, above = star_over("red", 1.1, 0.1)
    joined = screen_keeping_hue(below, above, space).astype(float)
    added = space.to_srgb @ (space.decode(joined) - space.decode(below))[:, 0, 0]
    assert uv_prime_distance(added, srgb_decode(above)[:, 0, 0]) < 4e-4


# --- where the nebula lies ---------------------------------------------------------------------


def clouds(seed, shape=(360, 480)):
    """Display picture of a made nebula: noise at all scales, other in each channel."""
    rng = np.random.default_rng(seed)
    frequency = np.hypot(*np.meshgrid(*(np.fft.fftfreq(n) for n in shape), indexing="ij"))
    filters = 1 / np.maximum(frequency, 1 / max(shape)) ** 1.6
    common = rng.normal(size=shape)
    planes = []
    for _ in range(3):
        noise = np.fft.fft2(common + 0.5 * rng.normal(size=shape)) * filters
        plane = np.fft.ifft2(noise).real
        planes.append((plane - plane.min()) / np.ptp(plane))
    return np.array(planes) + rng.normal(0, 0.004, (3, *shape))


def edit(picture, matrix, size, gamma=0.7, mix=0.2):
    """Carried by a similarity, tones and colours changed."""
    linear = np.linalg.inv(matrix[:, :2][::-1, ::-1])
    offset = -linear @ matrix[:, 2][::-1]
    moved = [
        ndimage.affine_transform(plane, linear, offset, size, order=3, mode="nearest")
        for plane in picture
    ]
    moved = np.array(moved)
    mixed = (1 - mix) * moved + mix * np.roll(moved, 1, axis=0)
    return np.clip(mixed, 0, 1) ** gamma


def turned(angle_deg, scale, shift, mirrored=False):
    turn = np.radians(angle_deg)
    linear = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    linear = linear @ np.diag([-1.0 if mirrored else 1.0, 1.0])
    return np.column_stack([linear, shift])


WAYS = {
    "as it was": (np.eye(2, 3), (360, 480)),
    "cropped": (turned(0, 1, (-90, -60)), (260, 330)),
    "turned and scaled": (turned(33, 0.8, (150, -40)), (300, 400)),
    "mirrored quarter turn": (turned(90, 1, (359, 479), mirrored=True), (480, 360)),
    "enlarged": (turned(-4, 1.35, (-60, -80)), (360, 480)),
}


@pytest.mark.slow
@pytest.mark.parametrize("way", WAYS)
def test_the_nebulas_place_is_found(way):
    """0.3 px is what stars may be off before a double edge shows (a tenth of a usual FWHM)."""
    pytest.importorskip("cv2")
    matrix, size = WAYS[way]
    frame = clouds(1)
    found = find_moved(frame, edit(frame, matrix, size))
    y, x = np.mgrid[0 : size[0] : 7j, 0 : size[1] : 7j]
    inverse = np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))[:2]
    again = carried(found.matrix, *carried(inverse, x.ravel(), y.ravel()))
    off_px = np.hypot(again[0] - x.ravel(), again[1] - y.ravel())
    assert off_px.max() < 0.3 + 3 * found.error_px
    assert np.median(off_px) < 0.3
    assert found.mirrored == ("mirrored" in way)
    assert found.unchanged == (way == "as it was")


@pytest.mark.parametrize(
    ("matrix", "size", "told"),
    [
        (*WAYS["as it was"], "lies as its starless frame does"),
        (*WAYS["cropped"], "cropped by 90 px left, 60 px right, 60 px below, 40 px above ("),
        (turned(0, 1, (4, 0)), (360, 484), "enlarged by 4 px left ("),
        (*WAYS["turned and scaled"], "turned by 33.00 degrees and scaled by 0.8000 ("),
        (turned(180, 1, (479, 0), mirrored=True), (360, 480), "was mirrored top to bottom ("),
        (turned(0, 1, (479, 0), mirrored=True), (360, 480), "was mirrored left to right ("),
        (*WAYS["mirrored quarter turn"], "was mirrored and turned by -90.00 degrees ("),
    ],
)
def test_what_was_done_to_a_nebula_is_told_and_nothing_else(matrix, size, told):
    moved = geometry.Moved(
        matrix=matrix,
        error_px=0.02,
        agreeing=9,
        tried=9,
        correlation=0.9,
        elsewhere=0.1,
        shapes=((360, 480), size),
    )
    assert told in str(moved)
    bent = replace(moved, error_px=0.4, bend_px=0.31)
    assert str(bent).endswith("to 0.40 px: a bend of 0.31 px would not be seen)")


@pytest.mark.slow
def test_sides_rounded_to_whole_pixels_are_no_squeeze(monkeypatch):
    """A picture looked at smaller has sides of whole pixels: 360 x 480 becomes 188 x 250, by 0.3 %
    another shape. At full size the way is a similarity to a part in a million all the same."""
    pytest.importorskip("cv2")
    monkeypatch.setattr(features, "LONGEST_SIDE_PX", 330)
    monkeypatch.setattr(geometry, "REFINED_SIDE_PX", 250)
    matrix, size = WAYS["turned and scaled"]
    frame = clouds(1)
    found = find_moved(frame, edit(frame, matrix, size))
    np.testing.assert_allclose(found.matrix[:, :2], matrix[:, :2], atol=0.3 / 240)
    assert np.ptp(np.linalg.svd(found.matrix[:, :2], compute_uv=False)) < 1e-6


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 3, 4])
def test_another_nebula_is_refused(seed):
    pytest.importorskip("cv2")
    with pytest.raises(GeometryError, match="--moved none"):
        find_moved(clouds(1), clouds(seed))


def test_a_small_picture_has_windows_enough_and_is_refused_where_they_leave_its_place_open(
    monkeypatch,
):
    """A bend has nine terms; where one may be left, nothing is laid."""
    pytest.importorskip("cv2")
    frame = clouds(1, (200, 240))
    cropped = edit(frame, turned(0, 1, (-10, -8)), (180, 220))
    assert find_moved(frame, cropped).told > 50
    monkeypatch.setattr(geometry, "MOST_ERROR_PX", 0.01)
    with pytest.raises(
        GeometryError, match=r"known to 0.\d\d px, 0.01 px needed.*--moved none"
    ):
        find_moved(frame, cropped)


def test_a_sheared_nebula_is_refused_by_its_residuals():
    pytest.importorskip("cv2")
    frame = clouds(1)
    sheared = edit(frame, np.array([[1.04, 0.0, -5], [0.0, 1.0, 0]]), (360, 480))
    with pytest.raises(GeometryError, match=r"squeezed by [34]"):
        find_moved(frame, sheared)


def pushed(frame, amount_px):
    """Moved by a brush in one place."""
    y, x = np.mgrid[: frame.shape[1], : frame.shape[2]].astype(float)
    away = np.exp(-((x - 300) ** 2 + (y - 200) ** 2) / (2 * 40.0**2))
    places = np.array([y, x + amount_px * away])
    return np.array(
        [ndimage.map_coordinates(p, places, order=3, mode="nearest") for p in frame]
    )


@pytest.mark.slow
def test_a_moved_part_is_refused_and_changed_tones_are_not():
    """A curve that crushes the dark moves the rim of a nebula inwards, all round alike: no lens."""
    pytest.importorskip("cv2")
    frame = clouds(1)
    with pytest.raises(GeometryError, match=r"part of the nebula was moved by [12]"):
        find_moved(frame, pushed(frame, 3.0))
    crushed = (
        np.clip((frame - np.quantile(frame, 0.6)) * [[[3.0]], [[1.0]], [[0.5]]], 0, 1) ** 0.6
    )
    assert find_moved(frame, np.rot90(crushed, axes=(1, 2))).rotation_deg in (-90, 90)


@pytest.mark.parametrize(("agreeing", "told"), [(0.85, True), (0.75, False)])
def test_windows_of_a_noisy_picture_tell_together_that_a_part_was_moved(agreeing, told):
    """Each agrees by less than in a clean one; shifts of one direction are none of noise."""
    y, x = np.mgrid[31:500:32, 31:500:32].reshape(2, -1).astype(float)
    away = 3.0 * np.exp(-((x - 300) ** 2 + (y - 200) ** 2) / (2 * 80.0**2))
    noise = np.random.default_rng(0).normal(0, 0.15, (len(x), 2))
    places = np.stack([x, y], axis=1)
    weight = np.full(len(x), agreeing**2 / (CERTAIN - agreeing**2))
    drift = Drift(places, noise, weight, len(x), 32.0)
    assert most_moved_part(drift, noise) < 0.3
    pushed_px = noise + np.stack([away, 0 * away], axis=1)
    assert (most_moved_part(drift, pushed_px) > 2) is told


@pytest.mark.parametrize("shift_px", [0.0, 0.15])
def test_a_bend_too_small_to_be_refused_is_in_the_error(shift_px):
    """A lens, by which 95 % of the picture are nearer than that to the best similarity."""

    def lens(places):
        away = (places - 255) / 256
        return away * np.sum(away**2, axis=1)[:, None]

    even = np.stack(np.mgrid[0:510:15j, 0:510:15j], axis=-1).reshape(-1, 2)
    design = similar(even).reshape(-1, 4)
    left = lens(even).ravel()
    left = left - design @ np.linalg.lstsq(design, left)[0]
    lens_px = shift_px / np.quantile(np.hypot(*left.reshape(-1, 2).T), 0.95)
    places = np.stack(np.mgrid[31:500:32, 31:500:32], axis=-1).reshape(-1, 2).astype(float)
    shifts = lens_px * lens(places) + np.random.default_rng(0).normal(0, 0.1, places.shape)
    drift = Drift(places, shifts, np.full(len(places), 2.0), len(places), 32.0)
    straight = fitted_shifts(drift, similar(places))
    told_px = require_no_bend(drift, straight, (511, 511), 1.0)
    assert told_px == pytest.approx(shift_px, abs=0.06)  # noise by the root of windows: 0.01


def vignetted(picture):
    y, x = np.mgrid[-1 : 1 : picture.shape[1] * 1j, -1 : 1 : picture.shape[2] * 1j]
    return 2 * picture * (1 - 0.15 * (x**2 + y**2))


LINEAR_EDITS = {
    "linear": lambda picture: 2.5 * picture - 0.002,
    "mixed, a gradient": lambda p: 0.8 * p + 0.2 * p[::-1] + np.linspace(0, 0.003, p.shape[2]),
    "vignetted": vignetted,
    "clipped": lambda picture: np.clip(3 * picture, 0.05, 0.25),
}
STRETCHES = {
    "square root": np.sqrt,
    "a gamma of 0.85": lambda picture: picture**0.85,
    "arcsinh": lambda picture: np.arcsinh(50 * picture) / np.arcsinh(50),
    "a mild arcsinh": lambda picture: np.arcsinh(8 * picture) / np.arcsinh(8),
    "each channel its own": lambda p: p ** np.array([0.9, 0.8, 0.7])[:, None, None],
    "scaled for display": lambda picture: 6 * picture,
}


@pytest.mark.parametrize("how", [*LINEAR_EDITS, *STRETCHES])
def test_tones_are_judged_where_both_show_the_same(how):
    """A crop to the bright half has other dark tones than its frame: as shares of the pixels they
    would tell nothing."""
    frame = 0.01 + 0.1 * clouds(3) ** 2
    rows, columns = np.unravel_index(
        np.argmax(ndimage.uniform_filter(frame[0], 150)), (360, 480)
    )
    top, left = np.clip((rows - 90, columns - 110), 0, (180, 260))
    edit = (LINEAR_EDITS | STRETCHES)[how]
    nebula = edit(frame[:, top : top + 180, left : left + 220])
    moved = turned(0, 1, (-left, -top))
    judged = tones_of(nebula, frame, moved, eight_bits=False)
    assert judged.linear == (how in LINEAR_EDITS), judged.evidence


# --- the layer carried ---------------------------------------------------------------------------


def layer(x_px, y_px, shape=(120, 160), fwhm_px=3.0):
    y, x = np.mgrid[: shape[0], : shape[1]]
    sigma = fwhm_px / 2.3548
    star = np.exp(-((x - x_px) ** 2 + (y - y_px) ** 2) / (2 * sigma**2))
    star[star < 1e-4] = 0
    return np.multiply.outer(np.array([1.0, 0.8, 0.5]), star).astype(np.float32)


@pytest.mark.parametrize(
    "matrix",
    [
        turned(0, 1, (-20, -10)),
        turned(90, 1, (119, 0)),
        turned(20, 0.6, (30, 20)),
        turned(-7, 1.3, (5, 10), mirrored=False),
        turned(0, 1, (159, 0), mirrored=True),
    ],
)
def test_a_carried_star_keeps_its_place_light_colour_and_roundness(matrix):
    """Place to 0.02 px; light to 2 %, the share that footprints cut at 1e-4 and cubic splines lose;
    axis ratio to 3 %."""
    stars = layer(80.3, 60.6)
    out = carried_layer(stars, matrix, (160, 160))
    y, x = np.mgrid[:160, :160]
    light = out.sum(axis=(1, 2))
    scale = np.sqrt(abs(np.linalg.det(matrix[:, :2])))
    assert light / scale**2 == pytest.approx(stars.sum(axis=(1, 2)), rel=0.02)
    assert light / light[0] == pytest.approx([1, 0.8, 0.5], rel=1e-3)
    x_px, y_px = (float(np.sum(out[0] * axis) / light[0]) for axis in (x, y))
    wanted = carried(matrix, np.array([80.3]), np.array([60.6]))
    assert (x_px, y_px) == pytest.approx((wanted[0][0], wanted[1][0]), abs=0.02)
    second = [[np.sum(out[0] * (a - am) * (b - bm)) for b, bm in ((x, x_px), (y, y_px))]
              for a, am in ((x, x_px), (y, y_px))]  # fmt: skip
    axes = np.sqrt(np.linalg.eigvalsh(second))
    assert axes[0] / axes[1] > 0.97


def density(distance_px, fwhm_px):
    """Moffat's profile with exponent 3."""
    return (1 + 4 * (2 ** (1 / 3) - 1) * (distance_px / fwhm_px) ** 2) ** -3.0


def small_stars(fwhm_px):
    """A layer of 25 stars, each elsewhere between the pixels that sum its light, and their places."""
    rng = np.random.default_rng(2)
    plane = np.zeros((140, 140), np.float32)
    part = (np.arange(9 * 24) + 0.5) / 9 - 0.5
    places = rng.uniform(11, 12, (5, 5, 2))
    for row, column in np.ndindex(5, 5):
        x_px, y_px = places[row, column]
        fine = density(np.hypot(part - x_px, part[:, None] - y_px), fwhm_px)
        light = fine.reshape(24, 9, 24, 9).mean(axis=(1, 3))
        first_row, first_column = 10 + 24 * row, 10 + 24 * column
        plane[first_row : first_row + 24, first_column : first_column + 24] = (
            light / light.sum()
        )
        places[row, column] += first_column, first_row
    return np.array([plane] * 3), places.reshape(-1, 2).T


@pytest.mark.parametrize("scale", [0.4, 1.0, 1.5])
def test_stars_as_small_as_a_pixel_keep_their_light_and_have_no_rings(scale):
    """Light of each, to 2 % (it came out up to 7 % more or less), the rim alike on all sides as far
    as pixels show it: to a tenth, where rings of splines made it half or double, which a stretch
    shows."""
    matrix = turned(10, scale, (20 * scale, 5))
    stars, places = small_stars(1.0)
    out = carried_layer(stars, matrix, (220, 220))[0]
    y, x = np.mgrid[:220, :220]
    for x_px, y_px in np.transpose(carried(matrix, *places)):
        away = np.hypot(x - x_px, y - y_px) / scale
        assert out[away < 11].sum() == pytest.approx(scale**2, rel=0.02)
        rim = (away > 2.5) & (away < 4)
        uneven = np.std(np.log(out[rim] / density(away[rim], 1.0)))
        assert uneven < 0.1 or scale < 1


def test_a_cropped_layer_is_the_layer():
    stars = layer(80.3, 60.6)
    out = carried_layer(stars, turned(0, 1, (-20, -10)), (100, 120))
    assert out == pytest.approx(stars[:, 10:110, 20:140], abs=1e-6)
    assert np.array_equal(out > 0, stars[:, 10:110, 20:140] > 0)


def test_a_linear_nebula_is_added_to_and_a_stretched_one_screened():
    nebula = np.full((3, 120, 160), 0.1, np.float32)
    stars = layer(80.3, 60.6)
    added = laid_over(nebula, stars, None)
    assert added == pytest.approx(nebula + stars, abs=1e-6)
    stretched = laid_over(nebula, stars, Stretch((0.0, 0.0, 0.0), 5.0, 4.0))
    nowhere = (stars == 0).all(axis=0)
    assert np.array_equal(stretched[:, nowhere], nebula[:, nowhere])
    assert stretched.max() <= 1


# --- the whole way --------------------------------------------------------------------------------

PLACES = ((80, 60), (200, 90), (330, 200), (120, 280), (400, 300), (260, 180))
BV_MAG = (-0.2, 0.2, 0.65, 1.0, 1.3, 1.5)


def star_layer(shape=(360, 480)):
    layers = [layer(x, y, shape, fwhm_px=3.5)[0] for x, y in PLACES]
    colours = [star_rgb(bv) / luminance(star_rgb(bv)) for bv in BV_MAG]
    return np.float32(
        sum(0.2 * np.multiply.outer(c, s) for c, s in zip(colours, layers, strict=True))
    )


@pytest.fixture(scope="module")
def split_files(tmp_path_factory):
    """A linear starless frame and its star layer as a run leaves them."""
    folder = tmp_path_factory.mktemp("split")
    starless = np.float32(0.01 + 0.05 * clouds(5) ** 2)
    write_fits(folder / "starless.fits", starless)
    write_fits(folder / "stars.fits", star_layer(), belonging_cards(starless, "starless.fits"))
    return folder


def finished(folder, starless, matrix, size, profile=None):
    """A nebula stretched, coloured, turned and saved with 16 bits, as an editor does."""
    import tifffile

    stretched = np.arcsinh(300 * np.clip(starless - 0.008, 0, None)) / np.arcsinh(300 * 0.08)
    picture = np.clip(edit(stretched, matrix, size, gamma=1.1, mix=0.1), 0, 1)
    numbers = np.rint(picture[:, ::-1].transpose(1, 2, 0) * 65535).astype(np.uint16)
    tifffile.imwrite(folder / "nebula.tif", numbers, photometric="rgb", iccprofile=profile)
    return folder / "nebula.tif"


@pytest.mark.slow
def test_stars_come_back_in_their_colours_after_an_edit(split_files, tmp_path):
    """u'v' of the light that was added, at the rim of the white core: 0.004 is what two colours side
    by side differ by to be told apart (common practice)."""
    pytest.importorskip("cv2")
    starless = read_frame(split_files / "starless.fits").pixels
    matrix, size = turned(12, 0.9, (60, -30)), (330, 420)
    nebula = finished(tmp_path, starless, matrix, size)
    joined = join_pictures(nebula, split_files / "stars.fits")
    assert joined.how == "screen"
    assert not joined.tones.linear
    below = joined.nebula.pixels.astype(float)
    assert np.array_equal(
        joined.pixels[:, ~joined.changed], joined.nebula.pixels[:, ~joined.changed]
    )
    added = srgb_decode(joined.pixels.astype(float)) - srgb_decode(below)
    x_px, y_px = carried(matrix, *np.array(PLACES, float).T)
    for x, y, bv in zip(x_px, y_px, BV_MAG, strict=True):
        if 8 < x < size[1] - 8 and 8 < y < size[0] - 8:
            column = np.s_[:, round(y) : round(y) + 8, round(x)]
            rim = np.argmax(
                joined.pixels[column].max(axis=0) < 0.95
            )  # inside it is nearly white
            colour = added[column][:, rim]
            assert luminance(colour) > 0.02
            assert uv_prime_distance(colour, star_rgb(bv)) < 0.004


@pytest.mark.slow
def test_a_nebula_left_as_it_was_gets_its_stars_added(split_files):
    files = split_files / "stars.fits", split_files / "starless.fits"
    with pytest.raises(FrameError, match="nebula first"):
        join_pictures(*files)
    joined = join_pictures(*reversed(files))
    starless = read_frame(split_files / "starless.fits").pixels
    assert joined.how == "add"
    assert joined.pixels == pytest.approx(starless + star_layer(), abs=1e-6)


def test_stars_still_in_the_nebula_would_be_doubled(split_files, tmp_path):
    whole = read_frame(split_files / "starless.fits").pixels + star_layer()
    write_fits(tmp_path / "whole.fits", whole)
    with pytest.raises(FrameError, match="doubled"):
        join_pictures(tmp_path / "whole.fits", split_files / "stars.fits", moved="none")


def test_faint_stars_do_not_hide_that_stars_are_still_in(split_files):
    """Four in five of a layer's peaks are lost in the noise of the picture; of a nebula without its
    stars none is seen."""
    rng = np.random.default_rng(2)
    starless = 0.05 + rng.normal(0, 0.002, (3, 360, 480))
    faint = np.zeros_like(starless)
    faint[:, 5:355:18, 5:475:23] = 0.002
    stars = star_layer() + faint
    stars[:, 100:340:60, 20:470:20] += 0.2
    require_starless(starless, stars)
    with pytest.raises(FrameError, match="doubled"):
        require_starless(starless + stars, stars)


def test_stars_lie_on_a_sky_that_was_crushed_to_black(split_files, tmp_path):
    """At the edge of a picture it looks like the border of a stack, which is no data."""
    import tifffile

    starless = read_frame(split_files / "starless.fits").pixels
    nebula = finished(tmp_path, starless, np.eye(2, 3), starless.shape[1:])
    numbers = tifffile.imread(nebula)
    numbers[:, :140] = 0
    tifffile.imwrite(nebula, numbers, photometric="rgb")
    stars, out = split_files / "stars.fits", tmp_path / "whole.tif"
    assert run_join(nebula, stars, "-o", out, "--moved", "none", "-q") == 0
    x, y = PLACES[0]
    assert tifffile.imread(out)[::-1][y, x].min() > 0.5 * 65535


def test_without_its_starless_frame_the_message_says_what_to_type(split_files, tmp_path):
    """And which frame is meant; what it says works."""
    alone = tmp_path / "stars.fits"
    alone.write_bytes((split_files / "stars.fits").read_bytes())
    starless = split_files / "starless.fits"
    rows, columns = read_frame(starless).pixels.shape[1:]
    named = rf"\(starless.fits, {columns} x {rows} px\) is not beside"
    with pytest.raises(GeometryError, match=f"{named}.*--starless FILE, or say --moved none"):
        join_pictures(starless, alone)
    assert join_pictures(starless, alone, starless=starless).how == "add"
    assert join_pictures(starless, alone, moved="none").how == "add"


@pytest.mark.slow
def test_a_nebula_of_another_size_needs_looking_for(split_files, tmp_path):
    write_fits(
        tmp_path / "small.fits", read_frame(split_files / "starless.fits").pixels[:, 20:, 30:]
    )
    with pytest.raises(GeometryError, match="leave away --moved none"):
        join_pictures(tmp_path / "small.fits", split_files / "stars.fits", moved="none")
    pytest.importorskip("cv2")
    joined = join_pictures(tmp_path / "small.fits", split_files / "stars.fits")
    assert joined.how == "add"
    assert joined.pixels == pytest.approx(
        (read_frame(split_files / "starless.fits").pixels + star_layer())[:, 20:, 30:], abs=0.01
    )


def test_another_starless_frame_of_that_name_is_not_believed(split_files, tmp_path):
    (tmp_path / "stars.fits").write_bytes((split_files / "stars.fits").read_bytes())
    write_fits(tmp_path / "starless.fits", np.float32(0.01 + 0.05 * clouds(6)))
    with pytest.raises(GeometryError, match="--starless FILE"):
        join_pictures(split_files / "starless.fits", tmp_path / "stars.fits")


@pytest.mark.campaign
def test_what_a_split_leaves_is_put_together_again(tmp_path, capsys):
    """The star layer names its starless frame, so that nothing has to be typed."""
    scene = make_scene(ra_deg=305.0, dec_deg=40.0, shape=(240, 320), scale_arcsec=6.0, seed=2)
    exposed_longer = np.minimum(6 * scene.pixels, 1)  # bright stars are clipped
    write_fits(tmp_path / "frame.fits", exposed_longer, scene.header)
    stem = str(tmp_path / "parts")
    assert main(["split", "-q", str(tmp_path / "frame.fits"), "-o", stem]) == 0
    layers = [f"{stem}-starless.fits", f"{stem}-stars.fits"]
    assert fits.getheader(layers[1])["STARLESS"] == "parts-starless.fits"
    out = str(tmp_path / "whole.fits")
    assert main(["join", *layers, "-o", out, "--clipped-cores", "keep", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["how"] == "add"
    whole, frame = fits.getdata(out), fits.getdata(tmp_path / "frame.fits")
    assert whole == pytest.approx(frame, abs=1e-6, nan_ok=True)
    assert main(["join", *layers, "-o", out, "--overwrite", "--json"]) == 0
    assert "rebuilt from the wings" in json.loads(capsys.readouterr().out)["notes"][0]
    rebuilt = fits.getdata(out) - frame
    assert rebuilt.min() > -1e-6
    assert rebuilt.max() > 0.1  # of full scale, at which the frame is clipped
    assert (rebuilt > 1e-6).any(axis=0).mean() < 0.01  # a dozen stars


@pytest.mark.slow
@pytest.mark.parametrize("space", ["srgb", "adobergb"])
def test_a_tiff_comes_back_as_a_tiff_of_its_depth_and_profile(
    split_files, tmp_path, capsys, space
):
    pytest.importorskip("cv2")
    import tifffile

    starless = read_frame(split_files / "starless.fits").pixels
    size = starless.shape[1:]
    embedded = icc_profile(space)
    nebula = finished(tmp_path, starless, np.eye(2, 3), size, embedded)
    before = nebula.read_bytes()
    out = tmp_path / "whole.tif"
    assert (
        main(["join", str(nebula), str(split_files / "stars.fits"), "-o", str(out), "--json"])
        == 0
    )
    told = json.loads(capsys.readouterr().out)
    assert told["how"] == "screen"
    with tifffile.TiffFile(out) as tiff:
        assert tiff.pages[0].tags[34675].value == embedded
        numbers = tiff.asarray()
    old = tifffile.imread(nebula)
    assert numbers.dtype == np.uint16
    assert numbers.shape == old.shape
    starry = (star_layer() > 0).any(axis=0)[::-1]
    assert np.array_equal(numbers[~starry], old[~starry])
    assert np.mean(numbers[starry] != old[starry]) > 0.5
    assert nebula.read_bytes() == before


def test_a_fits_comes_back_in_its_own_numbers(split_files, tmp_path, capsys):
    """16 bits, stretched: the same numbers where no star lies; 16 bits, linear: light that they
    cannot hold is said."""
    starless = read_frame(split_files / "starless.fits").pixels
    out = tmp_path / "whole.fits"
    for tones, gain in (("stretched", 1), ("linear", 9)):
        nebula = tmp_path / f"{tones}.fits"
        shown = np.sqrt(starless) if tones == "stretched" else starless
        fits.writeto(nebula, np.rint(65535 * np.clip(shown, 0, 1)).astype(np.uint16))
        stars = tmp_path / "stars.fits"
        write_fits(
            stars,
            gain * star_layer(),
            fits.getheader(split_files / "stars.fits"),
            overwrite=True,
        )
        words = ("--moved", "none", "--json", "--overwrite")
        if tones == "stretched":
            words = (*words, "--starless", split_files / "starless.fits")
        assert run_join(nebula, stars, "-o", out, *words) == 0
        told = json.loads(capsys.readouterr().out)
        before, after = fits.getdata(nebula), fits.getdata(out)
        assert after.dtype == before.dtype == np.uint16
        dark = (star_layer() == 0).all(axis=0)
        np.testing.assert_array_equal(after[:, dark], before[:, dark])
        assert (after != before).any()
        assert bool(told["quality"]) == (tones == "linear")


# --- wishes, formats, and what is refused -----------------------------------------------------------


def run_join(*words):
    return main(["join", *(str(word) for word in words)])


@pytest.fixture
def edited(split_files, tmp_path):
    """A 16-bit nebula, stretched and not moved, with a profile."""
    starless = read_frame(split_files / "starless.fits").pixels
    return finished(
        tmp_path, starless, np.eye(2, 3), starless.shape[1:], icc_profile("adobergb")
    )


def pixels_of(path):
    return read_frame(path).pixels


@pytest.mark.campaign
def test_smaller_stars_fewer_stars(split_files, edited, tmp_path, capsys):
    """Six stars of known colour: the three brightest stay, narrower, in their colours, and the sum of
    light is said."""
    stars = split_files / "stars.fits"
    out = tmp_path / "few.tif"
    words = ("--star-size", 0.6, "--brightest", 3, "--moved", "none", "--json")
    assert run_join(edited, stars, "-o", out, *words) == 0
    (tmp_path / "told.json").write_text(printed := capsys.readouterr().out)
    told = json.loads(printed)
    assert "size 0.6, the 3 brightest" in told["notes"][0]
    assert "of their light" in told["notes"][0]
    kept = ("--moved", "none", "--settings", tmp_path / "told.json", "-q")
    assert run_join(edited, stars, "-o", tmp_path / "again.tif", *kept) == 0
    assert (tmp_path / "again.tif").read_bytes() == out.read_bytes()
    assert run_join(edited, stars, "-o", tmp_path / "all.tif", "--moved", "none", "-q") == 0
    below, few, whole = (pixels_of(p) for p in (edited, out, tmp_path / "all.tif"))
    shown = [np.abs(few - below)[:, y, x].max() > 0.1 for x, y in PLACES]
    assert sum(shown) == 3
    assert (few != below).any(axis=0).sum() < 0.6 * (whole != below).any(axis=0).sum()


@pytest.mark.slow
def test_a_run_has_done_what_was_asked_to_its_own_layer(split_files, edited, tmp_path, capsys):
    """Its settings would make the stars of its layer smaller once more; to others they are done."""
    run = {"settings": {"frame": "frame.fits", "star_size": 0.6, "star_strength": 0.5}}
    (tmp_path / "run.json").write_text(json.dumps(run))
    (split_files / "result.json").write_text(json.dumps(run))
    words = edited, split_files / "stars.fits", "--moved", "none", "--json"
    told = {}
    for name, settings in {
        "own": split_files / "result.json",
        "other": tmp_path / "run.json",
    }.items():
        out = tmp_path / f"{name}.tif"
        assert run_join(*words, "-o", out, "--settings", settings) == 0
        printed = capsys.readouterr()
        told[name] = json.loads(printed.out)["settings"]
        assert ("as asked for already" in printed.err) == (name == "own")
    (split_files / "result.json").unlink()
    assert [each["star_size"] for each in told.values()] == [1, 0.6]
    assert [each["star_strength"] for each in told.values()] == [0.5, 0.5]


def test_jpeg_only_when_it_is_asked_for(split_files, edited, tmp_path, capsys):
    from PIL import Image

    stars = split_files / "stars.fits"
    out = tmp_path / "whole.jpg"
    assert run_join(edited, stars, "-o", out, "--moved", "none") == 0
    assert "quality 95" in capsys.readouterr().out
    with Image.open(out) as image:
        assert image.size == (480, 360)
        assert image.info["icc_profile"] == icc_profile_of(edited)
    starless = split_files / "starless.fits"
    assert run_join(starless, stars, "-o", tmp_path / "linear.jpg") == 1
    assert "JPEG cannot hold" in capsys.readouterr().err
    assert run_join(edited, stars, "-o", tmp_path / "whole.png") == 1
    assert "ends in .tif, .fits or .jpg" in capsys.readouterr().err
    assert not (tmp_path / "linear.jpg").exists()


def stretched_layer(folder):
    """A star layer from elsewhere: arcsinh, 16 bits, no word of where it is from."""
    import tifffile

    light = 5 * star_layer()
    display = srgb_encode(np.clip(np.arcsinh(light) / np.arcsinh(3), 0, 1))
    numbers = np.rint(65535 * display[:, ::-1].transpose(1, 2, 0)).astype(np.uint16)
    tifffile.imwrite(folder / "layer.tif", numbers, photometric="rgb")
    return folder / "layer.tif"


@pytest.mark.slow
def test_a_stretched_layer_from_elsewhere_is_screened_as_it_is(
    split_files, edited, tmp_path, capsys
):
    layer_file, out = stretched_layer(tmp_path), tmp_path / "whole.tif"
    assert run_join(edited, layer_file, "-o", out, "--moved", "none", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["how"] == "screen"
    assert "the star layer is stretched" in told["notes"][0]
    below, whole = pixels_of(edited), pixels_of(out)
    space = colour_space(icc_profile("adobergb"))
    above = srgb_decode(pixels_of(layer_file).astype(float))
    for (x, y), bv in zip(PLACES, BV_MAG, strict=True):
        rim = np.s_[:, y, x + 4]
        added = space.to_srgb @ (space.decode(whole[rim]) - space.decode(below[rim]))
        assert uv_prime_distance(added, above[rim]) < 0.004
        assert bv is not None
    words = ("--moved", "none", "--star-size", 0.7, "--overwrite")
    assert run_join(edited, layer_file, "-o", out, *words) == 1
    assert "from before the stretch" in capsys.readouterr().err


def test_stretched_stars_do_not_go_on_a_linear_nebula(split_files, tmp_path, capsys):
    layer_file = stretched_layer(tmp_path)
    out = tmp_path / "whole.fits"
    words = ("-o", out, "--moved", "none")
    assert run_join(split_files / "starless.fits", layer_file, *words) == 1
    assert "both linear or both stretched" in capsys.readouterr().err
    assert not out.exists()


def broken_files(folder, good):
    """What cannot be read: cut off, with a damaged profile, no picture at all."""
    import tifffile

    content = good.read_bytes()
    (folder / "cut.tif").write_bytes(content[: len(content) // 3])
    numbers = tifffile.imread(good)
    odd = b"\0\0\1\0" + b"no profile at all " * 20
    tifffile.imwrite(folder / "profile.tif", numbers, photometric="rgb", iccprofile=odd)
    (folder / "words.tif").write_text("not a picture")
    return [folder / name for name in ("cut.tif", "profile.tif", "words.tif", "nowhere.tif")]


def test_what_cannot_be_used_gets_one_line_and_nothing_is_written(
    split_files, edited, tmp_path, capsys
):
    stars = split_files / "stars.fits"
    out = tmp_path / "out.tif"
    for nebula in broken_files(tmp_path, edited):
        assert run_join(nebula, stars, "-o", out, "--moved", "none", "-q") == 1
        said = capsys.readouterr().err.strip()
        assert len(said.splitlines()) == 1
        assert "internal fault" not in said, said
        assert nebula.name in said or "profile" in said
        assert not out.exists()
    for bad in ("cut.tif", "words.tif"):
        assert run_join(edited, tmp_path / bad, "-o", out, "--moved", "none", "-q") == 1
        assert len(capsys.readouterr().err.strip().splitlines()) == 1
        assert not out.exists()


def test_another_objects_nebula_gets_one_line_and_nothing_is_written(
    split_files, tmp_path, capsys
):
    pytest.importorskip("cv2")
    other = finished(
        tmp_path, np.float32(0.01 + 0.05 * clouds(9) ** 2), np.eye(2, 3), (360, 480)
    )
    out = tmp_path / "out.tif"
    assert run_join(other, split_files / "stars.fits", "-o", out, "-q") == 1
    said = capsys.readouterr().err.strip()
    assert len(said.splitlines()) == 1
    assert "--moved none" in said
    assert not out.exists()


def test_cores_of_a_layer_that_was_cropped_since_are_left(tmp_path):
    """Their places are those of the whole layer."""
    path, pixels = tmp_path / "stars.fits", np.full((3, 30, 40), 0.1, np.float32)
    pixels[:, 5:9, 5:9] = 0.5
    cores = {"y": np.int32([25]), "x": np.int32([35]), "light": np.float32([[2, 2, 2]])}
    for size, cropped in ((np.s_[:, :20, :20], True), (np.s_[:], False)):
        write_fits(path, pixels[size], belonging_cards(pixels, "starless.fits"), overwrite=True)
        add_fits_table(path, Table(cores, meta={"rebuilt": 1}), CORES)
        layer, notes = read_star_layer(path, Choices())
        assert bool(notes) != cropped
        assert (layer.pixels.max() > 1) != cropped
