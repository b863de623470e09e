"""Colours put on displayed stars: their brightness kept, the ground under them kept, cores white
where the stretch makes them so.

The mean of a pixel's three display values stays as it was. Luminance alone is not how bright a
star is: a blue or magenta one has little of it, looks brighter than a grey of the same (Fairchild
and Pirrotta 1991, Color Research and Application 16, 385) and would turn into a dull disc.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..audit.shown import DisplayProfiles, window_round
from ..colour.stellar import (
    LUMINANCE_WEIGHTS,
    luminance,
    rgb_to_uv_prime,
    srgb_decode,
    srgb_encode,
    star_rgb,
)
from .curve import ToneCurve

# Of a footprint's rim; of its radius where a star is large, whose halo goes on beyond it: a sharp
# end would be seen as a disc.
TAPER_PX, TAPER_SHARE = 1.5, 0.4
# Half radii from the star between which its light goes over into its glow, which is as saturated as
# it was: pale, it would be a grey disc on what is left of it outside.
INTO_GLOW = (1.0, 2.0)
SEEN_SIGMA = (1.0, 3.0)  # of profile and pixel: between them colours fade in
OWN_LIGHT = 1.5  # times its profile: what a pixel has more is not the star's
ANOTHER_HUE_UV = (
    0.02  # as of knots: stars of one picture differ by as much, but not a pair often
)
TOP_WITHIN_PX = 1.5  # of the place where a star was found
MOST_OF_GLOW = 3.0  # times a star's colour; pictures are seldom made more saturated
BISECTIONS = 24
MOST_LIGHT = 64.0  # a clipped core is brighter than white by an unknown factor
BV_ENDS_MAG = (-0.34, 1.5)  # what no exponent may lead beyond
# Times the second: carbon stars are that red, and black bodies of 1500 K; bluer than the first is
# nothing that glows.
RED_END = 2.0
# Of the logarithms of channels: half of what stars may be off their line (0.006 in Duv, 0.17 mag);
# noise and ground need the other half.
MOST_BENT = 0.047
LIMIT_WHITE = 0.985  # all channels above it: a core without colour


@dataclass(frozen=True, eq=False, kw_only=True)
class Painted:
    """What is to be put where, all (y, x) but the first.

    Attributes
    ----------
    log_colour : ndarray, (3, y, x)
        Logarithm of the linear RGB of luminance 1, the stars' mean where they overlap.
    weight : ndarray
        How much of the new colour a pixel gets; 0 outside footprints.
    own : ndarray
        Share of stars there that have the hue nearest to their own, and are as saturated as before.
    glow : ndarray
        Share of the glow far from bright stars, which is as saturated as before whatever a star's
        colour may be.
    """

    log_colour: NDArray
    weight: NDArray
    own: NDArray
    glow: NDArray


def paint(
    found: DisplayProfiles,
    log_colour: NDArray,
    display: NDArray,
    ground: NDArray,
    curve: ToneCurve,
    *,
    own: NDArray | None = None,
    starlit: NDArray | None = None,
) -> Painted:
    """Lay out the colours of stars over their footprints.

    Parameters
    ----------
    found : DisplayProfiles
        Of the n stars that get a colour.
    log_colour : ndarray, (n, 3)
    display, ground : ndarray, (3, y, x)
    curve : ToneCurve
    own : ndarray of bool, (n,), optional
        Stars whose colour is the one nearest to their own.
    starlit : ndarray of bool, (y, x), optional
        Where it is a star layer: whatever shines there, footprint or not, is the nearest star's.
    """
    shape = display.shape[1:]
    excess = (display - ground).mean(axis=0)
    sums = np.zeros((5, *shape))
    share = np.zeros(shape)
    weight = np.zeros(shape, np.float32)
    nearest = _or_nowhere(own, len(log_colour))
    stars_alone = _or_nowhere(starlit, shape)
    for i, colour in enumerate(log_colour):
        window, radius = footprint_window(shape, found, i)
        seen = _colour_share(found, i, radius, excess[window])
        if not found.textured[i]:
            own_hue = _own_hue(found, i, radius, display[:, *window], ground[:, *window])
            seen *= np.where(stars_alone[window], 1, own_hue)
        weight[window] = np.maximum(weight[window], seen)
        light = _light_of_star(found, i, radius, curve)
        share[window] += light
        sums[:3, *window] += np.multiply.outer(colour, light)
        sums[3][window] += nearest[i] * light
        if found.glowing[i]:
            sums[4][window] += _glow_share(radius / found.half_px[i]) * light
    mean = sums / np.maximum(share, 1e-30)
    painted = Painted(log_colour=mean[:3], weight=weight, own=mean[3], glow=mean[4])
    if not stars_alone.any():
        return painted
    return _over_all_light(painted, share > 0, stars_alone & (excess > 0))


def _or_nowhere(which: NDArray | None, shape: int | tuple[int, ...]) -> NDArray:
    """Which was asked for; without, none."""
    return np.zeros(shape, bool) if which is None else which


def _colour_share(found: DisplayProfiles, i: int, radius: NDArray, excess: NDArray) -> NDArray:
    """How much of a star's colour pixels get that are so much above the ground."""
    profile = _profile_at(found, i, radius)
    inside = _footprint_share(found, i, radius)
    return inside * _own_weight(found, i, profile, excess)


