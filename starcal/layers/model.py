"""What the stars of a frame are like: profile, positions and fluxes, and which of the things found
are stars at all."""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy import ndimage

from ..cores import done_in_threads, in_threads, release_memory
from ..progress import Progress, silent
from ..robust import scatter
from ..stars import SHAPE_SNR, Flag
from ..stars.defects import NARROWEST_STAR_PX, blanked
from ..texts import counted
from .bends import roughness_near
from .blooms import bits_of_blooms, core_reach, with_blooms
from .broad import broad
from .broken import BrokenCores, broken_cores
from .companions import NOT_FOR_COMPANIONS, Companions, companions_of, joined, remaining
from .core import CORE_FWHM
from .fill import fill
from .flares import Flares
from .flaring import flares_of
from .fluxes import FluxFit, fit_fluxes
from .knots import knots
from .light import (
    LEAST_MISFIT,
    Channel,
    Rest,
    StarModel,
    Tile,
    channels_of,
    footprint,
    rests_of,
    tiles,
    touching,
)
from .pieces import PIECE_SHARE, pieces_of_arms, pieces_of_cores
from .profiles import Profiles, first_profiles, profiles_on
from .psf import Psf
from .rims import Rims, rims_of
from .second_light import FittedChannel
from .shape_field import FEWEST_FOR_CURVE
from .specks import specks
from .stamps import values_at
from .warp import longest
from .wing_solve import solved_wings

STAR_FWHM_RATIO = (
    0.55,
    1.4,
)  # of the measured FWHM and that expected here; outside, and with ...
# ... this share of its light not where the profile has it: a knot, a filament, a pixel
STAR_MISFIT = 0.25
UNFIT_FOR_PSF = int(Flag.SATURATED | Flag.EDGE | Flag.BLENDED | Flag.SHAPE)
PSF_SNR = 30.0
FAINTEST_LIGHT = 0.1  # in units of noise: where a star's model ends
WIDEST_FWHM = 60.0
BLEND_FWHM_RATIO = 2.2  # wider than any pair that detection takes for one
# stars that show what ratios stars have here; natural logarithm
FEWEST_FOR_COLOUR, LEAST_COLOUR_SPREAD = 5, 0.1
# Wings that the stars ask for are taken where their light differs by this share from what is held
# to usual optics; they are solved for again, so many times, while more than the second share is new
SETTLED_WINGS, UNSETTLED_WINGS, WING_PASSES = 0.2, 0.5, 3
# an entry near a bright star with less than this share of its light may be a piece of its spikes;
# that is so where entries were found again without them
SURE_PIECE_SHARE = 0.005
# an entry on a flare must be worth so many errors, a share of the flare's light among them, which
# over the pixels of a star, in units of its FWHM squared, may pass for a star: a knot of an arm is
# up to twice as bright as its law (of 535 stars on flares of five made frames 4 fall below)
FLARE_SIGMA, FLARE_DOUBT, FLARE_AREA = 7.0, 0.5, 1.0
CLIPPED_FIT_FWHM = 2.5  # beyond its clipped pixels, on which a clipped star's light is fitted
HOLE_FWHM = (
    0.8  # radius left out when the background under a star is judged without its own light
)


def model_stars(pixels: NDArray, stars: Table, progress: Progress = silent) -> StarModel:
    """Measure profile, positions and fluxes of all stars of a frame.

    In two rounds: the second fits on a background made flat by what the first left between the
    stars. Where bright stars have spikes or reflections, all of it again on the frame without them.

    Parameters
    ----------
    pixels : ndarray, (3, y, x) float32
    stars : Table
        Of `stars.measure_stars`, not empty.
    progress : callable
        Is given the step and the share done.
    """
    these = counted(len(stars), "star")
    progress(f"finding the profile of {these}", 0.0)
    # a hot pixel beside a star takes all the star's light in its channel for a slope of the sky
    channels = channels_of(blanked(pixels, stars.meta["defects"]), stars)
    whole = ~bits_of_blooms(channels, stars)
    draft = _drafted(channels, stars, None, whole)
    release_memory()
    progress(f"measuring the light of {these}", 0.4)
    model = _finished(draft, None)
    release_memory()
    progress(f"looking for spikes of {these}", 0.8)
    flares = flares_of(draft.channels, model, PIECE_SHARE, sweeps=0)
    if flares is not None:
        whole &= ~pieces_of_arms(draft.channels, model, flares)[: len(stars)]
        return with_blooms(channels, _beside_flares(channels, stars, flares, whole), stars)
    if draft.apart > SETTLED_WINGS:
        model = _finished(_freed(draft), None)
    return with_blooms(channels, joined(draft.channels, model, draft.beside), stars)


