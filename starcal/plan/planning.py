"""Plan a separate broadband star frame: how long, how often, and how good the gains will be.

The error of the gains follows from the light of each catalogue star of the field, the catalogue's
error of its B-V and the scatter of real stars, through the covariance of the weighted line whose
value at the neutral star is the gain.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..catalogue import CatalogueStars, unit_vectors
from ..catalogue.embedded import bv_error_model, cone
from ..choices import USUAL, default_of
from ..colour import SOLAR_BV_MAG
from ..errors import PlanError, TooFewStars
from ..fit.gains import CURVATURE_ERROR, MAG_PER_LN, MIN_STARS, SYSTEMATIC_MAG
from ..stars.photometry import APERTURE_FWHM, BLEND_FLUX_SHARE
from ..texts import counted
from .field import SkyField
from .photons import (
    COLOUR_SLOPE,
    SAFE_WELL,
    STAR_SCATTER_MAG,
    Kit,
    Night,
    full_after_s,
    ratio_error_mag,
    sky_rate,
)
from .result import FAINT_ERROR_MAG, GOAL, Plan, Series

NEAR_FLOOR = 1.1  # where the catalogue forbids the goal: this close to what it allows
EXPOSURES_S = (1, 2, 3, 5, 8, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240, 300)
BELOW_A_SECOND_S = (0.1, 0.2, 0.5)  # not all shutters can: only where nothing else helps
FRAMES = (
    15,
    20,
    25,
    30,
    40,
    50,
    60,
    80,
    100,
    120,
    150,
    200,
    250,
    300,
    400,
    500,
)  # 15: see result.USUAL_FRAMES
WIDEST_DEG = (
    20.0  # wider ones are no star frames; lenses bend them and the sky is not one brightness
)
LONGEST_S = (
    3 * 3600.0
)  # of a series: who needs more wants fainter stars than a star frame is for
COUNT_SLOPE = 0.35  # d log10 N / dV of stars, typical of V 11 to 16
COUNTED_MAG = 11.0  # the embedded catalogue is complete to here
CROWDED_SHARE = 0.6  # where fewer of the stars stand alone, the rest hide neighbours, too


def plan_exposures(
    field: SkyField,
    kit: Kit,
    night: Night,
    *,
    faint_mag: float = default_of("faint_mag"),
    stars: CatalogueStars | None = None,
    unsaid: Sequence[str] | None = None,
) -> Plan:
    """Plan exposures of a separate broadband star frame.

    Parameters
    ----------
    field : SkyField
        What the picture shall show; up to 20 degrees wide.
    kit : Kit
        Telescope and camera.
    night : Night
        Sky and seeing.
    faint_mag : float
        V of the faintest star whose colour is wanted, to FAINT_ERROR_MAG; 0 to 20.
    stars : CatalogueStars, optional
        Another catalogue's stars round the field; by default the embedded one's.
    unsaid : sequence of str, optional
        What nobody said of telescope, camera and night, by the names of `choices.USUAL`; the plan
        names it. By default whatever is as usual.

    Returns
    -------
    Plan
        Of the exposures that reach a gain error of 1 % (or, where the catalogue forbids that, come
        near to what it allows) and the colour of the faintest star, the series that is done
        soonest.

    Raises
    ------
    PlanError
        No exposure does, the sky fills the pixels, the field is too wide, or an argument is
        impossible.
    TooFewStars
        The field has fewer catalogue stars than a fit of gains needs.

    Examples
    --------
    >>> from starcal import plan_exposures
    >>> from starcal.plan import SkyField, Kit, Night
    >>> field = SkyField(ra_deg=312.0, dec_deg=44.0, width_deg=2.4, height_deg=1.6)
    >>> plan = plan_exposures(field, Kit(), Night())
    >>> "s in each channel" in plan.summary()
    True
    """
    if not 0 <= faint_mag <= 20:
        raise PlanError(
            f"a faintest star of V {faint_mag:g} given: 0 to 20 can be planned. Give --faint-mag 15"
        )
    _require_narrow(field)
    sky_full_s = _require_dark_enough(kit, night)
    around = stars if stars is not None else cone(field.ra_deg, field.dec_deg, field.radius_deg)
    inside = _inside_field(field, around)
    sample = _Sample(
        kit=kit,
        night=night,
        field=field,
        stars=inside,
        full_s=full_after_s(kit, night, inside.v_mag, _colour_or_solar(inside.bv_mag)),
        clean=_fit_stars(field, night, inside),
    )
    _require_stars(sample.clean, len(inside), field, kit)
    return replace(
        _plan_of(sample, faint_mag, sky_full_s),
        unsaid=_as_usual(kit, night, faint_mag) if unsaid is None else tuple(unsaid),
    )


def _as_usual(kit: Kit, night: Night, faint_mag: float) -> tuple[str, ...]:
    """Values that are as by default, so that nobody may have said them."""
    values = {name: getattr(kit, name, None) for name in USUAL}
    values |= {"full_well": kit.full_well_electrons, "read_noise": kit.read_noise_electrons}
    values |= {"fwhm_arcsec": night.fwhm_arcsec, "faint_mag": faint_mag}
    if night.sky_mag == Night.sky_mag:
        values["bortle"] = default_of("bortle")
    return tuple(name for name, value in values.items() if value == default_of(name))


def _plan_of(sample: "_Sample", faint_mag: float, sky_full_s: float) -> Plan:
    """Both series, and what is to be said of them."""
    main = _main_series(sample, faint_mag, sky_full_s)
    short = _short_series(sample, main)
    return Plan(
        field=sample.field,
        kit=sample.kit,
        night=sample.night,
        faint_mag=faint_mag,
        main=main,
        short=short,
        stars=sample.stars,
        plane_deg=sample.field.plane_deg(sample.stars.ra_deg, sample.stars.dec_deg),
        full_after_s=sample.full_s,
        clean=sample.clean,
        notes=_plan_notes(sample, main, short),
    )


def _inside_field(field: SkyField, around: CatalogueStars) -> CatalogueStars:
    """Stars with a V inside the field, brightest first."""
    around = around.select(np.isfinite(around.v_mag) & (_depth(field, around) > 0))
    inside = around.select(field.holds(field.plane_deg(around.ra_deg, around.dec_deg)))
    return inside.select(np.argsort(inside.v_mag, kind="stable"))


def _colour_or_solar(bv_mag: np.ndarray) -> np.ndarray:
    """B-V, that of the sun where there is none."""
    return np.where(np.isfinite(bv_mag), bv_mag, SOLAR_BV_MAG)


def _fit_stars(field: SkyField, night: Night, stars: CatalogueStars) -> np.ndarray:
    """Stars that serve a fit: whole in the field, alone, with a B-V of their own."""
    plane_deg = field.plane_deg(stars.ra_deg, stars.dec_deg)
    alone = _unblended(stars, plane_deg, night)
    whole = field.holds(plane_deg, APERTURE_FWHM * night.fwhm_arcsec / 3600)
    return np.isfinite(stars.bv_mag) & ~stars.double & ~stars.bv_clamped & alone & whole


def _require_narrow(field: SkyField) -> None:
    if max(field.width_deg, field.height_deg) > WIDEST_DEG:
        raise PlanError(
            f"a field of {field.width_deg:.4g} x {field.height_deg:.4g} degrees: up to "
            f"{WIDEST_DEG:g} can "
            "be planned. Give a longer --focal-mm or fewer --pixels"
        )


def _depth(field: SkyField, stars: CatalogueStars) -> np.ndarray:
    """Cosine of the angle from the centre: stars behind the tangent plane have none."""
    return unit_vectors(stars.ra_deg, stars.dec_deg) @ unit_vectors(field.ra_deg, field.dec_deg)


def _require_dark_enough(kit: Kit, night: Night) -> float:
    """Exposure after which the sky alone fills SAFE_WELL; it must leave the shortest useful
    exposure."""
    full_s = SAFE_WELL * kit.full_well_electrons / sky_rate(kit, night.sky_mag).max()
    if full_s < EXPOSURES_S[0]:
        raise PlanError(
            f"a sky of {night.sky_mag:g} mag per square arcsec fills the pixels within "
            f"{full_s:.2g} s, "
            f"before the shortest useful exposure of {EXPOSURES_S[0]} s. Wait for a darker sky: "
            "--sky-mag 20"
        )
    return full_s


def _require_stars(clean: np.ndarray, found: int, field: SkyField, kit: Kit) -> None:
    count = int(clean.sum())
    if count < MIN_STARS:
        focal_mm = kit.focal_mm / np.sqrt(
            4 * MIN_STARS / max(count, 0.5)
        )  # for plenty, as stars are uneven
        raise TooFewStars(
            f"{count} usable catalogue stars in a field of {field.width_deg:.2g} x "
            f"{field.height_deg:.2g} degrees "
            f"({found} in all), {MIN_STARS} needed. Plan a wider field: --focal-mm "
            f"{float(f'{focal_mm:.2g}'):g} or "
            f"less, or more --pixels (the focal length is {kit.focal_mm:.4g} mm now)",
            found=count,
            needed=MIN_STARS,
        )


def _unblended(stars: CatalogueStars, plane_deg: np.ndarray, night: Night) -> np.ndarray:
    """Stars without a catalogue star in the aperture that is bright enough to matter."""
    reach_deg = _reach_arcsec(night) / 3600
    alone = np.ones(len(stars), bool)
    if len(stars) > 1:
        i, j = cKDTree(plane_deg.T).query_pairs(reach_deg, output_type="ndarray").T
        fainter_by = -2.5 * np.log10(BLEND_FLUX_SHARE)
        alone[i[stars.v_mag[j] < stars.v_mag[i] + fainter_by]] = False
        alone[j[stars.v_mag[i] < stars.v_mag[j] + fainter_by]] = False
    return alone


def _reach_arcsec(night: Night) -> float:
    """Distance within which the light of a neighbour gets into the aperture."""
    return (APERTURE_FWHM + 0.5) * night.fwhm_arcsec


@dataclass(frozen=True, eq=False, kw_only=True)
class _Sample:
    """Stars of the field with what it takes to foretell the error of the gains."""

    kit: Kit
    night: Night
    field: SkyField
    stars: CatalogueStars
    full_s: np.ndarray
    clean: np.ndarray

    def usable(self, seconds: float) -> np.ndarray:
        return self.clean & (self.full_s >= seconds)

    def series(self, seconds: float, frames: int) -> Series:
        share = self.unblended_share(self.stars.v_mag[self.usable(seconds)])
        saturated_mag = self.stars.v_mag[self.full_s < seconds]
        return Series(
            seconds=seconds,
            frames=frames,
            limit_mag=self.limit_mag(seconds),
            faintest_saturated_mag=float(saturated_mag.max()) if len(saturated_mag) else None,
            n_saturated=len(saturated_mag),
            n_clean=len(share),
            n_usable=round(share.sum()),
            gain_error=self.gain_error(seconds, frames),
            gain_floor=self.gain_error(seconds, np.inf),
        )

    def limit_mag(self, seconds: float) -> float:
        """V at which a star of the sun's colour fills SAFE_WELL."""
        v_mag = np.linspace(-5, 25, 3001)
        return float(
            np.interp(
                np.log(seconds),
                np.log(full_after_s(self.kit, self.night, v_mag, SOLAR_BV_MAG)),
                v_mag,
            )
        )

    def gain_error(self, seconds: float, frames: float) -> np.ndarray:
        """Relative errors of the gains of R and B, shape (2,); inf with too few stars."""
        stars = self.stars.select(self.usable(seconds))
        if len(stars) < MIN_STARS:
            return np.full(2, np.inf)
        error_mag = (
            stars.bv_fit_error_mag
            if stars.bv_fit_error_mag is not None
            else bv_error_model(stars.v_mag)
        )
        ratio_error = ratio_error_mag(
            self.kit, self.night, stars.v_mag, stars.bv_mag, seconds, frames
        )
        return gain_errors(
            stars.bv_mag, error_mag, ratio_error, self.unblended_share(stars.v_mag)
        )

    def unblended_share(self, v_mag: np.ndarray) -> np.ndarray:
        """Share of the stars of some V that no star beyond the catalogue disturbs, from star
        counts."""
        counted = (
            max(np.count_nonzero(self.stars.v_mag < COUNTED_MAG), 1) / self.field.area_deg2
        )
        disturbing_mag = v_mag - 2.5 * np.log10(BLEND_FLUX_SHARE)
        per_deg2 = counted * 10 ** (COUNT_SLOPE * (disturbing_mag - COUNTED_MAG))
        return np.exp(-per_deg2 * np.pi * (_reach_arcsec(self.night) / 3600) ** 2)


