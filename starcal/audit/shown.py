"""How each star is displayed: rings round it, half radius, reach; and which detections are stars.

Widths are each star's own, because a stretch shows bright stars wider than faint ones.
"""

from dataclasses import dataclass, replace

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy import ndimage

from ..colour.stellar import rgb_to_uv_prime, srgb_decode
from ..layers.stamps import disc_offsets, stamps_at
from ..robust import pixels_at, scatter_about_zero, upper_median
from .glow import FURTHEST_HALVES, FURTHEST_PX, Glow, glow_of
from .levels import displayed_step

ROUNDING_SIGMA = 1 / 3.5  # of steps of display values
SMALLEST_RADIUS_PX, LARGEST_RADIUS_PX = 10, 40
RADIUS_FWHM = 7.0  # rings are measured out to so many widths of a typical star
MOST_REACH = 4.5  # in half radii; further out nobody sees a star's light
FLOOR_SIGMA, FLOOR_SHARE = 0.8, 0.015  # so near to its floor a profile has ended
RING = (1.9, 3.8)  # of the surroundings, in half radii
STEEP = (0.8, 0.3)  # of the peak: a star falls between them within about one width
UNEVEN_SIGMA, UNEVEN_SHARE = (
    3.0,
    0.06,
)  # upper scatter of textured surroundings; of the peak too
PROFILE_BATCH_PIXELS = 1 << 21  # per batch of stars, to bound memory
DISPLAY_WHITE = 0.96  # cores end there or above: programs leave some room below full scale
SHAPELESS_PX = 1.0  # of half radius: below, roundness is an accident of the pixels
WHITE_SHARE, BRIGHT_CORE = 0.8, 0.7  # of the weakest channel of a burnt-out core; display value
# A white core this far above its ground whose edge, of its half radius, is no softer than that of a
# Gaussian (0.75) and a pixel's share: stars of any width and shape, pairs and halos among them.
TOWERING, SOFTEST_EDGE, EDGE_PX = 0.5, 0.75, 0.5
# Light of the smallest stars is spread by the pixels themselves, wherever their middle lies.
LEAST_HALF_PX, LEAST_REACH_PX = 1.0, 2.0
KNOT_TEXTURE = 0.15  # of the peak: knots stand out of filaments by less
CORE_LOOKED_AT = 3.0  # half radii: a round core ends within them, a filament goes on
SURROUNDINGS = ("scatter", "texture", "filled", "hue_apart")
MASKED_HALVES, MOST_MASKED_PX = 2.0, 12.0  # of other detections
FEWEST_AROUND = 8  # pixels that tell of the surroundings
# Of the light of a patch on an empty background that lies so many reaches from stars; more of it
# is a nebula's or a galaxy's.
STARLIT_REACHES, NOT_STARLIGHT = 2.0, 0.2
GLOWING_ROUNDNESS = 0.6
LIKE_PEAKS = 41  # stars of like peak that tell what width a star has


