"""All that can be asked for: every choice with its default and its limits, written here and nowhere
else.

The command line, the functions of Python, the page and ``result.json`` take theirs from here. This
module imports nothing heavy, so that ``starcal --help`` can tell the defaults at once; a few
numbers and names that bound a choice therefore stand here, and `colour` and `catalogue` take them
from here.

A choice is added in three places: `Choices` (default, limits, meaning), the keywords of the
functions that obey it, below, and an option in ``cli.options``.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any, TypedDict

from .errors import CatalogueError, SettingsError
from .inputs import at_home, read_json, require_file

SOLAR_BV_MAG = 0.65
"""B-V of the usual neutral star, a G2V star."""

BV_RANGE_MAG = (-0.37, 1.5)
"""Where the colours of real stars are known; stars beyond get the colour of the nearer end."""

YELLOW_WHITE_BV_MAG = 0.75
"""Median B-V of field stars: no single colour is closer to a field of spread 0.35 mag, with a rms
u'v' error of 0.023."""

YELLOW_WHITE_RANGE_MAG = (0.4, 1.0)
"""Invented colours stay between F5 and K2, blue-white and pale orange."""

SERVICES = ("gaia", "apass", "tycho2-online")  # catalogues of the network
OWN_TABLE = "file:"  # before the path of a table of the user's own
DEEP = "deep"  # a table of Gaia's stars that `starcal catalogue build` made
CATALOGUES = ("embedded", *SERVICES, DEEP, "auto", f"{OWN_TABLE}PATH")

Place = tuple[float, float]
GivenGains = tuple[float, float, float, float]  # of R, its error, of B, its error
Places = tuple[Place, ...]


@dataclass(frozen=True)
class Limits:
    """What a number may be.

    Attributes
    ----------
    low, high : float
        Both belong to it, unless `above` is set: then `low` does not.
    needed : str
        The same in words.
    above : bool
    whole : bool
        Numbers with a fraction do not.
    """

    low: float
    high: float
    needed: str
    above: bool = False
    whole: bool = False

    def hold(self, value: Any) -> bool:
        """Whether a value is a finite number within them."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            return False
        if not math.isfinite(value) or (self.above and value == self.low):
            return False
        if self.whole and value != int(value):
            return False
        return self.low <= value <= self.high


MOST_MEGAPIXELS = 500.0  # of a picture: eight frames of the largest cameras
POSITIVE = Limits(0.0, math.inf, "a number above 0 needed", above=True)
NOT_NEGATIVE = Limits(0.0, math.inf, "0 or more needed")
STAR_COLOUR = Limits(
    *BV_RANGE_MAG, "colours are known for B-V {:g} to {:g}".format(*BV_RANGE_MAG)
)
PIXEL_SCALE = Limits(0.0, 3600.0, "arcsec above 0, up to 3600 needed", above=True)
STAR_SIZE = Limits(0.4, 1.5, "0.4 to 1.5 needed")
STAR_STRENGTH = Limits(0.1, 10.0, "0.1 to 10 needed")
# A unit of warmth moves B-V by 0.35 mag: beyond these every star ends at one end of its colours.
WARMTH = Limits(-4.0, 6.0, "-4 to 6 needed; 1 is true, 2 is redder")
SATURATION = Limits(0.0, 10.0, "0 to 10 needed; 1 is true, 0 is white")
SPREAD = Limits(0.0, 1.0, "0 to 1 mag needed")
BRIGHTNESS = Limits(0.0, 100.0, "a factor above 0, up to 100 needed", above=True)
STAR_MAG = Limits(-2.0, 25.0, "-2 to 25 mag needed")
THRESHOLD = Limits(0.0, 1000.0, "a number above 0, up to 1000 needed", above=True)
PATIENCE = Limits(0.0, 86400.0, "seconds above 0, up to 86400 needed", above=True)
STRENGTH = Limits(0.0, 1000.0, "a number above 0, up to 1000 needed", above=True)
COUNT = Limits(1, math.inf, "a whole number above 0 needed", whole=True)
BLACK_POINT = Limits(-10.0, 1.0, "-10 to 1 needed")
# Of what is asked of catalogues: a field, the faintest star in it, and that of a deep table
FIELD_RADIUS = Limits(1e-6, 90.0, "degrees above 0, up to 90 needed")
FIELD_LIMIT = Limits(3.0, 25.0, "3 to 25 mag needed")
DEEP_LIMIT = Limits(6.0, 16.0, "6 to 16 mag needed")


