"""Which B-V each displayed star gets: the catalogue's, one inferred from the picture's own ratios,
its own hue where that is possible, or a yellow-white."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..audit.shown import DisplayProfiles
from ..colour.stellar import classify, green_index, real_star_log_ratios, srgb_decode, white_rgb
from ..fit.sources import USUAL_SPREAD_MAG
from ..robust import scatter_about_zero
from .curve import ToneCurve

IMPOSSIBLE = ("green", "magenta", "blue")
CATALOGUE_ERROR_MAG = 0.25  # a B-V known less well tells less than the picture does
BRIGHTNESS_MAG = (
    1.6  # a match further off the picture's own relation of brightness is another star
)
FEWEST_FOR_RELATION, RELATION_SCATTER_MAG, RELATION_SHARE = 15, 0.3, 0.75
FEWEST_FOR_SATURATION = 12
FEWEST_FOR_LEVEL = 8  # stars of 0.4 mag of spread: the median is known to 0.18
# Largest slope of a pair of channels against B-V, mag per mag, in light: every composite of
# O III with H alpha has 1.12, broadband nearly so.
PLAIN_SLOPE = 1.12
HALF_BELIEVED_ERROR = (
    0.35  # at this relative error, half of what is measured of the saturation is believed
)
CLEAR_SIGMA = 20.0  # a star's height, whose hue counts among those of the picture
ON_LOCUS = 0.25  # mag of the green index: a population nearer is one of stars
BV_GRID_MAG = np.linspace(-0.3, 1.5, 181)
LEAST_SPREAD_MAG = 0.1  # of R against B; less may be noise and uneven ground
TRUE_CONTRAST = 1.47  # change of R against B with B-V, mag per mag, of real stars
SPREAD_RANGE_MAG = (-0.2, 1.4)
FAINTEST_SHARE = 0.03  # of a core's light in a channel, that still makes a ratio


@dataclass(frozen=True, eq=False, kw_only=True)
class Parts:
    """Displayed colours of n stars: decoded light above the ground, and what they can be.

    Attributes
    ----------
    core, rim : ndarray, (n, 3)
        Inside the half radius, and from there to twice as far out.
    core_kind, rim_kind : ndarray of str, (n,)
        Of `colour.stellar.classify`; ``unknown`` for rims too faint to be seen.
    """

    core: NDArray
    rim: NDArray
    core_kind: NDArray
    rim_kind: NDArray

    @property
    def impossible(self) -> NDArray[np.int_]:
        """How many of the two are impossible, (n,)."""
        kinds = (self.core_kind, self.rim_kind)
        return np.sum([np.isin(kind, IMPOSSIBLE) for kind in kinds], axis=0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Targets:
    """B-V of each of n stars, NaN where it keeps its colour, and on what that rests.

    Attributes
    ----------
    bv_mag : ndarray, (n,)
    source : ndarray of str, (n,)
        ``catalogue``, ``continuum``, ``own hue``, ``field``, ``palette``, or ``kept``.
    saturation : float
        Of the picture against plain light.
    """

    bv_mag: NDArray
    source: NDArray
    saturation: float

    def tally(self) -> dict[str, int]:
        """How many stars have their colour from where."""
        names, counts = np.unique(self.source, return_counts=True)
        return {str(name): int(count) for name, count in zip(names, counts, strict=True)}


def parts_of(
    rings: NDArray, found: DisplayProfiles, ground: NDArray, neutral_bv: float | None
) -> Parts:
    """Judge cores and rims as displayed.

    Parameters
    ----------
    rings : ndarray, (n, 3, radii)
        Medians of rings, before or after.
    found : DisplayProfiles
        Of the same n stars, for their half radii.
    ground : ndarray, (n, 3)
        Display values under the stars.
    neutral_bv : float or None
    """
    light = srgb_decode(np.clip(rings, 0, 1)) - srgb_decode(ground)[:, :, None]
    radius = np.arange(rings.shape[2])
    half = found.half_px[:, None]
    on_rim = (radius > half) & (radius <= 2 * half)
    core = _mean_in(light, radius, radius <= half)
    rim = _mean_in(light, radius, on_rim)
    above = rings - ground[:, :, None]
    excess = _mean_in(above, radius, on_rim)
    seen = excess.mean(axis=1) > 3 * found.sigma
    core_kind = _kind_of_colours(core, neutral_bv)
    rim_kind = np.where(seen, _kind_of_colours(rim, neutral_bv), "unknown")
    return Parts(core=core, rim=rim, core_kind=core_kind, rim_kind=rim_kind)


def _kind_of_colours(light: NDArray, neutral_bv: float | None) -> NDArray:
    """What colours can be; a channel below the ground has as good as nothing."""
    return classify(np.maximum(light, 1e-6), neutral_bv)


def _mean_in(values: NDArray, radius: NDArray, inside: NDArray) -> NDArray:
    """Mean of rings over the area of a region, (n, 3)."""
    weight = np.where(inside, np.maximum(radius, 0.25), 0)[:, None]
    weight = np.where(np.isfinite(values), weight, 0)
    return np.nansum(values * weight, axis=2) / np.maximum(weight.sum(axis=2), 1e-9)


def choose_targets(
    found: DisplayProfiles,
    parts: Parts,
    curve: ToneCurve,
    ground: NDArray,
    *,
    catalogue_bv: NDArray,
    catalogue_error: NDArray,
    v_mag: NDArray,
    odd: NDArray,
    neutral_bv: float | None,
    usual_bv: float,
) -> Targets:
    """B-V of each star from the best source there is for it.

    Parameters
    ----------
    found, parts, curve, ground
        Of n stars.
    catalogue_bv, catalogue_error, v_mag : ndarray, (n,)
        NaN where no catalogue knows the star.
    odd : ndarray of bool, (n,)
        Stars that are not to keep their colour.
    neutral_bv : float or None
    """
    ratios, brightness = _light_ratios(found, curve, ground)
    fine = _fine(parts) & ~odd
    known = np.isfinite(catalogue_bv) & (catalogue_error <= CATALOGUE_ERROR_MAG)
    known &= _as_bright(brightness, v_mag, found.saturated)
    inferred, scatter = _inferred_bv(ratios, catalogue_bv, known)
    known &= ~(fine & _another_stars_colour(catalogue_bv, inferred, scatter))
    hue = _light_of_hue(parts, found.burnt_out)
    warmth = _warmth(ratios, hue, found.burnt_out)
    offers = {
        "catalogue": np.where(known, catalogue_bv, np.nan),
        "continuum": inferred,
        "own hue": _projected_bv(hue, neutral_bv, _clearly_seen(found)),
        "field": _spread_bv(warmth, _telling(found, known, catalogue_bv), usual_bv),
    }
    source = _first_that_tells(offers, fine)
    told = [source == name for name in offers]
    bv_mag = np.select(
        told, list(offers.values()), np.where(source == "kept", np.nan, usual_bv)
    )
    saturation = _saturation(ratios, offers["catalogue"], catalogue_error)
    return Targets(bv_mag=bv_mag, source=source, saturation=saturation)


def _another_stars_colour(
    catalogue_bv: NDArray, inferred: NDArray, scatter: float
) -> NDArray[np.bool_]:
    """Where the picture's own relation is good and a catalogue B-V far off it: another star's."""
    return np.abs(catalogue_bv - inferred) > max(4 * scatter, 0.4)


def _fine(parts: Parts) -> NDArray[np.bool_]:
    """Stars whose core is surely possible and whose rim is not impossible."""
    possible = ~np.isin(parts.core_kind, (*IMPOSSIBLE, "suspicious", "unknown"))
    return possible & ~np.isin(parts.rim_kind, IMPOSSIBLE)


def _first_that_tells(offers: dict[str, NDArray], fine: NDArray[np.bool_]) -> NDArray:
    """The best source with a B-V for each star; one with a fine colour rather keeps that than to
    get one from no catalogue.

    Where the stars as a whole have no colours of stars, by a cast, a few look possible by accident:
    kept, they would stand as they were beside all the others that are moved.
    """
    tells = {name: np.isfinite(bv) for name, bv in offers.items()}
    by_catalogue = ["catalogue", "continuum"]
    others = ["own hue", "field"]
    as_a_whole = tells["own hue"].any()
    order = [*by_catalogue, "kept", *others] if as_a_whole else [*by_catalogue, *others, "kept"]
    tells["kept"] = fine
    return np.select([tells[name] for name in order], order, "palette")


def _light_ratios(
    found: DisplayProfiles, curve: ToneCurve, ground: NDArray
) -> tuple[NDArray, NDArray]:
    """Rho and beta of the cores in the light that the curve tells, (2, n), and magnitudes, (n,)."""
    light = _unclipped_light(found.rings, curve, ground)
    radius = np.arange(light.shape[2])
    inside = radius <= 1.5 * found.half_px[:, None]
    core = _mean_in(light, radius, inside)
    brightest = core.max(axis=1, keepdims=True)
    lit = core > FAINTEST_SHARE * brightest
    magnitude = -2.5 * np.log10(np.where(lit, core, np.nan))
    size_mag = 5 * np.log10(found.half_px)
    total = magnitude.mean(axis=1) - size_mag
    return _rho_and_beta(magnitude), total


def _rho_and_beta(magnitude: NDArray) -> NDArray:
    """R and B against G, (2, n), of magnitudes (n, 3)."""
    red, green, blue = magnitude.T
    return np.stack([red - green, blue - green])


def _unclipped_light(rings: NDArray, curve: ToneCurve, ground: NDArray) -> NDArray:
    """Light of rings above the ground, (n, 3, radii); NaN where a channel is clipped or unknown."""
    clear = np.where(rings < 0.985, rings, np.nan)
    known = np.isfinite(clear).all(axis=1, keepdims=True)
    filled = np.where(known, clear, 0).swapaxes(0, 1)
    below = curve.light(ground.T)
    light = curve.light(filled) - below[:, :, None]
    light = light.swapaxes(0, 1)
    return np.where(known, light, np.nan)


def _as_bright(
    brightness: NDArray, v_mag: NDArray, clipped: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Whether a match is about as bright as the picture's own relation says; a clipped star
    measures too faint, by any amount."""
    both = np.isfinite(brightness) & np.isfinite(v_mag)
    if both.sum() < 5:
        return np.isfinite(v_mag)
    near = both
    for _ in range(3):
        off = np.abs(_off_line(brightness, v_mag, near))
        near = both & (off <= 2 * np.median(off[both]) + 1e-6)
    off = _off_line(brightness, v_mag, near)
    too_faint = clipped & (off < 0)
    another = np.abs(off) > BRIGHTNESS_MAG
    another &= ~too_faint
    return np.isfinite(v_mag) & ~another