def gain_errors(
    bv_mag: np.ndarray,
    bv_error_mag: np.ndarray,
    ratio_error_mag: np.ndarray,
    share: np.ndarray | float = 1.0,
    neutral_bv: float = SOLAR_BV_MAG,
) -> np.ndarray:
    """Errors to expect of gains that are fitted to the B-V of stars.

    Parameters
    ----------
    bv_mag, bv_error_mag : ndarray, shape (n,)
        Of the catalogue.
    ratio_error_mag : ndarray, shape (2, n)
        Errors of R/G and B/G.
    share : ndarray, shape (n,), or float
        Chance that a star is usable: it weighs so much.
    neutral_bv : float
        B-V at which the gains are read.

    Returns
    -------
    ndarray, shape (2,)
        Relative, 1 sigma, of R and B.

    Notes
    -----
    Each star's variance is that of photons, of the scatter of real stars, and slope^2 times what
    the catalogue and the spread of the field's colours leave open of its B-V, s^2 e^2 / (s^2 +
    e^2). Their sum weighs the star in a line with a small bend of known size; the covariance of
    weighted least squares (Press et al. 2007, Numerical Recipes, section 15.4) gives the error at
    the neutral star. SYSTEMATIC_MAG is added: no gain is better known.
    """
    spread2 = max(np.var(bv_mag, ddof=1) - np.mean(bv_error_mag**2), 0.01)
    shrink = spread2 / (spread2 + bv_error_mag**2)
    x = bv_mag.mean() + shrink * (bv_mag - bv_mag.mean()) - neutral_bv
    errors = []
    for slope, scatter, bend_error, photons in zip(
        COLOUR_SLOPE[[0, 2]], STAR_SCATTER_MAG, CURVATURE_ERROR, ratio_error_mag, strict=True
    ):
        variance = photons**2 + slope**2 * spread2 * (1 - shrink) + scatter**2
        errors.append(_error_at_zero(x, share / variance, bend_error))
    return np.hypot(errors, SYSTEMATIC_MAG) / MAG_PER_LN