# What holds in commands that make no `Choices`: plan, compose, catalogue fetch
USUAL: dict[str, Any] = {
    "aperture_mm": 80.0,
    "focal_mm": 480.0,
    "pixel_um": 3.76,
    "full_well": 50_000.0,  # electrons
    "read_noise": 3.0,  # electrons
    "efficiency": 0.5,
    "bortle": 5,
    "fwhm_arcsec": 4.0,
    "faint_mag": 15.0,
    "pixels": (6000, 4000),  # of a sensor that nobody has described
    "radius": 1.0,  # degrees
    "limit": 15.0,  # V of the faintest star that is asked for
    "match": "none",
}


# In which unit a choice is, for values that carry one of their own.
UNITS = {
    "neutral_bv": "mag",
    "timeout": "s",
    "ra": "deg",
    "dec": "deg",
    "scale": "arcsec",
    "bv": "mag",
    "spread": "mag",
    "faintest_mag": "mag",
}


def without_unit(value: Any, unit: str) -> Any:
    """The number of a quantity in some unit; numbers of numpy as those of Python, anything else as
    it is.

    Parameters
    ----------
    value : Quantity, Angle, or anything else
    unit : str
        As astropy writes it.

    Returns
    -------
    object

    Raises
    ------
    ValueError
        It cannot be told in that unit.
    """
    if not hasattr(value, "to_value"):
        return value.item() if getattr(value, "ndim", None) == 0 else value
    try:
        return float(value.to_value(unit))
    except Exception as error:  # of astropy, which is not imported here
        raise ValueError(f"{value} given; something in {unit or 'no unit'} needed") from error


def _number_field(default: float | None, limits: Limits) -> Any:
    return field(default=default, metadata={"limits": limits})


def _one_of(*names: str) -> Any:
    """A choice between names, the default first."""
    return field(default=names[0], metadata={"names": names})


