"""Frames nastier than the code's assumptions, and whether their gains can be right at all.

A `Recipe` says what a frame goes through: a `Setup` for place, filters and light, and faults of
`faults`. `make_frame` draws a recipe for a fault by name and makes the frame of it.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from astropy.coordinates import SkyCoord
from astropy.io.fits import Header
from astropy.table import Table

from ..catalogue.dust import latitudes_deg
from ..catalogue.embedded import bv_error_model
from . import faults
from .dust import LAWS, TYCHO_OFF_PER_EBV, dust_mags, thickest_dust, usual_dust
from .light import background, with_noise
from .scene import write_fluxes
from .setup import Setup
from .sky import TRUE_COUNT_SLOPE, TYCHO2_COMPLETE_MAG, header, star_field, stars_of_sky
from .spectra import SPECTRA_BV_MAG, band_mags, true_calibration

SHAPE = (500, 700)
MOST_DRAWN = 1500  # drawn on a frame: each costs time
FEWEST_KNOWN = 12  # catalogue stars around a field, else another place is drawn
WORTH_SNR = 15.0  # stars that tell what a frame's gains are
UNCLIPPED_SHARE = 0.7  # of what a channel holds: brighter stars clip and tell nothing
TRUTH_APERTURE_FWHM = 2.0  # in which light before and after the faults is compared
MOST_VARIATION = 0.05  # 10th to 90th percentile; beyond it no single gain is right
FEWEST_TELLING = 5
PLACES_TRIED = 30  # for one whose stars are red enough
REFLECTED = 20  # stars that throw discs


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """What a frame goes through. Triples are in channel order R, G, B.

    Attributes
    ----------
    setup : Setup
        Place, filters, light; its `moffat_beta` is not used.
    profiles : tuple of faults.Profile
        Of the stars.
    soft_px : tuple of float
        Sigma of a Gaussian that each channel is out of focus by.
    moves : tuple of dict
        What `faults.moved` takes, for each channel.
    ebv_mag : float
        Dust before all stars, to a tenth of it; less where they are too blue for so much.
    dust_law : str
        One of `dust.LAWS`.
    vignetting, colour_gradient : float
        What `faults.flat_planes` takes.
    reflection : float
        Share of a bright star's light that lies in its disc.
    hot_share, hot_level : float
        What `faults.add_hot_pixels` takes; level as a share of the full well.
    hot_columns, cosmic_rays : int
        How many.
    exponents : tuple of float
        Of each channel's response; 1 is linear.
    exposures : tuple of float
        How many times as long as usual each channel was exposed, for the same levels.
    low, high : tuple of float
        Where channels are cut, as a share of the full well.
    levels : int
        Steps of the file's numbers, up to `white`, a share of the full well; 0: none.
    white : float
        See `levels`.
    catalogue_errs : float
        How many times as much as it says the catalogue's B-V errs; other than 1, the frame goes
        with a catalogue of its own, `own_catalogue`.
    calibratable : bool
        Whether the filters carry star colour.
    """

    setup: Setup
    profiles: tuple[faults.Profile, ...]
    soft_px: tuple[float, float, float] = (0.0, 0.0, 0.0)
    moves: tuple[dict, dict, dict] = field(default_factory=lambda: ({}, {}, {}))
    ebv_mag: float = 0.0
    dust_law: str = "Cardelli 1989"
    vignetting: float = 0.0
    colour_gradient: float = 0.0
    reflection: float = 0.0
    hot_share: float = 0.0
    hot_level: float = 0.05
    hot_columns: int = 0
    cosmic_rays: int = 0
    exponents: tuple[float, float, float] = (1.0, 1.0, 1.0)
    exposures: tuple[float, float, float] = (1.0, 1.0, 1.0)
    low: tuple[float, float, float] = (0.0, 0.0, 0.0)
    high: tuple[float, float, float] = (1.0, 1.0, 1.0)
    levels: int = 0
    white: float = 1.0
    catalogue_errs: float = 1.0
    calibratable: bool = True


@dataclass(frozen=True, eq=False, kw_only=True)
class Made:
    """A frame of a campaign and its truth.

    Attributes
    ----------
    pixels : ndarray, (3, height, width) float32
        0 to 1 before the channels were scaled.
    header : astropy.io.fits.Header
        TAN WCS, DATE-OBS, FILTER1..3.
    truth : astropy.table.Table
        Stars inside the frame, as `scene.Scene.truth` has them, without `clipped`.
    gains_true : ndarray, (3,)
        Gains that make a star on the mean relation at B-V 0.65, seen without dust, neutral; where
        they vary over the frame, their median. G is 1.
    variation : ndarray, (3,)
        10th to 90th percentile of the gains that single stars would need, as a share.
    can_be_right : bool
        Whether `rescue` can be a right verdict: broadband, and a variation of 5 % at most (which
        is not asked where fewer than 5 stars tell).
    telling : int
        Stars of the catalogue that do not clip and are bright enough to tell a gain.
    recipe : Recipe
        What was done.
    """

    pixels: np.ndarray = field(repr=False)
    header: Header = field(repr=False)
    truth: Table = field(repr=False)
    gains_true: np.ndarray
    variation: np.ndarray
    can_be_right: bool
    telling: int
    recipe: Recipe = field(repr=False)


def make_frame(fault: str, seed: int, shape: tuple[int, int] = SHAPE) -> Made:
    """Make a frame with a fault.

    Parameters
    ----------
    fault : str
        One of `FAULTS`.
    seed : int
        Fixes place, light and strength of the fault.
    shape : (int, int)
        Height and width, pixels.

    Returns
    -------
    Made
        The same for the same arguments.

    Raises
    ------
    ValueError
        For a fault that is none.
    """
    if fault not in FAULTS:
        raise ValueError(f"fault {fault!r} is none of {', '.join(FAULTS)}")
    number = list(FAULTS).index(fault)
    rng_recipe, rng_frame = np.random.default_rng([seed, number]).spawn(2)
    return make(FAULTS[fault](plain_recipe(rng_recipe, shape), rng_recipe), rng_frame)


def make(recipe: Recipe, rng: np.random.Generator) -> Made:
    """Make the frame of a recipe, and measure on its light without noise what gains it needs.

    Parameters
    ----------
    recipe : Recipe
    rng : numpy.random.Generator
        Fixes stars, nebula, noise and defects.

    Returns
    -------
    Made

    Notes
    -----
    The relation of a channel's colour to B-V that `gains_true` rests on is the cubic through all
    spectra; stars near B-V 0.65 lie 0.4 to 1 % beside it in single channels. A chi-square of pulls
    cannot get below what that leaves.
    """
    setup = recipe.setup
    rng_stars, rng_sky, rng_noise, rng_sensor, rng_listed = rng.spawn(5)
    truth = star_field(setup, rng_stars)
    truth["bv_mag"] = colours_behind_dust(recipe, truth)
    if recipe.catalogue_errs != 1:
        list_anew(truth, recipe.catalogue_errs, rng_listed)
    electrons = dusty_electrons(recipe, truth, rng_stars)
    flats = faults.flat_planes(setup.shape, rng_sky, recipe.vignetting, recipe.colour_gradient)
    empty = background(setup, rng_sky)
    light = spoilt_star_light(recipe, truth, electrons) + empty
    exposed = exposed_planes(recipe, light * flats, rng_noise)
    add_sensor_faults(exposed, recipe, rng_sensor)
    write_fluxes(truth, electrons * channel_scale(recipe))
    return Made(
        pixels=through_file(recipe, exposed, steps=True),
        header=header(setup),
        truth=truth,
        recipe=recipe,
        **gains_truth(recipe, response_of_stars(recipe, truth, light, empty, flats)),
    )


def list_anew(truth: Table, errs: float, rng: np.random.Generator) -> None:
    """Draw the catalogue's B-V of each of its stars about the true one, with so many times the
    errors that it states, in place.

    The real catalogue's own entries cannot stand for such: however far the truth is drawn from
    them, they lie about their field as real errors have put them, no farther.
    """
    stated_mag = bv_error_model(np.asarray(truth["v_mag"], float))
    listed = np.isfinite(truth["bv_catalogue_mag"])
    drawn = truth["bv_mag"] + errs * stated_mag * rng.standard_normal(len(truth))
    truth["bv_catalogue_mag"] = np.where(listed, drawn, np.nan)


def own_catalogue(truth: Table) -> Table:
    """The catalogue's stars of a frame with the errors that it states, as a table of one's own.

    Parameters
    ----------
    truth : Table
        Of `Made`.

    Returns
    -------
    Table
        ra, dec, v, bv and bv_error, the brightest first.
    """
    listed = truth[np.isfinite(truth["bv_catalogue_mag"])]
    listed = listed[np.argsort(listed["v_mag"])]
    return Table(
        {
            "ra": listed["ra_deg"],
            "dec": listed["dec_deg"],
            "v": listed["v_mag"],
            "bv": listed["bv_catalogue_mag"],
            "bv_error": bv_error_model(np.asarray(listed["v_mag"], float)),
        }
    )


def gains_truth(recipe: Recipe, ratios: np.ndarray) -> dict:
    """What is true of the gains, under its names in `Made`."""
    gains, variation = gains_needed(true_calibration(recipe.setup)[0], ratios)
    return {
        "gains_true": gains,
        "variation": variation,
        "can_be_right": recipe.calibratable and bool(variation.max() <= MOST_VARIATION),
        "telling": len(ratios),
    }


def colours_behind_dust(recipe: Recipe, truth: Table) -> np.ndarray:
    """B-V of the stars as they are seen, (stars,): behind dust the catalogue has them too blue, all
    alike."""
    known = np.array(truth["in_catalogue"])
    bv_mag = np.array(truth["bv_mag"])
    ebv_mag = min(recipe.ebv_mag, thickest_dust(bv_mag[known]))
    off_mag = ebv_mag * TYCHO_OFF_PER_EBV[recipe.dust_law]
    return np.clip(bv_mag + known * off_mag, *SPECTRA_BV_MAG)


def dusty_electrons(recipe: Recipe, truth: Table, rng: np.random.Generator) -> np.ndarray:
    """Electrons of every star in every channel, (stars, 3); V and B-V stay what is seen."""
    setup, bv_mag = recipe.setup, np.array(truth["bv_mag"])
    thickest = thickest_dust(bv_mag[np.array(truth["in_catalogue"])])
    ebv_mag = min(recipe.ebv_mag, thickest) * (1 + 0.1 * rng.standard_normal(len(bv_mag)))
    ebv_mag = np.clip(ebv_mag, 0, bv_mag - SPECTRA_BV_MAG[0])  # no star is born bluer than that
    mags = band_mags(setup.bands, bv_mag - ebv_mag, setup.scatter, rng)
    mags += dust_mags(setup.bands, ebv_mag, bv_mag - ebv_mag, recipe.dust_law)
    return setup.v_zero_electrons * 10 ** (-0.4 * (np.array(truth["v_mag"])[:, None] + mags))


def spoilt_star_light(recipe: Recipe, truth: Table, electrons: np.ndarray) -> np.ndarray:
    """Stars in electrons, without noise, each channel by its profile, place and focus."""
    setup = recipe.setup
    light = np.zeros((3, *setup.shape), np.float32)
    x_px = np.array(truth["x_px"])
    y_px = np.array(truth["y_px"])
    for channel, plane in enumerate(light):
        x, y = faults.moved(x_px, y_px, setup.shape, **recipe.moves[channel])
        flux = electrons[:, channel]
        profile = recipe.profiles[channel]
        faults.draw_stars(plane, x, y, flux, profile, floor=min_noise(setup) / 50)
        if recipe.reflection > 0:
            add_discs(plane, x, y, flux, recipe.reflection)
        light[channel] = faults.softened(plane, recipe.soft_px[channel])
    return light


def add_discs(plane: np.ndarray, x_px, y_px, flux: np.ndarray, share: float) -> None:
    """Reflections of the brightest stars, in place."""
    bright = np.argsort(flux)[-REFLECTED:]
    faults.add_reflections(plane, x_px[bright], y_px[bright], flux[bright], share=share)


def min_noise(setup: Setup) -> float:
    """Noise of a pixel of the darkest channel's sky, electrons."""
    return float(np.sqrt(np.min(setup.sky_electrons) + setup.read_noise_electrons**2))