@dataclass(frozen=True, eq=False, kw_only=True)
class DisplayProfiles:
    """Of n detections in a picture of display values.

    Attributes
    ----------
    x_px, y_px : ndarray, (n,)
    rings : ndarray, (n, 3, radii)
        Median of each ring of pixels, a pixel wide, in each channel.
    peak, floor : ndarray, (n,)
        Of the mean of the channels; the peak above the floor.
    half_px, reach_px : ndarray, (n,)
        Where the profile has fallen to half, and where it ends.
    edge_px : ndarray, (n,)
        From 0.8 to 0.3 of the peak.
    roundness : ndarray, (n,)
    saturated : ndarray of bool, (n,)
        Some channel's middle is at the display's white.
    scatter, texture, filled : ndarray, (n,)
        Of the surroundings: upper scatter in units of noise; share of the peak that it is; share of
        pixels above 0.45 of the peak.
    hue_apart : ndarray, (n,)
        u'v' distance of the star's light from that of the structure round it.
    unseen : ndarray of bool, (n,)
        Other detections cover all of its surroundings.
    glowing : ndarray of bool, (n,)
        The light of a burnt-out star was followed further than others reach.
    sigma : float
        Noise of the mean of the channels.
    """

    x_px: NDArray
    y_px: NDArray
    rings: NDArray
    peak: NDArray
    floor: NDArray
    half_px: NDArray
    reach_px: NDArray
    edge_px: NDArray
    roundness: NDArray
    saturated: NDArray
    scatter: NDArray
    texture: NDArray
    filled: NDArray
    hue_apart: NDArray
    unseen: NDArray
    glowing: NDArray
    sigma: float

    @property
    def floor_colour(self) -> NDArray:
        """Each channel of the darkest ring within reach, (n, 3)."""
        radius = np.arange(self.rings.shape[2])
        near = radius <= np.ceil(self.reach_px)[:, None]
        mean = self.rings.mean(axis=1)
        mean = np.where(near & ~np.isnan(mean), mean, np.inf)
        darkest = mean.argmin(axis=1)
        rows = np.arange(len(darkest))
        return self.rings[rows, :, darkest]

    @property
    def burnt_out(self) -> NDArray[np.bool_]:
        """All channels at the display's white in the middle: no hue is left there."""
        return (self.rings[:, :, 0] >= DISPLAY_WHITE).all(axis=1)

    @property
    def textured(self) -> NDArray[np.bool_]:
        """Whether the surroundings have structure of their own."""
        return (self.scatter > UNEVEN_SIGMA) & (self.texture > UNEVEN_SHARE)

    def pick(self, rows: NDArray) -> "DisplayProfiles":
        """Some of them."""
        columns = {k: v[rows] for k, v in vars(self).items() if isinstance(v, np.ndarray)}
        return replace(self, **columns)


def pixel_noise(mean: NDArray) -> float:
    """Noise of a plane of display values: scatter about the median of 5 x 5 pixels."""
    rest = mean - ndimage.median_filter(mean, 5)
    return float(scatter_about_zero(rest))


def measure_profiles(display: NDArray, stars: Table) -> DisplayProfiles:
    """Measure how the stars of a table are displayed.

    Parameters
    ----------
    display : ndarray, (3, y, x)
        Display values in [0, 1], finite.
    stars : Table
        Of `stars.measure_stars`, of this picture.

    Returns
    -------
    DisplayProfiles
        A row a detection.
    """
    mean = display.mean(axis=0)
    sigma = max(pixel_noise(mean), ROUNDING_SIGMA * displayed_step(display))
    x_px = np.asarray(stars["x_px"], float)
    y_px = np.asarray(stars["y_px"], float)
    fwhm_px = float(np.mean(stars.meta["fwhm_px"]))
    radius = round(np.clip(RADIUS_FWHM * fwhm_px, SMALLEST_RADIUS_PX, LARGEST_RADIUS_PX))
    rings = _rings_to_the_end(np.concatenate([display, mean[None]]), x_px, y_px, radius)
    shape = _shape_of_profile(rings[:, 3], sigma)
    rings = rings[:, :3]
    round_about = _surroundings(display, mean, x_px, y_px, shape, sigma)
    return DisplayProfiles(
        x_px=x_px,
        y_px=y_px,
        rings=rings,
        **shape,
        roundness=_roundness(np.asarray(stars["roundness"], float), mean, x_px, y_px, shape),
        saturated=_saturated(rings),
        **round_about,
        glowing=np.zeros(len(x_px), bool),
        sigma=sigma,
    )


