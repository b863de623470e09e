"""Can calibration by gains rescue this frame, and why, or why not.

All thresholds stand here, with their reasons. They were chosen on real spectra through real camera
responses and through narrowband filters: broadband instruments have slope ratios of 0.45 to 1.15,
narrowband composites have at least one below 0.08 or above 2.0.
"""

from dataclasses import KW_ONLY, dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr

from ..place.match import MIN_PAIRS, Match
from ..stars.linearity import Linearity
from ..texts import counted
from .contrasts import FITTED_CHANNELS, SecondMeasurement
from .gains import MAG_PER_LN, MIN_STARS, GainFit
from .steadiness import Proportion, Steadiness
from .unevenness import Unevenness

RATIO_RANGE = (
    0.3,
    1.7,
)  # gains then explain at least half of the variance of star colour: 1 - (1 - r)^2 >= 0.51
RATIO_ABOVE_NOTHING = (
    0.10  # a slope ratio must be above this by two errors, or it may be no star colour at all
)
# Between this and the range it is star colour, but paler than broadband filters leave it while the
# other channel is none of H-alpha's or of what imitates star colour (above `MOST_PALE_OTHER`).
# Demosaicing that follows edges keeps 0.56 to 0.8 of the colour of stars 1.6 to 3 px wide, so that
# 0.22 to 0.49 is left of the 0.41 to 0.61 of colour cameras in blue; H-alpha, [O III] and [S II]
# leave 0.08 or less, or have 1.2 or more in the other channel.
LEAST_PALE = 0.15
MOST_PALE_OTHER = 1.05
# Errors by which it must be below the upper limit: a chance of 1 in 15. H-alpha in place of red
# shows 1.5 to 2.9, broad filters up to 1.15.
SURELY_BELOW_SIGMAS = 1.5
# Halfway from the most that broad filters give to what H-alpha in place of red does (1.75): of 281
# broadband frames that were rescued none shows more than 1.42, of 32 with H-alpha one shows less.
MOST_LIKELY_BROAD = 1.45
# Relative, of a gain. One wrong by 5 % moves a star by 0.004 in u'v', which is just seen side by
# side. Of made frames with all faults 7 in 110 rescues were off by more with a limit of 4.6 %, 4 in
# 102 with this one.
MAX_STATED_ERROR = 0.035
GOOD_STATED_ERROR = 0.02  # one step of colour difference, 0.0011 in u'v'
GOOD_SCATTER_MAG = 0.06
# of stars with B-V > 0.4: in a field of A stars alone H-alpha absorption imitates star colour
MIN_RED_SHARE = 0.3
# With fewer of them both slopes have to lie within these by two errors: broadband filters give 0.46
# to 1.15 in red and 0.45 to 0.9 in blue, imitations at most 0.6 in red and at least 1.0 in blue.
HOT_FIELD_RATIOS = ((0.4, 1.7), (0.25, 1.05))
# Of a gain over the frame: beyond it no single gain is right. A chance of more than one in four
# that it is so for either gain is too much, unless both may as well be even.
MOST_UNEVEN, MOST_UNEVEN_CHANCE, UNEVEN_QUARTILE = 0.05, 0.25, 0.67
MOST_EVEN = 0.01
UNSTEADY_SIGMAS = 3.0
# Below 1, of the power by which light grows with the catalogue's: a power of 0.9 in all channels
# alike moves gains by 3 to 5 %. Linear frames are within 0.01 and their errors.
PRESSED, PRESSED_SIGMAS = 0.02, 2.0
MATRIX_BELOW, MATRIX_ABOVE = (
    0.8,
    1.2,
)  # slope ratios outside leave extreme stars visibly too pale or too strong


