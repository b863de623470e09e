"""The star colours of a picture, linear or stretched: which of them no star can have, and whose
rims differ.

Only what is measured well enough is judged: a star whose Duv is uncertain by more than a quarter of
the limit, whose shape is not that of a star, or that is cut by the edge counts as found, not as
judged.
"""

from __future__ import annotations

import numpy as np
from astropy import units as u
from astropy.table import Table
from scipy.spatial import cKDTree

from ..checking.check import linearity_of
from ..choices import SOLAR_BV_MAG, limits_of, without_unit
from ..colour.stellar import (
    IMPOSSIBLE_DUV,
    classify,
    duv,
    green_index,
    rgb_to_lab,
    rgb_to_uv_prime,
    srgb_decode,
    uv_prime_distance,
)
from ..errors import FrameError
from ..frame import Frame, in_srgb, other_than_srgb
from ..frame.given import FrameLike, frame_of
from ..stars import PLATEAU_SHARE, Flag, measure_stars, places_of
from ..stars.linearity import measure_linearity
from ..stars.noise import frame_noise
from .hues import hue_word
from .levels import Coarseness
from .result import IMPOSSIBLE_KINDS, Audit
from .shown import what_is_shown
from .starlight import COMPRESSED_SKY_ERROR, StarLight, measure_starlight, star_widths

# Most stars are within 0.004 of the locus: 2.7 errors at least from the limit.
MAX_DUV_ERROR = IMPOSSIBLE_DUV / 4
# In a stretched picture: a colour is judged if it stays on one side of the limit by so many errors,
# whatever is left of the background under the star; but not where half the limit is one error, or
# only the impossible ones could be told.
SIDE_SIGMA = 1.5
MAX_SIDE_ERROR = IMPOSSIBLE_DUV / 2
QUARTERS_ALIKE = 3  # of a rim: neighbours light one or two
NOTICED_STEP_LAB = 2.3  # of a rim against its ground: less is not seen (Mahy et al. 1994)
# Of detection in a linear and in a stretched picture, where it is compressed: below, so small an
# error of colour is not that of point-like light.
MIN_SNR = (20.0, 8.0)
# of the core's brightness, in three quarters of the rim: stars 0.05 to 0.20, knots 0.25 to 1
KNOT_RIM_SHARE = 0.25
# Structure round a star, of the core's light: from the first on what is not round may be a knot of
# it, beyond the second anything; and what the rim shows, of the rim's light.
TEXTURE_SHARES = (0.03, 0.08)
STAR_ROUNDNESS = 0.6
# From there on the profile alone tells stars: on stretched frames of known truth knots of 8 to 15
# pass for stars by that, none of 20.
OUTSTANDING_SNR = 20.0
TOLD_STEP = 4 / 255  # of display values: pictures of few colours, whose faint stars have no hue
LEAST_WIDTH_PX = 1.2  # a core of that radius holds four pixels wherever it lies
NEIGHBOUR_SNR = 8.0  # fainter neighbours do not move a median of background
# A rim is narrow, and the eye sees colour less well in narrow things: three of the steps (0.004)
# that are just noticed side by side.
VISIBLE_STEP_UV = 0.012
RIM_SIGMA = 2.5  # errors by which a rim must pass that; the worst of five parts is taken

BLIND_ROWS = 64  # a strip of them fits the cache
JUDGED_SIDE_PX = 16  # below, no star has a background round it
WIDTH_SNR = 20.0  # of the stars that tell the typical width
WHY_UNKNOWN = [
    "at the edge",
    "not the shape of a star",
    "core burnt out, or no even background",
    "too faint or on too bright a background",
]