@dataclass(frozen=True, kw_only=True)
class Choices:
    """All that can be asked for, besides the frame; the names are those of the command line's
    options.

    Attributes
    ----------
    neutral_bv : float
        B-V of the star that comes out neutral, R = G = B: within `BV_RANGE_MAG`, mag.
    model : {"gains", "matrix", "gradient"}
        What is fitted to the catalogue: a gain for each channel; or besides a 3x3 matrix; or gains
        that change from edge to edge of the frame, where the stars show a gradient of colour.
    gains : tuple of float, optional
        Gain of R, its error, gain of B, its error, in place of the frame's own: what several
        frames have in common. They serve where the frame's own stars do not say no.
    snr : float
        Detection threshold, above 0.
    assume_linear : bool
        Believe that the frame is linear, whatever it looks like.
    leave_out : tuple of (x_px, y_px)
        Stars left out of the fit by hand, by their places.
    catalogue : str
        One of `CATALOGUES`; ``file:PATH`` is a table of your own.
    bands : str, optional
        File with the response curves of the channels; see `fit.responses.read_terms`.
    columns : str, optional
        Its columns, as ``ra=..,dec=..,v=..,bv=..``.
    online : bool, optional
        Whether the network may be asked; by default only for a catalogue that is named.
    timeout : float
        For all that is asked of the network, seconds.
    ra, dec : float, str or Angle, optional
        Middle of a frame without a WCS that fits: degrees, or sexagesimal hours and degrees.
        These and all other numbers may carry a unit.
    object : str, optional
        In place of them a nebula, cluster or galaxy near the middle; see
        `catalogue.objects.find_object`.
    scale : float, optional
        Size of its pixels, arcsec.
    sky : {"grey", "keep"}
        Whether calibration brings the sky background to grey; gradients stay.
    route : {"best", "gains", "catalogue", "continuum", "palette"}
        Where the colours of the stars come from: the best source for each, or one source alone;
        ``gains`` multiplies the frame whole.
    bv, spread : float
        B-V of the palette, and its invented spread, mag.
    warmth, saturation : float
        1 is true; see `colour.palette.star_colours`.
    star_brightness : float
        A factor above 0; 1 leaves the stars' light as it is, and those of a separate star frame as
        prominent as the own.
    star_size : float
        Of the stars, 0.4 to 1.5; 1 leaves them as they are. Their light is kept.
    faintest_mag : float, optional
        Stars fainter than this V are left away; by default none.
    brightest : float, optional
        How many stars are kept, the brightest; by default all.
    clipped_cores : {"rebuild", "keep"}
        Whether clipped cores are rebuilt from the stars' unclipped wings.
    star_strength : float
        0.1 to 10: how far faint stars are lifted where stars are stretched by themselves; 1 as the
        whole picture's own stretch does.
    tiff : bool
        Write a 16-bit TIFF of the picture, too.
    black, strength : float
        Of the stretch of previews: 0 and 1 as chosen from the frame; see `tone.Stretch.adjusted`.

    Raises
    ------
    ValueError
        One of them cannot be; the message names it.
    CatalogueError
        No catalogue of that name.

    Examples
    --------
    >>> from starcal import Choices
    >>> Choices(neutral_bv=0.4).neutral_bv
    0.4
    >>> Choices(model="cubic")
    Traceback (most recent call last):
    ValueError: model 'cubic' given; it is one of gains, matrix, gradient
    """

    neutral_bv: float = _number_field(SOLAR_BV_MAG, STAR_COLOUR)
    model: str = _one_of("gains", "matrix", "gradient")
    gains: GivenGains | None = None
    snr: float = _number_field(5.0, THRESHOLD)
    assume_linear: bool = False
    leave_out: Places = ()
    catalogue: str = "embedded"
    bands: str | None = None
    columns: str | None = None
    online: bool | None = None
    timeout: float = _number_field(60.0, PATIENCE)
    ra: float | str | None = None
    dec: float | str | None = None
    object: str | None = None
    scale: float | None = _number_field(None, PIXEL_SCALE)
    sky: str = _one_of("grey", "keep")
    route: str = _one_of("best", "gains", "catalogue", "continuum", "palette")
    bv: float = _number_field(YELLOW_WHITE_BV_MAG, STAR_COLOUR)
    spread: float = _number_field(0.0, SPREAD)
    warmth: float = _number_field(1.0, WARMTH)
    saturation: float = _number_field(1.0, SATURATION)
    star_brightness: float = _number_field(1.0, BRIGHTNESS)
    star_size: float = _number_field(1.0, STAR_SIZE)
    faintest_mag: float | None = _number_field(None, STAR_MAG)
    brightest: float | None = _number_field(None, COUNT)
    clipped_cores: str = _one_of("rebuild", "keep")
    star_strength: float = _number_field(1.0, STAR_STRENGTH)
    tiff: bool = False
    black: float = _number_field(0.0, BLACK_POINT)
    strength: float = _number_field(1.0, STRENGTH)

    def __post_init__(self):
        """Refuse what no later step could make sense of."""
        for each in fields(self):
            value = without_unit(getattr(self, each.name), UNITS.get(each.name, ""))
            object.__setattr__(self, each.name, value)
            _require(each, value)
        require_catalogue(self.catalogue)
        _require_palette(self.bv, self.spread)
        object.__setattr__(self, "leave_out", _places_checked(self.leave_out))
        if self.gains is not None:
            object.__setattr__(self, "gains", _gains_checked(self.gains))
            require_gains_serve(self)

    def __repr__(self) -> str:
        """What differs from the defaults."""
        values = {each.name: (getattr(self, each.name), each.default) for each in fields(self)}
        told = [
            f"{name}={value!r}" for name, (value, usual) in values.items() if value != usual
        ]
        return f"{type(self).__name__}({', '.join(told)})"

    @property
    def own_table(self) -> Path | None:
        """Where the user's own catalogue lies, if that is what was chosen."""
        return own_table_path(self.catalogue)


def default_of(name: str) -> Any:
    """What holds unless something else is asked for.

    Parameters
    ----------
    name : str
        Of a field of `Settings`, or one of `USUAL`.

    Returns
    -------
    object
    """
    return USUAL[name] if name in USUAL else _settings_field(name).default


def limits_of(name: str) -> Limits:
    """What a choice that is a number may be.

    Parameters
    ----------
    name : str
        Of a field of `Settings` that is a number.

    Returns
    -------
    Limits
    """
    return _settings_field(name).metadata["limits"]


def names_of(name: str) -> tuple[str, ...]:
    """What a choice between names can be, the default first.

    Parameters
    ----------
    name : str
        Of a field of `Settings` that is a choice between names.

    Returns
    -------
    tuple of str
    """
    return _settings_field(name).metadata["names"]


def _settings_field(name: str):
    return Settings.__dataclass_fields__[name]


# --- what is refused --------------------------------------------------------------------


def _require(each, value) -> None:
    names, limits = each.metadata.get("names"), each.metadata.get("limits")
    if names and value not in names:
        raise ValueError(f"{each.name} {value!r} given; it is one of {', '.join(names)}")
    may_lack = each.default is None and value is None
    if limits and not may_lack and not limits.hold(value):
        raise ValueError(f"{each.name} {value} given, {limits.needed}")
    if each.type in ("bool", "bool | None") and not (may_lack or isinstance(value, bool)):
        raise ValueError(f"{each.name} {value!r} given; it is True or False")
    if each.type in ("str", "str | None") and not (may_lack or _is_text(value)):
        raise ValueError(f"{each.name} {value!r} given; a text needed")