def _off_line(x: NDArray, y: NDArray, rows: NDArray) -> NDArray:
    """How far all points lie above the straight line through some."""
    slope, constant = np.polyfit(x[rows], y[rows], 1)
    return y - slope * x - constant


def _inferred_bv(ratios: NDArray, bv_mag: NDArray, known: NDArray) -> tuple[NDArray, float]:
    """B-V by the relation that the matched stars fix, and its scatter; NaN where it tells
    nothing."""
    nothing = np.full(ratios.shape[1], np.nan)
    rows = np.flatnonzero(known & np.isfinite(ratios).all(axis=0))
    if len(rows) < FEWEST_FOR_RELATION:
        return nothing, np.nan
    design = _ratio_terms(ratios, rows)
    taught = bv_mag[rows]
    answer, scatter = _robust_answer(design[rows], taught)
    spread = _scatter_at_least(taught - np.median(taught), 0.0)
    if scatter > min(RELATION_SCATTER_MAG, RELATION_SHARE * spread):
        return nothing, np.nan
    low, high = np.quantile(taught, (0.02, 0.98))
    return np.clip(design @ answer, low - 0.1, high + 0.1), scatter


def _ratio_terms(ratios: NDArray, rows: NDArray) -> NDArray:
    """A constant and the ratios of n stars less the median of some, (n, 3)."""
    middle = np.median(ratios[:, rows], axis=1)
    rho, beta = ratios - middle[:, None]
    return np.column_stack([np.ones(len(rho)), rho, beta])