def _beside_flares(
    channels: list[Channel], stars: Table, flares: Flares, whole: NDArray[np.bool_]
) -> StarModel:
    """The model of the stars, fitted where flares have been taken out, and those measured anew."""
    draft = _drafted([c.without(flares) for c in channels], stars, flares, whole)
    model = _finished(_freed(draft), flares)
    channels = [replace(c, hidden=model.hidden[c.index]) for c in channels]
    again = flares_of(channels, model, SURE_PIECE_SHARE, sweeps=1)
    return joined(channels, replace(model, flares=again or flares), draft.beside)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Draft:
    """What a first fit tells, from which the model is made.

    Attributes
    ----------
    channels : list of Channel
        With broken cores hidden.
    known : _Known
    pointlike : ndarray, (n,)
        Entries that are stars.
    profiles : Profiles
    model : StarModel
        With wings held to what is usual.
    free : tuple of Psf
        Profiles with the wings that the stars ask for.
    apart : float
        Largest share by which those have other light in a ring.
    beside : ndarray, (m,)
        Rows that the last m entries are companions of.
    """

    channels: list[Channel]
    known: "_Known"
    pointlike: NDArray[np.bool_]
    profiles: Profiles
    model: StarModel
    free: tuple[Psf, ...]
    apart: float
    beside: NDArray[np.int_]


def _drafted(
    channels: list[Channel], stars: Table, flares: Flares | None, whole: NDArray[np.bool_]
) -> _Draft:
    """The first fit of the stars of a frame from which flares have been taken, if there are any;
    `whole` are the entries that are no pieces of a star."""
    clear_px = list(in_threads(lambda c: _clipped_radii(c, stars), channels))
    known = _Known(stars, clear_px, whole)
    profiles = first_profiles(channels, stars)
    places = np.array(stars["x_px"], float), np.array(stars["y_px"], float)
    places, fits = _moved_once(channels, known, profiles, places)
    broken = broken_cores(channels, stars, places, fits, profiles)
    if len(broken):
        channels, known = broken.hidden_in(channels), known.with_broken(broken)
        stars = known.stars
        places, fits = _moved_once(channels, known, profiles, broken.moved(places))
    fair = known.usable & _starlike(channels, stars, places, fits, profiles, flares)
    more = _companions(channels, known, profiles, (places, fits), fair)
    if more is not None:
        known, places = known.with_companions(more), more.after(places)
    places, fits = _moved_once(channels, known, profiles, places)
    points = _starlike(channels, known.stars, places, fits, profiles, flares)
    pointlike = known.usable & points
    model = _assembled(channels, places, profiles, fits)
    held, free, apart = _wings_of_all(channels, model, known.clear_px)
    return _Draft(
        channels=channels,
        known=known,
        pointlike=pointlike,
        profiles=profiles,
        model=replace(model, psf=held),
        free=free,
        apart=apart,
        beside=np.zeros(0, int) if more is None else more.beside,
    )


