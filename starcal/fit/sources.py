"""A B-V for every star, from the best source there is: catalogue, continuum, or the field
itself."""

from dataclasses import dataclass, replace

import numpy as np
from astropy.table import Table

from ..colour.palette import Palette
from ..errors import TooFewStars
from ..stars import Flag
from ..texts import counted
from .continuum import PRIOR_BV_MAG, PRIOR_SPREAD_MAG, ContinuumFit, field_spread_bv, fit_continuum
from .gains import MIN_STARS, log_ratios

SINGLE_ROUTES = ("catalogue", "continuum", "palette")  # that may be asked for alone
NEARLY_ALL = 0.98  # of a variance: what is left is not known so well
MAIN_SHARE = 0.6  # of the weight: a source with more is named alone
NOT_FOR_RATIOS = Flag.SATURATED | Flag.EDGE  # a clipped or cut star has no ratio
NOT_FOR_TRAINING = (
    NOT_FOR_RATIOS
    | Flag.BLENDED
    | Flag.FAINT
    | Flag.SHAPE
    | Flag.NO_MATCH
    | Flag.NO_BV
    | Flag.DOUBLE
    | Flag.MISMATCH
    | Flag.LEFT_OUT
)
NOT_FOR_CATALOGUE = Flag.NO_MATCH | Flag.NO_BV | Flag.MISMATCH


@dataclass(frozen=True, eq=False)
class StarColours:
    """B-V of every star of a table.

    Attributes
    ----------
    bv_mag, bv_error_mag : ndarray, shape (n,)
        Never NaN.
    source : ndarray of str, shape (n,)
        catalogue, continuum, catalogue+continuum, field spread, field median, or palette.
    route : str
        The best source that many stars rest on: continuum, catalogue or palette.
    reason : str
        Why this route and no better one.
    continuum : ContinuumFit or None
        The relation, where there were stars to fit one; look at its ``refused``.
    """

    bv_mag: np.ndarray
    bv_error_mag: np.ndarray
    source: np.ndarray
    route: str
    reason: str
    continuum: ContinuumFit | None

    def tally(self) -> dict[str, int]:
        """Count the stars of each source."""
        return source_tally(self.source)


def source_tally(source: np.ndarray) -> dict[str, int]:
    """Count the entries of each name."""
    names, counts = np.unique(np.asarray(source), return_counts=True)
    return {str(name): int(count) for name, count in zip(names, counts, strict=True)}


def choose_colours(
    stars: Table, flux: np.ndarray, flux_error: np.ndarray, route: str = "best"
) -> StarColours:
    """Give every star the B-V that its sources allow, weighted by inverse variance.

    Parameters
    ----------
    stars : Table
        A star table that `checking.check` has gone over: with ``flags`` and, after a match,
        ``bv_mag`` and its ``bv_fit_error_mag``.
    flux, flux_error : ndarray, shape (3, n)
        Of the same stars, in the linear frame as it is; NaN or not positive where unknown.
    route : {"best", "catalogue", "continuum"}
        Whether to use all sources, or one alone.

    Returns
    -------
    StarColours

    Raises
    ------
    TooFewStars
        One source alone was asked for, and no star has it.
    """
    ratio, error = log_ratios(flux, flux_error)
    usable = np.isfinite(ratio).all(axis=0) & (stars["flags"] & NOT_FOR_RATIOS == 0)
    ratio, error = np.where(usable, ratio, np.nan), np.where(usable, error, np.nan)
    catalogue = _catalogue(stars)
    fit = _trained(stars, ratio, error, catalogue)
    inferred = _inferred(fit, ratio, error)
    name = "continuum"
    if route != "best":
        return _from_one(route, catalogue, inferred, fit)
    if fit is None and not np.isfinite(catalogue[0]).any():
        inferred, name = field_spread_bv(ratio, error), "field spread"
    return _combined(catalogue, inferred, name, _field(fit, catalogue[0]), fit)


def _from_one(route: str, catalogue, inferred, fit: ContinuumFit | None) -> StarColours:
    """One source alone; stars without it are held by what is known of the field."""
    field, nothing = _field(fit, catalogue[0]), np.full_like(catalogue, np.nan)
    known = int(np.isfinite({"catalogue": catalogue, "continuum": inferred}[route][0]).sum())
    if not known:
        why = "no star is matched" if route == "catalogue" else _why_no_relation(fit)
        raise TooFewStars(
            f"--route {route} asked for, but {why}: use --route best", found=0, needed=1
        )
    sources = (catalogue, nothing) if route == "catalogue" else (nothing, inferred)
    made = _combined(*sources, "continuum", field, fit)
    reason = f"the {route} alone was asked for; {counted(known, 'star')} with a colour by it"
    return replace(made, route=route, reason=reason)