def audit_picture(
    picture: FrameLike,
    *,
    name: str | None = None,
    neutral_bv: float | None = SOLAR_BV_MAG,
    stretched: bool | None = None,
    known: Table | None = None,
    table: Table | None = None,
) -> Audit:
    """Find the stars of a picture and judge their colours.

    Parameters
    ----------
    picture : ndarray of float, (3, y, x), or anything that `check` takes
        Linear in any unit, or display values (sRGB) in [0, 1]; NaN where there is no data.
    name : str, optional
        For the result; by default that of the file, or "picture".
    neutral_bv : float or None
        B-V of the star that the picture shows neutral; a picture of unknown making is taken to show
        the sun so. None: the display's own white, D65.
    stretched : bool, optional
        Whether the picture is stretched for display. If not given it is found out as `check` does:
        from 8-bit steps, from the peaks of bright against faint stars, from the range of brightness
        above noise, and where the picture tells its place from the catalogue's magnitudes.
    known : Table, optional
        ``x_px, y_px, bv_mag`` of catalogue stars on this grid: late M stars may be greener than
        others.
    table : Table, optional
        Of `stars.measure_stars`, of this picture or of another version of it: its stars are judged,
        so that versions are compared star by star. If not given stars are found anew.

    Returns
    -------
    Audit
        Also for a picture without stars: then none is judged.

    Raises
    ------
    ValueError
        Not (3, y, x), or not floating point; or no star has that B-V.
    FrameError
        Smaller than 16 pixels.

    Notes
    -----
    Limits: nothing is known of a stretched picture's curve. Per-channel curves make all colours
    paler, so faults are then understated. What of the background is left in a star's pixels is
    known only between limits, which go into the error. Clipped pixels of a linear picture are left
    out: a star is judged by the ring round them; in a stretched one they are seen as they are. The
    stars of a galaxy cluster, and compact galaxies, pass for stars.

    Examples
    --------
    >>> import starcal
    >>> audit = starcal.audit_picture("narrowband.fits")
    >>> audit.n_impossible > audit.n_judged / 2
    True
    """
    neutral_bv = _possible_neutral(neutral_bv)
    frame = None if _is_bare(picture) else frame_of(picture)
    pixels = picture if frame is None else frame.pixels
    name = name or ("picture" if frame is None else frame.name)
    _check(pixels)
    pixels = _gaps_as_nan(pixels)
    table = measure_stars(pixels) if table is None else table
    stretched, how_judged = _linear_or_not(pixels, frame, table, stretched)
    if stretched and frame is not None:
        pixels, space_told = _display_values(frame)
        how_judged += space_told
    light = _decoded(pixels) if stretched else pixels
    width_px = _widths_px(light, table)
    blind = _blind(pixels, table, stretched)
    coarse = Coarseness.of_picture(pixels) if stretched else None
    if stretched and coarse.step >= TOLD_STEP:
        how_judged += f"; its colours are in steps of {round(255 * coarse.step)} of 255 levels"
    starlight = _starlight(light, blind, table, width_px, coarse)
    stars = _blank_judgement(table, width_px, pixels.shape[1:])
    bv_mag = _bv_of(stars, known)
    like_stars = _stars_as_displayed(pixels, table, np.isfinite(bv_mag)) if stretched else None
    odd = _odd_shape(table, starlight, like_stars)
    faint = table["snr"] < MIN_SNR[stretched]
    _judge_cores(stars, starlight, neutral_bv, bv_mag, odd, faint, stretched)
    _judge_rims(stars, starlight)
    return Audit(name, stretched, how_judged, neutral_bv, stars)


def same_stars(before: Audit, after: Audit) -> tuple[np.ndarray, np.ndarray]:
    """Rows of the stars that two audits of one field have both judged.

    Parameters
    ----------
    before, after : Audit
        Of pictures on one grid.

    Returns
    -------
    rows_before, rows_after : ndarray of int, (n,)
        A star of the first lies within a width of that of the second, and has no nearer one.
    """
    rows = [np.flatnonzero(audit.stars["kind"] != "unknown") for audit in (before, after)]
    if not (len(rows[0]) and len(rows[1])):
        return rows[0][:0], rows[1][:0]
    places = [
        places_of(audit.stars)[row] for audit, row in zip((before, after), rows, strict=True)
    ]
    distance, nearest = cKDTree(places[1]).query(places[0])
    back = cKDTree(places[0]).query(places[1])[1]
    same = back[nearest] == np.arange(len(nearest))
    same &= distance <= before.stars["width_px"].value[rows[0]]
    return rows[0][same], rows[1][nearest[same]]