def _companions(channels, known, profiles, fitted, fair) -> Companions | None:
    """Stars beside fair ones that have no entry of their own, as a fit with them has them; the
    places and fits of all are given."""
    places, fits = fitted
    fair = fair & (np.array(known.stars["flags"]) & NOT_FOR_COMPANIONS == 0)
    coloured = partial(_has_star_colour, _ratios_of_stars(known.stars, fits))
    told = _as_fitted(channels, profiles, places, fits)
    found = companions_of(told, np.array([f.error for f in fits]), fair, coloured)
    if not len(found):
        return None
    longer, both = known.with_companions(found), found.after(places)
    moved, fits = _moved_once(channels, longer, profiles, both)
    return found.at(*moved).some(remaining(fits, found.beside, coloured))


def _as_fitted(channels, profiles, places, fits) -> list[FittedChannel]:
    """The channels with their stars."""
    warp = profiles.warps(*places)
    return [
        FittedChannel(
            channel=c,
            psf=profiles.psf[c.index],
            warp=warp[c.index],
            x_px=places[0],
            y_px=places[1],
            flux=fits[c.index].flux,
        )
        for c in channels
    ]


def _wings_of_all(channels, model, clear_px):
    """Profiles with wings from what the model leaves round bright stars: held, free, and how far
    apart they are."""
    solved = solved_wings(channels, model, clear_px)
    held = tuple(wings.held for wings in solved)
    free = tuple(wings.free for wings in solved)
    return held, free, max(wings.apart for wings in solved)


def _freed(draft: _Draft) -> _Draft:
    """The draft with the wings that the stars ask for, where those are others. They are solved for
    again, each time from those of before, until that changes little."""
    if draft.apart <= SETTLED_WINGS:
        return draft
    apart = draft.apart
    model = replace(draft.model, psf=draft.free)
    for _ in range(WING_PASSES):
        if apart <= UNSETTLED_WINGS:
            break
        _, free, apart = _wings_of_all(draft.channels, model, draft.known.clear_px)
        model = replace(model, psf=free)
    return replace(draft, model=model)


def _finished(draft: _Draft, flares: Flares | None) -> StarModel:
    """The model, fitted on a background made flat by what the draft leaves between the stars."""
    channels = draft.channels
    places = draft.model.x_px, draft.model.y_px
    stars = draft.known.stars
    flat = _flattened(draft.model, channels)
    before = replace(draft.profiles, psf=draft.model.psf)

    def rims_in(c: Channel) -> Rims | None:
        return rims_of(draft.model, c, flat[c.index], draft.known.clear_px[c.index], CORE_FWHM)

    rims = list(in_threads(rims_in, channels))
    profiles = profiles_on(before, channels, flat, stars, places, rims)
    known = replace(draft.known, usable=draft.pointlike)
    rough = list(in_threads(lambda c: _roughness(c, flat[c.index], places), channels))
    fits = _fits(channels, lambda c: flat[c.index], known, places, profiles, rough=rough)
    # again: of two entries on one trail the second has the light now
    pointlike = draft.pointlike & _starlike(channels, stars, places, fits, profiles, flares)
    pointlike &= ~knots(profiles.psf, fits, stars, rough, pointlike)
    companions = slice(len(pointlike) - len(draft.beside), None)
    pointlike[companions] &= pointlike[draft.beside]  # which have their owner's colour
    fits = [replace(f, flux=np.where(pointlike, f.flux, 0)) for f in fits]
    return _assembled(channels, places, profiles, fits)


def _of_flares(channels, flares, places, fits) -> NDArray[np.bool_]:
    """Entries that are no more than what a flare may be wrong by, (n,)."""
    if flares is None:
        return np.zeros(len(places[0]), bool)
    best = np.full(len(places[0]), -np.inf)
    for c, fit in zip(channels, fits, strict=True):
        plane = flares.plane(c.index, c.plane.shape)
        level = ndimage.maximum_filter(plane, 3)
        there = values_at(level, *(np.rint(at).astype(int) for at in places))
        area = FLARE_AREA * c.fwhm_px**2
        error = np.hypot(fit.error, FLARE_DOUBT * np.nan_to_num(there) * area)
        error = np.where(there > 0, error, 0)
        best = np.maximum(
            best, np.where(error > 0, fit.flux / np.maximum(error, 1e-30), np.inf)
        )
    return best < FLARE_SIGMA