@dataclass(frozen=True)
class Verdict:
    """The answer, with its reasons in plain language.

    Attributes
    ----------
    verdict : str
        ``rescue``, ``no`` or ``undecided``.
    quality : str
        For ``rescue``: ``good`` or ``fair``; empty otherwise.
    reasons, next_steps : tuple of str
        Why, and what to do next.
    stars_needed : int or None
        For an open verdict: about how many used stars would decide it.
    colour_error_before, colour_error_after : float or None
        Median u'v' distance of the used stars from the colour that their B-V calls for, as the
        frame is and after gains; 0.004 is just seen side by side.

    Examples
    --------
    >>> import starcal
    >>> verdict = starcal.check("narrowband.fits").verdict
    >>> verdict.verdict, len(verdict.reasons) > 0
    ('no', True)
    """

    verdict: str
    _: KW_ONLY
    quality: str = ""
    reasons: tuple[str, ...] = ()
    next_steps: tuple[str, ...] = ()
    stars_needed: int | None = None
    colour_error_before: float | None = None
    colour_error_after: float | None = None

    def __repr__(self) -> str:
        """One line: the answer and its first reason."""
        quality = f" ({self.quality})" if self.quality else ""
        return f"<Verdict {self.verdict}{quality}{''.join(f': {r}' for r in self.reasons[:1])}>"


SEPARATE_STARS = (
    "take a separate star frame through broadband filters (20 to 30 s exposures are common) and "
    "calibrate that; `starcal plan --for FRAME` says which exposures"
)
USE_CALIBRATED = "use the calibrated frame: `starcal run` or `starcal calibrate` writes it"
USE_MATRIX = "for truer very blue and very red stars try --model matrix"
DEBAYER_FIRST = (
    "calibrate and debayer the raw frame, as for stacking, and give the colour frame to "
    "`starcal run`"
)
BEYOND_APERTURE = (
    "how much of its light lies beyond the aperture is not known better: another focus or profile "
    "than green has, or ground that is not even"
)
OF_STEPS = (
    "its sky is rounded to steps as coarse as its noise, as by 8 bits, and which of the levels "
    "within a step it has is not known"
)
GIVE_FINER = (
    "give the frame as it was before its values were rounded: 16 bits, or 32-bit floats"
)
OF_CATALOGUE = (
    "all B-V of the catalogue may be off alike, by more or less than dust is known to make it"
)
BEHIND_DUST = (
    "dust in front of the stars changes their light, and the catalogue's B-V, otherwise than being "
    "cooler does"
)
OF_PALE_STARS = (
    "a luminance mixed into the channels does that, and so does demosaicing that follows edges, "
    "which takes colour and light from narrow stars"
)
UNMIXED = (
    "give the colour channels as they were before a luminance was mixed into them; or debayer the "
    "raw frames without following edges (bilinear, or each colour's pixels laid on the stack's "
    "grid by themselves), which leaves narrow stars their colour, and stack them again"
)
SEE_FLAGS = "look at the flags of its stars"
# by a flag's name: what most stars that cannot be used have, and what helps
WHY_FEW = {
    "saturated": ("are burnt out, or nearly so", "shorter exposures leave stars that are not"),
    "edge": (
        "lie near the edge of the frame or pixels without data",
        "a stack in which fewer pixels are left without data, or a wider field, has more",
    ),
    "faint": (
        "are weak for their ground in a channel",
        "longer exposures, or a field where its nebula is less bright, show more of them",
    ),
    "blended": (
        "have a neighbour's light on them",
        "a longer focus or sharper stars part them",
    ),
}
BEFORE_THAT = (
    "more stars do not decide it: give the frame as it was before that was done to it, its "
    "channels linear, evenly flat-fielded and not filtered"
)
IN_ORDER = "give the channels in the order red, green, blue"
GO_ON_WITHOUT = "let `starcal run` colour the stars without calibration"
FOR_CATALOGUE = "for its stars' catalogue colours, "