def _light_of_star(
    found: DisplayProfiles, i: int, radius: NDArray, curve: ToneCurve
) -> NDArray:
    """Light of a star in its footprint, where several overlap; some of it everywhere there."""
    profile = _profile_at(found, i, radius)
    light = _light_of_profile(curve, found.floor[i], profile)
    inside = _footprint_share(found, i, radius) > 0
    return np.where(inside, light + 1e-12, 0)


def _over_all_light(
    painted: Painted, known: NDArray[np.bool_], lit: NDArray[np.bool_]
) -> Painted:
    """Of a star layer: light that hangs together with a star's footprint has the colour of its
    nearest pixel there."""
    patches, _ = ndimage.label(lit, np.ones((3, 3)))
    starry = np.zeros(patches.max() + 1, bool)
    starry[patches[known]] = True
    own = lit & starry[patches]
    nearest = ndimage.distance_transform_edt(
        ~known, return_distances=False, return_indices=True
    )
    colour = painted.log_colour.copy()
    colour[:, own] = painted.log_colour[:, *nearest[:, own]]
    share = painted.own.copy()
    share[own] = painted.own[*nearest[:, own]]
    weight = np.where(own, np.float32(1), painted.weight)
    return Painted(log_colour=colour, weight=weight, own=share, glow=painted.glow)


def footprint_window(
    shape, found: DisplayProfiles, i: int
) -> tuple[tuple[slice, slice], NDArray]:
    """Rows and columns of a star's footprint, and distances of its pixels from the star."""
    return window_round(shape, found.x_px[i], found.y_px[i], found.reach_px[i] + 1)


def _footprint_share(found: DisplayProfiles, i: int, radius: NDArray) -> NDArray:
    """1 inside a star's footprint, falling to 0 over its rim."""
    taper_px = max(TAPER_PX, TAPER_SHARE * found.reach_px[i])
    return np.clip((found.reach_px[i] + 1 - radius) / taper_px, 0, 1)


def _glow_share(half_radii: NDArray) -> NDArray:
    """0 in a star, 1 in its glow."""
    return np.clip((half_radii - INTO_GLOW[0]) / (INTO_GLOW[1] - INTO_GLOW[0]), 0, 1)


def _profile_at(found: DisplayProfiles, i: int, radius: NDArray) -> NDArray:
    """The star's profile above its floor, falling outwards."""
    mean = found.rings[i].mean(axis=0)
    known = np.isfinite(mean)
    falling = np.minimum.accumulate(np.where(known, mean, np.inf)) - found.floor[i]
    at = np.arange(len(mean))
    return np.maximum(np.interp(radius, at[known], falling[known]), 0)


def _local_sigma(found: DisplayProfiles, i: int) -> float:
    busy = np.clip(found.scatter[i] / 2, 1, 5) if found.textured[i] else 1.0
    return float(found.sigma * busy)


def _own_weight(
    found: DisplayProfiles,
    i: int,
    profile: NDArray,
    excess: NDArray,
) -> NDArray:
    """Of the star's light in pixels, so that filaments keep their own; on calm ground all light is
    a star's, where rings do not tell how a small or a double star is spread."""
    sigma = _local_sigma(found, i)
    if not found.textured[i]:
        return _smooth_step(excess / sigma)
    seen = _smooth_step(profile / sigma) * _smooth_step(excess / sigma)
    return seen * np.minimum(1, OWN_LIGHT * (profile + sigma) / (np.maximum(excess, 0) + sigma))