def _why_no_relation(fit: ContinuumFit | None) -> str:
    return (
        fit.refused if fit is not None else "too few clean matched stars for a continuum relation"
    )


def _catalogue(stars: Table):
    if "bv_mag" not in stars.colnames:
        return np.full(len(stars), np.nan), np.full(len(stars), np.nan)
    known = (stars["flags"] & NOT_FOR_CATALOGUE == 0) & np.isfinite(stars["bv_mag"])
    return tuple(
        np.where(known, np.asarray(stars[name], float), np.nan)
        for name in ("bv_mag", "bv_fit_error_mag")
    )


def _trained(stars: Table, ratio, error, catalogue) -> ContinuumFit | None:
    good = (
        (stars["flags"] & NOT_FOR_TRAINING == 0)
        & np.isfinite(ratio).all(axis=0)
        & np.isfinite(catalogue[0])
    )
    if good.sum() < MIN_STARS:
        return None
    return fit_continuum(ratio[:, good], error[:, good], catalogue[0][good], catalogue[1][good])


def _inferred(fit: ContinuumFit | None, ratio, error):
    if fit is None or fit.refused:
        return np.full(ratio.shape[1], np.nan), np.full(ratio.shape[1], np.nan)
    return fit.predict(ratio, error)


def _field(fit: ContinuumFit | None, catalogue_bv: np.ndarray) -> tuple[float, float]:
    """Mean and spread of B-V that a star of this field has before anything is known of it."""
    known = catalogue_bv[np.isfinite(catalogue_bv)]
    if fit is not None:
        return fit.bv_mean, max(fit.bv_spread, 0.15)
    return (
        (float(np.median(known)), PRIOR_SPREAD_MAG)
        if len(known) >= MIN_STARS
        else (PRIOR_BV_MAG, PRIOR_SPREAD_MAG)
    )


def _combined(catalogue, inferred, name: str, field: tuple[float, float], fit) -> StarColours:
    """Inverse-variance mean of the sources and of the field, which holds stars that nothing else is
    known of."""
    n = len(catalogue[0])
    values = np.array([catalogue[0], inferred[0], np.full(n, field[0])])
    weights = np.array([1 / catalogue[1] ** 2, 1 / inferred[1] ** 2, np.full(n, field[1] ** -2)])
    weights = np.where(np.isfinite(values) & np.isfinite(weights), weights, 0)
    total = weights.sum(axis=0)
    bv = (weights * np.nan_to_num(values)).sum(axis=0) / total
    share = weights / total
    measured = share[:2].sum(axis=0)
    last = "field median" if fit is not None or np.isfinite(catalogue[0]).any() else "palette"
    source = np.select(
        [
            measured < 1 - MAIN_SHARE,
            share[0] > MAIN_SHARE * measured,
            share[1] > MAIN_SHARE * measured,
        ],
        [last, "catalogue", name],
        f"catalogue+{name}",
    )
    route, reason = _route(source, fit, name)
    return StarColours(bv, total**-0.5, source.astype("U24"), route, reason, fit)


def _route(source: np.ndarray, fit: ContinuumFit | None, name: str) -> tuple[str, str]:
    if fit is not None and not fit.refused:
        share = f"{100 * fit.explained:.0f} %" if fit.explained < NEARLY_ALL else "nearly all"
        return "continuum", (
            f"a relation between the channels and B-V, fitted on {np.count_nonzero(fit.used)} "
            f"matched "
            f"stars, explains {share} of their B-V's variance beyond the catalogue's noise"
        )
    if np.any(source == "catalogue"):
        count = counted(np.count_nonzero(source == "catalogue"), "star")
        return "catalogue", f"the catalogue has the colour of {count}; {_why_no_relation(fit)}"
    if np.any(source == name) and name == "field spread":
        return "palette", (
            "no star is matched: the field's own spread of colours is laid on the usual one "
            "(median "
            f"B-V {PRIOR_BV_MAG}), the redder end where R is stronger against B; not measured"
        )
    return (
        "palette",
        "no star is matched and the channels show no sequence of colours: one yellow-white for all",
    )


def from_palette(palette: Palette) -> StarColours:
    """Every star from a palette that was asked for."""
    n = len(palette.bv_mag)
    return StarColours(
        palette.bv_mag,
        np.full(n, PRIOR_SPREAD_MAG),
        np.full(n, "palette", "U24"),
        "palette",
        palette.label,
        None,
    )