def _moved_once(channels, known, profiles, places):
    """Where the light of each star is, x and y, as far as a fit at other places tells, and that
    fit."""
    fits = _fits(channels, Channel.unclipped, known, places, profiles, moving=True)
    x_px = places[0] + _common([f.dx_px for f in fits], fits)
    y_px = places[1] + _common([f.dy_px for f in fits], fits)
    return (x_px, y_px), fits


@dataclass(frozen=True, eq=False)
class _Known:
    """The star table, how far out each star is clipped in each channel, and which entries to
    fit."""

    stars: Table
    clear_px: list[NDArray]
    usable: NDArray

    def with_broken(self, broken: BrokenCores) -> "_Known":
        """The same where some cores are no data."""
        clear_px = [of_channel.copy() for of_channel in self.clear_px]
        for of_channel in clear_px:
            of_channel[broken.row] = broken.radius_px + 0.5
        usable = self.usable.copy()
        usable[broken.pieces] = False
        return _Known(broken.flagged(self.stars), clear_px, usable)

    def with_companions(self, more: Companions) -> "_Known":
        """The same with stars beside those of the table."""
        none = np.zeros(len(more))
        return _Known(
            more.appended_to(self.stars),
            [np.append(clear_px, none) for clear_px in self.clear_px],
            np.append(self.usable, none == 0),
        )


def _assembled(channels, places, profiles, fits) -> StarModel:
    warp = profiles.warps(*places)
    reach = [
        _reach_of_light(profiles.psf[c.index], fits[c.index].flux, c.noise)
        * longest(warp[c.index])
        for c in channels
    ]
    return StarModel(
        x_px=places[0],
        y_px=places[1],
        psf=profiles.psf,
        warp=warp,
        flux=np.array([f.flux for f in fits]),
        flux_error=np.array([f.error for f in fits]),
        misfit=np.array([np.maximum(f.misfit, LEAST_MISFIT) for f in fits]),
        reach_px=np.max(reach, axis=0),
        field=profiles.field,
        hidden=tuple(c.hidden for c in channels),
    )


def _reach_of_light(psf: Psf, flux: NDArray, noise: float) -> NDArray:
    """Radius where each star's light falls below `FAINTEST_LIGHT`; 0 for a star without light."""
    radius = psf.fwhm_px * np.geomspace(0.2, WIDEST_FWHM, 200)
    light = np.minimum.accumulate(np.log(np.maximum(psf.at_radius(radius), 1e-30)))
    faint = np.log(FAINTEST_LIGHT * noise / np.maximum(flux, 1e-30))
    reach = np.interp(-faint, -light, radius)
    return np.where(flux > 0, np.maximum(reach, 1.5 * psf.fwhm_px), 0)


def shows_stars(stars: Table) -> bool:
    """Whether any entry shows what a star looks like here; if none does, all the peaks may be
    nebula."""
    return bool(np.any(_certain(stars)))


def _certain(stars: Table) -> NDArray[np.bool_]:
    """Entries that are significant and have no flag that speaks against a single star, (n,)."""
    fit = np.array(stars["flags"]) & UNFIT_FOR_PSF == 0
    return fit & (np.array(stars["snr"]) >= SHAPE_SNR)


# --- what is a star ---------------------------------------------------------------------


def _clipped_radii(channel: Channel, stars: Table) -> NDArray:
    """Radius beyond which each star has no clipped pixel, 0 if it has none at all, (n,)."""
    radius = np.zeros(len(stars))
    x_px, y_px = (
        np.rint(np.array(stars[name], float)).astype(int) for name in ("x_px", "y_px")
    )
    clipped = np.char.find(np.array(stars["saturated_channels"], str), channel.name) >= 0
    for star in np.flatnonzero(clipped):
        radius[star] = _clipped_radius(channel, x_px[star], y_px[star])
    return radius