def _own_hue(
    found: DisplayProfiles, i: int, radius: NDArray, display: NDArray, ground: NDArray
) -> NDArray:
    """How much of what a pixel has is of a star on calm ground: what is far above its profile, one
    pixel farther in, and of another hue than its middle is the rim of a nebula next to it."""
    excess = (display - ground).mean(axis=0)
    sigma = _local_sigma(found, i)
    middle = _top_of_star(excess, radius)
    profile = _profile_at(found, i, np.maximum(radius - 1, 0))
    highest = max(float(profile.max()), 1e-6)
    profile = profile * max(1.0, excess[middle] / highest)
    share = OWN_LIGHT * (profile + sigma) / (np.maximum(excess, 0) + sigma)
    beyond = (share < 1) & (radius > 1)
    if not beyond.any():
        return np.ones(radius.shape)
    light = np.maximum(srgb_decode(display) - srgb_decode(ground), 1e-6)
    apart = np.moveaxis(rgb_to_uv_prime(np.moveaxis(light, 0, -1)), -1, 0)
    apart = np.hypot(*(apart - apart[:, *middle][:, None, None]))
    return np.where(beyond & (apart > ANOTHER_HUE_UV), share, 1)


def _top_of_star(excess: NDArray, radius: NDArray) -> tuple[NDArray, ...]:
    """Its brightest pixel: stars of a pixel or two are known no better than to one."""
    near = radius <= max(TOP_WITHIN_PX, float(radius.min()))
    return np.unravel_index(np.where(near, excess, -np.inf).argmax(), radius.shape)


def _smooth_step(sigmas: NDArray) -> NDArray:
    share = np.clip((sigmas - SEEN_SIGMA[0]) / (SEEN_SIGMA[1] - SEEN_SIGMA[0]), 0, 1)
    return share * share * (3 - 2 * share)


def _light_of_profile(curve: ToneCurve, floor: float, profile: NDArray) -> NDArray:
    values = np.stack([np.full(profile.shape, floor) + profile] * 3)
    base = np.full((3, *profile.shape), floor)
    return np.maximum((curve.light(values) - curve.light(base))[1], 0)


def recoloured(
    display: NDArray,
    ground: NDArray,
    painted: Painted,
    curve: ToneCurve,
    saturation: float,
    asked: float = 1.0,
) -> NDArray:
    """The picture with the colours put on; bit for bit itself where the weight is 0.

    Parameters
    ----------
    display, ground : ndarray, (3, y, x) float32
    painted : Painted
    curve : ToneCurve
    saturation : float
        Of the picture: exponent of the colours in light.
    asked : float
        Saturation that was asked for, of hues that are stars' own; the other colours have it.
    """
    above = display.mean(axis=0) > ground.mean(axis=0)
    white = (display >= LIMIT_WHITE).all(axis=0)
    touched = (painted.weight > 0) & above & ~white
    made = display.copy()
    before = display[:, touched]
    under = ground[:, touched]
    log_colour = painted.log_colour[:, touched]
    wanted = before.mean(axis=0)
    own = painted.own[touched]
    glow = painted.glow[touched]
    shown = srgb_decode(before) - srgb_decode(under)
    stretched = _stretched_light(wanted, under, log_colour, curve, saturation)
    by_curve = _as_saturated(stretched, log_colour)
    by_itself = asked * _as_saturated(shown, log_colour)
    of_glow = np.minimum(_plain_exponent(shown, log_colour), MOST_OF_GLOW)
    of_glow = asked * of_glow
    of_star = by_curve + own * (by_itself - by_curve)
    exponent = of_star + glow * (of_glow - of_star)
    bent = min(asked, 1) * (1 - own) * (1 - glow) * _bent_off(stretched, log_colour)
    light = _light_as_bright(wanted, srgb_decode(under), np.exp(exponent * log_colour + bent))
    weight = painted.weight[touched]
    kept = (1 - weight) * srgb_decode(before)
    made[:, touched] = srgb_encode(weight * light + kept)
    return np.clip(made, 0, 1).astype(np.float32)


def _light_as_bright(wanted: NDArray, below: NDArray, colour: NDArray) -> NDArray:
    """Light (3, P) of a colour over the light below, whose display values are so high in the
    mean."""

    def shown(amount: NDArray) -> NDArray:
        return srgb_encode(_within_gamut(below + amount * colour))

    return _within_gamut(below + _amount_of_light(wanted, shown) * colour)