def without_wcs(missing: str, tried: str = "", lacks: str = "") -> Verdict:
    """The verdict for a frame that does not say where it points.

    Parameters
    ----------
    missing : str
        What its header lacks.
    tried : str
        Why the hints that there were did not lead to a WCS; empty without hints.
    lacks : str
        What a header lacks that tells the place and not the scale; empty for any other.

    Returns
    -------
    Verdict
    """
    if lacks:
        return Verdict(
            "undecided",
            reasons=(f"no star can be looked up: {lacks}",),
            next_steps=("say how large its pixels are: --scale ARCSEC", GO_ON_WITHOUT),
        )
    if tried:
        return Verdict(
            "undecided",
            reasons=(f"the frame has no usable WCS, and its stars tell none: {tried}",),
            next_steps=("plate-solve it and give the solution with --wcs FILE", GO_ON_WITHOUT),
        )
    return Verdict(
        "undecided",
        reasons=(f"the frame has no usable WCS ({missing}), so no star can be looked up",),
        next_steps=(
            "say where it points, with --object NAME or --ra and --dec, and --scale ARCSEC; or "
            "plate-solve it and give the solution with --wcs FILE",
            GO_ON_WITHOUT,
        ),
    )


def without_match(match: Match, detected: int) -> Verdict:
    """The verdict when the pairs are no better than chance, or too few to tell.

    Parameters
    ----------
    match : Match
    detected : int

    Returns
    -------
    Verdict
    """
    listed = int(np.count_nonzero(match.in_frame))
    if listed < MIN_PAIRS:
        return Verdict(
            "undecided",
            stars_needed=10,
            reasons=(
                f"the catalogue has {counted(listed, 'star')} in this frame, "
                f"{MIN_PAIRS} or more are "
                "needed to tell whether the WCS fits and to fit gains, better 20",
            ),
            next_steps=(
                "use a deeper catalogue (--catalogue gaia) or a wider field",
                SEPARATE_STARS,
                GO_ON_WITHOUT,
            ),
        )
    return Verdict(
        "undecided",
        reasons=(
            f"the WCS does not fit the stars: {len(match.star)} of "
            f"{counted(detected, 'star')} pair with the catalogue, and chance "
            f"alone pairs {match.chance_matches:.1f}",
        ),
        next_steps=("plate-solve the frame again, then repeat the check", GO_ON_WITHOUT),
    )


def too_few(usable: int, matched: int, spoilt: dict[str, int] | None = None) -> Verdict:
    """The verdict when a believable match leaves too few clean stars.

    Parameters
    ----------
    usable, matched : int
    spoilt : dict, optional
        How many of the matched stars carry each flag, by its lower-case name.

    Returns
    -------
    Verdict
    """
    why, step = _why_few(spoilt or {})
    return Verdict(
        "undecided",
        stars_needed=10,
        reasons=(
            f"{usable} of {counted(matched, 'matched star')} can be used and a fit needs "
            f"{MIN_STARS}, better 10{why}",
        ),
        next_steps=(
            f"{step}; a deeper catalogue (--catalogue gaia) has more stars in a narrow field",
            SEPARATE_STARS,
            GO_ON_WITHOUT,
        ),
    )


def _why_few(spoilt: dict[str, int]) -> tuple[str, str]:
    """What most stars have that cannot be used, after a colon, and what helps."""
    most = max(WHY_FEW, key=lambda name: spoilt.get(name, 0))  # the first of equals
    if not spoilt.get(most):
        return "", SEE_FLAGS
    why, step = WHY_FEW[most]
    return f": {spoilt[most]} of them {why}", step


def verdict_on_stretched(linearity: Linearity, placeless: Verdict | None = None) -> Verdict:
    """The verdict for a picture that is not linear.

    Parameters
    ----------
    linearity : Linearity
    placeless : Verdict, optional
        What else is in the way where nobody knows where it points; see `without_wcs`.

    Returns
    -------
    Verdict
    """
    doubt = ("or give --assume-linear if you know better",) if linearity.doubtful else ()
    reasons: tuple[str, ...] = (linearity.reason,)
    place: tuple[str, ...] = ()
    if placeless is not None:
        reasons += placeless.reasons
        place = (FOR_CATALOGUE + placeless.next_steps[0],)
    before = "its stars were made smaller" if linearity.made_smaller else linearity.done_to_it
    return Verdict(
        "no",
        reasons=reasons,
        next_steps=(
            f"use the frame from before {before}",
            "or let `starcal run` colour its stars one by one as they are displayed",
            *doubt,
            *place,
        ),
    )


