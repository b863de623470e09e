"""All that a run is asked for, as plain values: typed, chosen on the page, or read from an earlier
result."""

import json
import math
import os
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

from .catalogue.choose import OWN_TABLE, Source, own_table_path, require_name
from .catalogue.own_table import parse_mapping
from .checking.check import require_settings
from .colour.palette import YELLOW_WHITE_BV_MAG
from .colour.stellar import SOLAR_BV_MAG
from .cure.gains import require_sky
from .cure.stars import Taste
from .errors import SettingsError
from .frame import Frame, read_channels, read_frame
from .place.hints import Hints, hints_from_header

FILES = ("frame", "red", "green", "blue", "wcs", "starless", "star_frame")


@dataclass(frozen=True)
class Settings:
    """What a run was asked for; the names are those of the command line's options.

    Attributes
    ----------
    frame, red, green, blue, wcs, starless, star_frame : str, optional
        Paths: a frame, or its three channels.
    full_scale : float, optional
    ra, dec : str, optional
    scale : float, optional
        Hints for a frame without a WCS; arcsec per pixel.
    catalogue, columns : str
    online : bool, optional
    timeout : float
        Seconds.
    snr, white_bv, model, assume_linear, sky, tiff
        As for `pipeline.run`.
    leave_out : tuple of (x_px, y_px)
        Stars left out of the fit by hand.
    route, bv, spread, warmth, saturation, star_brightness
        See `colouring.Taste`.
    black, strength : float
        Of the stretch of previews; see `tone.Stretch.adjusted`.
    """

    frame: str | None = None
    red: str | None = None
    green: str | None = None
    blue: str | None = None
    wcs: str | None = None
    full_scale: float | None = None
    ra: str | None = None
    dec: str | None = None
    scale: float | None = None
    catalogue: str = "embedded"
    columns: str | None = None
    online: bool | None = None
    timeout: float = 60.0
    snr: float = 5.0
    white_bv: float = SOLAR_BV_MAG
    model: str = "gains"
    assume_linear: bool = False
    leave_out: tuple[tuple[float, float], ...] = ()
    sky: str = "grey"
    tiff: bool = False
    route: str = "best"
    bv: float = YELLOW_WHITE_BV_MAG
    spread: float = 0.0
    warmth: float = 1.0
    saturation: float = 1.0
    star_brightness: float = 1.0
    starless: str | None = None
    star_frame: str | None = None
    black: float = 0.0
    strength: float = 1.0

    @property
    def taste(self) -> Taste:
        """Its part that is a matter of taste."""
        return Taste(
            self.route, self.bv, self.spread, self.warmth, self.saturation, self.star_brightness
        )

    def with_taste(self, taste: Taste) -> "Settings":
        """The same with other tastes."""
        return replace(
            self,
            route=taste.route,
            bv=taste.bv_mag,
            spread=taste.spread_mag,
            warmth=taste.warmth,
            saturation=taste.saturation,
            star_brightness=taste.star_brightness,
        )

    @property
    def source(self) -> Source:
        """Which catalogue to ask."""
        require_name(self.catalogue)
        columns = parse_mapping(self.columns) if self.columns else None
        return Source(self.catalogue, self.online, self.timeout, columns)

    @property
    def first_file(self) -> str:
        """The file that names the job."""
        return self.frame or self.red

    @property
    def inputs(self) -> list[str]:
        """Every file that a run reads."""
        named = [path for name in FILES if (path := getattr(self, name))]
        table = own_table_path(self.catalogue)
        return named if table is None else [*named, str(table)]

    def read(self) -> Frame:
        """The frame, from one file or three.

        Raises
        ------
        FrameError
            As `frame.read_frame`.
        """
        reading = {"wcs": self.wcs, "full_scale": self.full_scale}
        if self.red:
            return read_channels(self.red, self.green, self.blue, **reading)
        return read_frame(self.frame, **reading)

    def read_others(self) -> dict[str, Frame | None]:
        """The frames besides it that a cure may use."""
        return {
            "starless": read_frame(self.starless, full_scale=self.full_scale)
            if self.starless
            else None,
            "star_frame": read_frame(self.star_frame) if self.star_frame else None,
        }

    def hints(self, frame: Frame) -> Hints | None:
        """Where a frame without a WCS points, if that was said; None: its header will be asked."""
        if not (self.ra or self.dec or self.scale):
            return None
        return hints_from_header(frame.header, ra=self.ra, dec=self.dec, scale_arcsec=self.scale)

    def for_check(self, frame: Frame) -> dict:
        """What `checking.check` is to be given besides the frame and the model, by name."""
        return {
            "white_bv": self.white_bv,
            "snr_min": self.snr,
            "assume_linear": self.assume_linear,
            "left_out": self.leave_out,
            "source": self.source,
            "hints": self.hints(frame),
        }

    def to_dict(self, folder: str | Path) -> dict:
        """For JSON that lies in a folder; paths are told from there, so that all may be moved
        together."""
        return asdict(self._with_paths(lambda path: _seen_from(folder, path)))

    def _with_paths(self, change) -> "Settings":
        paths = {name: change(path) for name in FILES if (path := getattr(self, name))}
        if (table := own_table_path(self.catalogue)) is not None:
            paths["catalogue"] = OWN_TABLE + change(str(table))
        return replace(self, **paths)


def _seen_from(folder: str | Path, path: str) -> str:
    try:
        return os.path.relpath(path, folder)
    except ValueError:  # another drive
        return os.path.abspath(path)


def read_settings(path: str | Path) -> Settings:
    """The settings of an earlier run, from its ``result.json``.

    Raises
    ------
    SettingsError
        It cannot be read, is no JSON, or holds no settings or unknown ones.
    """
    try:
        known = json.loads(Path(path).read_text(encoding="utf-8"))["settings"]
    except OSError as error:
        raise SettingsError(
            f"{path}: {error.strerror}; give the result.json of an earlier run"
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise SettingsError(
            f"{path} holds no settings; give the result.json of an earlier run"
        ) from error
    return _checked(known, path)._with_paths(
        lambda file: os.path.normpath(os.path.join(os.path.dirname(path), file))
    )


def _checked(known: dict, path) -> Settings:
    names = {field.name for field in fields(Settings)}
    unknown = sorted(set(known) - names) if isinstance(known, dict) else ["no names at all"]
    if unknown:
        raise SettingsError(
            f"{path} has settings that this version does not know: {', '.join(unknown)}. Make it "
            f"anew "
            "with `starcal run`"
        )
    made = Settings(**known | {"leave_out": _places(known.get("leave_out", ()), path)})
    try:
        _ = made.taste  # refuses what it cannot be
        require_sky(made.sky)
        require_settings(made.white_bv, made.model)
    except (TypeError, ValueError) as error:
        raise SettingsError(
            f"{path}: {error}. Mend it there, or make the file anew with `starcal run`"
        ) from error
    return made


def _places(known, path) -> tuple[tuple[float, float], ...]:
    try:
        places = tuple((float(x), float(y)) for x, y in known)
    except (TypeError, ValueError):
        places = ((math.nan, math.nan),)
    if not all(math.isfinite(x + y) for x, y in places):
        raise SettingsError(f"{path}: leave_out needs pairs of numbers, as [[x, y]]")
    return places