def _robust_answer(design: NDArray, wanted: NDArray) -> tuple[NDArray, float]:
    """Coefficients of a linear relation by Huber weights, and the scatter about it."""
    weight = np.ones(len(wanted))
    for _ in range(8):
        root = np.sqrt(weight)
        answer = np.linalg.lstsq(design * root[:, None], wanted * root, rcond=None)[0]
        left = wanted - design @ answer
        scatter = _scatter_at_least(left, 0.02)
        weight = _huber_weight(left, scatter)
    return answer, scatter


def _scatter_at_least(left: NDArray, least: float) -> float:
    """Standard deviation of residuals by their median size."""
    return max(float(scatter_about_zero(left)), least)


def _huber_weight(left: NDArray, scatter: float) -> NDArray:
    """1 within 1.5 times the scatter, less in proportion beyond (Huber 1964)."""
    return 1 / np.maximum(np.abs(left) / (1.5 * scatter), 1)


def _telling(found: DisplayProfiles, known: NDArray, bv_mag: NDArray) -> NDArray:
    """B-V of the known stars that tell a field's middle: those that are not burnt out, which are
    whiter than their colour, where these are enough; NaN for others."""
    clear = known & ~found.burnt_out
    return np.where(clear if clear.sum() >= FEWEST_FOR_LEVEL else known, bv_mag, np.nan)