def decide(
    fit: GainFit,
    before: float,
    after: float,
    second: tuple[SecondMeasurement, ...] = (),
    contradicted: str = "",
) -> Verdict:
    """Judge a fit.

    Parameters
    ----------
    fit : GainFit
    before, after : float
        Median u'v' error of the used stars as they are and after the gains.
    second : tuple of SecondMeasurement
        What went into the stated error; the reason names the largest.
    contradicted : str
        What an audit of the calibrated stars found against the gains; empty for nothing.

    Returns
    -------
    Verdict
    """
    lost, doubts = _no_reasons(fit), _doubts(fit, second)
    if contradicted:
        doubts.append(contradicted)
    shared: dict[str, Any] = {"colour_error_before": before, "colour_error_after": after}
    if _exchanged(fit):
        return Verdict(
            "no",
            reasons=(_exchanged_clause(fit),),
            next_steps=(IN_ORDER, GO_ON_WITHOUT),
            **shared,
        )
    if lost:
        return Verdict(
            "no",
            reasons=(*lost, "no gain per channel turns these into star colours"),
            next_steps=(SEPARATE_STARS, GO_ON_WITHOUT),
            **shared,
        )
    if doubts:
        known = doubts == [contradicted]
        return Verdict(
            "undecided",
            reasons=tuple(doubts),
            stars_needed=None if known else _stars_needed(fit),
            next_steps=(
                BEFORE_THAT if known else _to_know_more(fit),
                SEPARATE_STARS,
                GO_ON_WITHOUT,
            ),
            **shared,
        )
    return Verdict(
        "rescue",
        quality=_quality(fit),
        reasons=_rescue_reasons(fit, before, after),
        next_steps=_rescue_steps(fit),
        **shared,
    )


def uneven_clause(found: Unevenness) -> str:
    """What gains that differ over the frame have against one gain for all of it, as a clause.

    Parameters
    ----------
    found : Unevenness

    Returns
    -------
    str
        Empty where they do not differ, or too little to be sure.
    """
    too_much = ndtr((found.change - MOST_UNEVEN) / found.error)
    if found.even_chance > MOST_EVEN or 1 - np.prod(1 - too_much) < MOST_UNEVEN_CHANCE:
        return ""
    worst = int(np.argmax(too_much))
    return (
        f"the gain of {FITTED_CHANNELS[worst]} differs by {100 * found.change[worst]:.1f} +- "
        f"{100 * found.error[worst]:.1f} % over the frame, by the colours of "
        f"{counted(found.stars, 'clean star')}: an uneven flat, a gradient of colour, or a channel "
        "that was filtered, which changes narrow stars most; --model gradient takes out a plane "
        "that the catalogue's stars show"
    )


def unsteady_clause(found: Steadiness | None) -> str:
    """What bright stars of other colours than faint ones have against one gain for all, as a
    clause.

    Parameters
    ----------
    found : Steadiness or None

    Returns
    -------
    str
        Empty where they do not differ, or too little to be sure.
    """
    if found is None or abs(found.change) < UNSTEADY_SIGMAS * found.error:
        return ""
    allowed = MOST_UNEVEN * min(1.0, abs(found.share))  # whichever channel does it alone
    if abs(found.change) + UNEVEN_QUARTILE * found.error < allowed:
        return ""
    return (
        f"colours change by {100 * abs(found.change):.1f} +- {100 * found.error:.1f} % from faint "
        f"to bright stars where B-V plays no part, by {counted(found.stars, 'clean star')}: a "
        "channel is not linear, or was cut"
    )


