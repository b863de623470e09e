"""What is planned: one frozen object that prints well, shows well in a notebook, and turns into
JSON."""

from dataclasses import asdict, dataclass

import numpy as np
from astropy import units
from astropy.table import Table

from ..catalogue import CatalogueStars
from ..catalogue.objects import SkyObject, objects_within
from ..catalogue.star_names import STAR_NAMES
from ..choices import default_of
from ..colour import SOLAR_BV_MAG
from ..texts import aligned, broken, counted, escaped, html_table
from .field import SkyField
from .photons import (
    BAND_NM,
    SAFE_WELL,
    Kit,
    Night,
    full_after_s,
    peak_fraction,
    ratio_error_mag,
)

GOAL = 0.01  # relative error of the gains
# between exposures: reading out, and a nudge of the mount now and then; it makes many short ones
# dear
BETWEEN_EXPOSURES_S = 3.0
USUAL_EXPOSURE = "20 to 30 s (common practice, no source)"
USUAL_FRAMES = (
    "10 to 15 frames at least, so that satellites and cosmic rays can be rejected "
    "(common practice)"
)
FAINT_ERROR_MAG = (
    0.05  # of R/G and B/G of the faintest star wanted: a difference that is just seen
)
TABLE_MAG = range(-2, 21)
MOST_NAMED = 8  # saturated stars in the terminal's list
MOST_OBJECTS = 4  # nebulae and clusters that are named, the largest
FILTERS_IN_TURN = 3  # through filters one after the other; a colour camera takes them at once
# Two pixels a width sample a star (Nyquist); from four on, binning two by two loses nothing.
OVERSAMPLED_PX = 4.0
# The usual seeing comes from short telescopes; from here on a site's own decides the plan.
LONG_FOCAL_MM = 1000.0
PRACTICE = (
    "move the telescope by some pixels between exposures (dither), so that faults of the sensor "
    "do not add up; take flats of each filter on the same night: what a flat leaves uneven in "
    "colour goes into the gains"
)
# What a plan takes as given unless somebody says otherwise, as its sentence has it.
BY_DEFAULT = {
    "aperture_mm": "aperture {:g} mm",
    "focal_mm": "focal length {:g} mm",
    "pixel_um": "pixels of {:g} um",
    "pixels": "{0[0]} x {0[1]} of them",
    "full_well": "full well {:g} e-",
    "read_noise": "read noise {:g} e-",
    "efficiency": "efficiency {:g}",
    "bortle": "a sky of Bortle class {}",
    "fwhm_arcsec": "stars {:g} arcsec wide",
    "faint_mag": "colours down to V {:g}",
}
CAUTIONS = (
    "Never point a telescope or lens at or near the sun: it burns eyes and sensors in an instant.",
    "Outdoors, keep mains power and its adapters off the ground and out of the dew, behind a "
    "breaker that "
    "trips on leakage; a battery is safer.",
    "Local rules apply: access at night, light, lasers, neighbours.",
)
CAUTION = (
    "Never point a telescope or lens at or near the sun; keep mains power out of the dew; mind "
    "local rules."
)
SOURCES = (
    "Photons of a star of V = 0: Bessell, Castelli & Plez 1998, A&A 333, 231",
    "Signal to noise: the CCD equation, Merline & Howell 1995, Exp. Astron. 6, 163, and Howell "
    "2006, Handbook "
    "of CCD Astronomy",
    "How colours of stars go with B-V in these filters: spectra of Pickles 1998, PASP 110, 863",
    "Sky brightness of a Bortle class, usual exposures, numbers of frames: common practice, no "
    "source",
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Series:
    """A series of equal exposures, in each channel.

    Attributes
    ----------
    seconds : float
        Of one exposure.
    frames : int
        How many.
    limit_mag : float
        A star of the sun's colour and of this V fills SAFE_WELL of the full well; brighter ones
        saturate.
    faintest_saturated_mag : float or None
        V of the faintest star of the field that saturates: blue and red ones do so sooner.
    n_saturated, n_clean, n_usable : int
        Stars of the field that saturate; clean unsaturated ones with a B-V; and so many of these as
        are left when star counts say how many a star beyond the catalogue disturbs.
    gain_error : ndarray, shape (2,)
        Relative errors expected of the gains of R and B from these frames alone; inf with too few
        stars.
    gain_floor : ndarray, shape (2,)
        The same with endless light: what the catalogue leaves.
    """

    seconds: float
    frames: int
    limit_mag: float
    faintest_saturated_mag: float | None
    n_saturated: int
    n_clean: int
    n_usable: int
    gain_error: np.ndarray
    gain_floor: np.ndarray

    @property
    def total_s(self) -> float:
        """Exposure and pauses together, for one channel (all three at once for a colour camera)."""
        return self.frames * (self.seconds + BETWEEN_EXPOSURES_S)

    def __str__(self) -> str:
        red, blue = (
            f"{100 * error:.1f} %" if np.isfinite(error) else "too few stars"
            for error in self.gain_error
        )
        return (
            f"{self.frames} x {self.seconds:g} s a channel ({_duration(self.total_s)} with pauses "
            f"of {BETWEEN_EXPOSURES_S:g} s "
            f"between exposures): {self._saturating()}, {self.serving()}; "
            f"gain error R {red}, B {blue}"
        )

    def _saturating(self) -> str:
        """Which stars of the field do."""
        faintest = self.faintest_saturated_mag
        if faintest is None:
            return f"no star of the field saturates (one of V {self.limit_mag:.1f} would)"
        stars = counted(self.n_saturated, "star")
        verb = "saturates" if self.n_saturated == 1 else "saturate"
        return f"{stars} of the field {verb}, down to V {faintest:.1f}"

    def serving(self) -> str:
        """How many stars serve the fit of gains."""
        if self.n_usable == self.n_clean:
            verb = "serves" if self.n_clean == 1 else "serve"
            return f"{counted(self.n_clean, 'clean catalogue star')} {verb}"
        return (
            f"some {self.n_usable} of {counted(self.n_clean, 'clean catalogue star')} serve "
            f"(fainter stars overlap "
            "the others, by star counts)"
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class Plan:
    """Answer of `starcal.plan_exposures`, with its evidence. n counts the catalogue stars of the
    field.

    Attributes
    ----------
    field : SkyField
    kit : Kit
    night : Night
    faint_mag : float
        V of the faintest star whose colour is wanted to FAINT_ERROR_MAG.
    main : Series
    short : Series or None
        For the stars that saturate in the main series, if there are any.
    stars : CatalogueStars
        Of the field, brightest first.
    plane_deg : ndarray, shape (2, n)
        East and north of the centre.
    full_after_s : ndarray, shape (n,)
        Exposure at which a star fills SAFE_WELL of the full well.
    clean : ndarray of bool, shape (n,)
        With B-V, not double, without a bright neighbour.
    notes : tuple of str
        What limits the plan and what would help.
    unsaid : tuple of str
        What nobody said and is as by default, by the names of `choices.USUAL`.

    Examples
    --------
    >>> from starcal import plan_exposures
    >>> from starcal.plan import SkyField, Kit, Night
    >>> field = SkyField(ra_deg=312.0, dec_deg=44.0, width_deg=2.4, height_deg=1.6)
    >>> plan = plan_exposures(field, Kit(aperture_mm=50, focal_mm=250), Night())
    >>> plan.main.frames >= 1, plan.main.seconds > 0
    (True, True)
    """

    field: SkyField
    kit: Kit
    night: Night
    faint_mag: float
    main: Series
    short: Series | None
    stars: CatalogueStars
    plane_deg: np.ndarray
    full_after_s: np.ndarray
    clean: np.ndarray
    notes: tuple[str, ...]
    unsaid: tuple[str, ...] = ()

    cautions, sources = CAUTIONS, SOURCES

    @property
    def name(self) -> str:
        """The field by its place."""
        return f"the field at RA {self.field.ra_deg % 360:.3f}, Dec {self.field.dec_deg:+.3f}"

    @property
    def saturated(self) -> np.ndarray:
        """Which stars saturate in the main series, bool (n,)."""
        return self.full_after_s < self.main.seconds

    @property
    def too_bright(self) -> np.ndarray:
        """Which stars saturate in the short series, too, bool (n,)."""
        return self.saturated & (self.full_after_s < (self.short or self.main).seconds)

    @property
    def objects(self) -> list[SkyObject]:
        """Nebulae, clusters and galaxies whose middle lies in the field, the largest first."""
        field = self.field
        near = objects_within(field.ra_deg, field.dec_deg, field.radius_deg)
        return [each for each in near if field.holds(self._plane_of(each)).all()]

    def _plane_of(self, each: SkyObject) -> np.ndarray:
        return self.field.plane_deg(np.array([each.ra_deg]), np.array([each.dec_deg]))

    @property
    def total_s(self) -> float:
        """All exposures with their pauses, through one filter after the other."""
        series = [each.total_s for each in (self.main, self.short) if each is not None]
        return FILTERS_IN_TURN * sum(series)

    @property
    def fwhm_px(self) -> float:
        """Width of stars in pixels."""
        return self.night.fwhm_arcsec / self.kit.scale_arcsec

    @property
    def reached(self) -> bool:
        """Whether both gains reach GOAL."""
        return bool(self.main.gain_error.max() <= GOAL)

    def by_magnitude(self) -> list[dict]:
        """What becomes of a star of the sun's colour at each V that matters, brightest first.

        Returns
        -------
        list of dict
            v_mag; stars (of the catalogue, within half a magnitude; None beyond the faintest that
            it has); full_after_s; series ("main",
            "short" or None where both saturate) and there error_r_mag, error_b_mag of R/G and B/G
            from photons and read noise.
        """
        brightest = float(np.nanmin(self.stars.v_mag))
        shown = (v for v in TABLE_MAG if brightest - 0.5 < v <= np.ceil(self.faint_mag))
        return [self._fate(v_mag) for v_mag in shown]

    def to_table(self) -> Table:
        """The same as a table; what cannot be had is NaN.

        Returns
        -------
        Table
            A row a magnitude.
        """
        rows = self.by_magnitude()
        table = Table({"v_mag": [row["v_mag"] for row in rows] * units.mag})
        table["stars"] = np.array([row["stars"] for row in rows], float)
        table["full_after_s"] = [row["full_after_s"] for row in rows] * units.s
        table["series"] = [row["series"] or "" for row in rows]
        for name in ("error_r_mag", "error_b_mag"):
            values = np.array([row[name] for row in rows], float)
            table[name] = values * units.mag
        return table

    def _fate(self, v_mag: int) -> dict:
        """What becomes of a star of the sun's colour and this V: a row of `by_magnitude`."""
        full_s = float(full_after_s(self.kit, self.night, v_mag, SOLAR_BV_MAG))
        series = {"main": self.main, "short": self.short}
        serving = (name for name, each in series.items() if each and each.seconds <= full_s)
        name = next(serving, None)
        red, blue = (None, None) if name is None else self._ratio_errors(v_mag, series[name])
        return {
            "v_mag": v_mag,
            "stars": self._listed(v_mag),
            "full_after_s": full_s,
            "series": name,
            "error_r_mag": red,
            "error_b_mag": blue,
        }

    def _listed(self, v_mag: int) -> int | None:
        """Stars of the catalogue at a V; None where it has none and is not whole."""
        count = np.count_nonzero(np.round(self.stars.v_mag) == v_mag)
        if not count and not self.whole_to(v_mag):
            return None
        return int(count)

    def whole_to(self, v_mag: float) -> bool:
        """Whether the catalogue has nearly all stars of a V, rounded."""
        return v_mag <= round(self.stars.limit_mag)

    def _ratio_errors(self, v_mag: float, series: Series) -> tuple[float, float]:
        """Errors of R/G and B/G in a series."""
        error = ratio_error_mag(
            self.kit, self.night, v_mag, SOLAR_BV_MAG, series.seconds, series.frames
        )
        return float(error[0]), float(error[1])

    def to_dict(self) -> dict:
        """Plain numbers, strings and lists for JSON; what cannot be had is None."""
        return {
            "field": asdict(self.field),
            "kit": asdict(self.kit) | {"scale_arcsec": self.kit.scale_arcsec},
            "night": asdict(self.night),
            "faint_mag": self.faint_mag,
            "bands_nm": BAND_NM.tolist(),
            "goal": GOAL,
            "reached": self.reached,
            "usual_exposure": USUAL_EXPOSURE,
            "total_s": self.total_s,
            "objects": [str(each) for each in self.objects],
            "main": _series_dict(self.main),
            "short": _series_dict(self.short),
            "catalogue": {
                "name": self.stars.name,
                "stars_in_field": len(self.stars),
                "limit_mag": self.stars.limit_mag,
            },
            "saturated": [self._saturated_star(i) for i in np.flatnonzero(self.saturated)],
            "by_magnitude": self.by_magnitude(),
            "notes": list(self.notes),
            "as_by_default": list(self.unsaid),
            "cautions": list(CAUTIONS),
        }

    def _saturated_star(self, i: int) -> dict:
        return {
            "ra_deg": float(self.stars.ra_deg[i]),
            "dec_deg": float(self.stars.dec_deg[i]),
            "v_mag": float(self.stars.v_mag[i]),
            "hip": int(self.stars.hip[i]),
            "name": self.star_name(i) or None,
            "full_after_s": float(self.full_after_s[i]),
        }

    def summary(self) -> str:
        """One line: what to expose."""
        text = f"{self.main.frames} x {self.main.seconds:g} s in each channel"
        if self.short is not None:
            bright = counted(self.main.n_saturated - self.short.n_saturated, "bright star")
            text += f", and {self.short.frames} x {self.short.seconds:g} s for {bright}"
        return text

    def series_rows(self) -> list[tuple[str, str]]:
        """What to expose, as (name, text) pairs."""
        series = [("main series", self.main), ("short series", self.short)]
        return [
            *((name, str(each)) for name, each in series if each is not None),
            ("in all", self._total_text()),
            *([("saturated", self._names_of_saturated())] if self.saturated.any() else []),
            *([("in the field", self._object_names())] if self.objects else []),
            ("for comparison", f"{USUAL_EXPOSURE}; {USUAL_FRAMES}"),
            ("besides", PRACTICE),
        ]

    def _total_text(self) -> str:
        """How long all takes."""
        return (
            f"{_duration(self.total_s)} through three filters, one after the other; "
            f"{_duration(self.total_s / FILTERS_IN_TURN)} with a colour camera"
        )

    def _object_names(self) -> str:
        """The largest nebulae and clusters of the field."""
        names = ", ".join(map(str, self.objects[:MOST_OBJECTS]))
        more = len(self.objects) - MOST_OBJECTS
        return names + (f" and {more} more" if more > 0 else "")

    def assumed(self) -> str:
        """What is as by default, in a sentence: nobody may have said it."""
        told = [
            words.format(default_of(name))
            for name, words in BY_DEFAULT.items()
            if name in self.unsaid
        ]
        if not told:
            return "Nothing of telescope, camera and night is as by default."
        return f"As by default, say yours if it differs: {', '.join(told)}."

    def advice(self) -> tuple[str, ...]:
        """What to think of with this telescope and camera: sampling and seeing."""
        said = []
        if self.fwhm_px >= OVERSAMPLED_PX:
            said.append(
                f"stars are {self.fwhm_px:.1f} px wide, and two pixels would do: bin 2x2 (and "
                "double --pixel-um): less to store, and the read noise counts less"
            )
        if self.kit.focal_mm >= LONG_FOCAL_MM and "fwhm_arcsec" in self.unsaid:
            said.append(
                f"at {self.kit.focal_mm:.4g} mm the seeing decides how soon stars saturate: "
                f"{self.night.fwhm_arcsec:g} arcsec are taken; give yours with --fwhm-arcsec"
            )
        return tuple(said)

    def assumption_rows(self) -> list[tuple[str, str]]:
        """What the plan rests on, as (name, text) pairs."""
        filters = ", ".join(
            f"{name} {low:g}-{high:g} nm"
            for name, (low, high) in zip("RGB", BAND_NM, strict=True)
        )
        return [
            ("field", self._field_text()),
            *_kit_rows(self.kit),
            ("night", _night_text(self.kit, self.night)),
            (
                "filters",
                f"{filters} assumed; a colour camera takes all three at once, its colours are "
                f"weaker, and "
                "the gains' errors some 20 % smaller than foretold",
            ),
            ("faintest", f"V {self.faint_mag:g}, to {FAINT_ERROR_MAG} mag in R/G and B/G"),
            ("defaults", self.assumed()),
        ]

    def _field_text(self) -> str:
        field = self.field
        return (
            f"RA {field.ra_deg % 360:.3f}, Dec {field.dec_deg:+.3f}, {field.width_deg:.2f} x "
            f"{field.height_deg:.2f} deg ({field.source}); "
            f"{counted(len(self.stars), 'star')} of {self.stars.name}"
        )

    def rows(self) -> list[tuple[str, str]]:
        """The plan as (name, text) pairs: for the terminal and the notebook."""
        return [
            *self.series_rows(),
            *(("note", note) for note in (*self.notes, *self.advice())),
            *self.assumption_rows(),
        ]

    def depth(self) -> str:
        """How far the counts of the table can be believed."""
        return (
            f"{self.stars.name} has nearly all stars down to V {self.stars.limit_mag:.1f}; of "
            "fainter ones there are more than it has (≥), or it has none (–)."
        )

    def footnote(self) -> str:
        """What the columns of the table mean."""
        return (
            f"{self.depth()} For stars of the sun's colour, B-V {SOLAR_BV_MAG}; blue and red ones "
            f"fill a channel sooner. Full means {100 * SAFE_WELL:g} % of the full well in the peak "
            "pixel of a centred star. Many mechanical shutters cannot take exposures below 1 s: "
            "these are planned only where nothing longer serves any of the saturated stars. The "
            "errors are those of R/G and B/G in the stack, from photons and read noise, 1 sigma; "
            "the gains' errors above hold the catalogue's errors and the scatter of real stars, "
            "too."
        )

    def _names_of_saturated(self) -> str:
        which = np.flatnonzero(self.saturated)
        named = [self._star_text(i) for i in which[:MOST_NAMED]]
        more = f" and {len(which) - MOST_NAMED} more" if len(which) > MOST_NAMED else ""
        return f"in the main series: {', '.join(named)}{more}"

    def __str__(self) -> str:
        """Several lines for a terminal."""
        return self.text()

    def text(self, width: int = 110, *, all_numbers: bool = True) -> str:
        """Lines for a terminal: what to expose, the table, what was assumed.

        Parameters
        ----------
        width : int
            Longer lines are broken there.
        all_numbers : bool
            What the plan rests on and what the table's columns mean, too.

        Returns
        -------
        str
        """
        notes = [("note", note) for note in (*self.notes, *self.advice())]
        field, *assumed = self.assumption_rows()
        first = [field, *self.series_rows(), *notes]
        lines = [f"Expose {self.summary()}.", "", *aligned(first, width), ""]
        lines += _to_the_right(table_cells(self))
        if all_numbers:
            lines += ["", *aligned(assumed, width), ""]
            lines += broken(self.footnote(), width)
        else:
            lines += ["", *broken(self.depth(), width)]
            lines += ["", *broken(f"{self.assumed()} (all that was assumed: -v)", width)]
        return "\n".join([*lines, "", *broken(CAUTION, width)])

    def star_name(self, i: int) -> str:
        """What the star of a row is called; empty for one without a name."""
        return STAR_NAMES.get(int(self.stars.hip[i]), "")

    def _star_text(self, i: int) -> str:
        """A star by its V, and its name or number."""
        hip = self.stars.hip[i]
        called = self.star_name(i) or (f"HIP {hip}" if hip else "")
        return f"V {self.stars.v_mag[i]:.1f}" + (f" ({called})" if called else "")

    def __repr__(self) -> str:
        """One line; the arrays would fill a screen."""
        return f"<Plan for {self.name}: {self.summary()}>"

    def _repr_html_(self) -> str:
        """For notebooks."""
        head, *cells = table_cells(self)
        return (
            f"<p><b>Expose {escaped(self.summary())}.</b></p>{html_table(self.rows())}"
            f"{html_table(cells, head)}<p>{escaped(self.footnote())}</p><p>{escaped(CAUTION)}</p>"
        )


def _kit_rows(kit: Kit) -> list[tuple[str, str]]:
    return [
        (
            "telescope",
            f"{kit.aperture_mm:g} mm aperture, {kit.focal_mm:.4g} mm focal length, "
            f"{kit.pixel_um:g} um pixels: {kit.scale_arcsec:.2f} arcsec a pixel",
        ),
        (
            "camera",
            f"full well {kit.full_well_electrons:g} e-, read noise "
            f"{kit.read_noise_electrons:g} e-, "
            f"efficiency {kit.efficiency:g} with air and optics; no dark current",
        ),
    ]


def _night_text(kit: Kit, night: Night) -> str:
    peak = peak_fraction(night.fwhm_arcsec / kit.scale_arcsec)
    return (
        f"sky V {night.sky_mag:g} mag per square arcsec, stars {night.fwhm_arcsec:g} arcsec wide "
        f"(FWHM), {100 * peak:.1f} % of their light in the peak pixel"
    )


def table_cells(plan: Plan) -> list[tuple[str, ...]]:
    """The table by magnitude as text, its head first.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    list of tuple of str
    """
    cells = [
        (
            "V",
            "stars",
            "full after, s",
            "measure in",
            "error of R/G, mag",
            "error of B/G, mag",
        )
    ]
    for row in plan.by_magnitude():
        errors = [
            "–" if row[name] is None else f"{row[name]:.3f}"
            for name in ("error_r_mag", "error_b_mag")
        ]
        full = row["full_after_s"]
        cells.append(
            (
                str(row["v_mag"]),
                _count_told(row["stars"], plan.whole_to(row["v_mag"])),
                f"{full:.2g}" if full < 10 else f"{full:.0f}",
                row["series"] or "neither",
                *errors,
            )
        )
    return cells


def _count_told(stars: int | None, whole: bool) -> str:
    """A count of stars, which may be of some of them."""
    if stars is None:
        return "–"
    if whole:
        return str(stars)
    return f"≥{stars}"


def _to_the_right(cells: list[tuple[str, ...]]) -> list[str]:
    """Lines of a table, set to the right."""
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return [
        "  ".join(f"{cell:>{width}}" for cell, width in zip(line, widths, strict=True))
        for line in cells
    ]


def _series_dict(series: Series | None) -> dict | None:
    if series is None:
        return None
    pairs = {
        name: {
            c: float(e) if np.isfinite(e) else None
            for c, e in zip("RB", getattr(series, name), strict=True)
        }
        for name in ("gain_error", "gain_floor")
    }
    return (
        {name: value for name, value in vars(series).items() if name not in pairs}
        | pairs
        | {"total_s": series.total_s}
    )


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 100 else f"{seconds / 60:.0f} min"