def _linear_or_not(
    pixels: np.ndarray, frame: Frame | None, table: Table, said: bool | None
) -> tuple[bool, str]:
    """Whether the picture is stretched, and how that is known: as a check knows it."""
    if said is not None:
        return bool(said), "as was said"
    seen = measure_linearity(pixels, table) if frame is None else linearity_of(frame, table)
    return bool(seen.stretched), seen.reason


def _starlight(
    light: np.ndarray,
    blind: np.ndarray,
    table: Table,
    width_px: np.ndarray,
    coarse: Coarseness | None,
) -> StarLight:
    """Light of the cores and rims of the stars of a table."""
    return measure_starlight(
        light,
        blind,
        table["x_px"].value,
        table["y_px"].value,
        width_px,
        frame_noise(light),
        coarse=coarse,
        bright=np.asarray(table["snr"]) >= NEIGHBOUR_SNR,
    )


def _blank_judgement(table: Table, width_px: np.ndarray, shape: tuple[int, ...]) -> Table:
    """What an audit keeps of the star table, before anything is judged."""
    stars = table["x_px", "y_px", "snr"]
    stars["width_px"] = width_px * u.pix
    stars["flags"] = table["flags"]
    stars.meta = {"shape": shape}
    return stars


def _widths_px(light: np.ndarray, table: Table) -> np.ndarray:
    """Widths of the stars as they look; none is narrower than clear stars are."""
    fwhm_px = float(np.mean(table.meta["fwhm_px"]))
    width_px = star_widths(light, table["x_px"].value, table["y_px"].value, fwhm_px)
    clear = (table["snr"] >= WIDTH_SNR) & (
        table["flags"] & (Flag.SATURATED | Flag.BLENDED) == 0
    )
    least_px = np.median(width_px[clear]) if clear.any() else min(fwhm_px, 3.0)
    return np.maximum(width_px, max(least_px, LEAST_WIDTH_PX))


def _display_values(frame: Frame) -> tuple[np.ndarray, str]:
    """A stretched frame in sRGB, and what is to be said of the colours that it came in."""
    told = other_than_srgb(frame.icc_profile)[1]
    return _gaps_as_nan(in_srgb(frame).pixels), f"; {told}" * bool(told)


def _possible_neutral(bv_mag: float | None) -> float | None:
    """B-V of the star that shows neutral; refused where no star has it."""
    bv_mag = without_unit(bv_mag, "mag")
    limits = limits_of("neutral_bv")
    if bv_mag is None or limits.hold(bv_mag):
        return bv_mag
    raise ValueError(f"neutral_bv {bv_mag} given, {limits.needed}")


def _is_bare(picture: FrameLike) -> bool:
    """Whether nothing is known of a picture but its pixels, which are judged as they are."""
    if not isinstance(picture, np.ndarray) or hasattr(picture, "unit"):
        return False
    return picture.shape[:1] == (3,) or picture.shape[-1:] != (3,)


def _check(pixels: np.ndarray) -> None:
    if pixels.ndim != 3 or len(pixels) != 3:
        raise ValueError(
            f"pixels of shape {pixels.shape} given; an audit needs (3, y, x): use a colour picture"
        )
    if not np.issubdtype(pixels.dtype, np.floating):
        raise ValueError(
            f"pixels of type {pixels.dtype} given; an audit needs floating point numbers: divide "
            f"by the "
            "largest that the type holds, as read_frame does"
        )
    if min(pixels.shape[1:]) < JUDGED_SIDE_PX:
        raise FrameError(
            f"a picture of {pixels.shape[2]} x {pixels.shape[1]} pixels given; an audit needs at "
            f"least "
            f"{JUDGED_SIDE_PX} x {JUDGED_SIDE_PX}: give the whole picture"
        )


def _gaps_as_nan(pixels: np.ndarray) -> np.ndarray:
    """Infinities as NaN, which the star finder knows to be no data."""
    return (
        pixels if np.isfinite(pixels.sum()) else np.where(np.isfinite(pixels), pixels, np.nan)
    )


def _decoded(display: np.ndarray) -> np.ndarray:
    """Display values to light, in strips of rows: the temporaries of the whole would be several
    times its size."""
    light = np.empty_like(display)
    for top in range(0, display.shape[1], 64):
        light[:, top : top + 64] = srgb_decode(np.clip(display[:, top : top + 64], 0, 1))
    return light