def _roundness(
    measured: NDArray,
    mean: NDArray,
    x_px,
    y_px,
    shape,
) -> NDArray:
    """Roundness as measured; where it was not, that of the core: pieces of filament that are
    clipped in one channel are found by that alone."""
    roundness = measured.copy()
    for i in np.flatnonzero(np.isnan(measured)):
        half_px = shape["half_px"][i]
        window, radius = window_round(
            mean.shape, x_px[i], y_px[i], CORE_LOOKED_AT * half_px + 2
        )
        core = mean[window] > shape["floor"][i] + 0.5 * shape["peak"][i]
        roundness[i] = _axis_ratio(core, np.unravel_index(radius.argmin(), radius.shape))
    return roundness


def _axis_ratio(lit: NDArray[np.bool_], middle) -> float:
    """By the second moments of what hangs together with a pixel; 1 where it is not lit."""
    patches, _ = ndimage.label(lit)
    if not patches[middle]:
        return 1.0
    places = np.array(np.nonzero(patches == patches[middle]), float)
    spread = np.cov(places, bias=True) + np.eye(2) / 12
    short, long = np.linalg.eigvalsh(spread)
    return float(np.sqrt(short / long))


def _rings_to_the_end(
    planes: NDArray,
    x_px: NDArray,
    y_px: NDArray,
    radius: int,
) -> NDArray:
    """Rings of planes, the last of which is their mean, round each place; further out for burnt-out
    stars, whose halo goes on: where it is cut off, it would be seen as a disc."""
    rings = ring_medians(planes, x_px, y_px, radius)
    profile = _without_gaps(rings[:, -1])
    _, half_px = _floor_and_half(profile, profile[:, :2].max(axis=1))
    wide = MOST_REACH * half_px > radius
    if radius >= LARGEST_RADIUS_PX or not wide.any():
        return rings
    further = ((0, 0), (0, 0), (0, LARGEST_RADIUS_PX - radius))
    rings = np.pad(rings, further, constant_values=np.nan)
    rings[wide] = ring_medians(planes, x_px[wide], y_px[wide], LARGEST_RADIUS_PX)
    return rings


def _saturated(rings: NDArray) -> NDArray[np.bool_]:
    """Stars of which a channel reaches the display's white in the middle, (n,)."""
    return (rings[:, :, :2].max(axis=2) >= DISPLAY_WHITE).any(axis=1)


def ring_medians(
    planes: NDArray,
    x_px: NDArray,
    y_px: NDArray,
    radius: int,
) -> NDArray:
    """Medians of rings a pixel wide round each place.

    Parameters
    ----------
    planes : ndarray, (channels, y, x)
    x_px, y_px : ndarray, (n,)
    radius : int
        Of the outermost ring, px.

    Returns
    -------
    ndarray, (n, channels, radius + 1)
        NaN where a ring lies outside.
    """
    return np.stack([_ring_profiles(plane, x_px, y_px, radius) for plane in planes], axis=1)


