"""What the continuum of stars tells of their B-V in this frame: which lines its channels hold, and
where the relation between their ratios and B-V lies.

Narrowband filters see little of a star but its continuum, at two or three wavelengths. That is one
dimension of colour, enough for B-V to 0.1 mag. Real spectra through real filters say how it goes
with B-V but for the zero points, so one matched star is enough, and none is better than nothing.
"""

from dataclasses import dataclass, replace

import numpy as np

from ..robust import scatter, scatter_about_zero
from ..texts import counted, told_shortly
from .gains import MAG_PER_LN, MIN_STARS
from .population import COUNTS_PER_MAG, ln_population
from .posterior import (
    FIRST_STEPS,
    MOST_STEPS,
    Evidence,
    FrameFit,
    StarPosterior,
    fit_frame,
    loosened,
    star_posteriors,
)
from .relations import BROADBAND, GRID_BV_MAG, PIVOT_BV_MAG, Bands, candidate_bands
from .slants import Slants, slants_of

COPY_SCATTER_MAG = (
    0.015  # of a ratio of bright stars; that of two lines scatters by 0.04 and more
)
LARGEST_ERROR_MAG = 0.5  # of a channel: the logarithm of less light is skewed
LINE_ERROR_MAG = (
    0.012  # of the best fluxes in a channel: profile, flat field, neighbours unseen
)
MOST_MATCHED, MOST_OTHERS = 200, 60  # in the fit; more change nothing but the time
MOST_TO_TELL = 40  # matched ones that tell what the channels are, besides the others in the fit
OTHERS_WEIGHT = 15.0  # together: the shape of a field's colours is known roughly only
TELLING_SHARE = 0.4  # of the variance of B-V that ratios must take away, or chance may do it
# Ln likelihoods of the catalogue's colours by the ratios and by the field alone: one star counts
# up to 3, as an entry may be wrong, and real errors may be 2.5 times the stated ones; less than 1
# in 100 is then the chance of less than -5 altogether.
MOST_AGAINST, CONTRADICTED_LN, ERRORS_UP_TO = 3.0, 5.0, 2.5
NOISY_SHARE = 0.5  # of the variance of catalogue colours; beyond it the rest is not known well
FIELD_BV_MAG = 0.75  # of a star of an unknown field

# Of catalogue entries: shares that belong to another star, to a variable, or are wrong
WRONG_SHARE, WRONG_SHARE_CUT, WRONG_SHARE_CROWDED = 0.02, 0.03, 0.1
WRONG_MAG = 0.5
CATALOGUE_FLOOR_MAG = 0.02  # of maps from a catalogue's colours to Johnson's
# By how much real catalogue errors may be larger than stated: most are not (ln 0.3); beyond 4 times
# a table tells nothing. Stars that are far off count as Student's t of 4 degrees has them.
CATALOGUE_FACTORS = np.geomspace(1.0, 4.0, 29)
CATALOGUE_LN_FACTOR_ERROR, FAR_OFF_DEGREES = 0.3, 4.0
FAR_OFF_SCALE = 0.69  # of a Gaussian's variance: the scale of such a t that fits it best
TOLD_CATALOGUE_FACTOR = 1.3  # from here on it is said
# Of ratios from edge to edge: as much again as an error of their zero points.
TOLD_SLANT_MAG = 0.03