def _clipped_radius(channel: Channel, x: int, y: int) -> float:
    """Radius about a pixel beyond which there is none of the clipped pixels of its star."""
    half = int(20 * channel.fwhm_px)
    rows = _about(y, half)
    columns = _about(x, half)
    clipped = channel.clipped((rows, columns))
    return _core_radius(clipped, x - columns.start, y - rows.start)


def _core_radius(clipped: NDArray[np.bool_], x: int, y: int) -> float:
    """Radius about a pixel beyond which there is none of the clipped patches at it, but for what
    ran over from them."""
    core, _ = ndimage.label(clipped)
    near = core[_about(y, 2), _about(x, 2)]
    ys, xs = np.nonzero(np.isin(core, near[near > 0]))
    return core_reach(xs - x, ys - y) + 1.5


def _about(middle: int, reach: int) -> slice:
    """Pixels within a reach of one, as far as they are in the frame."""
    return slice(max(0, middle - reach), middle + reach + 1)


def _starlike(channels, stars, places, fits, profiles, flares) -> NDArray[np.bool_]:
    """Whether each entry of the table is a star: a point as wide as stars are, no narrower, and
    more than a flare may be wrong by."""
    shapes = list(zip(profiles.psf, profiles.warps(*places), strict=True))
    points = _pointlike(stars, fits, profiles) & ~specks(channels, shapes, places, fits, stars)
    clipped = np.array(stars["flags"]) & Flag.SATURATED > 0
    points &= ~pieces_of_cores(places, fits, clipped, float(np.median(stars.meta["fwhm_px"])))
    points &= ~_of_flares(channels, flares, places, fits)
    if stars.meta["noise"].empty_sky or not _tells_widths(profiles):
        return points  # of a star layer nothing else is there to keep them
    narrow_side = _width_ratio(stars, profiles) * np.sqrt(np.array(stars["roundness"]))
    fitted = _as_fitted(channels, profiles, places, fits)
    return points & ~broad(fitted, narrow_side, np.array(stars["snr"]), points & ~clipped)


def _tells_widths(profiles: Profiles) -> bool:
    """Whether enough stars tell how wide one is at each place, and are wider than pixels."""
    sharpest_px = min(psf.fwhm_px for psf in profiles.psf)
    return sharpest_px >= NARROWEST_STAR_PX and min(profiles.field.stars) >= FEWEST_FOR_CURVE


def _pointlike(stars: Table, fits: list[FluxFit], profiles: Profiles) -> NDArray[np.bool_]:
    """Whether each entry of the table has a star's shape in the channel that shows it best,
    (n,)."""
    misfit = _where_best(fits, [f.misfit for f in fits])
    flags = np.array(stars["flags"])
    ratio = _width_ratio(stars, profiles)
    odd = _unlike_width(ratio) | (flags & Flag.SHAPE > 0)
    blend = (ratio < BLEND_FWHM_RATIO) & (np.array(stars["snr"]) >= SHAPE_SNR)
    blend &= _coloured_as_stars(stars, fits)
    kept = blend | (flags & Flag.SATURATED > 0)
    return kept | ~(odd & (misfit > STAR_MISFIT))


def _where_best(fits: list[FluxFit], values: list[NDArray]) -> NDArray:
    """Values of each entry in the channel that shows it best, (n,)."""
    best = np.argmax([f.flux / np.maximum(f.error, 1e-30) for f in fits], axis=0)
    return np.array(values)[best, np.arange(len(best))]


def _unlike_width(ratio: NDArray) -> NDArray[np.bool_]:
    """Which widths, against the stars' there, no star has, (n,)."""
    narrow, wide = STAR_FWHM_RATIO
    return (ratio < narrow) | (ratio > wide)


def _width_ratio(stars: Table, profiles: Profiles) -> NDArray:
    """Measured width of each entry against that of the stars at its place; infinite if it has
    none."""
    typical = np.exp(np.mean(np.log(stars.meta["fwhm_px"])))
    places = np.array(stars["x_px"], float), np.array(stars["y_px"], float)
    expected = typical * profiles.field.relative_width(*places)
    return np.nan_to_num(np.array(stars["fwhm_px"]) / expected, nan=np.inf)