def exposed_planes(recipe: Recipe, light: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Noise and full well, channel by channel, in electrons of the usual exposure."""
    read_noise, well = recipe.setup.read_noise_electrons, recipe.setup.full_well_electrons
    planes = []
    for plane, times in zip(light, recipe.exposures, strict=True):
        read = read_noise * np.sqrt(times)  # of so many times as many frames
        planes.append(with_noise(plane * times, read, well * times, rng) / times)
    return np.stack(planes)


def add_sensor_faults(exposed: np.ndarray, recipe: Recipe, rng: np.random.Generator) -> None:
    """Hot pixels, columns and cosmic rays, in electrons, in place."""
    well = recipe.setup.full_well_electrons
    level = recipe.hot_level * well
    faults.add_hot_pixels(exposed, rng, recipe.hot_share, level)
    faults.add_hot_columns(exposed, rng, recipe.hot_columns, level)
    faults.add_cosmic_rays(exposed, rng, recipe.cosmic_rays, level)
    np.clip(exposed, 0, well, out=exposed)


def channel_scale(recipe: Recipe) -> np.ndarray:
    """From electrons to levels of the frame, (3,)."""
    return np.asarray(recipe.setup.channel_gains) / recipe.setup.full_well_electrons


def through_file(recipe: Recipe, electrons: np.ndarray, steps: bool) -> np.ndarray:
    """Response, cuts, scaling and, if asked for, steps: electrons to levels, float32."""
    well = recipe.setup.full_well_electrons
    planes = []
    for channel, plane in enumerate(electrons):
        level = faults.bent(np.clip(plane / well, 0, 1), recipe.exponents[channel])
        cut = faults.clipped(level, recipe.low[channel], recipe.high[channel])
        planes.append(cut * recipe.setup.channel_gains[channel])
    pixels = np.stack(planes).astype(np.float32)
    if recipe.levels and steps:
        return faults.in_steps(pixels, recipe.levels, recipe.white) / np.float32(recipe.white)
    return pixels


def response_of_stars(
    recipe: Recipe, truth: Table, light: np.ndarray, empty: np.ndarray, flats: np.ndarray
) -> np.ndarray:
    """What became of the light of each catalogue star that tells: levels out over electrons in,
    relative to plain scaling, (stars, 3)."""
    out = through_file(recipe, light * flats, steps=False)
    change = out - through_file(recipe, empty * flats, steps=False)
    scale = channel_scale(recipe)[:, None, None]
    full = full_levels(recipe)
    ratios = []
    for row in truth[np.array(truth["in_catalogue"])]:
        box = stamp_of(row, recipe)
        given = whole((light - empty)[box] * scale)
        noise = np.sqrt(whole(light[box] * scale**2))
        clips = out[box].max(axis=(1, 2)) > full
        if not clips.any() and (given > WORTH_SNR * noise).all():
            ratios.append(whole(change[box]) / given)
    return np.array(ratios).reshape(-1, 3)


def whole(stamp: np.ndarray) -> np.ndarray:
    """Sum of each channel of a stamp, (3,)."""
    return stamp.sum(axis=(1, 2))


def stamp_of(row, recipe: Recipe) -> tuple[slice, slice, slice]:
    """The box in which a star's light is compared; on the grid of the channel that lies right."""
    reach = int(
        np.ceil(TRUTH_APERTURE_FWHM * np.max(recipe.setup.fwhm_px) + np.max(recipe.soft_px))
    )
    x, y = int(np.rint(row["x_px"])), int(np.rint(row["y_px"]))
    return (
        slice(None),
        slice(max(0, y - reach), y + reach + 1),
        slice(max(0, x - reach), x + reach + 1),
    )


def full_levels(recipe: Recipe) -> np.ndarray:
    """Levels beyond which a star is known to clip, (3,)."""
    gains = np.asarray(recipe.setup.channel_gains)
    full = np.minimum(1.0, recipe.high) * gains
    return UNCLIPPED_SHARE * (np.minimum(full, recipe.white) if recipe.levels else full)


def gains_needed(gains: np.ndarray, ratios: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Gains in the median of the telling stars, and how much they vary between these."""
    if len(ratios) < FEWEST_TELLING:
        return gains, np.zeros(3)
    with np.errstate(divide="ignore", invalid="ignore"):
        needed = ratios[:, [1]] / ratios
    needed = np.where(np.isfinite(needed), needed, 0.0)
    low, middle, high = np.quantile(needed, [0.1, 0.5, 0.9], axis=0)
    return gains * middle, (high - low) / np.maximum(middle, 1e-9)


# --- recipes ----------------------------------------------------------------------------


def plain_recipe(rng: np.random.Generator, shape: tuple[int, int]) -> Recipe:
    """A broadband frame without faults, somewhere on the sky, with its usual unevennesses."""
    setup = Setup(
        shape=shape,
        rotation_deg=rng.uniform(-180, 180),
        mirrored=bool(rng.integers(2)),
        system=str(rng.choice(["camera", "mono"])),
        scatter="spectra",
        channel_gains=_triple(np.exp(rng.uniform(-0.9, 0.3, 3))),
        fwhm_px=float(rng.uniform(2.3, 4.5)),
        v_zero_electrons=_between(rng, 1e10, 1e11),
        sky_electrons=_triple(_between(rng, 3e3, 3e4) * rng.uniform(1, 2, 3)),
        gradient=float(rng.uniform(0, 0.15)),
        wcs_offset_px=_pair(rng.uniform(-1, 1, 2)),
    )
    setup = _at_a_place(setup, rng)
    profile = faults.moffat_profile(setup.fwhm_px, float(rng.uniform(2.4, 5.0)))
    dust = rng.spawn(1)[0]  # without taking from what is drawn next
    latitude_deg = float(latitudes_deg(setup.ra_deg, setup.dec_deg))
    return Recipe(
        setup=setup,
        profiles=_all(profile),
        ebv_mag=usual_dust(latitude_deg, dust),
        dust_law=str(dust.choice(list(LAWS))),
    )


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """Drawn evenly in the logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _triple(values) -> tuple[float, float, float]:
    red, green, blue = (float(value) for value in values)
    return red, green, blue


def _pair(values) -> tuple[float, float]:
    return float(values[0]), float(values[1])


def _at_a_place(setup: Setup, rng: np.random.Generator, drawn=None) -> Setup:
    """Somewhere with enough catalogue stars, at a scale of 2 to 8 arcsec a pixel."""
    while True:
        place = (drawn or _drawn_place)(rng).icrs
        moved = replace(
            setup,
            ra_deg=float(place.ra.deg),
            dec_deg=float(place.dec.deg),
            scale_arcsec=_between(rng, 2.0, 8.0),
        )
        known = stars_of_sky(moved)
        if len(known) >= FEWEST_KNOWN:
            complete = max(int(np.sum(known.v_mag < TYCHO2_COMPLETE_MAG)), 1)
            deepest = TYCHO2_COMPLETE_MAG + np.log10(MOST_DRAWN / complete) / TRUE_COUNT_SLOPE
            return replace(moved, faint_to_mag=float(np.clip(deepest, 11.5, 16.0)))


def _drawn_place(rng: np.random.Generator) -> SkyCoord:
    """Half of the places anywhere, a quarter in the Milky Way, a quarter at high latitude."""
    sin_b = rng.uniform(-1, 1)
    kind = rng.integers(4)
    if kind == 0:
        sin_b *= np.sin(np.radians(6))
    elif kind == 1:
        sin_b = np.copysign(1 - (1 - np.sin(np.radians(45))) * abs(sin_b), sin_b)
    latitude_deg = np.degrees(np.arcsin(sin_b))
    return SkyCoord(rng.uniform(0, 360), latitude_deg, unit="deg", frame="galactic")


def _dusty_place(rng: np.random.Generator) -> SkyCoord:
    """In the Milky Way."""
    return SkyCoord(rng.uniform(0, 360), rng.uniform(-10, 10), unit="deg", frame="galactic")


def _all(profile: faults.Profile) -> tuple[faults.Profile, ...]:
    return profile, profile, profile


def _one_channel(rng: np.random.Generator, value, usual) -> tuple:
    """Something for one channel, the usual for the others."""
    values = [usual, usual, usual]
    values[rng.integers(3)] = value
    return tuple(values)


def none(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Nothing but what every frame has."""
    return recipe


def double_gaussian(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Core and halo, the halo of another size in each channel."""
    fwhm = recipe.setup.fwhm_px
    share, times = rng.uniform(0.1, 0.4), rng.uniform(1.8, 3.5)
    each = [faults.two_gaussians(fwhm, share, times * f) for f in rng.uniform(0.85, 1.15, 3)]
    return replace(recipe, profiles=tuple(each))


def diffraction(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A diffraction core, wider in red, in a seeing halo."""
    share, times = rng.uniform(0.4, 0.8), rng.uniform(2.0, 3.5)
    widths = recipe.setup.fwhm_px * np.array([1.15, 1.0, 0.87])
    each = [faults.diffraction_core(width, share, times) for width in widths]
    return replace(recipe, profiles=tuple(each))


def defocused(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Doughnuts."""
    outer = rng.uniform(3.0, 7.0)
    setup = replace(recipe.setup, fwhm_px=1.6 * outer)
    ring = faults.doughnut(outer, rng.uniform(0.25, 0.5), rng.uniform(0.7, 1.5))
    return replace(recipe, setup=setup, profiles=_all(ring))


def trails(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Poor guiding, in one channel or in all."""
    length, angle = rng.uniform(1.0, 3.0) * recipe.setup.fwhm_px, rng.uniform(0, np.pi)
    drawn = faults.trailed(recipe.profiles[0], length, angle)
    if rng.integers(2):
        return replace(recipe, profiles=_all(drawn))
    return replace(recipe, profiles=_one_channel(rng, drawn, recipe.profiles[0]))


def blue_bloat(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A lens that is not corrected for violet."""
    red, green, blue = recipe.profiles
    blue = faults.bloated(blue, rng.uniform(0.2, 0.6), rng.uniform(1.8, 4.0))
    red = faults.bloated(red, rng.uniform(0.0, 0.2), 2.0)
    return replace(recipe, profiles=(red, green, blue))


def varying_field(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Tilt, curved field and coma, most of it alike in all channels."""
    growth, stretch, coma = rng.uniform(0.1, 0.5), rng.uniform(0, 0.4), rng.uniform(0, 2.5)
    towards, shape = rng.uniform(0, 2 * np.pi), recipe.setup.shape
    each = [
        faults.varying(
            profile,
            shape,
            growth=growth * factor,
            stretch=stretch,
            coma_px=coma,
            towards=towards,
        )
        for profile, factor in zip(recipe.profiles, rng.uniform(0.7, 1.3, 3), strict=True)
    ]
    return replace(recipe, profiles=tuple(each))


def spikes(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Diffraction spikes and discs of reflected light."""
    fwhm, share = recipe.setup.fwhm_px, rng.uniform(0.02, 0.10)
    length, angle = rng.uniform(10, 30), rng.uniform(0, np.pi)
    each = [
        faults.spiked(profile, fwhm, share=share, length_px=length * factor, angle=angle)
        for profile, factor in zip(recipe.profiles, (1.2, 1.0, 0.85), strict=True)
    ]
    return replace(recipe, profiles=tuple(each), reflection=float(rng.uniform(0.005, 0.04)))


def hot_pixels(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """1 in 10000 to 3 in 1000."""
    share = _between(rng, 1e-4, 3e-3)
    return replace(recipe, hot_share=share, hot_level=float(rng.uniform(0.005, 0.2)))


def columns_and_rays(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Hot columns and cosmic rays."""
    return replace(
        recipe,
        hot_columns=int(rng.integers(1, 15)),
        cosmic_rays=int(rng.integers(30, 600)),
        hot_level=float(rng.uniform(0.005, 0.1)),
    )


def soft_channel(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """One channel out of focus, sigma 0 to 6 px."""
    return replace(recipe, soft_px=_one_channel(rng, float(rng.uniform(0, 6)), 0.0))


def misregistered(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A channel shifted by up to 5 px, turned, scaled; one in eight by half a turn."""
    move = {
        "shift_px": _pair(rng.uniform(-5, 5, 2) * rng.uniform()),
        "rotation_deg": float(rng.normal(0, 0.1)) + 180.0 * (rng.integers(8) == 0),
        "scale": 1 + float(rng.normal(0, 5e-4)),
    }
    return replace(recipe, moves=_one_channel(rng, move, {}))


def not_linear(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """One channel's response to a power of 0.75 to 1.25."""
    exponent = 1 + float(rng.choice([-1, 1]) * rng.uniform(0.03, 0.25))
    return replace(recipe, exponents=_one_channel(rng, exponent, 1.0))


def uneven_flat(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Vignetting, and a colour gradient of up to 25 %."""
    return replace(
        recipe,
        vignetting=float(rng.uniform(0, 0.5)),
        colour_gradient=float(rng.uniform(0, 0.25)),
    )


def dust(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """E(B-V) up to 0.4, as most fields have at most."""
    return replace(recipe, ebv_mag=float(rng.uniform(0.05, 0.4)), dust_law=_some_law(rng))


def thick_dust(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """E(B-V) 0.4 to 1.2, or as much as stars in the Milky Way leave room for."""
    ebv_mag = float(rng.uniform(0.4, 1.2))
    setup = recipe.setup
    room = 0.0
    for _ in range(PLACES_TRIED):
        tried = _at_a_place(recipe.setup, rng, _dusty_place)
        found = thickest_dust(np.asarray(stars_of_sky(tried).bv_mag, float))
        if found > room:
            setup, room = tried, found
        if room > ebv_mag:
            break
    return replace(recipe, setup=setup, ebv_mag=ebv_mag, dust_law=_some_law(rng))


def _some_law(rng: np.random.Generator) -> str:
    """A law of extinction, without taking from what the generator draws next."""
    return str(rng.spawn(1)[0].choice(list(LAWS)))


def eight_bits(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """255 steps up to a fraction of the full well."""
    return replace(recipe, levels=255, white=_between(rng, 0.03, 0.5))


def bright_nebula(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """H-alpha half as bright as the sky to ten times its brightness."""
    times = _between(rng, 0.5, 10)
    nebula = float(times * np.mean(recipe.setup.sky_electrons))
    return replace(recipe, setup=replace(recipe.setup, nebula_electrons=nebula))


def cut_channel(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """One channel clipped: its white point too low, or its black point within the sky."""
    if rng.integers(2):
        high = _between(rng, 0.05, 0.6)
        return replace(recipe, high=_one_channel(rng, high, 1.0))
    channel = int(rng.integers(3))
    sky = recipe.setup.sky_electrons[channel]
    noise = np.sqrt(sky + recipe.setup.read_noise_electrons**2)
    low = [0.0, 0.0, 0.0]
    low[channel] = float(sky + rng.uniform(-1, 3) * noise) / recipe.setup.full_well_electrons
    return replace(recipe, low=_triple(low))


def poor_catalogue(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Its B-V errs 1.5 to 3 times as much as it says."""
    return replace(recipe, catalogue_errs=float(rng.uniform(1.5, 3.0)))


def wrong_wcs(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Off by up to 20 px and half a degree."""
    setup = replace(
        recipe.setup,
        wcs_offset_px=_pair(rng.uniform(-20, 20, 2)),
        wcs_rotation_deg=float(rng.uniform(-0.5, 0.5)),
    )
    return replace(recipe, setup=setup)


def _through(recipe: Recipe, system: str, rng: np.random.Generator) -> Recipe:
    """Other filters, their longer exposures, and no rescue; half of the frames show nebula."""
    sky = np.array(recipe.setup.sky_electrons)
    setup = replace(
        recipe.setup,
        system=system,
        width_nm=int(rng.choice([3, 5, 7])),
        v_zero_electrons=_between(rng, 1e11, 5e11),
        full_well_electrons=5e6,
        sky_electrons=_triple(sky),
        nebula_electrons=float(rng.integers(2) * sky.mean() * rng.uniform(0.3, 3)),
        channel_gains=_triple(np.exp(rng.uniform(-1, 1, 3))),
    )
    return replace(recipe, setup=setup, calibratable=False)


def narrowband(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Three narrow filters, or two, or one three times."""
    return _through(recipe, str(rng.choice(["SHO", "HOO", "HOS", "OHS", "copy"])), rng)


def mixed_filters(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """H-alpha and [O III] with broad blue, or H-alpha in place of red."""
    return _through(recipe, str(rng.choice(["H-O-blue", "H-green-blue"])), rng)


def unequal_exposures(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """One channel exposed 5 to 30 times as long as usual, the others as usual or half of it."""
    times = rng.uniform(0.5, 1, 3)
    times[rng.integers(3)] = _between(rng, 5, 30)
    return replace(recipe, exposures=_triple(times))


def several(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Two to four faults of a broadband frame at once."""
    names = rng.choice(len(COMPOSED), size=rng.integers(2, 5), replace=False)
    for index in sorted(names):
        recipe = COMPOSED[index](recipe, rng)
    return recipe


# in the order of light: a profile first, then what changes it
COMPOSED: tuple[Callable[[Recipe, np.random.Generator], Recipe], ...] = (
    double_gaussian,
    varying_field,
    blue_bloat,
    spikes,
    soft_channel,
    misregistered,
    hot_pixels,
    columns_and_rays,
    uneven_flat,
    bright_nebula,
    dust,
    wrong_wcs,
)
FAULTS: dict[str, Callable[[Recipe, np.random.Generator], Recipe]] = {
    function.__name__.replace("_", "-"): function
    for function in (
        none,
        double_gaussian,
        diffraction,
        defocused,
        trails,
        blue_bloat,
        varying_field,
        spikes,
        hot_pixels,
        columns_and_rays,
        soft_channel,
        misregistered,
        not_linear,
        uneven_flat,
        dust,
        thick_dust,
        eight_bits,
        bright_nebula,
        cut_channel,
        poor_catalogue,
        wrong_wcs,
        narrowband,
        mixed_filters,
        several,
        unequal_exposures,  # last: a fault's place fixes what is drawn
    )
}