def _error_at_zero(x: np.ndarray, weight: np.ndarray, bend_error: float) -> float:
    """Error at x = 0 of a weighted line with a bend known to `bend_error`."""
    design = np.column_stack([np.ones_like(x), x, x**2])
    information = (design.T * weight) @ design + np.diag([0, 1e-6, bend_error**-2])
    return np.sqrt(np.linalg.inv(information)[0, 0])


def _main_series(sample: _Sample, faint_mag: float, sky_full_s: float) -> Series:
    """The series that reaches the goals soonest."""
    lengths = [seconds for seconds in EXPOSURES_S if seconds <= sky_full_s]
    floor = min(sample.gain_error(seconds, np.inf).max() for seconds in lengths)
    if not np.isfinite(floor):
        raise TooFewStars(
            f"all but a few catalogue stars of the field saturate within {EXPOSURES_S[0]} s: "
            f"{MIN_STARS} "
            "are needed. Stop down: a smaller --aperture-mm",
            needed=MIN_STARS,
        )
    goal = max(GOAL, NEAR_FLOOR * floor)
    series = _soonest(sample, faint_mag, goal, lengths)
    if series is None:
        raise PlanError(_why_too_long(sample, faint_mag, goal, lengths))
    return series


def _soonest(
    sample: _Sample, faint_mag: float, goal: float, lengths: list[float]
) -> Series | None:
    def reaches(seconds, frames):
        faint = ratio_error_mag(
            sample.kit, sample.night, faint_mag, SOLAR_BV_MAG, seconds, frames
        ).max()
        return faint <= FAINT_ERROR_MAG and sample.gain_error(seconds, frames).max() <= goal

    least = [
        (seconds, next((n for n in FRAMES if reaches(seconds, n)), None)) for seconds in lengths
    ]
    good = [sample.series(seconds, frames) for seconds, frames in least if frames is not None]
    return min(
        (series for series in good if series.total_s <= LONGEST_S),
        key=lambda s: s.total_s,
        default=None,
    )