def _is_text(value: Any) -> bool:
    """Whether a value can be a name or a path."""
    return isinstance(value, str | os.PathLike) and "\0" not in os.fspath(value)


def own_table_path(name: str) -> Path | None:
    """Where the user's own table lies that a catalogue's name means; None for any other name.

    Parameters
    ----------
    name : str
        As given for a catalogue.

    Returns
    -------
    Path or None
    """
    path = name.removeprefix(OWN_TABLE)
    return at_home(path) if path not in ("", name) else None


def require_catalogue(name: str) -> None:
    """Refuse a name that is none of `CATALOGUES`.

    Parameters
    ----------
    name : str

    Raises
    ------
    CatalogueError
    """
    known = name in CATALOGUES[:-1]
    if not known and not (isinstance(name, str) and own_table_path(name)):
        raise CatalogueError(
            f"catalogue {name!r} given; it is one of {', '.join(CATALOGUES)}. Type: --catalogue "
            "auto"
        )


def _require_palette(bv: float, spread: float) -> None:
    low, high = YELLOW_WHITE_RANGE_MAG
    if spread > 0 and not low <= bv <= high:
        raise ValueError(
            f"spread {spread} about bv {bv} given, but invented colours stay within B-V {low} to "
            f"{high}: spread 0 or a bv in between needed"
        )


def _places_checked(places) -> Places:
    try:
        pairs = tuple((float(x), float(y)) for x, y in places)
    except (TypeError, ValueError):
        pairs = ((math.nan, math.nan),)
    if not all(math.isfinite(x + y) for x, y in pairs):
        raise ValueError(f"leave_out {places!r} given; pairs of numbers needed, as [[x, y]]")
    return pairs


def _gains_checked(gains) -> GivenGains:
    try:
        red, red_error, blue, blue_error = map(float, gains)
    except (TypeError, ValueError):
        red = red_error = blue = blue_error = math.nan
    sound = POSITIVE.hold(red) and POSITIVE.hold(blue)
    if not (sound and NOT_NEGATIVE.hold(red_error) and NOT_NEGATIVE.hold(blue_error)):
        raise ValueError(
            f"gains {gains!r} given; gain of R, its error, gain of B, its error needed"
        )
    return red, red_error, blue, blue_error


def require_gains_serve(choices: Choices) -> None:
    """Refuse a model or a route that given gains have no part in.

    Parameters
    ----------
    choices : Choices

    Raises
    ------
    ValueError
    """
    if choices.model == "matrix":
        raise ValueError("model 'matrix' given; gains of several frames need gains or gradient")
    if choices.route not in ("best", "gains"):
        raise ValueError(
            f"route {choices.route!r} given; gains of several frames need best or gains"
        )


# --- choices by keyword -----------------------------------------------------------------

# What each public function takes by keyword; a test holds names and types to those of `Choices`.


class OfSplit(TypedDict, total=False):
    """What `split_stars` obeys."""

    snr: float
    assume_linear: bool


class OfStars(TypedDict, total=False):
    """What every function obeys that looks for stars and finds them in a catalogue."""

    neutral_bv: float
    snr: float
    assume_linear: bool
    leave_out: Places
    bands: str | None
    catalogue: str
    columns: str | None
    online: bool | None
    timeout: float
    ra: float | str | None
    dec: float | str | None
    object: str | None
    scale: float | None


class OfCheck(OfStars, total=False):
    """What `check` obeys."""

    model: str
    gains: GivenGains | None


class OfCalibrate(OfCheck, total=False):
    """What `calibrate` obeys."""

    sky: str


class OfRecolour(OfStars, total=False):
    """What `recolour_stars` obeys."""

    route: str
    bv: float
    spread: float
    warmth: float
    saturation: float
    star_brightness: float
    star_size: float
    faintest_mag: float | None
    brightest: float | None
    clipped_cores: str


class OfJoin(OfRecolour, total=False):
    """What `join_pictures` obeys."""

    star_strength: float


class OfRun(OfCalibrate, OfRecolour, total=False):
    """What `run` obeys: all."""

    star_strength: float
    tiff: bool
    black: float
    strength: float