def _blind(pixels: np.ndarray, table: Table, stretched: bool) -> np.ndarray:
    """Pixels that say nothing of colour, (y, x): no data, or a channel is clipped.

    In a stretched picture all channels together may be: what is white is seen as white. Where one
    is clipped alone the hue is an accident of the exposure. Its clip level is the display's white:
    what looks like another in a small picture is a common value, seen as it is.
    """
    levels = np.ones(3) if stretched else np.array(table.meta["clip_level"])
    levels = (PLATEAU_SHARE * levels).astype(pixels.dtype)[:, None, None]
    blind = np.empty(pixels.shape[1:], bool)
    for top in range(0, len(blind), BLIND_ROWS):
        strip = pixels[:, top : top + BLIND_ROWS]
        clipped = strip >= levels
        some = clipped.any(axis=0)
        told = some & ~clipped.all(axis=0) if stretched else some
        blind[top : top + BLIND_ROWS] = told | ~np.isfinite(strip).all(axis=0)
    return blind


# --- judging ----------------------------------------------------------------------------


def _stars_as_displayed(display: np.ndarray, table: Table, matched: np.ndarray) -> np.ndarray:
    """Which detections in a stretched picture are stars and no knots of a nebula, as whoever
    colours them takes them for stars."""
    shown = np.clip(np.nan_to_num(display), 0, 1).astype(np.float32)
    return what_is_shown(shown, table, matched).star


def _may_be_a_knot(table: Table, light: StarLight) -> np.ndarray:
    """Faint things on structure that could pass for them. What stands out by more of the noise,
    that of the structure included, is told by its profile alone."""
    faint = np.asarray(table["snr"]) < OUTSTANDING_SNR
    core = light.core.sum(axis=1)
    share = light.structure / np.where(core > 0, core, np.nan)
    long = np.asarray(table["roundness"]) <= STAR_ROUNDNESS
    textured = (share > TEXTURE_SHARES[1]) | ((share > TEXTURE_SHARES[0]) & long)
    return faint & (textured | _rim_of_a_knot(light))


def _odd_shape(table: Table, light: StarLight, like_stars: np.ndarray | None) -> np.ndarray:
    """Not the shape of a star: of a linear picture as the star finder says, or a rim; of a
    stretched one as it is displayed."""
    if like_stars is None:
        return (np.asarray(table["flags"] & Flag.SHAPE) > 0) | _rim_of_a_knot(light)
    return ~like_stars | _may_be_a_knot(table, light)


def _rim_of_a_knot(light: StarLight) -> np.ndarray:
    """Bright in three quarters: a neighbour brightens one, seldom two."""
    quarters = np.sort(light.rims[:, 1:].sum(axis=2), axis=1)
    return quarters[:, 2] > KNOT_RIM_SHARE * light.core.sum(axis=1)


def _bv_of(stars: Table, known: Table | None) -> np.ndarray:
    """Catalogue B-V of each star, NaN where none is within a width."""
    bv_mag = np.full(len(stars), np.nan)
    if known is None or not len(known) or not len(stars):
        return bv_mag
    tree = cKDTree(np.column_stack([np.asarray(known[c], float) for c in ("x_px", "y_px")]))
    distance, nearest = tree.query(places_of(stars))
    near = distance <= stars["width_px"].value
    bv_mag[near] = np.asarray(known["bv_mag"], float)[nearest[near]]
    return bv_mag