def _ring_profiles(
    plane: NDArray,
    x_px: NDArray,
    y_px: NDArray,
    radius: int,
) -> NDArray:
    offsets = disc_offsets(radius + 0.5)
    ring = np.rint(np.hypot(*offsets)).astype(int)
    found = np.full((len(x_px), radius + 1), np.nan, np.float32)
    step = max(1, PROFILE_BATCH_PIXELS // len(ring))
    for first in range(0, len(x_px), step):
        part = slice(first, first + step)
        values = stamps_at(plane, x_px[part], y_px[part], offsets)[0]
        for r in range(radius + 1):
            found[part, r] = upper_median(values[:, ring == r])
    return found


def _shape_of_profile(profile: NDArray, sigma: float) -> dict[str, NDArray]:
    """Peak, floor, half radius, reach and edge of mean profiles, (n, radii)."""
    profile = _without_gaps(profile)
    top = profile[:, :2].max(axis=1)
    floor, half_px = _floor_and_half(profile, top)
    peak = top - floor
    low = _crossing(profile, floor + STEEP[1] * peak)
    high = _crossing(profile, floor + STEEP[0] * peak)
    return {
        "peak": peak,
        "floor": floor,
        "half_px": half_px,
        "reach_px": _reach_of_profile(profile, floor, peak, half_px, sigma),
        "edge_px": low - high,
    }


def _floor_and_half(profile: NDArray, top: NDArray) -> tuple[NDArray, NDArray]:
    """Floor of each profile near its star, and where it is half way down to that."""
    half_px = np.full(len(profile), 1.0)
    radius = np.arange(profile.shape[1])
    # the floor lies near the star: what is further out may be another's ground
    for _ in range(2):
        furthest = np.maximum(MOST_REACH * half_px, 5)
        near = radius <= furthest[:, None]
        floor = np.where(near, profile, np.inf).min(axis=1)
        middle = 0.5 * (top + floor)
        half_px = _crossing(profile, middle)
    return floor, half_px


def _without_gaps(profile: NDArray) -> NDArray:
    """Rings beyond the picture take the value of the one inside."""
    profile = np.array(profile)
    for r in range(1, profile.shape[1]):
        known = np.isfinite(profile[:, r])
        nearer = profile[:, r - 1]
        profile[:, r] = np.where(known, profile[:, r], nearer)
    return np.nan_to_num(profile)


def _crossing(profile: NDArray, level: NDArray) -> NDArray:
    """Radius at which each profile first falls below a level, linear between rings."""
    below = profile < level[:, None]
    last = profile.shape[1] - 1
    first = np.where(below.any(axis=1), below.argmax(axis=1), last)
    first = np.maximum(first, 1)
    rows = np.arange(len(profile))
    before = profile[rows, first - 1]
    after = profile[rows, first]
    fall = np.maximum(before - after, 1e-6)
    share = (before - level) / fall
    return first - 1 + np.clip(share, 0.2, 1.0)


def _reach_of_profile(
    profile,
    floor,
    peak,
    half_px,
    sigma,
) -> NDArray:
    """First ring after the half radius that is near the floor, or where the profile stops
    falling."""
    radius = np.arange(profile.shape[1])
    least = np.maximum(FLOOR_SIGMA * sigma, FLOOR_SHARE * peak)
    near = profile - floor[:, None] <= least[:, None]
    change = np.diff(profile, axis=1, append=profile[:, -1:])
    rising = change > -0.1 * sigma
    outside = radius > half_px[:, None] + 0.5
    ended = (near | rising) & outside
    last = profile.shape[1] - 1
    end = np.where(ended.any(axis=1), ended.argmax(axis=1), last)
    end = np.minimum(end, MOST_REACH * half_px)
    return np.maximum(end, LEAST_REACH_PX)


def _surroundings(
    display, mean, x_px, y_px, shape, sigma, rows: NDArray | None = None
) -> dict[str, NDArray]:
    """What is round each detection, or those of some rows, other detections masked."""
    if rows is None:
        rows = np.arange(len(x_px))
    found = {name: np.zeros(len(rows)) for name in SURROUNDINGS}
    found["unseen"] = np.zeros(len(rows), bool)
    half_px = np.maximum(shape["half_px"], LEAST_HALF_PX)
    taken = _masking_discs(mean.shape, x_px, y_px, half_px)
    light = srgb_decode(display)
    for at, i in enumerate(rows):
        half = half_px[i]
        reach = RING[1] * half + 1
        window, radius = window_round(mean.shape, x_px[i], y_px[i], reach)
        around = _around(radius, half, taken[window])
        here = mean[window]
        if around.sum() < FEWEST_AROUND:
            found["unseen"][at] = True
            continue
        peak = shape["peak"][i]
        floor = shape["floor"][i]
        told = _unevenness(here[around], peak, floor, sigma)
        if told["scatter"] > UNEVEN_SIGMA:
            inside = radius <= half
            there = light[:, *window]
            told["hue_apart"] = _hue_apart(there, here, around, inside)
        for name, value in told.items():
            found[name][at] = value
    return found


def _masking_discs(
    shape,
    x_px,
    y_px,
    half_px,
) -> NDArray[np.bool_]:
    """Where detections would disturb what is measured round others."""
    disc_px = np.minimum(MASKED_HALVES * half_px, MOST_MASKED_PX)
    return _discs(shape, x_px, y_px, disc_px)


def _around(radius: NDArray, half_px: float, taken: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The ring round a star, without what other detections take."""
    inner, outer = RING
    ring = radius >= inner * half_px
    ring &= radius <= outer * half_px
    own = radius <= MASKED_HALVES * half_px
    return ring & (own | ~taken)


def _unevenness(
    values: NDArray,
    peak: float,
    floor: float,
    sigma: float,
) -> dict[str, float]:
    """Scatter of surroundings over noise and over the star's peak, and how much is half as
    bright."""
    low, high = np.quantile(values, (0.5, 0.84))
    upper = high - low
    peak = max(peak, 1e-6)
    bright = values > floor + 0.45 * peak
    return {
        "scatter": upper / sigma,
        "texture": upper / peak,
        "filled": np.mean(bright),
    }


def _hue_apart(
    light,
    mean,
    around,
    inside,
) -> float:
    """u'v' distance of a star's light from that of the brighter part of its surroundings."""
    middle = np.quantile(mean[around], (0.5,))
    bright = around & (mean > middle)
    dark = around & ~bright
    if not (inside.any() and dark.any() and bright.any()):
        return 0.0
    base = np.median(light[:, dark], axis=1)
    star = np.median(light[:, inside], axis=1)
    star = star - base
    structure = np.median(light[:, bright], axis=1)
    structure = structure - base
    if not (star.max() > 0 and structure.max() > 0):
        return 0.0
    return _uv_apart(np.maximum(star, 0), np.maximum(structure, 0))


def _uv_apart(one: NDArray, other: NDArray) -> float:
    """u'v' distance of two colours of light; 0 where one has none."""
    apart = rgb_to_uv_prime(one) - rgb_to_uv_prime(other)
    return float(np.nan_to_num(np.hypot(apart[0], apart[1])))


def window_round(
    shape,
    x,
    y,
    reach,
) -> tuple[tuple[slice, slice], NDArray]:
    """Rows and columns within reach of a place, and the distances of their pixels from it.

    Parameters
    ----------
    shape : tuple of int
        Of the picture, (y, x).
    x, y : float
        The place, px.
    reach : float
        In px.

    Returns
    -------
    window : tuple of slice
    distance_px : ndarray, (rows, columns)
    """
    rows = _reached(y, reach, shape[0])
    columns = _reached(x, reach, shape[1])
    y_px, x_px = np.ogrid[rows, columns]
    return (rows, columns), np.hypot(y_px - y, x_px - x)


def _reached(at_px: float, reach_px: float, side: int) -> slice:
    """Pixels of an axis within reach of a place."""
    first = max(0, int(at_px - reach_px))
    last = min(side, int(at_px + reach_px) + 2)
    return slice(first, last)


def _discs(
    shape,
    x_px,
    y_px,
    radius_px,
) -> NDArray[np.bool_]:
    """Where any disc is."""
    covered = np.zeros(shape, bool)
    for x, y, reach in zip(x_px, y_px, radius_px, strict=True):
        window, radius = window_round(shape, x, y, reach)
        covered[window] |= radius <= reach
    return covered


@dataclass(frozen=True, eq=False, kw_only=True)
class StarsShown:
    """What a picture shows.

    Attributes
    ----------
    found : DisplayProfiles
        Of its n detections; burnt-out stars reach as far as they glow.
    star : ndarray of bool, (n,)
        Those that are stars and no knots.
    starlit : ndarray of bool, (y, x)
        Where it is a star layer: all that shines is stars.
    """

    found: DisplayProfiles
    star: NDArray
    starlit: NDArray


def what_is_shown(display: NDArray, stars: Table, matched: NDArray[np.bool_]) -> StarsShown:
    """How detections are displayed, and which are stars: all of a star layer, elsewhere those that
    are no knots.

    Parameters
    ----------
    display : ndarray, (3, y, x)
        Display values they were found in, finite.
    stars : Table
        Of `stars.measure_stars`, n rows.
    matched : ndarray of bool, (n,)
        Where a catalogue knows a star.

    Returns
    -------
    StarsShown
    """
    found = measure_profiles(display, stars)
    star = are_stars(found, matched)
    glows = _glows(found, star, display)
    if glows:
        found = _seen_without(glows, found, display)
        found = _reaching_as_far(glows, found)
        star |= are_stars(found, matched)
    if not (len(stars) and stars.meta["noise"].empty_sky):
        return StarsShown(found=found, star=star, starlit=np.zeros(display.shape[1:], bool))
    starlit = _starlit(display, found, star)
    there = starlit[pixels_at(found.x_px, found.y_px, display.shape)]
    return StarsShown(found=found, star=star | there, starlit=starlit)


def _glows(found: DisplayProfiles, star: NDArray, display: NDArray) -> dict[int, Glow]:
    """The glow of the burnt-out stars that have one, by their rows."""
    half_px = np.maximum(found.half_px, LEAST_HALF_PX)
    shape = display.shape[1:]
    taken = _masking_discs(shape, found.x_px, found.y_px, half_px)
    burnt_out = star & found.burnt_out & (found.roundness > GLOWING_ROUNDNESS)
    glows = {}
    for i in np.flatnonzero(burnt_out):
        glow = _glow_round(found, int(i), half_px[i], display, taken)
        if glow is not None:
            glows[int(i)] = glow
    return glows


def _glow_round(
    found: DisplayProfiles, i: int, half_px: float, display: NDArray, taken: NDArray[np.bool_]
) -> Glow | None:
    """The glow of a star, other detections masked."""
    furthest_px = min(FURTHEST_HALVES * half_px, FURTHEST_PX)
    x, y = found.x_px[i], found.y_px[i]
    window, radius = window_round(taken.shape, x, y, furthest_px)
    others = taken[window] & (radius > MASKED_HALVES * half_px)
    hidden = others | (radius > furthest_px)
    planes = np.where(hidden, np.nan, display[:, *window])
    row, column = np.mgrid[window]
    angle = np.arctan2(row - y, column - x)
    return glow_of(planes, radius, angle, half_px, found.sigma)


def _seen_without(
    glows: dict[int, Glow], found: DisplayProfiles, display: NDArray
) -> DisplayProfiles:
    """Surroundings measured again where bright stars glow: what a glow adds is no structure of a
    nebula, and a star in it stands on calm ground."""
    added = _added_light(glows, found, display.shape[1:])
    under = added[pixels_at(found.x_px, found.y_px, display.shape)]
    of_others = ~np.isin(np.arange(len(under)), list(glows))
    lit = np.flatnonzero((under > 0) & of_others)
    shape = {"half_px": found.half_px, "peak": found.peak, "floor": found.floor - under}
    places = found.x_px, found.y_px
    mean = display.mean(axis=0) - added
    again = _surroundings(display, mean, *places, shape, found.sigma, lit)
    changed = {name: _with_rows(getattr(found, name), lit, new) for name, new in again.items()}
    return replace(found, **changed)


def _added_light(glows: dict[int, Glow], found: DisplayProfiles, shape) -> NDArray[np.float32]:
    """What all glows add to the mean of the channels, (y, x)."""
    added = np.zeros(shape, np.float32)
    for i, glow in glows.items():
        window, radius = window_round(shape, found.x_px[i], found.y_px[i], glow.reach_px)
        added[window] += glow.light(radius)
    return added


def _with_rows(values: NDArray, rows: NDArray, new: NDArray) -> NDArray:
    """A copy with some rows replaced."""
    changed = values.copy()
    changed[rows] = new
    return changed


def _reaching_as_far(glows: dict[int, Glow], found: DisplayProfiles) -> DisplayProfiles:
    """Stars whose rings, floor and reach are those of their glow, where that goes further."""
    further = {i: glow for i, glow in glows.items() if glow.reach_px > found.reach_px[i]}
    longest = max((len(glow.mean) for glow in further.values()), default=0)
    more = max(longest - found.rings.shape[2], 0)
    beyond = ((0, 0), (0, 0), (0, more))
    rings = np.pad(found.rings, beyond, constant_values=np.nan)
    new = {name: getattr(found, name).copy() for name in ("floor", "reach_px", "glowing")}
    for i, glow in further.items():
        rings[i, :, : len(glow.mean)] = glow.rings
        new["floor"][i] = glow.mean[-1]
        new["reach_px"][i] = glow.reach_px
        new["glowing"][i] = True
    return replace(found, rings=rings, **new)


def _starlit(display: NDArray, found: DisplayProfiles, star: NDArray) -> NDArray[np.bool_]:
    """Patches of a picture with an empty background whose light is that of stars, near which it
    lies; a nebula or a galaxy on a black sky has light between them."""
    light = np.abs(display - layer_background(display)).mean(axis=0)
    patches, n_patches = ndimage.label(light > 0, np.ones((3, 3)))
    told = star | _faint_like_a_star(found)
    near_px = STARLIT_REACHES * found.reach_px + 1
    near = _discs(light.shape, found.x_px[told], found.y_px[told], near_px[told])
    number = np.arange(n_patches + 1)
    between = ndimage.sum_labels(np.where(near, 0, light), patches, number)
    starlit = between < NOT_STARLIGHT * ndimage.sum_labels(light, patches, number)
    return starlit[patches]


def _faint_like_a_star(found: DisplayProfiles) -> NDArray[np.bool_]:
    """Of a star's size and shape, however faint: what an empty background shows is no noise."""
    calm = ~(found.textured | found.unseen)
    return (
        _sized(found, calm)
        & _like_a_star(found, calm)
        & (found.peak > _height_of_structure(found))
    )


def layer_background(layer: NDArray) -> NDArray[np.float32]:
    """The one value that the background of a star layer has in each channel.

    Parameters
    ----------
    layer : ndarray, (3, y, x)
        Display values, finite.

    Returns
    -------
    ndarray, (3, y, x) float32
        That value everywhere.
    """
    level = np.median(layer, axis=(1, 2), keepdims=True)
    return np.broadcast_to(level, layer.shape).astype(np.float32)


def are_stars(found: DisplayProfiles, matched: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which detections are stars and not knots of the nebula.

    Parameters
    ----------
    found : DisplayProfiles
    matched : ndarray of bool, (n,)
        Where a catalogue knows a star: brightness and size are enough then.

    Returns
    -------
    ndarray of bool, (n,)
    """
    if not len(found.peak):
        return np.zeros(0, bool)
    # filaments are full of detections: where nothing else is seen, shape and size decide
    calm = ~(found.textured | found.unseen)
    bright = found.peak > np.maximum(_height_of_structure(found), max(5 * found.sigma, 0.035))
    sized = _sized(found, calm)
    # the brightest burn out to any width; a knot does so on ground of its own texture only
    sized |= found.saturated & (matched | (calm & (found.roundness > 0.6)))
    return bright & ((sized & (matched | _like_a_star(found, calm))) | _towering(found))


def _height_of_structure(found: DisplayProfiles) -> NDArray:
    """How high the structure round each is."""
    return 1.5 * np.minimum(found.scatter, 8) * found.sigma


def _towering(found: DisplayProfiles) -> NDArray[np.bool_]:
    """White in the middle, half the display's range above its ground, and steep for its width."""
    steep = found.edge_px <= SOFTEST_EDGE * found.half_px + EDGE_PX
    return _white(found) & (found.peak > TOWERING) & steep


def _like_a_star(found: DisplayProfiles, calm: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Alone, round, and of another hue than its surroundings; less is asked on calm ground, where
    pairs of stars and stars of two pixels have any shape, and of what is as small as stars and well
    above the structure round it: a filament goes on there, a companion makes stars long."""
    most_filled = np.where(calm, 0.35, 0.10)
    lonely = found.filled < most_filled
    small_and_high = _no_larger(found) & _above_structure(found)
    shaped = calm | (found.roundness > 0.6)
    shaped |= _too_small_for_shape(found) | small_and_high
    own_hue = calm | (found.hue_apart > 0.02)
    own_hue |= found.peak > 12 * found.scatter * found.sigma
    own_hue |= small_and_high & _round_enough(found)
    return (lonely & shaped & own_hue) | _white_core(found)


def _no_larger(found: DisplayProfiles) -> NDArray[np.bool_]:
    """No larger than stars of like peak."""
    return found.half_px <= 1.15 * usual_half_px(found) + 0.1


def _round_enough(found: DisplayProfiles) -> NDArray[np.bool_]:
    """Round or too small for a shape: a star, if of the nebula's own hue."""
    return (found.roundness > 0.8) | _too_small_for_shape(found)


def _above_structure(found: DisplayProfiles) -> NDArray[np.bool_]:
    """Standing higher out of the structure round it than knots do."""
    return found.texture < KNOT_TEXTURE


def _too_small_for_shape(found: DisplayProfiles) -> NDArray[np.bool_]:
    """As small as the stars of a picture whose stars are too small to have a shape."""
    usual = usual_half_px(found)
    return found.half_px <= np.minimum(1.15 * usual + 0.1, SHAPELESS_PX)


def _white_core(found: DisplayProfiles) -> NDArray[np.bool_]:
    """Round, and white in the middle: a stretch does that to bright stars, knots keep their hue."""
    return _white(found) & (found.roundness > 0.6) & _steep(found)


def _white(found: DisplayProfiles) -> NDArray[np.bool_]:
    """White in the middle."""
    middle = found.rings[:, :, 0]
    return middle.min(axis=1) > np.maximum(WHITE_SHARE * middle.max(axis=1), BRIGHT_CORE)


def _sized(found: DisplayProfiles, calm: NDArray) -> NDArray:
    """About as wide as stars of like peak, or wide by saturation."""
    usual = usual_half_px(found)
    # pairs and the brighter stars are wider than most; on structure so are knots
    free = calm | ((found.roundness > 0.7) & _above_structure(found) & _steep(found))
    sized = found.half_px <= np.where(free, 2.2 * usual + 0.5, 1.35 * usual + 0.3)
    return sized | _burnt_out(found, calm) | _white_core(found)


def _burnt_out(found: DisplayProfiles, calm: NDArray) -> NDArray:
    """Wide by saturation: a core at the display's white with a steep edge."""
    white = (found.rings[:, :, 0] > 0.8).all(axis=1)
    return found.saturated & _steep(found) & (calm | white)


def _steep(found: DisplayProfiles) -> NDArray[np.bool_]:
    """Whether the edge is about as steep as that of a typical star."""
    return found.edge_px <= 1.1 * 2 * np.median(found.half_px) + 0.35 * found.half_px


def usual_half_px(found: DisplayProfiles) -> NDArray:
    """Half radius that stars of like peak have: a running median over the peaks."""
    order = np.argsort(found.peak)
    smooth = ndimage.median_filter(found.half_px[order], min(LIKE_PEAKS, len(order) or 1))
    usual = np.empty_like(smooth)
    usual[order] = smooth
    return usual