def pressed_clause(found: Proportion | None) -> str:
    """What light that falls behind the catalogue's has against gains, as a clause: channels that
    are bent alike.

    Parameters
    ----------
    found : Proportion or None

    Returns
    -------
    str
        Empty where it does not, or too little to be sure.
    """
    if found is None or 1 - found.power - PRESSED_SIGMAS * found.error < PRESSED:
        return ""
    return (
        f"a star 1 mag brighter in the catalogue is {found.power:.3f} +- {found.error:.3f} mag "
        "brighter here: the channels are not linear, all alike"
    )


def _no_reasons(fit: GainFit) -> list[str]:
    reasons = []
    for name, ratio, error in zip(
        FITTED_CHANNELS, fit.slope_ratio, fit.slope_ratio_error, strict=True
    ):
        shown = (
            f"{name} against green shows {ratio:.2f} +- {error:.2f} of the colour that real stars "
            "have"
        )
        if ratio + 2 * error < RATIO_RANGE[0] and not _pale(fit):
            reasons.append(
                f"{shown}: the channels carry no star colour there, or the wrong one"
            )
        elif ratio - 2 * error > RATIO_RANGE[1]:
            reasons.append(f"{shown}: far more than any broadband filters give")
    return reasons


def _exchanged(fit: GainFit) -> bool:
    """Whether both channels show as much star colour as broadband ones, the other way round."""
    return bool(np.all(fit.slope_ratio + 2 * fit.slope_ratio_error < -RATIO_RANGE[0]))


def _exchanged_clause(fit: GainFit) -> str:
    red, blue = fit.slope_ratio
    return (
        f"red and blue show the colour of real stars the other way round ({red:.2f} and "
        f"{blue:.2f} of it): they have taken each other's place"
    )


def _pale(fit: GainFit) -> bool:
    """Whether the lesser slope ratio is surely below that of broadband filters, and still star
    colour."""
    lesser, other = np.argsort(fit.slope_ratio)
    ratio, error = fit.slope_ratio[lesser], fit.slope_ratio_error[lesser]
    below = ratio + 2 * error < RATIO_RANGE[0]
    return bool(below and ratio >= LEAST_PALE and fit.slope_ratio[other] <= MOST_PALE_OTHER)


def _doubts(fit: GainFit, second: tuple[SecondMeasurement, ...]) -> list[str]:
    doubts = _slope_doubts(fit)
    for channel, name in enumerate(FITTED_CHANNELS):
        stated = fit.stated_errors[channel]
        if stated > MAX_STATED_ERROR:
            digits = 1 if stated > MAX_STATED_ERROR + 5e-4 else 2
            doubts.append(
                f"the gain of {name} is known to {100 * stated:.{digits}f} %, "
                f"{100 * MAX_STATED_ERROR:.1f} % or better is needed"
                f"{_what_disagrees(fit, second, channel)}"
            )
    if fit.red_share < MIN_RED_SHARE and not _surely_broadband(fit):
        doubts.append(
            f"only {100 * fit.red_share:.0f} % of the used stars have B-V above 0.4, and the "
            "colour that the channels show is not known well enough to rule out that hydrogen "
            "absorption of hot stars passes for it"
        )
    return doubts


def _surely_broadband(fit: GainFit) -> bool:
    """Whether both slopes are, by two errors, what hydrogen lines in narrow filters do not
    imitate."""
    low, high = np.transpose(HOT_FIELD_RATIOS)
    above = fit.slope_ratio - 2 * fit.slope_ratio_error > low
    below = fit.slope_ratio + 2 * fit.slope_ratio_error < high
    return bool(np.all(above & below))