def _judge_cores(
    stars: Table,
    light: StarLight,
    neutral_bv: float | None,
    bv_mag: np.ndarray,
    odd_shape: np.ndarray,
    faint: np.ndarray,
    stretched: bool,
) -> None:
    """Colour of the cores, their kind, and why some have none, into the table.

    In a stretched picture a rim tells what a core does not: where that is clipped in one channel,
    or has the colour of a star and its rim has not.
    """
    seen = light.core, light.core_factor
    error = _duv_error(*seen, neutral_bv)
    kind = _kind_if_known(*seen, error, neutral_bv, bv_mag, stretched)
    by_rim = np.zeros(len(stars), bool)
    if stretched:
        rim = light.rims[:, 0], light.rim_factors[:, 0]
        rim_error = _duv_error(*rim, neutral_bv)
        rim_kind = _kind_if_known(*rim, rim_error, neutral_bv, bv_mag, stretched)
        rim_kind = np.where(_rim_of_its_own(light, neutral_bv, rim_kind), rim_kind, "unknown")
        by_rim = _rim_decides(kind, rim_kind)
        likely = _likely_kind(*seen, neutral_bv, bv_mag)
        kind = np.where(kind == "unknown", likely, kind)
        seen = tuple(_rows_of(by_rim, *parts) for parts in zip(rim, seen, strict=True))
        kind = np.where(by_rim, rim_kind, kind)
        error = np.where(by_rim, rim_error, error)
    _measure_cores(stars, seen[0], error, neutral_bv)
    stars["part"] = np.where(by_rim, "rim", "core")
    stars["why_unknown"] = np.select(
        [
            stars["flags"] & Flag.EDGE > 0,
            odd_shape,
            ~np.isfinite(seen[0]).all(axis=1),
            (kind == "unknown") | faint,
        ],
        WHY_UNKNOWN,
        "",
    )
    stars["kind"] = np.where(stars["why_unknown"] == "", kind, "unknown")


def _rim_of_its_own(light: StarLight, neutral_bv: float | None, kind: np.ndarray) -> np.ndarray:
    """Where a rim's colour is seen and surely the star's: not that of a filament, and an impossible
    one all round, for what a rim has in a quarter or two may be its neighbours' light."""
    rim = light.rims[:, 0]
    calm = light.structure <= TEXTURE_SHARES[1] * rim.sum(axis=1)
    calm &= _differs(light.ground + rim, light.ground)
    whole = duv(rim, neutral_bv)[:, None]
    quarters = duv(light.rims[:, 1:], neutral_bv)
    alike = (quarters * np.sign(whole) > IMPOSSIBLE_DUV / 2).sum(axis=1)
    return calm & ((alike >= QUARTERS_ALIKE) | ~np.isin(kind, IMPOSSIBLE_KINDS))