def _coloured_as_stars(stars: Table, fits: list[FluxFit]) -> NDArray[np.bool_]:
    """Whether each entry has the channel ratios of the frame's stars: close pairs have, knots of
    nebula have not."""
    flux = np.array([f.flux for f in fits])
    return _has_star_colour(_ratios_of_stars(stars, fits), flux)


def _ratios_of_stars(stars: Table, fits: list[FluxFit]) -> NDArray | None:
    """Middle and widest deviation of the logarithms of R/G and B/G of stars of the frame, (2, 2);
    None where too few tell."""
    ratio = _ln_ratios_of_channels(np.array([f.flux for f in fits]))
    known = ratio[:, _certain(stars) & np.isfinite(ratio).all(axis=0)]
    if known.shape[1] < FEWEST_FOR_COLOUR:
        return None
    spread = np.maximum(scatter(known, axis=1), LEAST_COLOUR_SPREAD)
    return np.array([np.median(known, axis=1), 3 * spread])


def _has_star_colour(usual: NDArray | None, flux: NDArray) -> NDArray[np.bool_]:
    """Whether fluxes, (3, ...), have ratios that stars of the frame have; none has where these are
    not known."""
    if usual is None:
        return np.zeros(flux.shape[1:], bool)
    ratio = _ln_ratios_of_channels(flux)
    middle, widest = usual.reshape(2, 2, *(1,) * (flux.ndim - 1))
    return np.all(np.abs(ratio - middle) < widest, axis=0)


def _ln_ratios_of_channels(flux: NDArray) -> NDArray:
    """Logarithms of R/G and B/G of fluxes, (3, ...); NaN where there is no light."""
    light = np.where(flux > 0, flux, np.nan)
    return np.log(light[[0, 2]] / light[1])


# --- light ------------------------------------------------------------------------------


def _roughness(channel: Channel, flat: NDArray, places) -> NDArray:
    """How rough the background that was made flat is near each star, (n,); see `bends`."""

    def background(columns: NDArray, rows: NDArray) -> NDArray:
        return values_at(channel.plane, columns, rows) - values_at(flat, columns, rows)

    return roughness_near(background, *places, channel.fwhm_px, channel.noise)


def _fits(channels, plane_of, known, places, profiles, moving=False, rough=None):
    """Fluxes of all channels; the plane of each, which is asked for then, is used up. Where it is
    told how rough the background is, stars that are not clipped are fitted on the frame's own, with
    bends."""
    warp = profiles.warps(*places)

    def fit(channel: Channel) -> FluxFit:
        shape = profiles.psf[channel.index], warp[channel.index]
        own = None if rough is None else rough[channel.index]
        return _fit_channel(channel, plane_of(channel), known, places, shape, moving, own)

    return list(in_threads(fit, channels))


def _fit_channel(channel, rest, known, places, shape, moving, rough=None) -> FluxFit:
    """Fluxes of one channel: clipped stars first, one by one, from their wings; then all others
    together.

    ``rest`` is used up: the clipped stars are taken out of it.
    """
    psf, warp = shape
    guess = np.nan_to_num(np.array(known.stars[f"flux_{channel.name}"]))
    clear_px = known.clear_px[channel.index]
    fitted = partial(_fit_some, channel, rest, guess, places, shape, moving)
    fits = []
    clipped = np.flatnonzero((clear_px > 0) & known.usable)
    for star in clipped[np.argsort(guess[clipped])[::-1]]:
        one = np.array([star])
        fit = fitted(one, clear_px[star] + CLIPPED_FIT_FWHM * psf.fwhm_px)
        _subtract(rest, places[0][star], places[1][star], (psf, warp[star]), fit, channel.noise)
        fits.append((one, fit))
    if rough is not None:
        channel.unclipped(out=rest)
        for (star,), fit in fits:
            _subtract(
                rest, places[0][star], places[1][star], (psf, warp[star]), fit, channel.noise
            )
    others = np.flatnonzero((clear_px == 0) & known.usable)
    if len(others):
        fits.append((others, fitted(others, rough=rough)))
    return _gathered(fits, len(guess))