def chosen(choices: Choices | None, keywords: Mapping[str, Any], known: type) -> Choices:
    """Choices, with those that were given by keyword.

    Parameters
    ----------
    choices : Choices, optional
        By default every default.
    keywords : mapping
        Choices by name.
    known : type
        Of the keywords that the function asked obeys: `OfCheck`, `OfCalibrate` and so on.

    Returns
    -------
    Choices

    Raises
    ------
    TypeError
        A keyword that it does not obey, or choices that are none.
    ValueError
        A choice that cannot be.
    """
    names = list(known.__annotations__)
    if strange := sorted(set(keywords) - set(names)):
        raise TypeError(
            f"{', '.join(strange)} given; what can be asked for here: {', '.join(names)}"
        )
    if not isinstance(choices, Choices | None):
        raise TypeError(f"{choices!r} given as choices; starcal.Choices(...) or names needed")
    return replace(choices or Choices(), **keywords)


# --- choices that are kept --------------------------------------------------------------

FILES = ("frame", "red", "green", "blue", "wcs", "starless", "star_frame")


@dataclass(frozen=True, kw_only=True)
class Settings(Choices):
    """Choices and the files that they are for: what ``result.json`` keeps, and a run can be
    repeated from.

    Attributes
    ----------
    frame, red, green, blue, wcs, starless, star_frame : str, optional
        Paths: a frame, or its three channels; a header that says where it points; its starless
        version; a separate star frame.
    full_scale : float, optional
        Value in the file that means full scale.
    """

    frame: str | None = None
    red: str | None = None
    green: str | None = None
    blue: str | None = None
    wcs: str | None = None
    full_scale: float | None = _number_field(None, POSITIVE)
    starless: str | None = None
    star_frame: str | None = None

    __repr__ = Choices.__repr__

    @property
    def first_file(self) -> str:
        """The file that names the job."""
        return self.frame or self.red or ""

    @property
    def inputs(self) -> list[str]:
        """Every file that a run reads."""
        named = [path for name in FILES if (path := getattr(self, name))]
        named += [self.bands] if self.bands else []
        return named if self.own_table is None else [*named, str(self.own_table)]

    def to_dict(self, folder: str | Path) -> dict:
        """For JSON that lies in a folder; paths are told from there, so that all may be moved
        together."""
        return asdict(self._with_paths(lambda path: _seen_from(folder, path)))

    def _with_paths(self, change) -> Settings:
        paths = {name: change(path) for name in FILES if (path := getattr(self, name))}
        if self.bands:
            paths["bands"] = change(self.bands)
        if self.own_table is not None:
            paths["catalogue"] = OWN_TABLE + change(str(self.own_table))
        return replace(self, **paths)


def _seen_from(folder: str | Path, path: str) -> str:
    """A path from a folder; ``..`` goes back from where a link leads, not from where it lies."""
    own = os.path.join(os.path.realpath(os.path.dirname(path)), os.path.basename(path))
    try:
        return os.path.relpath(own, os.path.realpath(folder))
    except ValueError:  # another drive
        return own


def _seen_from_here(record: str | Path, path: str) -> str:
    """A path that a file tells from its folder; the short way to it, if that leads there, too."""
    own = os.path.normpath(os.path.join(os.path.dirname(os.path.realpath(record)), path))
    short = os.path.normpath(os.path.join(os.path.dirname(record), path))
    return short if os.path.realpath(short) == os.path.realpath(own) else own


# Settings that went by another name in results of earlier versions.
RENAMED = {"white_bv": "neutral_bv"}


def read_settings(path: str | Path) -> Settings:
    """The settings of an earlier run, from its ``result.json``.

    Parameters
    ----------
    path : str or Path
        A ``result.json``.

    Returns
    -------
    Settings
        Paths as seen from here.

    Raises
    ------
    SettingsError
        It cannot be read, is no JSON, or holds no settings or unknown ones.
    """
    try:
        require_file(path)
        known = read_json(path)["settings"]
    except OSError as error:
        raise SettingsError(
            f"{path}: {error.strerror}; give the result.json of an earlier run"
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise SettingsError(
            f"{path} holds no settings; give the result.json of an earlier run"
        ) from error
    return _made_of(known, path)._with_paths(lambda file: _seen_from_here(path, file))


def _made_of(known: Any, path: str | Path) -> Settings:
    names = {each.name for each in fields(Settings)}
    unknown = sorted(set(known) - names) if isinstance(known, dict) else ["no names at all"]
    if unknown:
        raise SettingsError(
            f"{path} has settings that this version does not know: "
            f"{', '.join(map(_with_new_name, unknown))}. Mend it there, or make the file anew with "
            "`starcal run`"
        )
    try:
        return Settings(**known)
    except (CatalogueError, ValueError) as error:
        raise SettingsError(
            f"{path}: {error}. Mend it there, or make the file anew with `starcal run`"
        ) from error


def _with_new_name(name: str) -> str:
    return f"{name} (its name is {RENAMED[name]} now)" if name in RENAMED else name