def _differs(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Which of some lights (n, 3) look different side by side."""
    step = rgb_to_lab(one) - rgb_to_lab(other)
    return np.linalg.norm(step, axis=-1) >= NOTICED_STEP_LAB


def _rim_decides(core_kind: np.ndarray, rim_kind: np.ndarray) -> np.ndarray:
    """Where the rim is what is odd of a star, or all that is known of it."""
    odd = np.isin(rim_kind, IMPOSSIBLE_KINDS) & ~np.isin(core_kind, IMPOSSIBLE_KINDS)
    return odd | ((core_kind == "unknown") & (rim_kind != "unknown"))


def _rows_of(chosen: np.ndarray, those: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Chosen rows of one array, the rest of another."""
    return np.where(chosen.reshape(-1, *(1,) * (those.ndim - 1)), those, others)


def _measure_cores(
    stars: Table, rgb: np.ndarray, duv_error: np.ndarray, neutral_bv: float | None
) -> None:
    """Colours in numbers and in a word, into the table."""
    stars["duv"] = duv(rgb, neutral_bv)
    stars["duv_error"] = duv_error
    stars["green_index"] = green_index(rgb, neutral_bv)
    stars["u_prime"], stars["v_prime"] = rgb_to_uv_prime(rgb).T
    stars["hue"] = hue_word(rgb)


def _kind_if_known(
    rgb: np.ndarray,
    factor: np.ndarray,
    duv_error: np.ndarray,
    neutral_bv: float | None,
    bv_mag: np.ndarray,
    stretched: bool,
) -> np.ndarray:
    """Kind of each colour (n, 3), unknown where its errors (n, 3, 4), which make one of Duv, let it
    be another."""
    kind = classify(rgb, neutral_bv, bv_mag)
    known = duv_error <= MAX_DUV_ERROR
    if stretched:
        known |= _on_one_side(rgb, factor, neutral_bv, bv_mag)
    return np.where(known, kind, "unknown")


def _on_one_side(
    rgb: np.ndarray, factor: np.ndarray, neutral_bv: float | None, bv_mag: np.ndarray
) -> np.ndarray:
    """Colours impossible in one way, or not impossible, whether none, once or twice the background
    is left under the star."""
    error = _duv_error(rgb, factor[..., :3], neutral_bv)
    seen = _by_what_is_left(rgb, factor)
    kinds = np.array([classify(one, neutral_bv, bv_mag) for one in seen])
    beyond = np.abs([duv(one, neutral_bv) for one in seen]) - IMPOSSIBLE_DUV
    odd = np.isin(kinds, IMPOSSIBLE_KINDS)
    surely_odd = (odd & (kinds == kinds[0])).all(axis=0) & (beyond > SIDE_SIGMA * error).all(0)
    surely_not = ~odd.any(axis=0) & (beyond < -SIDE_SIGMA * error).all(axis=0)
    return (error <= MAX_SIDE_ERROR) & (surely_odd | surely_not)


def _by_what_is_left(rgb: np.ndarray, factor: np.ndarray) -> list[np.ndarray]:
    """Colours as they are if none, once or twice the background is left under the star."""
    unsure = factor[..., 3] / COMPRESSED_SKY_ERROR
    return [rgb + share * unsure for share in (-1, 0, 1)]


def _likely_kind(
    rgb: np.ndarray, factor: np.ndarray, neutral_bv: float | None, bv_mag: np.ndarray
) -> np.ndarray:
    """Kind of colours that are known to half the limit, but lie too near it to be sure of the side;
    unknown for others.

    What may be possible as well is called suspicious at most: impossible is what is surely so.
    """
    error = _duv_error(rgb, factor[..., :3], neutral_bv)
    seen = np.array([duv(one, neutral_bv) for one in _by_what_is_left(rgb, factor)])
    known = (error <= MAX_SIDE_ERROR) & (np.ptp(seen, axis=0) <= IMPOSSIBLE_DUV)
    kind = classify(rgb, neutral_bv, bv_mag)
    kind = np.where(np.isin(kind, IMPOSSIBLE_KINDS), "suspicious", kind)
    return np.where(known, kind, "unknown")


def _duv_error(rgb: np.ndarray, factor: np.ndarray, neutral_bv: float | None) -> np.ndarray:
    """Error of Duv from the independent errors in the columns of `factor`."""
    change = [
        duv(rgb + error, neutral_bv) - duv(rgb - error, neutral_bv)
        for error in np.moveaxis(factor, -1, 0)
        if error.any() or not len(rgb)  # a linear picture's background is no error
    ]
    return np.sqrt(np.sum(np.square(change), axis=0)) / 2


def _judge_rims(stars: Table, light: StarLight) -> None:
    """Distance of rims from cores, and whether it shows, into the table.

    Whole rims show halos, quarters show channels that are shifted against each other.
    """
    distance = uv_prime_distance(light.rims, light.core[:, None])
    error = _distance_error(light)
    usable = (error <= VISIBLE_STEP_UV) & _can_be_compared(stars)[:, None]
    excess = np.where(usable, distance - RIM_SIGMA * error, -np.inf)
    worst = (np.arange(len(stars)), excess.argmax(axis=1))
    stars["rim_u_prime"], stars["rim_v_prime"] = rgb_to_uv_prime(light.rims[:, 0]).T
    compared = usable.any(axis=1)
    for name, values in {"fringe_uv": distance, "fringe_error": error}.items():
        stars[name] = np.where(compared, values[worst], np.nan)
    stars["fringed"] = excess[worst] > VISIBLE_STEP_UV


def _can_be_compared(stars: Table) -> np.ndarray:
    """Stars whose core has a colour and whose rim is their own, (n,)."""
    return (stars["kind"] != "unknown") & (stars["flags"] & Flag.BLENDED == 0)


def _distance_error(light: StarLight) -> np.ndarray:
    """Error of the distances of rims from cores."""
    of_rims = _uv_error(light.rims, light.rim_factors)
    of_cores = _uv_error(light.core[:, None], light.core_factor[:, None])
    return np.hypot(of_rims, of_cores)


def _uv_error(rgb: np.ndarray, factor: np.ndarray) -> np.ndarray:
    """Error of u', v' from the independent errors in the columns of `factor`."""
    parts = [
        uv_prime_distance(rgb + error, rgb - error) for error in np.moveaxis(factor, -1, 0)
    ]
    return np.sqrt(np.sum(np.square(parts), axis=0)) / 2