def _warmth(ratios: NDArray, hue: NDArray, burnt_out: NDArray[np.bool_]) -> NDArray:
    """R against B of stars in the light of the tone curve, mag; of burnt-out ones, which have only
    their outermost rings for that and came out orange in blue clusters, as displayed, on the same
    scale."""
    in_light = ratios[1] - ratios[0]
    shown = _displayed_warmth(hue)
    clear = np.isfinite(in_light) & np.isfinite(shown) & ~burnt_out
    if clear.sum() < FEWEST_FOR_RELATION:
        return np.where(burnt_out, shown, in_light)
    level, spread = _middle_and_scatter(in_light[clear])
    level_shown, spread_shown = _middle_and_scatter(shown[clear])
    scaled = level + (shown - level_shown) * spread / max(spread_shown, LEAST_SPREAD_MAG)
    return np.where(burnt_out | np.isnan(in_light), scaled, in_light)


def _middle_and_scatter(values: NDArray) -> tuple[float, float]:
    """Median and robust scatter."""
    middle = float(np.median(values))
    return middle, float(scatter_about_zero(values - middle))


def _displayed_warmth(hue: NDArray) -> NDArray:
    """R against B of displayed lights (n, 3), mag; NaN for black."""
    top = hue.max(axis=1, keepdims=True)
    light = np.maximum(hue, FAINTEST_SHARE * np.where(top > 0, top, np.nan))
    return 2.5 * np.log10(light[:, 0] / light[:, 2])


def _spread_bv(warmth: NDArray, known_bv: NDArray, usual_bv: float) -> NDArray:
    """The field's own spread laid on the usual one, the stars stronger in R against B the redder;
    NaN where there is no spread or no ratio.

    Its middle is what the catalogue says of the stars it knows, where these are enough: a young
    cluster is bluer than usual.
    """
    good = np.isfinite(warmth)
    if good.sum() < FEWEST_FOR_RELATION:
        return np.full(len(warmth), np.nan)
    middle = np.median(warmth[good])
    spread = float(scatter_about_zero(warmth[good] - middle))
    if spread < LEAST_SPREAD_MAG:
        return np.full(len(warmth), np.nan)
    # at most the contrast of true stars: more would invent it
    slope = min(USUAL_SPREAD_MAG / spread, 1 / TRUE_CONTRAST)
    off_middle = slope * (warmth - middle)
    told = known_bv - off_middle
    told = told[np.isfinite(told)]
    level = np.median(told) if len(told) >= FEWEST_FOR_LEVEL else usual_bv
    return np.clip(level + off_middle, *SPREAD_RANGE_MAG)