def _fit_some(
    channel, rest, guess, places, shape, moving, rows, radius_px=None, rough=None
) -> FluxFit:
    """Fluxes of some stars of one channel, together."""
    psf, warp = shape
    return fit_fluxes(
        rest,
        places[0][rows],
        places[1][rows],
        psf,
        guess[rows],
        warp=warp[rows],
        sky=channel.sky,
        noise=channel.noise,
        electrons_per_unit=channel.electrons_per_unit,
        radius_px=radius_px,
        moving=moving,
        roughness=None if rough is None else rough[rows],
    )


def _subtract(plane, x_px, y_px, shape, fit, noise):
    """Take one star's light out of a plane, in place."""
    psf, warp = shape
    reach = int(_reach_of_light(psf, fit.flux, noise)[0] * longest(warp))
    cut, y, x = _cut_by_pixel(plane, int(y_px), int(x_px), reach)
    dx = (x - x_px - fit.dx_px).astype(np.float32)
    dy = (y - y_px - fit.dy_px).astype(np.float32)
    cut -= np.float32(fit.flux[0]) * psf(dx, dy, warp)


def _cut_by_pixel(plane, row: int, column: int, reach: int):
    """The part of a plane round a pixel, and the rows and columns of its pixels."""
    top = max(0, row - reach)
    left = max(0, column - reach)
    cut = plane[top : max(0, row + reach + 2), left : max(0, column + reach + 2)]
    y, x = np.ogrid[top : top + cut.shape[0], left : left + cut.shape[1]]
    return cut, y, x


def _gathered(fits, n: int) -> FluxFit:
    """One fit of n stars from fits of some of them; flux 0 for stars in none."""
    names = ("flux", "error", "dx_px", "dy_px", "misfit")
    whole = FluxFit(**{name: np.zeros(n) for name in names})
    for which, fit in fits:
        for name in names:
            getattr(whole, name)[which] = getattr(fit, name)
    return whole


def _common(steps: list[NDArray], fits: list[FluxFit]) -> NDArray:
    """Step of each star that suits all channels, those in which it shows best most."""
    weight = [(f.flux / np.maximum(f.error, 1e-30)) ** 2 + 1e-9 for f in fits]
    return sum(w * s for w, s in zip(weight, steps, strict=True)) / sum(weight)


def _flattened(model: StarModel, channels: list[Channel]) -> list[NDArray[np.float32]]:
    """Channels with their background made flat, as told from what lies around each star's core; NaN
    where clipped."""
    flat = list(in_threads(Channel.unclipped, channels))
    holes = [_core_only(model, channel.index) for channel in channels]

    def flatten(tile: Tile) -> None:
        if not touching(model, tile.inner).any():
            return
        rests = rests_of(model, channels, tile.outer)
        for channel, plane, hole, rest in zip(channels, flat, holes, rests, strict=True):
            below = _filled_under(hole, channel, rest, tile)
            plane[tile.inner] += np.float32(channel.sky) - below

    done_in_threads(flatten, tiles(channels[0].plane.shape))
    return flat


def _filled_under(hole: StarModel, channel: Channel, rest: Rest, tile: Tile) -> NDArray:
    """The background of a tile, as told from what lies outside some stars' footprints."""
    known = rest.weight(channel.noise) ** 2
    known[footprint(hole, tile.outer)] = 0
    return fill(rest.values, known, channel.noise)[tile.inner_of_outer]


def _core_only(model: StarModel, channel: int) -> StarModel:
    """The model of stars that reach no farther than their cores in a channel."""
    core_px = HOLE_FWHM * model.psf[channel].fwhm_px
    return replace(model, reach_px=np.where(model.reach_px > 0, core_px, 0))
