"""The ways to a picture: gains for a whole frame, or colours star by star; in linear light, or as
displayed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..audit import Audit
from ..checking.check import relocated, usable
from ..checking.result import CheckResult
from ..choices import Choices
from ..cure.gains import apply_calibration, require_usable
from ..cure.pictures import recolour_picture
from ..cure.stars import Recoloured, recolour_checked
from ..cure.wishes import told_wishes
from ..fit.verdict import FOR_CATALOGUE, USE_CALIBRATED
from ..frame import Frame, in_srgb
from ..progress import Progress
from .auditing import all_possible, audited
from .made import MadePicture

PUT_BACK = (
    "finish the nebula from starless.fits as you like, then put its stars back: "
    "`starcal join FINISHED stars.fits -o WHOLE`"
)
NOT_AS_DISPLAYED = {
    "star_brightness": "the brightness of stars is for linear light: those of a stretched picture "
    "are as bright as it has them",
    "star_strength": "the strength of stars is for linear frames: those of a stretched picture are "
    "stretched as it has them",
}


def takes_gains(found: CheckResult, choices: Choices) -> bool:
    """Whether the whole frame is multiplied: where that was asked for, or is the best of a frame's
    own stars.

    Parameters
    ----------
    found : CheckResult
    choices : Choices

    Returns
    -------
    bool
    """
    return choices.route == "gains" or (choices.route == "best" and found.route == "gains")


def frame_and_made(
    frame: Frame, found: CheckResult, choices: Choices, progress: Progress, **others
) -> tuple:
    """The frame as it was used, and what its route made of it."""
    displayed = found.linearity.stretched and not choices.assume_linear
    if displayed and all(other is None for other in others.values()):
        frame = in_srgb(frame)
        return frame, as_displayed(frame, found, choices)
    frame = usable(frame, found, choices.assume_linear)
    return frame, _route_of_linear(frame, found, choices, progress, **others)


def _route_of_linear(
    frame: Frame, found: CheckResult, choices: Choices, progress, starless, star_frame
) -> MadePicture:
    if star_frame is None and takes_gains(found, choices):
        return made_by_gains(frame, found, choices)
    return _by_star(frame, found, choices, progress, starless, star_frame)


def as_displayed(
    frame: Frame, found: CheckResult, choices: Choices, before: Audit | None = None
) -> MadePicture:
    """What is made of a stretched picture: nothing where its stars are possible and nobody asked
    for more.

    Parameters
    ----------
    frame : Frame
        Of display values.
    found : CheckResult
        Of the frame.
    choices : Choices
    before : Audit, optional
        Of the frame and the stars of its check, if there is one already.

    Returns
    -------
    MadePicture

    Raises
    ------
    NotLinearError
        A route was asked for that needs linear light.
    HarmError
        No fewer stars would be impossible than are now.
    """
    if before is None:
        before = audited(frame.pixels, found, stretched=True, name="before")
    if len(before.stars) != len(found.stars):
        raise ValueError("the audit is not of the stars of the check: audit them with table=")
    as_usual = (choices.route, choices.warmth, choices.saturation) == ("best", 1.0, 1.0)
    if as_usual and all_possible(before):
        return _unchanged(frame, found, before)
    made = recolour_picture(relocated(frame, found), found, choices, before.impossible)
    told = _with_notes_on_display(made.check, choices)
    return MadePicture(
        picture=made.picture,
        history=made.history,
        layers={"starless.fits": made.starless},
        check=told,
        changed=made.changed,
        before=before,
    )


def _with_notes_on_display(checked: CheckResult, choices: Choices) -> CheckResult:
    """The check, with what was asked for and stars as displayed cannot be given."""
    notes = [note for name, note in NOT_AS_DISPLAYED.items() if getattr(choices, name) != 1.0]
    return replace(checked, notes=(*checked.notes, *notes))


def _unchanged(frame: Frame, found: CheckResult, before: Audit) -> MadePicture:
    """The frame as it is, and why."""
    reason = (
        f"{before.n_judged - before.n_impossible} of {before.n_judged} measured stars have "
        "possible colours already: the picture is unchanged (--route palette recolours it all the "
        "same)"
    )
    no_use = "`starcal run`", FOR_CATALOGUE
    steps = tuple(
        step for step in found.verdict.next_steps if not any(word in step for word in no_use)
    )
    told = replace(found, route_reason=reason, verdict=replace(found.verdict, next_steps=steps))
    untouched = np.zeros(frame.pixels.shape[1:], bool)
    picture = frame.refill(frame.pixels.copy())
    return MadePicture(
        picture=picture,
        history=(f"starcal: {reason}",),
        layers={},
        check=told,
        changed=untouched,
        before=before,
    )


def made_by_gains(frame: Frame, checked: CheckResult, choices: Choices) -> MadePicture:
    """The whole frame, multiplied by the gains of its check."""
    require_usable(checked)
    checked = _with_notes_on_gains(_on_route_gains(checked), choices)
    calibrated = apply_calibration(frame, checked, choices.sky)
    steps = tuple(step for step in checked.verdict.next_steps if step != USE_CALIBRATED)
    checked = replace(checked, verdict=replace(checked.verdict, next_steps=steps))
    return MadePicture(
        picture=calibrated.pixels,
        history=calibrated.history,
        layers={},
        check=checked,
    )


def _on_route_gains(checked: CheckResult) -> CheckResult:
    """The check, its route the one that was asked for against its advice."""
    if checked.route == "gains":
        return checked
    reason = f"asked for by --route gains; {checked.verdict.reasons[0]}"
    return replace(checked, route="gains", route_reason=reason)


def _with_notes_on_gains(checked: CheckResult, choices: Choices) -> CheckResult:
    """The check, with what was asked for and gains cannot do."""
    looks = (choices.warmth, choices.saturation, choices.star_strength)
    if looks == (1.0, 1.0, 1.0) and not told_wishes(choices):
        return checked
    note = (
        "warmth, saturation, size, brightness, number and strength are for stars coloured one by "
        "one: gains leave them as they come"
    )
    return replace(checked, notes=(*checked.notes, note))


def _by_star(
    frame: Frame,
    checked: CheckResult,
    choices: Choices,
    progress: Progress,
    starless: Frame | None,
    star_frame: Frame | None,
) -> MadePicture:
    made = recolour_checked(frame, checked, choices, starless, star_frame, progress)
    return replace(made_of_stars(made, star_frame is not None), own_layers=True)


def made_of_stars(made: Recoloured, other_stars: bool) -> MadePicture:
    """The layers of stars that were coloured one by one, which the picture is made of later."""
    layers = {"starless.fits": made.nebula, "stars.fits": made.stars}
    return MadePicture(
        picture=None,
        history=made.history,
        layers=layers,
        check=_with_last_step(made.check),
        shapes=made.shapes,
        other_stars=other_stars,
        starry=made.starry,
    )


def _with_last_step(checked: CheckResult) -> CheckResult:
    """The check, which says first how the layers are used."""
    steps = PUT_BACK, *checked.verdict.next_steps
    return replace(checked, verdict=replace(checked.verdict, next_steps=steps))
