"""From the name of a catalogue to stars: what is on disk first, the network only where it was asked
for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..choices import DEEP, SERVICES, Choices, default_of, own_table_path, require_catalogue
from ..errors import CatalogueDamaged, CatalogueError, CatalogueUnreachable, OutputError
from . import CatalogueStars, cache, embedded
from .columns import catalogue_stars
from .deep import deep_cone, deep_info, deep_path
from .dust import BY_SPECTRA, WAYS, with_dust
from .own_table import parse_mapping, read_own_table
from .request import FAINTEST_MAG, Answer, FieldRequest

__all__ = [
    "Choice",
    "Fetched",
    "fetch",
    "magnitude_limit",
    "source_of",
    "stars_around",
]

DEEPER = ("gaia", "apass")  # than the embedded one, the better first
EMBEDDED_DEPTH_MAG = 11.5  # the embedded catalogue has nine stars of ten down to here
# embedded stars in the circle round a frame, some 40 of them in it: no need to go deeper
ENOUGH_EMBEDDED = 100
USUAL_LIMIT_MAG = default_of("limit")  # where nothing says how deep the frame is
LIMIT_STEP_MAG = (
    0.5  # limits are rounded up to it, so that frames of one field share a cached answer
)
RANKS = 20  # brightest stars of frame and catalogue whose magnitudes are compared


@dataclass(frozen=True, eq=False)
class Choice:
    """The stars for a frame, and how they were come by.

    Attributes
    ----------
    stars : CatalogueStars
        At the epoch asked for, `bv_fit_error_mag` filled.
    source : {"embedded", "cache", "service", "file"}
    path : Path or None
        The file they were read from.
    notes : tuple of str
        What the user should know: a fall back, a shallower field, a damaged file.
    """

    stars: CatalogueStars
    source: str
    path: Path | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Source:
    """Which catalogue to ask, and how; see `stars_around`."""

    name: str
    online: bool | None
    timeout_s: float
    mapping: dict[str, str] | None


def source_of(choices: Choices) -> Source:
    """The catalogue that was chosen.

    Parameters
    ----------
    choices : Choices

    Returns
    -------
    Source

    Raises
    ------
    CatalogueError
        Columns of the user's own table that cannot be read.
    """
    mapping = parse_mapping(choices.columns) if choices.columns else None
    return Source(choices.catalogue, choices.online, choices.timeout, mapping)


@dataclass(frozen=True)
class Fetched:
    """A field that is in the cache now.

    Attributes
    ----------
    field : CachedField
    was_there : bool
        It was in the cache already and nothing was asked.
    notes : tuple of str
        What the service was found to lack, mirrors that did not answer.
    """

    field: cache.CachedField
    was_there: bool
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        known = " (was there already)" if self.was_there else ""
        return "\n".join([f"{self.field}{known}", str(self.field.path), *self.notes])


def stars_around(
    name: str,
    ra_deg: float,
    dec_deg: float,
    radius_deg: float,
    *,
    epoch_yr: float = 2000.0,
    limit_mag: float | None = None,
    online: bool | None = None,
    timeout_s: float = default_of("timeout"),
    mapping: dict[str, str] | None = None,
) -> Choice:
    """Stars within a circle on the sky, from the catalogue of a name.

    Parameters
    ----------
    name : str
        ``embedded``; ``gaia``, ``apass``, ``tycho2-online``; ``deep``, the table that was built of
        Gaia; ``file:PATH``; or ``auto``: a cached
        deeper field if there is one, else the deep table if there is one, else the embedded
        catalogue, or with ``online=True`` Gaia where the embedded one has few stars.
    ra_deg, dec_deg, radius_deg : float
        Centre, ICRS, and radius; 0 < radius <= 90.
    epoch_yr : float
        Julian year, 1800 to 2200, of the positions.
    limit_mag : float, optional
        Johnson V of the faintest stars wanted of a deeper catalogue; 15 by default. See
        `magnitude_limit`.
    online : bool, optional
        Whether the network may be used. By default a catalogue of the network that is named may use
        it, ``auto`` not.
    timeout_s : float
        For all that is asked of the network, together.
    mapping : dict, optional
        Columns of the user's own table, see `own_table.SPELLINGS`.

    Returns
    -------
    Choice

    Raises
    ------
    CatalogueUnreachable, CatalogueIncomplete
        A catalogue of the network that was named cannot be had; ``auto`` falls back to the embedded
        one, and says so.
    CatalogueError
        No such catalogue, or the user's own table cannot be used.
    ValueError
        A number outside its range.
    """
    require_catalogue(name)
    circle = (ra_deg, dec_deg, radius_deg)
    if name == "embedded":
        return _embedded(circle, epoch_yr)
    if (path := own_table_path(name)) is not None:
        return _in_circle(Choice(read_own_table(path, mapping), "file", path), circle, epoch_yr)
    if name == DEEP:
        return _deep(circle, epoch_yr)
    limit_mag = USUAL_LIMIT_MAG if limit_mag is None else limit_mag
    if name == "auto":
        return _auto(circle, epoch_yr, limit_mag, bool(online), timeout_s)
    return _in_circle(
        _named(FieldRequest(name, *circle, limit_mag), online is not False, timeout_s),
        circle,
        epoch_yr,
    )


def fetch(request: FieldRequest, *, timeout_s: float = default_of("timeout")) -> Fetched:
    """Put a field into the cache, unless it is there.

    Parameters
    ----------
    request : FieldRequest
    timeout_s : float
        For everything together.

    Returns
    -------
    Fetched

    Raises
    ------
    CatalogueUnreachable, CatalogueIncomplete
        As `services.ask`; besides, the service has no stars there.
    OutputError
        The cache cannot be written to.

    Examples
    --------
    >>> import starcal
    >>> wanted = starcal.FieldRequest("gaia", 314.8, 44.5, 0.5, 15.0)
    >>> starcal.fetch_field(wanted)  # doctest: +SKIP
    """
    field = cache.find(request)
    if field is not None and _readable(field):
        return Fetched(field, True)
    answer = _ask_service(request, timeout_s)
    if not len(answer.table):
        raise CatalogueUnreachable(
            f"{request.catalogue} at {answer.address} has no stars within {request.radius_deg:.4f} "
            f"deg of "
            f"{request.ra_deg:.4f} {request.dec_deg:+.4f} down to V {request.limit_mag:.2f}, "
            f"though it has some "
            "elsewhere: use another --catalogue, or a larger --radius"
        )
    return Fetched(cache.keep(request, answer), False, answer.notes)


def magnitude_limit(
    instrumental_mag: np.ndarray, embedded_v_mag: np.ndarray, faintest_mag: float = 17.0
) -> float:
    """V of the faintest stars in a frame, from the ranks of its stars and of the catalogue's in
    brightness.

    Parameters
    ----------
    instrumental_mag : (N,) array_like
        Of the stars found in the frame, any zero point; NaN is left out.
    embedded_v_mag : (M,) array_like
        Johnson V of the embedded catalogue's stars in the frame.
    faintest_mag : float
        Not deeper than this.

    Returns
    -------
    float
        11.5 to `faintest_mag`, a multiple of 0.5 (rounded up); 15 when either has no stars.

    Notes
    -----
    The k-th brightest star of the one is taken for the k-th brightest of the other, up to 20: no
    positions, so it serves before any match; saturated stars make the frame look up to 0.5 mag
    shallower, hence the rounding up.
    """
    found, known = (
        np.sort(np.asarray(m, float)[np.isfinite(m)])
        for m in (instrumental_mag, embedded_v_mag)
    )
    ranks = min(len(found), len(known), RANKS)
    if not ranks:
        return USUAL_LIMIT_MAG
    zero_point_mag = np.median(known[:ranks] - found[:ranks])
    depth_mag = np.quantile(found, 0.95) + zero_point_mag
    rounded_mag = np.ceil(depth_mag / LIMIT_STEP_MAG) * LIMIT_STEP_MAG
    return float(np.clip(rounded_mag, EMBEDDED_DEPTH_MAG, faintest_mag))


# --- ways to stars ----------------------------------------------------------------------


def _embedded(
    circle: tuple[float, float, float], epoch_yr: float, notes: tuple[str, ...] = ()
) -> Choice:
    stars = embedded.cone(*circle, epoch_yr=epoch_yr)
    errors = embedded.bv_error_model(stars.v_mag).astype(np.float32)
    stars = with_dust(replace(stars, bv_fit_error_mag=errors))
    return Choice(stars, "embedded", notes=notes)


def _deep(circle: tuple[float, float, float], epoch_yr: float) -> Choice:
    path = deep_path()
    FieldRequest(
        SERVICES[0], *circle, FAINTEST_MAG[SERVICES[0]]
    )  # which refuses what is no place
    stars = with_dust(deep_cone(*circle, epoch_yr=epoch_yr, path=path))
    return Choice(stars, "file", path, _ways_note(stars))


def _auto(
    circle: tuple[float, float, float],
    epoch_yr: float,
    limit_mag: float,
    online: bool,
    timeout_s: float,
) -> Choice:
    """A cached deeper field, else the deep table, else the embedded catalogue, else Gaia: with few
    stars and the network allowed."""
    kept, notes = _from_cache(circle, limit_mag)
    if kept is not None:
        return _in_circle(replace(kept, notes=(*notes, *kept.notes)), circle, epoch_yr)
    built, why_not = _from_deep_table(circle, epoch_yr)
    notes = (*notes, *why_not)
    if built is not None:
        return replace(built, notes=(*notes, *built.notes))
    own = _embedded(circle, epoch_yr, notes)
    if not online or np.sum(own.stars.v_mag <= EMBEDDED_DEPTH_MAG) >= ENOUGH_EMBEDDED:
        return own
    try:
        named = _named(FieldRequest("gaia", *circle, limit_mag), True, timeout_s)
    except CatalogueError as error:
        return replace(
            own, notes=(*notes, f"the embedded catalogue was used instead of Gaia: {error}")
        )
    if not len(named.stars):
        return replace(
            own, notes=(*notes, *named.notes, "the embedded catalogue was used instead")
        )
    return _in_circle(named, circle, epoch_yr)


def _from_deep_table(
    circle: tuple[float, float, float], epoch_yr: float
) -> tuple[Choice | None, tuple[str, ...]]:
    """The deep table, where one was built that goes deeper than the embedded catalogue."""
    path = deep_path()
    if not path.exists():
        return None, ()
    try:
        if deep_info(path).limit_mag <= EMBEDDED_DEPTH_MAG:
            return None, ()
        return _deep(circle, epoch_yr), ()
    except CatalogueError as error:
        return None, (str(error),)


def _from_cache(
    circle: tuple[float, float, float], limit_mag: float
) -> tuple[Choice | None, tuple[str, ...]]:
    """A field of the cache that goes deeper than the embedded catalogue."""
    notes: tuple[str, ...] = ()
    for name in DEEPER:
        request = FieldRequest(name, *circle, limit_mag)
        field = cache.find(request, any_depth=True)
        if field is None or field.request.limit_mag <= EMBEDDED_DEPTH_MAG:
            continue
        try:
            return _kept_choice(field, request), notes
        except CatalogueError as error:
            notes = (*notes, str(error))
    return None, notes


def _named(request: FieldRequest, online: bool, timeout_s: float) -> Choice:
    """A catalogue of the network: from the cache, else from its service, else a shallower field of
    the cache."""
    notes: tuple[str, ...] = ()
    field = cache.find(request)
    if field is not None:
        try:
            return _kept_choice(field, request)
        except CatalogueDamaged as error:
            notes = (str(error),)
    try:
        return _asked(request, online, timeout_s, notes)
    except CatalogueError as error:
        field = cache.find(request, any_depth=True)
        if field is None or not _readable(field):
            raise
        kept = _kept_choice(field, request)
        return replace(
            kept, notes=(*notes, f"a field of the cache was used: {error}", *kept.notes)
        )


def _asked(
    request: FieldRequest, online: bool, timeout_s: float, notes: tuple[str, ...]
) -> Choice:
    if not online:
        raise CatalogueUnreachable(
            f"{request.catalogue}: this field is not in the cache {cache.cache_folder()}, and the "
            f"network is not to be "
            "used. Use --catalogue embedded; or type on a machine with a "
            f"network: {request.command} - and copy its file {request.file_name} into that folder"
        )
    answer = _ask_service(request, timeout_s)
    notes = (*notes, *answer.notes)
    stars = _within_limit(catalogue_stars(answer.table, request), request.limit_mag)
    if not len(answer.table):
        return Choice(
            stars,
            "service",
            notes=(
                *notes,
                f"{request.catalogue} has no stars down to V "
                f"{request.limit_mag:.2f} in this field, though it has some elsewhere",
            ),
        )
    try:
        return Choice(stars, "service", cache.keep(request, answer).path, notes)
    except OutputError as error:
        return Choice(
            stars, "service", notes=(*notes, f"the answer could not be kept: {error}")
        )


def _ask_service(request: FieldRequest, timeout_s: float) -> Answer:
    """The client of the network is imported only where it is needed: 0.3 s."""
    from . import services

    return services.ask(request, timeout_s=timeout_s)


def _kept_choice(field: cache.CachedField, request: FieldRequest) -> Choice:
    stars, wanted = cache.read_field(field), request.limit_mag
    deep = field.request.limit_mag
    notes = (
        ()
        if deep >= wanted - 1e-6
        else (
            f"the cached field {field.path.name} goes to V {deep:.2f}, not {wanted:.2f}. For more "
            f"type: {request.command}",
        )
    )
    return Choice(
        replace(_within_limit(stars, wanted), limit_mag=min(stars.limit_mag, wanted)),
        "cache",
        field.path,
        notes,
    )


def _within_limit(stars: CatalogueStars, limit_mag: float) -> CatalogueStars:
    """Without the stars beyond the limit: services cut in other bands than V."""
    return stars.select(~(stars.v_mag > limit_mag))


def _readable(field: cache.CachedField) -> bool:
    try:
        cache.read_field(field)
    except CatalogueError:
        return False
    return True


def _in_circle(choice: Choice, circle: tuple[float, float, float], epoch_yr: float) -> Choice:
    """The stars at the epoch, those in the circle then."""
    if not 1800 <= epoch_yr <= 2200:
        raise ValueError(f"epoch_yr is a Julian year within 1800..2200, not {epoch_yr}")
    stars = choice.stars.at_epoch(epoch_yr)
    centre = FieldRequest(SERVICES[0], *circle, FAINTEST_MAG[SERVICES[0]])
    inside = stars.select(centre.separation_deg(stars.ra_deg, stars.dec_deg) <= circle[2])
    return replace(choice, stars=with_dust(inside), notes=choice.notes + _ways_note(inside))


def _ways_note(stars: CatalogueStars) -> tuple[str, ...]:
    """How B-V was come by, unless all of it from spectra."""
    if stars.bv_source is None or not len(stars):
        return ()
    known = stars.bv_source[np.isfinite(stars.bv_mag)]
    counts = [f"{np.sum(known == way)} from {way}" for way in WAYS if np.any(known == way)]
    if len(counts) < 2 and np.all(known == BY_SPECTRA):
        return ()
    return (f"B-V of {stars.name}: {', '.join(counts) or 'none'}",)