def _saturation(ratios: NDArray, bv_mag: NDArray, error_mag: NDArray) -> float:
    """How saturated the picture is against plain light, from the slopes of its channel pairs."""
    rows = np.flatnonzero(np.isfinite(bv_mag) & np.isfinite(ratios).all(axis=0))
    if len(rows) < FEWEST_FOR_SATURATION:
        return 1.0
    x = bv_mag[rows] - np.median(bv_mag[rows])
    rho, beta = ratios[:, rows]
    fits = [_robust_slope(x, pair) for pair in (rho, beta, rho - beta)]
    slope, error = max(fits, key=lambda one: abs(one[0]))
    found = abs(slope) / _true_share(x, error_mag[rows]) / PLAIN_SLOPE
    # a slope of nearly nothing is known, too, where its error is small against plain light's
    relative_error = error / max(abs(slope), PLAIN_SLOPE)
    return _believed(float(np.clip(found, 0.3, 2.5)), relative_error)


def _believed(saturation: float, relative_error: float) -> float:
    """Drawn towards 1, the less sure the slope it comes from."""
    return float(1 + (saturation - 1) / (1 + (relative_error / HALF_BELIEVED_ERROR) ** 2))


def _true_share(bv_mag: NDArray, error_mag: NDArray) -> float:
    """How much of the variance of catalogue B-V is the stars'; errors flatten slopes by as much."""
    noise = float(np.median(error_mag)) ** 2
    return np.clip(1 - noise / max(float(np.var(bv_mag)), 1e-6), 0.3, 1)


def _robust_slope(x: NDArray, y: NDArray) -> tuple[float, float]:
    """Robust slope and its error."""
    weight = np.ones(len(x))
    for _ in range(8):
        slope, constant = np.polyfit(x, y, 1, w=np.sqrt(weight))
        left = y - slope * x - constant
        scatter = _scatter_at_least(left, 1e-3)
        weight = _huber_weight(left, scatter)
    return float(slope), float(scatter / np.sqrt(len(x)) / max(np.std(x), 1e-3))


def _light_of_hue(parts: Parts, burnt_out: NDArray[np.bool_]) -> NDArray:
    """What shows the hue of each star, (n, 3): its core, or its rim where that is burnt out."""
    by_rim = burnt_out & (parts.rim_kind != "unknown")
    return np.where(by_rim[:, None], parts.rim, parts.core)


def _clearly_seen(found: DisplayProfiles) -> NDArray[np.bool_]:
    """Stars whose hue is more than noise and what is left of a nebula under them; all of them where
    such stars are few."""
    clear = found.peak >= CLEAR_SIGMA * found.sigma
    return clear if clear.sum() >= FEWEST_FOR_RELATION else np.ones(len(clear), bool)


def _projected_bv(
    core: NDArray, neutral_bv: float | None, telling: NDArray[np.bool_]
) -> NDArray:
    """The nearest star colour to each star's own, if the population is one of star colours, by
    those that tell; else NaN."""
    faintest = FAINTEST_SHARE * core.max(axis=1, keepdims=True)
    good = (core > faintest).all(axis=1) & telling
    if not good.any() or not _on_locus(green_index(core[good], neutral_bv)):
        return np.full(len(core), np.nan)
    lit = faintest[:, 0] > 0
    own = np.where(lit[:, None], np.maximum(core, faintest) * white_rgb(neutral_bv), np.nan)
    return np.where(lit, _nearest_bv(own), np.nan)


def _on_locus(index: NDArray) -> bool:
    """Whether a population's green indices are those of stars."""
    odd = np.abs(index) > 0.35  # green or magenta beyond doubt
    return bool(np.abs(np.median(index)) <= ON_LOCUS and odd.mean() <= 0.5)


def _nearest_bv(light: NDArray) -> NDArray:
    """B-V of the star colour nearest to each of n lights (n, 3)."""
    rho, beta = _rho_and_beta(-2.5 * np.log10(light))
    line = real_star_log_ratios(BV_GRID_MAG)
    off_rho = rho[:, None] - line[0]
    off_beta = beta[:, None] - line[1]
    distance = np.hypot(off_rho, off_beta)
    distance = np.nan_to_num(distance, nan=np.inf)
    return BV_GRID_MAG[distance.argmin(axis=1)]
