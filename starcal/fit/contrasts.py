"""The gains measured a second time, in ways that share as little as possible with the first.

Every one is a contrast D between two groups of stars or two apertures, with its own error s, from
the residuals of the one fit; nothing is fitted again. What of it statistics do not allow goes into
the stated error: X = h sqrt(max(0, D^2 - t^2 (s^2 + f^2))). The factors were found on made frames
of known truth with and without nebula, unequal focus, hot pixels, uneven flats and channels that
are not linear; a veto at some number of errors does about as well, but leaves the errors too small.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import TooFewStars
from ..robust import SIGMA_PER_DEVIATION, scatter, weighted_median
from ..stars.apertures import RADII_WIDTHS
from ..stars.growth import Growth
from ..texts import counted, signed
from .gains import MAG_PER_LN, GainFit
from .steadiness import Steadiness
from .tilts import gain_tilts
from .unevenness import CleanColours

FITTED_CHANNELS = ("red", "blue")
FEWEST_A_SIDE = 3
FEWEST_A_THIRD = 6  # the scatter of fewer says nothing
SHARPNESS_WIDTHS = (
    0.7,
    1.4,
)  # light within the first over that within the second: a star's sharpness
# of a star's light over its noise, in every channel: the place of a fainter one is off by 0.1 px,
# which takes more from the inner light of a sharp channel than of a soft one
CORE_SIGNAL = 30.0
# of the light of a star in a halo: so many times its noise in the narrow aperture; what nebulae and
# reflections round it may hold of it; and its scatter in units of both, at least
HALO_NOISE, HALO_SCATTER, LEAST_HALO_SCATTER = 30.0, 0.02, 0.5
HALO_KNOWN_TO = 0.1  # a share with a larger error says nothing
FEWEST_JUDGED = 20  # colours, for an audit to say something
MOST_IMPOSSIBLE = 0.05  # of the judged stars after gains; broadband frames have 0 to 2 %
JUDGED_ERROR = 0.05  # relative, of a star's light in the worst channel: 0.003 in Duv


@dataclass(frozen=True)
class Rule:
    """How much of a contrast goes into the stated error: h, t and f above."""

    share: float
    allowed_sigmas: float
    floor_ln: float = 0.0


RULES = {
    "bright": Rule(0.5, 2.0),
    "place": Rule(0.5, 2.5),  # the most telling of three ways to halve the frame
    # t is wider as its own errors are too small by 1.3; a channel that is not linear changes the
    # gain by 4 of it, but colours tell that better ("steady", and a doubt of its own): of 360
    # frames it stopped none that nothing else did, and with a share of 2 four that were right
    "core": Rule(0.5, 2.6, 0.003),
    "steady": Rule(0.5, 2.5),  # of what a line through all stars shows, gains feel half
    "halo": Rule(1.0, 2.5, 0.01),  # gains lack all of it; channels differ by a per cent anyway
}
MEANING = {
    "bright": "from the faint to the bright half of the stars: that channel is not linear, or light"
    " of the ground passes for stars",
    "left": "from the left to the right half of the frame: an uneven flat, or a gradient of colour",
    "bottom": "from the bottom to the top half of the frame: an uneven flat, or a gradient of "
    "colour",
    "edge": "from the edge to the middle of the frame: an uneven flat, or other widths at the edge",
    "core": "by the sharpness of bright stars against that of faint ones: that channel is not "
    "linear, or was filtered",
    "steady": "from faint to bright stars, by their colours alone: a channel is not linear",
    "halo": "with the light 7 widths from stars and further: a wide halo in that channel",
    "beyond": "beyond the widest aperture, where it is not measured: another focus or profile than "
    "green has",
}
TITLES = {
    "bright": "bright against faint half",
    "left": "right against left half",
    "bottom": "top against bottom half",
    "edge": "middle against edge",
    "core": "sharpness, bright against faint third",
    "steady": "bright against faint, by colours alone",
    "halo": "with a halo beyond it",
    "beyond": "beyond the widest aperture",
}


@dataclass(frozen=True, kw_only=True)
class SecondMeasurement:
    """One gain measured in one other way.

    Attributes
    ----------
    name : str
        One of `TITLES`.
    channel : str
        ``red`` or ``blue``, against green.
    change : float
        Relative change of the gain.
    error : float
        Its own, 1 sigma.
    added_error : float
        What goes into the stated relative error of the gain.
    """

    name: str
    channel: str
    change: float
    error: float
    added_error: float

    @property
    def title(self) -> str:
        """What was compared."""
        return TITLES[self.name]

    @property
    def words(self) -> str:
        """What it says, as a clause."""
        return (
            f"the gain of {self.channel} changes by {100 * abs(self.change):.0f} % "
            f"{MEANING[self.name]}"
        )


HALVES = ("left", "bottom", "edge")  # halves of the frame


def second_measurements(
    *,
    fit: GainFit,
    v_mag: NDArray,
    x_px: NDArray,
    y_px: NDArray,
    shape: tuple[int, int],
    growth: Growth | None,
    cores: tuple[NDArray, NDArray],
    halo: tuple[NDArray, NDArray],
    steady: Steadiness | None = None,
) -> tuple[SecondMeasurement, ...]:
    """All second measurements of both gains that have stars enough.

    Parameters
    ----------
    fit : GainFit
    v_mag, x_px, y_px : ndarray, shape (n,)
        Of the stars that it was given.
    shape : tuple of int
        Height and width of the frame.
    growth : Growth or None
    cores : (change, error), each ndarray of shape (2,)
        Of `core_contrast`; NaN where not measured.
    halo : (share, error), each ndarray of shape (2,)
        Of `halo_light`, likewise.
    steady : Steadiness or None

    Returns
    -------
    tuple of SecondMeasurement
    """
    sides = {
        "bright": v_mag <= np.median(v_mag[fit.used]),
        **_by_halves(fit, x_px, y_px, shape),
    }
    measured = []
    for channel in range(2):
        found = {name: _halves(fit, channel, side) for name, side in sides.items()}
        found["core"] = (cores[0][channel], cores[1][channel])
        found["halo"] = (-halo[0][channel], halo[1][channel])
        if steady is not None:
            found["steady"] = _by_colours_alone(steady, channel)
        measured += _with_errors(FITTED_CHANNELS[channel], found)
        if growth is not None:
            measured.append(_beyond_aperture(growth, channel))
    return tuple(measured)


def _by_colours_alone(steady: Steadiness, channel: int) -> tuple[float, float]:
    """Change of ln gain from faint to bright stars, were it that channel alone, and its error."""
    share = (1.0, -1 / steady.share)[channel]
    return share * steady.change, abs(share) * steady.error


def _beyond_aperture(growth: Growth, channel: int) -> SecondMeasurement:
    """What light further out than it was followed takes from a gain; its error is in that of the
    growth already."""
    return SecondMeasurement(
        name="beyond",
        channel=FITTED_CHANNELS[channel],
        change=float(np.expm1(-growth.beyond_ln[channel])),
        error=float(growth.beyond_error_ln[channel]),
        added_error=0.0,
    )


def _by_halves(
    fit: GainFit, x_px: NDArray, y_px: NDArray, shape: tuple[int, int]
) -> dict[str, NDArray]:
    """Which stars lie on one side of the frame, for each way to halve it."""
    height, width = shape
    right_px = x_px - (width - 1) / 2
    up_px = y_px - (height - 1) / 2
    from_middle = np.hypot(right_px, up_px)
    return {
        "left": x_px > (width - 1) / 2,
        "bottom": y_px > (height - 1) / 2,
        "edge": from_middle <= np.median(from_middle[fit.used]),
    }


def _with_errors(
    channel: str, found: dict[str, tuple[float, float]]
) -> list[SecondMeasurement]:
    """With the error that each adds; of the halves of the frame the most telling one alone."""
    known = {
        name: pair for name, pair in found.items() if np.isfinite(pair).all() and pair[1] > 0
    }
    worst = _most_telling(known)
    made = []
    for name, (change, error) in known.items():
        rule = RULES["place" if name in HALVES else name]
        counts = name not in HALVES or name == worst
        made.append(
            SecondMeasurement(
                name=name,
                channel=channel,
                change=float(np.expm1(change)),
                error=float(error),
                added_error=_beyond_chance(rule, change, error) if counts else 0.0,
            )
        )
    return made


def _most_telling(known: dict[str, tuple[float, float]]) -> str | None:
    """The half of the frame whose change is most errors from nothing; None without any."""
    places = [name for name in HALVES if name in known]
    return max(places, key=lambda name: abs(known[name][0]) / known[name][1], default=None)


def _beyond_chance(rule: Rule, change: float, error: float) -> float:
    allowed = rule.allowed_sigmas**2 * (error**2 + rule.floor_ln**2)
    return float(rule.share * np.sqrt(max(0.0, change**2 - allowed)))


def _halves(fit: GainFit, channel: int, side: NDArray) -> tuple[float, float]:
    """Change of ln gain from the other stars to those of a side, and its error; NaN with too few.

    A residual is minus 2.5 log of the ratio to green, as the gain's logarithm is plus: both grow
    when the channel is weak.
    """
    means = []
    for group in (fit.used & side, fit.used & ~side):
        if group.sum() < FEWEST_A_SIDE:
            return np.nan, np.nan
        weight = fit.residual_error_mag[channel, group] ** -2.0
        mean = np.average(fit.residual_mag[channel, group], weights=weight)
        means.append((mean / MAG_PER_LN, 1 / (MAG_PER_LN**2 * weight.sum())))
    (here, here2), (there, there2) = means
    return float(here - there), float(np.sqrt(here2 + there2))


def core_contrast(flux: NDArray, noise: NDArray) -> tuple[NDArray, NDArray]:
    """How much sharper bright stars are than faint ones, in R and B more than in G.

    A channel that is not linear makes the cores of bright stars lower or higher; it needs no
    catalogue to show.

    Parameters
    ----------
    flux : ndarray, shape (3, 6, n)
        Of clean stars within each of `stars.apertures.RADII_WIDTHS`.
    noise : ndarray, shape (3, n)
        Within one width.

    Returns
    -------
    change, error : ndarray, shape (2,)
        Of ln of the light within 0.7 over that within 1.4 widths, brightest less faintest third;
        NaN with fewer than 6 stars a third.
    """
    inner = flux[:, RADII_WIDTHS.index(SHARPNESS_WIDTHS[0])]
    outer = flux[:, RADII_WIDTHS.index(SHARPNESS_WIDTHS[1])]
    good = np.isfinite(inner + outer).all(axis=0) & (inner > 0).all(axis=0)
    good &= (outer > CORE_SIGNAL * noise).all(axis=0)
    if good.sum() < 3 * FEWEST_A_THIRD:
        return np.full(2, np.nan), np.full(2, np.nan)
    return _sharper(np.log(inner[:, good] / outer[:, good]), np.argsort(outer[1, good]))


def halo_light(halo: NDArray | None, noise: NDArray) -> tuple[NDArray, NDArray]:
    """What wide halos hold of the light of red and of blue more than of green's.

    Parameters
    ----------
    halo : ndarray, shape (2, n), or None
        Of `stars.apertures.ApertureLight`.
    noise : ndarray, shape (n,)
        Relative, of the stars in the narrow aperture.

    Returns
    -------
    share, error : ndarray, shape (2,)
        NaN with fewer than 6 stars, and a share that is not known on such ground.
    """
    unknown = np.full(2, np.nan), np.full(2, np.nan)
    if halo is None:
        return unknown
    known = np.isfinite(halo).all(axis=0) & np.isfinite(noise)
    if known.sum() < FEWEST_A_THIRD:
        return unknown
    sigma = np.hypot(HALO_NOISE * noise[known], HALO_SCATTER)
    weight = sigma**-2.0
    share = np.array([weighted_median(row, weight) for row in halo[:, known]])
    off = np.abs(halo[:, known] - share[:, None]) / sigma
    # by all alike, and by those that count most: of few bright ones on rough ground each may say
    # something else, while the faint ones agree with everything
    usual = np.maximum(np.median(off, axis=1), [weighted_median(row, weight) for row in off])
    size = np.maximum(SIGMA_PER_DEVIATION * usual, LEAST_HALO_SCATTER)
    error = 1.2533 * size / np.sqrt(weight.sum())
    return np.where(error < HALO_KNOWN_TO, share, np.nan), error


def _sharper(sharpness: NDArray, order: NDArray) -> tuple[NDArray, NDArray]:
    """Sharpness against green of the last third of an order less that of the first, and its
    error."""
    third = len(order) // 3
    against = sharpness[[0, 2]] - sharpness[1]
    faint, faint_error = _robust_mean(against[:, order[:third]])
    bright, bright_error = _robust_mean(against[:, order[-third:]])
    return bright - faint, np.hypot(bright_error, faint_error)


def _robust_mean(values: NDArray) -> tuple[NDArray, NDArray]:
    """Median along axis 1 and its error."""
    middle = np.median(values, axis=1)
    spread = scatter(values, axis=1)
    return middle, 1.2533 * spread / np.sqrt(values.shape[1])


def added_errors(measured: tuple[SecondMeasurement, ...]) -> NDArray:
    """Relative errors of the gains of R and B, shape (2,), that the second measurements add.

    Parameters
    ----------
    measured : sequence of SecondMeasurement

    Returns
    -------
    ndarray
        As they are added to the errors of the gains.
    """
    return np.array(
        [
            np.sqrt(sum(m.added_error**2 for m in measured if m.channel == channel))
            for channel in FITTED_CHANNELS
        ]
    )


MEASUREMENTS_HEAD = ("compared", "gain of", "change", "its error", "adds")


def measurement_rows(measured: tuple[SecondMeasurement, ...]) -> list[tuple[str, ...]]:
    """Cells of the table of second measurements, under `MEASUREMENTS_HEAD`.

    Parameters
    ----------
    measured : tuple of SecondMeasurement

    Returns
    -------
    list of tuple of str
        What was compared, channel, change, its error, what it adds to the stated error.
    """
    return [
        (
            m.title,
            m.channel,
            f"{signed(100 * m.change, 1)} %",
            f"{100 * m.error:.1f} %",
            f"{100 * m.added_error:.1f} %",
        )
        for m in measured
    ]


# --- audit ---------------------------------------------------------------------------------


def contradiction(
    flux: NDArray,
    relative_noise: NDArray,
    gains: NDArray,
    classify: Callable[[NDArray], NDArray],
) -> str:
    """What the colours of stars have against gains, as a clause; empty for nothing.

    Parameters
    ----------
    flux : ndarray, shape (3, n)
        Of clean stars, whether the catalogue knows them or not.
    relative_noise : ndarray, shape (n,)
        Of the flux in the worst channel; NaN where there is none.
    gains : ndarray, shape (3,)
    classify : callable
        From rows of linear RGB, (n, 3), to names of what they are; see `colour.classify`.

    Returns
    -------
    str
    """
    judged = relative_noise < JUDGED_ERROR
    n = int(np.count_nonzero(judged))
    if n < FEWEST_JUDGED:
        return ""
    before = _count_impossible(classify(flux.T)[judged])
    after = _count_impossible(classify((gains[:, None] * flux).T)[judged])
    if not _too_many(before, after, MOST_IMPOSSIBLE * n):
        return ""
    return (
        f"after the gains {after} of {n} clean stars would have colours that no star has, "
        f"{before} before"
    )


def _too_many(before: int, after: int, allowed: float) -> bool:
    """Whether more are impossible after the gains than chance allows, or than before."""
    # by chance as many again as the square root of the number
    too_many = after > allowed + 2 * np.sqrt(allowed)
    worse = after > before + 2 * np.sqrt(before + 1) and after > allowed
    return bool(too_many or worse)


def _count_impossible(names: NDArray) -> int:
    return int(np.count_nonzero(np.isin(names, ("green", "magenta", "blue"))))


# --- gradient ---------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class ColourGradient:
    """A plane through the residuals of a gain, in R and B against G.

    Attributes
    ----------
    change : ndarray, shape (2,)
        Relative change of the gain from edge to edge of the frame along the steepest direction.
    error : ndarray, shape (2,)
    angle_deg : ndarray, shape (2,)
        Direction in which the gain grows: 0 to the right, 90 upwards (growing y).
    slope_ln : ndarray, shape (2, 2)
        Of ln gain along x and y, per width and height of the frame; a row for R, one for B.
    seen : ndarray of bool, shape (2,)
        Whether the stars show it beyond chance.
    """

    change: NDArray
    error: NDArray
    angle_deg: NDArray
    slope_ln: NDArray
    seen: NDArray

    @property
    def left_open(self) -> NDArray:
        """What its error, once it is taken out, leaves open of the gain at a place of the frame,
        shape (2,), relative: root mean square of a line from edge to edge."""
        return np.where(self.seen, self.error / np.sqrt(12), 0.0)

    def with_more(self, rest: "ColourGradient") -> "ColourGradient":
        """With what was found once more after this one was taken out; its error stays, as what is
        left is mostly taken for none."""
        slope_ln = self.slope_ln + np.where(self.seen[:, None], rest.slope_ln, 0.0)
        across, up = slope_ln.T
        return replace(
            self,
            slope_ln=slope_ln,
            change=np.hypot(across, up),
            angle_deg=np.degrees(np.arctan2(up, across)),
        )

    def factors(self, x_px: NDArray, y_px: NDArray, shape: tuple[int, int]) -> NDArray:
        """What takes the gradients that are seen out, (3, ...): factors of R, G, B at some places,
        1 in the middle of the frame."""
        height, width = shape
        made = np.ones((3, *np.broadcast_shapes(np.shape(x_px), np.shape(y_px))))
        for row, channel in ((0, 0), (1, 2)):
            if self.seen[row]:
                across, up = self.slope_ln[row]
                made[channel] = np.exp(across * _share(x_px, width) + up * _share(y_px, height))
        return made


FEWEST_FOR_GRADIENT = 12
MOST_EVEN_CHANCE = (
    0.005  # that a channel has no plane: one frame in 200 is told one that is none
)
LEAST_GRADIENT = 0.02


def colour_gradient(
    fit: GainFit,
    x_px: NDArray,
    y_px: NDArray,
    shape: tuple[int, int],
    clean: CleanColours | None = None,
) -> ColourGradient | None:
    """A plane of either gain; None with fewer than 12 used stars.

    Parameters
    ----------
    fit : GainFit
    x_px, y_px : ndarray, (n,)
        Places of the stars of the fit.
    shape : (int, int)
        Rows and columns of the frame.
    clean : CleanColours, optional
        Stars, matched or not, whose colours tell it too.

    Returns
    -------
    ColourGradient or None
    """
    if fit.n_used < FEWEST_FOR_GRADIENT:
        return None
    height, width = shape
    place = np.column_stack([_share(x_px, width), _share(y_px, height)])
    found = gain_tilts(fit, place, clean)
    across, up = found.slope_ln.T
    change = np.hypot(across, up)
    along = found.slope_ln / np.maximum(change, 1e-12)[:, None]
    return ColourGradient(
        change=change,
        error=np.sqrt(np.einsum("ci,cij,cj->c", along, found.covariance, along)),
        angle_deg=np.degrees(np.arctan2(up, across)),
        slope_ln=found.slope_ln,
        seen=(change > LEAST_GRADIENT) & (found.even_chance < MOST_EVEN_CHANCE),
    )


def _share(at_px: NDArray, length: int) -> NDArray:
    """Places along a side of the frame, -0.5 to 0.5."""
    return (np.asarray(at_px) + 0.5) / length - 0.5


def require_gradient(gradient: ColourGradient | None, n_used: int) -> ColourGradient:
    """The gradient, if the stars show one that can be taken out.

    Parameters
    ----------
    gradient : ColourGradient or None
        Of `colour_gradient`.
    n_used : int
        Stars that the gains rest on.

    Returns
    -------
    ColourGradient

    Raises
    ------
    TooFewStars
        There are not enough stars to tell, or what they show may be chance.
    """
    if gradient is None:
        raise TooFewStars(
            f"a colour gradient cannot be told by {counted(n_used, 'star')}, {FEWEST_FOR_GRADIENT} "
            "are needed: use --model gains",
            found=n_used,
            needed=FEWEST_FOR_GRADIENT,
        )
    if gradient.seen.any():
        return gradient
    raise TooFewStars(
        f"no colour gradient to take out: by {counted(n_used, 'star')} {gradient_text(gradient)} "
        f"over the frame; {100 * LEAST_GRADIENT:.0f} % and a chance of less than 1 in "
        f"{1 / MOST_EVEN_CHANCE:.0f} that it is even are needed: use --model gains",
        found=n_used,
    )


def gradient_text(gradient: ColourGradient) -> str:
    """What a gradient is, in words: size and direction in both channels.

    Parameters
    ----------
    gradient : ColourGradient

    Returns
    -------
    str
    """
    return ", ".join(
        f"{name} {100 * gradient.change[row]:.1f} +- {100 * gradient.error[row]:.1f} % towards "
        f"{_towards(gradient.angle_deg[row])}"
        for row, name in enumerate(FITTED_CHANNELS)
    )


def gradient_notes(gradient: ColourGradient | None) -> tuple[str, ...]:
    """A sentence for each gain that differs from edge to edge by more than its error.

    Parameters
    ----------
    gradient : ColourGradient or None
        Of `colour_gradient`.

    Returns
    -------
    tuple of str
    """
    if gradient is None:
        return ()
    return tuple(
        f"the gain of {FITTED_CHANNELS[c]} grows by {100 * gradient.change[c]:.1f} +- "
        f"{100 * gradient.error[c]:.1f} % across the frame, towards "
        f"{_towards(gradient.angle_deg[c])}: a gradient of colour, which --model gradient takes "
        "out"
        for c in np.flatnonzero(gradient.seen)
    )


def _towards(angle_deg: float) -> str:
    """Words for a direction on the frame, x to the right and y upwards."""
    names = (
        "the right",
        "the top right",
        "the top",
        "the top left",
        "the left",
        "the bottom left",
        "the bottom",
        "the bottom right",
    )
    return names[round(angle_deg / 45.0) % 8]