def _slope_doubts(fit: GainFit) -> list[str]:
    doubts = []
    for name, ratio, error in zip(
        FITTED_CHANNELS, fit.slope_ratio, fit.slope_ratio_error, strict=True
    ):
        shown = f"{ratio:.2f} +- {error:.2f} of that of real stars"
        if ratio < RATIO_RANGE[0] and _pale(fit):
            doubts.append(
                f"{name} against green has {shown}, less than broadband filters leave: "
                + OF_PALE_STARS
            )
        elif ratio < RATIO_RANGE[0] or ratio - 2 * error <= RATIO_ABOVE_NOTHING:
            doubts.append(f"whether {name} against green carries star colour is open: {shown}")
        elif ratio > MOST_LIKELY_BROAD or ratio + SURELY_BELOW_SIGMAS * error > RATIO_RANGE[1]:
            doubts.append(
                f"whether {name} against green shows more colour than any broadband filters give "
                f"is open: {shown}"
            )
    return doubts


def _what_disagrees(fit: GainFit, second: tuple[SecondMeasurement, ...], channel: int) -> str:
    """What adds most to the error of a channel's gain, after a colon; nothing where that is what
    few or faint stars leave open."""
    parts = {
        "": fit.zero_error_mag[channel] / MAG_PER_LN,
        BEYOND_APERTURE: fit.growth_error[channel],
        OF_STEPS: fit.rounding_error[channel],
        BEHIND_DUST: fit.dust_error[channel],
        OF_CATALOGUE: fit.catalogue_error[channel],
    }
    for measured in second:
        if measured.channel == FITTED_CHANNELS[channel] and measured.added_error > 0:
            parts[measured.words] = measured.added_error
    words = max(parts, key=lambda words: float(parts[words]))
    return words and f": {words}"


def _to_know_more(fit: GainFit) -> str:
    """What would decide a fit that is open."""
    if _pale(fit):
        return UNMIXED
    needed = _stars_needed(fit)
    if needed is None:
        return GIVE_FINER
    return (
        f"about {needed} clean stars would decide it ({fit.n_used} now): a wider field, a deeper "
        "catalogue (--catalogue gaia) or longer exposures"
    )


def _stars_needed(fit: GainFit) -> int | None:
    """Errors fall with the square root of the number of stars, but for one by which the sky is
    rounded; None where that alone is too much, and where stars are pale, however many."""
    if np.max(fit.rounding_error) > MAX_STATED_ERROR or _pale(fit):
        return None
    factor = np.max(fit.stated_errors) / MAX_STATED_ERROR
    margin = np.clip(fit.slope_ratio, *RATIO_RANGE) - RATIO_ABOVE_NOTHING
    factor = max(factor, np.max(2 * fit.slope_ratio_error / margin), 1.0)
    return int(np.ceil(max(10, 1.2 * fit.n_used * factor**2)))


def _quality(fit: GainFit) -> str:
    good = (
        np.max(fit.stated_errors) <= GOOD_STATED_ERROR
        and np.max(fit.scatter_mag) <= GOOD_SCATTER_MAG
    )
    return "good" if good else "fair"


def _rescue_reasons(fit: GainFit, before: float, after: float) -> tuple[str, ...]:
    red, blue = fit.slope_ratio
    red_error, blue_error = fit.stated_errors
    used = counted(fit.n_used, "star")
    return (
        f"the channels carry star colour: {red:.2f} (red) and {blue:.2f} (blue) of that of real "
        f"stars",
        f"gains are known to {100 * red_error:.1f} % (red) and {100 * blue_error:.1f} % (blue) "
        f"from {used}",
        f"the median star's colour error goes from {before:.3f} to {after:.3f} in u'v' (0.004 is "
        f"just seen)",
    )


def _rescue_steps(fit: GainFit) -> tuple[str, ...]:
    steps: tuple[str, ...] = (USE_CALIBRATED,)
    if np.any((fit.slope_ratio < MATRIX_BELOW) | (fit.slope_ratio > MATRIX_ABOVE)):
        steps += (USE_MATRIX,)
    return steps