def _stretched_light(
    wanted,
    ground,
    log_colour,
    curve: ToneCurve,
    saturation: float,
) -> NDArray:
    """Displayed light (3, P) above the ground if a star of a colour were stretched with it.

    The star's light is added to the ground in light until the display values are as high as wanted
    in the mean.
    """
    base = curve.light(ground)
    colour = np.exp(saturation * log_colour)

    def display(amount: NDArray) -> NDArray:
        return _clipped_display(curve, base + amount * colour)

    amount = _amount_of_light(wanted, display)
    return srgb_decode(display(amount)) - srgb_decode(ground)


def _bent_off(shown: NDArray, log_colour: NDArray) -> NDArray:
    """What a stretch makes of a colour besides its shades, (3, P), as far as a star may have it: a
    curve on each channel bends the line of stars, the more the steeper it is."""
    plain = _colour_contrast(log_colour)
    off = _log_contrast(shown) - _times_contrast(shown, plain) * plain
    size = np.sqrt((off**2).sum(axis=0))
    return off * np.minimum(1, MOST_BENT / np.maximum(size, 1e-9))


def _as_saturated(shown: NDArray, log_colour: NDArray) -> NDArray:
    """Exponent that makes a colour as saturated as displayed light above its ground, (P,); no
    further than the ends of the line of stars."""
    plain = _colour_contrast(log_colour)
    most = _most_exponent(plain, (plain**2).sum(axis=0))
    return np.clip(_plain_exponent(shown, log_colour), 0, most)


def _plain_exponent(shown: NDArray, log_colour: NDArray) -> NDArray:
    """Exponent that makes a colour as saturated as displayed light is in its hue, (P,); 0 for the
    opposite hue."""
    return np.maximum(_times_contrast(shown, _colour_contrast(log_colour)), 0)


def _times_contrast(shown: NDArray, plain: NDArray) -> NDArray:
    """How many times a colour's contrast displayed light has, (P,)."""
    along = (_log_contrast(shown) * plain).sum(axis=0)
    return along / np.maximum((plain**2).sum(axis=0), 1e-9)


def _log_contrast(shown: NDArray) -> NDArray:
    """Of displayed light, (3, P); channels without any have next to nothing."""
    lit = np.maximum(shown, 1e-4 * shown.max(axis=0))
    return _colour_contrast(np.log(lit + 1e-9))


def _amount_of_light(wanted: NDArray, displayed) -> NDArray:
    """How much light makes display values so high in the mean, (P,)."""
    low = np.zeros(len(wanted))
    high = np.full(len(wanted), MOST_LIGHT)
    for turn in range(BISECTIONS):
        middle = 0.5 * (low + high) if turn > 6 else np.sqrt((low + 1e-6) * high)
        dim = displayed(middle).mean(axis=0) < wanted
        low = np.where(dim, middle, low)
        high = np.where(dim, high, middle)
    return high


def _colour_contrast(log_colour: NDArray) -> NDArray:
    """Logarithms of channels against their luminance-weighted mean, (3, P)."""
    return log_colour - (LUMINANCE_WEIGHTS[:, None] * log_colour).sum(axis=0)


def _clipped_display(curve: ToneCurve, light: NDArray) -> NDArray:
    return np.clip(curve.display(light), 0, 1)


def _most_exponent(plain: NDArray, contrast: NDArray) -> NDArray:
    """The exponent that would lead to the ends of the line of stars."""
    ends = _colour_contrast(np.log(star_rgb(np.array(BV_ENDS_MAG), 0.65)).T)
    blue = np.linalg.norm(ends[:, 0])
    red = RED_END * np.linalg.norm(ends[:, 1])
    longest = np.where(plain[2] > plain[0], blue, red)
    return np.where(contrast > 1e-6, longest / np.sqrt(np.maximum(contrast, 1e-6)), 1)


def _within_gamut(light: NDArray) -> NDArray:
    """Colours brighter than white drawn towards grey of their luminance."""
    grey = np.minimum(luminance(light, axis=0), 1)
    top = light.max(axis=0)
    share = np.where(top > 1, (1 - grey) / np.maximum(top - grey, 1e-6), 1)
    return grey + np.clip(share, 0, 1) * (light - grey)