def _why_too_long(sample: _Sample, faint_mag: float, goal: float, lengths: list[float]) -> str:
    brighter = np.arange(np.ceil(faint_mag) - 1, 0, -1)
    reached = next((mag for mag in brighter if _soonest(sample, mag, goal, lengths)), None)
    advice = (
        f"Give --faint-mag {reached:g}" if reached is not None else "Give a darker --sky-mag"
    )
    return (
        f"the colours of stars of V {faint_mag:g} to {FAINT_ERROR_MAG} mag, with enough catalogue "
        f"stars "
        f"unsaturated, take over {LONGEST_S / 3600:g} hours in each channel. {advice}, or a larger "
        f"--aperture-mm"
    )


def _short_series(sample: _Sample, main: Series) -> Series | None:
    """For the stars that saturate, but for those beyond help; enough exposures for the faintest of
    them."""
    seconds = _short_exposure(sample.full_s[sample.full_s < main.seconds])
    if seconds is None:
        return None
    frames = next(
        (
            n
            for n in FRAMES
            if ratio_error_mag(
                sample.kit, sample.night, main.limit_mag, SOLAR_BV_MAG, seconds, n
            ).max()
            <= FAINT_ERROR_MAG
        ),
        FRAMES[-1],
    )
    return sample.series(seconds, frames)