# How often frames of three different channels have which order of lines, or others.
USUAL_SHARE = {
    "SHO": 0.43,
    "HOS": 0.17,
    "OHS": 0.09,
    "HSO": 0.045,
    "OSH": 0.045,
    "SOH": 0.045,
    "HOO": 0.06,  # each of two mixtures
    "broadband": 0.04,
    "unknown": 0.01,
}
SURE_SHARE = 0.95  # of the evidence; below it is said
TOLD_BROAD_SHARE = 0.9  # where header or user say that the filters are broad
# Where FILTER keywords name three lines, and the channels differ as those do. Channels of any kind
# fit a few dozen stars with a ln of 4 more than lines do: they have no spoilt stars.
TOLD_LINES_SHARE = 0.99
NO_KNOWN_BANDS = "the channels show the colours of no known filters, and few stars are matched"
LINE_NAMES = {"S": "S II", "H": "H-alpha", "O": "O III"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """What was measured of n stars, and what the catalogue says.

    Attributes
    ----------
    mag, error_mag : ndarray, shape (3, n)
        In R, G, B, with any zero point; NaN where a star has no such light.
    bv_mag, bv_error_mag, v_mag : ndarray, shape (n,)
        Of the catalogue, NaN without.
    wrong_share : ndarray, shape (n,)
        Chance that the catalogue's entry is wrong by far.
    clean, other : ndarray of bool, shape (n,)
        Matched stars to fit the relation by, and stars without catalogue colour that show the
        field's.
    place : ndarray, shape (2, n)
        Along x and y, -0.5 to 0.5 from edge to edge of the frame; NaN where it is not known.
    """

    mag: np.ndarray
    error_mag: np.ndarray
    bv_mag: np.ndarray
    bv_error_mag: np.ndarray
    v_mag: np.ndarray
    wrong_share: np.ndarray
    clean: np.ndarray
    other: np.ndarray
    place: np.ndarray


@dataclass(frozen=True, kw_only=True, eq=False)
class ContinuumFit:
    """The relation between ratios and B-V in a frame.

    Attributes
    ----------
    frame : FrameFit or None
        None where the channels are all one.
    evidence : Evidence
        Of all stars, under the frame's kind of channels.
    used : ndarray of bool
        Of the clean matched stars, which the relation rests on.
    explained : float
        Share of the variance of B-V that the ratios take away; NaN for no stars.
    told_by : str
        How the kind of channels is known.
    catalogue_factor : float
        How many times larger than stated the errors of the catalogue's B-V are, as the stars' own
        light tells; it is in the evidence.
    refused : str
        Why the relation must not be used; empty when it may.
    slants : Slants or None
        How the ratios change over the frame, which is taken out of the evidence; None where too few
        stars tell.
    """

    frame: FrameFit | None
    evidence: Evidence
    used: np.ndarray
    explained: float
    told_by: str
    refused: str
    catalogue_factor: float = 1.0
    slants: Slants | None = None

    __repr__ = told_shortly

    @property
    def assumed(self) -> str:
        """What is taken for granted, in words."""
        if self.frame is None:
            return "nothing: there are no stars to fit"
        name = self.frame.bands.name
        if not self.frame.bands.is_narrow:
            kinds = {"broadband": "a camera's or broad filters'"}
            kind = kinds.get(name, "of no known kind")
            return f"the channels are {kind} ({self.told_by})"
        if len(set(name)) < len(self.frame.bands.ratio_of) + 1:
            return f"R holds H-alpha, G and B hold O III with some H-alpha ({self.told_by})"
        lines = ", ".join(LINE_NAMES[line] for line in name)
        return f"R, G, B hold {lines} ({self.told_by})"


# --- channels ---------------------------------------------------------------------------


def magnitudes(flux: np.ndarray, flux_error: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Magnitudes of stars and their errors, (3, n); NaN where the light is too little for a
    logarithm."""
    with np.errstate(invalid="ignore", divide="ignore"):
        mag = -2.5 * np.log10(np.where(flux > 0, flux, np.nan))
        error = np.hypot(MAG_PER_LN * flux_error / np.abs(flux), LINE_ERROR_MAG)
    good = np.isfinite(mag) & (error <= LARGEST_ERROR_MAG)
    return np.where(good, mag, np.nan), np.where(good, error, np.nan)


def distinct_channels(mag: np.ndarray, error_mag: np.ndarray) -> tuple[int, ...]:
    """Channels that are no copy of one before them.

    Parameters
    ----------
    mag, error_mag : ndarray, shape (3, n)

    Returns
    -------
    tuple of int
    """
    found = [0]
    for channel in (1, 2):
        if not any(_is_copy(mag, error_mag, channel, other) for other in found):
            found.append(channel)
    return tuple(found)


def _is_copy(mag: np.ndarray, error_mag: np.ndarray, one: int, other: int) -> bool:
    """Whether the better half of the stars has the same ratio of two channels."""
    ratio = mag[one] - mag[other]
    error = error_mag[one] + error_mag[other]
    good = np.isfinite(ratio)
    if np.count_nonzero(good) < MIN_STARS:
        return False
    good &= error <= np.median(error[good])
    return bool(scatter(ratio[good]) < COPY_SCATTER_MAG)


# --- evidence ---------------------------------------------------------------------------


def _ln_catalogue(seen: Seen) -> np.ndarray:
    """Likelihood of the catalogue's B-V at each of the grid, (n, grid); 0 where it has none."""
    known = np.isfinite(seen.bv_mag)
    away = np.where(known, seen.bv_mag, 0.0)[:, None] - GRID_BV_MAG
    sigma = np.hypot(np.where(known, seen.bv_error_mag, 1.0), CATALOGUE_FLOOR_MAG)[:, None]
    wrong = seen.wrong_share[:, None]
    right = (1 - wrong) * _bell(away, sigma)
    lost = wrong * _bell(away, np.hypot(sigma, WRONG_MAG))
    return np.where(known[:, None], np.log(right + lost), 0.0)


def _bell(away: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    return np.exp(-0.5 * (away / sigma) ** 2) / sigma


def _ln_prior(seen: Seen, reference: np.ndarray, against_v: np.ndarray) -> np.ndarray:
    """The population at the V of each star, or at what V its light would mean, (n, grid).

    Parameters
    ----------
    reference : ndarray, shape (n,)
        Magnitude in a channel, any zero point.
    against_v : ndarray, shape (grid,)
        What a star has in that channel, less its V.
    """
    v_mag = reference[:, None] + _zero_mag(seen, reference, against_v) - against_v
    by_light = ln_population(v_mag) - COUNTS_PER_MAG * np.log(10) * against_v
    matched = np.isfinite(seen.v_mag)[:, None]
    return np.where(matched, ln_population(seen.v_mag), by_light)


def _zero_mag(seen: Seen, reference: np.ndarray, against_v: np.ndarray) -> float:
    """What takes a channel's magnitudes to V: from clean matched stars, else from any, else NaN."""
    bv_mag = np.where(np.isfinite(seen.bv_mag), seen.bv_mag, FIELD_BV_MAG)
    zero = seen.v_mag + np.interp(bv_mag, GRID_BV_MAG, against_v) - reference
    known = np.isfinite(zero)
    clean = known & seen.clean
    best = zero[clean] if clean.any() else zero[known]
    return float(np.median(best)) if len(best) else np.nan


def _even(rows: np.ndarray, mag: np.ndarray, most: int) -> np.ndarray:
    """At most so many of the rows, evenly by brightness."""
    if len(rows) <= most:
        return rows
    order = rows[np.argsort(mag[rows])]
    return order[np.linspace(0, len(order) - 1, most).astype(int)]


def gather(seen: Seen, bands: Bands | None, ln_catalogue: np.ndarray) -> Evidence:
    """Evidence of all stars under one kind of channels, or without ratios."""
    ratio, variance, shared = _ratios(seen, bands)
    reference, against_v = seen.mag[1], np.zeros(len(GRID_BV_MAG))
    if bands is not None:
        reference, against_v = seen.mag[bands.ratio_of[0][1]], bands.reference_mag
    return Evidence(
        ratio_mag=ratio,
        variance_mag2=variance,
        shared_mag2=shared,
        ln_prior=_ln_prior(seen, reference, against_v),
        ln_catalogue=ln_catalogue,
        catalogued=np.isfinite(seen.v_mag),
        weight=_star_weights(seen, np.isfinite(ratio).all(axis=0), reference),
    )


def by_same_stars(evidence: Evidence, seen: Seen, bands: Bands) -> Evidence:
    """The same by stars chosen whatever the channels are taken for, for kinds to be compared: in
    the order of the mean magnitude in all channels that are compared."""
    compared = np.unique(bands.ratio_of)
    brightness = seen.mag[compared].mean(axis=0)
    has_ratio = np.isfinite(evidence.ratio_mag).all(axis=0)
    return replace(evidence, weight=_star_weights(seen, has_ratio, brightness))


def _ratios(seen: Seen, bands: Bands | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Two ratios, their variances and their covariance; 0 and 1 beside a single one."""
    n = seen.mag.shape[1]
    if bands is None:
        return np.full((2, n), np.nan), np.ones((2, n)), np.zeros(n)
    ratio = np.zeros((2, n))
    variance = np.ones((2, n))
    variance_mag2 = seen.error_mag**2
    for place, (one, other) in enumerate(bands.ratio_of):
        ratio[place] = seen.mag[one] - seen.mag[other]
        variance[place] = variance_mag2[one] + variance_mag2[other]
    shared = variance_mag2[bands.ratio_of[0][1]] if len(bands.ratio_of) == 2 else np.zeros(n)
    return ratio, variance, shared


def _star_weights(seen: Seen, has_ratio: np.ndarray, reference: np.ndarray) -> np.ndarray:
    """How much each star counts in the fit, 0 for those left out."""
    matched = _even(np.flatnonzero(seen.clean & has_ratio), reference, MOST_MATCHED)
    others = _even(np.flatnonzero(seen.other & has_ratio), reference, MOST_OTHERS)
    weight = np.zeros(len(has_ratio))
    weight[matched] = 1.0
    weight[others] = min(1.0, OTHERS_WEIGHT / max(len(others), 1))
    return weight


# --- the relation -----------------------------------------------------------------------


def fit_continuum(seen: Seen, told: str = "") -> ContinuumFit:
    """Find what the channels are, and where the relation of their ratios to B-V lies.

    Parameters
    ----------
    seen : Seen
    told : str
        The lines in R, G, B as a header names them, such as "SHO"; empty if it does not.

    Returns
    -------
    ContinuumFit
        Look at ``refused`` before using it.
    """
    ln_catalogue = _ln_catalogue(seen)
    kinds = candidate_bands(distinct_channels(seen.mag, seen.error_mag), told)
    blank = gather(seen, None, ln_catalogue)
    nothing = ContinuumFit(
        frame=None,
        evidence=blank,
        used=np.zeros(0, bool),
        explained=np.nan,
        told_by="",
        refused="the channels are copies of one, without colour",
    )
    if not kinds:
        return nothing
    if not _has_clean_light(seen):
        return replace(nothing, refused="no star has clean light in all channels")
    bands, share = _likeliest(kinds, seen, ln_catalogue, told)
    evidence = gather(seen, bands, ln_catalogue)
    frame = _fitted_kind(bands, evidence, seen)
    slants = _slants(frame, evidence, seen)
    if slants is not None:
        seen = _levelled(seen, slants, bands)
        evidence = gather(seen, bands, ln_catalogue)
        frame = _fitted_kind(bands, evidence, seen)
    made = replace(
        nothing,
        frame=loosened(frame, evidence.rows(evidence.weight > 0)),
        evidence=evidence,
        used=evidence.weight[seen.clean] > 0,
        told_by=_told_by(bands.name == told, len(kinds) == 1, share),
        refused="",
        slants=slants,
    )
    made = _judged_fit(made, seen)
    factor = 1.0 if made.refused else _catalogue_factor(frame, evidence, seen)
    return made if factor == 1 else _with_catalogue_factor(made, bands, seen, factor)


def _slants(frame: FrameFit, evidence: Evidence, seen: Seen) -> Slants | None:
    """How the ratios change over the frame; None where that is not told, or channels are of no
    known kind: what B-V does to their ratios is then told by the same stars."""
    if frame.bands.name == "unknown":
        return None
    fair = seen.clean | seen.other
    return slants_of(frame, evidence.rows(fair), seen.place[:, fair])


def _levelled(seen: Seen, slants: Slants, bands: Bands) -> Seen:
    """The same with slants taken out of the channels that are compared with another, and their
    errors added."""
    mag, error_mag = seen.mag.copy(), seen.error_mag.copy()
    more_mag, doubt_mag = slants.at(seen.place), slants.error_at(seen.place)
    for ratio, (channel, _) in enumerate(bands.ratio_of):
        known = np.isfinite(more_mag[ratio])
        mag[channel, known] -= more_mag[ratio, known]
        error_mag[channel, known] = np.hypot(error_mag[channel, known], doubt_mag[ratio, known])
    return replace(seen, mag=mag, error_mag=error_mag)


def _with_catalogue_factor(
    made: ContinuumFit, bands: Bands, seen: Seen, factor: float
) -> ContinuumFit:
    """The fit anew with errors of the catalogue so many times as large."""
    evidence, frame = _fitted_with_factor(bands, made.evidence, seen, factor)
    return replace(
        made,
        frame=loosened(frame, evidence.rows(evidence.weight > 0)),
        evidence=evidence,
        catalogue_factor=factor,
    )


def _fitted_with_factor(
    bands: Bands, evidence: Evidence, seen: Seen, factor: float, steps: int = MOST_STEPS
) -> tuple[Evidence, FrameFit]:
    """Evidence and fit, with errors of the catalogue so many times as large."""
    wider = with_errors_times(seen, factor)
    evidence = replace(evidence, ln_catalogue=_ln_catalogue(wider))
    return evidence, _fitted_kind(bands, evidence, wider, steps)


def with_errors_times(seen: Seen, factor: float) -> Seen:
    """The same with errors of the catalogue's B-V so many times as large.

    Parameters
    ----------
    seen : Seen
    factor : float

    Returns
    -------
    Seen
    """
    return replace(seen, bv_error_mag=factor * seen.bv_error_mag)


def _catalogue_factor(frame: FrameFit, evidence: Evidence, seen: Seen) -> float:
    """How many times larger than stated the catalogue's errors are, 1 or more.

    What the ratios of a matched star say of its B-V owes little to its own entry, so what is left
    between them is the error of both.
    """
    rows = np.flatnonzero((evidence.weight > 0) & seen.clean)
    if len(rows) < MIN_STARS:
        return 1.0
    told = star_posteriors(frame, evidence.rows(rows))
    away = (seen.bv_mag[rows] - told.mean_mag["ratios"])[:, None]
    stated = np.hypot(seen.bv_error_mag[rows], CATALOGUE_FLOOR_MAG)[:, None]
    variance = told.variance_mag2["ratios"][:, None] + (CATALOGUE_FACTORS * stated) ** 2
    degrees = FAR_OFF_DEGREES
    far = np.log1p(away**2 / (degrees * FAR_OFF_SCALE * variance))
    ln = -0.5 * np.sum(np.log(variance) + (degrees + 1) * far, axis=0)
    ln += _ln_usual(CATALOGUE_FACTORS)
    share = np.exp(ln - ln.max())
    return float(share @ CATALOGUE_FACTORS / share.sum())


def _ln_usual(factor):
    """Ln of how often catalogues err by so many times what they state, against once."""
    pull = np.log(factor) / CATALOGUE_LN_FACTOR_ERROR
    return -0.5 * pull**2


def _has_clean_light(seen: Seen) -> bool:
    """Whether a star to fit by has light in all channels."""
    return bool(((seen.clean | seen.other) & np.isfinite(seen.mag).all(axis=0)).any())


def _likeliest(
    kinds: list[Bands], seen: Seen, ln_catalogue: np.ndarray, told: str
) -> tuple[Bands, float]:
    """The kind of channels of the largest evidence, judged by some of the stars, and its share of
    the evidence for all."""
    if len(kinds) == 1:
        return kinds[0], 1.0
    ln = _ln_evidences(kinds, seen, ln_catalogue)
    usual = [_usual_share(bands.name, told) for bands in kinds]
    odds = ln + np.log(usual)
    share = np.exp(odds - odds.max())
    best = kinds[int(np.argmax(share))]
    alike = [bands.name == best.name for bands in kinds]
    return best, float(share[alike].sum() / share.sum())


def _ln_evidences(kinds: list[Bands], seen: Seen, ln_catalogue: np.ndarray) -> list[float]:
    """Ln probability of what some of the stars show, were the channels of each kind; kinds that
    cannot catch up with the best are left where few steps took them."""
    to_tell = [_to_tell_by(bands, seen, ln_catalogue) for bands in kinds]
    first = [
        _with_likelier_catalogue(*each, seen, FIRST_STEPS)
        for each in zip(kinds, to_tell, strict=True)
    ]
    best = max(fit.ln_evidence for fit in first)
    return [
        fit.ln_evidence
        if fit.ln_in_reach < best
        else _with_likelier_catalogue(fit.bands, evidence, seen, MOST_STEPS).ln_evidence
        for fit, evidence in zip(first, to_tell, strict=True)
    ]


def _to_tell_by(bands: Bands, seen: Seen, ln_catalogue: np.ndarray) -> Evidence:
    """What some of the stars show, for channels of a kind."""
    evidence = gather(seen, bands, ln_catalogue)
    return _thinned(by_same_stars(evidence, seen, bands))


def _with_likelier_catalogue(
    bands: Bands, evidence: Evidence, seen: Seen, steps: int
) -> FrameFit:
    """The fit with the errors of the catalogue as stated or, where these channels call for larger
    ones, with those if that is likelier. A poor catalogue else speaks against the kinds that tell
    B-V best."""
    frame = _fitted_kind(bands, evidence, seen, steps)
    factor = _catalogue_factor(frame, evidence, seen)
    if factor < TOLD_CATALOGUE_FACTOR:
        return frame
    _, again = _fitted_with_factor(bands, evidence, seen, factor, steps)
    again = replace(again, ln_evidence=again.ln_evidence + float(_ln_usual(factor)))
    return max(frame, again, key=lambda fit: fit.ln_in_reach)


def _usual_share(name: str, told: str) -> float:
    """How often frames hold such channels, by what is told of this one."""
    if told not in USUAL_SHARE:
        return USUAL_SHARE[name]
    believed = TOLD_BROAD_SHARE if told == BROADBAND else TOLD_LINES_SHARE
    rest = (1 - believed) / (1 - USUAL_SHARE[told])
    return believed if name == told else rest * USUAL_SHARE[name]


def _thinned(evidence: Evidence) -> Evidence:
    """The same with fewer matched stars. The others are few already, and weigh what they should
    together only if none is left out."""
    matched = np.flatnonzero(evidence.weight == 1)
    weight = evidence.weight.copy()
    weight[np.setdiff1d(matched, _every(matched, MOST_TO_TELL))] = 0
    return replace(evidence, weight=weight)


def _every(rows: np.ndarray, most: int) -> np.ndarray:
    """At most so many of the rows, at equal steps."""
    return rows[:: max(1, -(-len(rows) // most))]


def _told_by(by_header: bool, alone: bool, share: float) -> str:
    """Who says what the channels hold."""
    if by_header:
        return "by the FILTER keywords"
    if alone:
        return "the usual order, assumed"
    if share >= SURE_SHARE:
        return "by the stars themselves"
    return f"the likeliest by the stars, {100 * share:.0f} %"


def _fitted_kind(
    bands: Bands, evidence: Evidence, seen: Seen, steps: int = MOST_STEPS
) -> FrameFit:
    """The fit of one kind of channels to the stars that count."""
    rows = np.flatnonzero(evidence.weight > 0)
    stars = evidence.rows(rows)
    return fit_frame(
        bands,
        stars,
        _start_values(bands, stars, np.where(seen.clean, seen.bv_mag, np.nan)[rows]),
        steps=steps,
    )


def _start_values(bands: Bands, stars: Evidence, bv_mag: np.ndarray) -> np.ndarray:
    """Parameters to begin with: from the matched stars, else from a usual field."""
    values = bands.expected.copy()
    count = len(bands.ratio_of)
    known = np.isfinite(bv_mag)
    x = np.where(known, bv_mag, FIELD_BV_MAG)
    chosen = known if known.any() else ~known
    tilted = bands.name == "unknown" and np.count_nonzero(known) >= MIN_STARS
    for place in range(count):
        left = stars.ratio_mag[place] - _expected_ratio(bands, place, x)
        if tilted:
            slope = _plain_slope(bv_mag[known], left[known])
            values[count + place] = slope
            left = left - slope * (x - PIVOT_BV_MAG)
        values[place] = np.median(left[chosen])
    return values


def _expected_ratio(bands: Bands, place: int, bv_mag: np.ndarray) -> np.ndarray:
    """A ratio by its priors, zero point 0, without dust."""
    curve = np.einsum("p,pg->g", bands.expected, bands.features[place, :, 0])
    return np.interp(bv_mag, GRID_BV_MAG, curve)


def _plain_slope(x: np.ndarray, y: np.ndarray) -> float:
    away = x - x.mean()
    return float(away @ (y - y.mean()) / max(away @ away, 0.1))


def _judged_fit(made: ContinuumFit, seen: Seen) -> ContinuumFit:
    """The same with the share of B-V's variance that the ratios take away, refused if small."""
    known = np.flatnonzero(made.evidence.weight > 0)
    told = star_posteriors(made.frame, made.evidence.rows(known))
    believed = 1 - told.variance_mag2["ratios"].mean() / told.variance_mag2["field"].mean()
    clean = seen.clean[known]
    enough = np.count_nonzero(clean) >= MIN_STARS
    explained = believed
    if enough:
        explained = _explained(seen, known[clean], told.mean_mag["ratios"][clean], believed)
    if made.frame is None or made.frame.bands.name != "unknown":
        refused = _too_little(believed, len(known))
        refused = refused or _contradicted_by(seen, known[clean], told, clean)
    else:
        refused = (
            _too_little(min(explained, believed), len(known)) if enough else NO_KNOWN_BANDS
        )
    return replace(made, explained=float(explained), refused=refused)


def _contradicted_by(
    seen: Seen, rows: np.ndarray, told: StarPosterior, clean: np.ndarray
) -> str:
    """Why a relation is refused whose colours fit the catalogue's worse than the field's own do;
    empty where they do not."""
    gain = _ln_fits(seen, rows, told, clean, "ratios") - _ln_fits(
        seen, rows, told, clean, "field"
    )
    against = np.clip(gain, -MOST_AGAINST, MOST_AGAINST).sum()
    if against > -CONTRADICTED_LN:
        return ""
    return (
        f"what the channels' ratios say of {counted(len(rows), 'matched star')} fits the catalogue "
        "worse than the colours usual in the field do"
    )


def _ln_fits(seen: Seen, rows, told: StarPosterior, clean, by: str) -> np.ndarray:
    """Likelihood of catalogue colours by a part of the knowledge, (n,)."""
    own = (ERRORS_UP_TO * np.hypot(seen.bv_error_mag[rows], CATALOGUE_FLOOR_MAG)) ** 2
    variance = told.variance_mag2[by][clean] + own
    away = seen.bv_mag[rows] - told.mean_mag[by][clean]
    return -0.5 * (away**2 / variance + np.log(variance))


def _too_little(share: float, stars: int) -> str:
    """Why a relation that explains such a share is refused; empty where it is not."""
    if share >= TELLING_SHARE:
        return ""
    return (
        f"the channels' ratios explain {100 * max(share, 0):.0f} % of the variance of B-V of "
        f"{counted(stars, 'star')}, {100 * TELLING_SHARE:.0f} % needed"
    )


def _explained(seen: Seen, rows: np.ndarray, told_mag: np.ndarray, believed: float) -> float:
    """Share of the variance that is gone in some rows, by medians, the catalogue's own noise taken
    off; what is believed where that noise is most of it."""
    listed_mag = seen.bv_mag[rows]
    own = np.median(seen.bv_error_mag[rows]) ** 2
    left = scatter_about_zero(listed_mag - told_mag) ** 2
    before = scatter(listed_mag) ** 2
    if own > NOISY_SHARE * before:
        return believed
    return float(1 - max(left - own, 0) / max(before - own, 0.1 * before, 2e-6))