def _short_exposure(full_s: np.ndarray) -> float | None:
    """The longest exposure that saturates no star, once those are left out that even the shortest
    one saturates."""
    for lengths in (EXPOSURES_S, BELOW_A_SECOND_S):
        served = full_s[full_s >= lengths[0]]
        if len(served):
            return max(seconds for seconds in lengths if seconds <= served.min())
    return None


def _plan_notes(sample: _Sample, main: Series, short: Series | None) -> tuple[str, ...]:
    notes = []
    if main.gain_error.max() > GOAL:
        notes.append(_why_not_reached(sample, main))
    lost = sample.stars.v_mag[sample.full_s < (short or main).seconds]
    if len(lost):
        notes.append(_who_is_lost(lost, short))
    if main.n_usable < CROWDED_SHARE * main.n_clean:
        notes.append(
            "the field is crowded for stars so wide: more than a third of the catalogue's stars "
            "overlap "
            "fainter ones, and what is foretold is less sure. A longer --focal-mm helps"
        )
    return tuple(notes)


def _who_is_lost(v_mag: np.ndarray, short: Series | None) -> str:
    named = ", ".join(f"{v:.1f}" for v in v_mag[:4]) + (", ..." if len(v_mag) > 4 else "")
    where = (
        f"in {short.seconds:g} s, too"
        if short is not None
        else f"even in {BELOW_A_SECOND_S[0]:g} s"
    )
    return (
        f"{counted(len(v_mag), 'star')} that saturate{'s' * (len(v_mag) == 1)} {where} (V "
        f"{named}): `starcal "
        "recolour` takes the colour from the catalogue's B-V"
    )


def _why_not_reached(sample: _Sample, main: Series) -> str:
    red, blue = 100 * main.gain_floor
    floor2 = SYSTEMATIC_MAG**2 / MAG_PER_LN**2
    times = (main.gain_floor.max() ** 2 - floor2) / (GOAL**2 - floor2)
    field = sample.field
    return (
        f"{100 * GOAL:g} % is out of reach however long you expose: the catalogue's B-V of "
        f"{main.n_usable} stars "
        f"leaves R {red:.1f} %, B {blue:.1f} %. It takes {max(times, 1):.1f} times as many such "
        f"stars (a wider "
        f"field), or a deeper catalogue: `starcal catalogue fetch --ra {field.ra_deg:.4f} --dec "
        f"{field.dec_deg:.4f} --radius {max(field.radius_deg, 0.01):.2f}`, then `starcal check "
        f"--catalogue auto`"
    )
