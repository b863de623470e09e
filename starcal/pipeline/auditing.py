"""The proof: stars of impossible colours before and after, and no picture that has more of them."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from ..audit import Audit, audit_picture, same_stars
from ..checking.result import CheckResult
from ..choices import Settings
from ..cores import at_once
from ..errors import HarmError
from ..frame import Frame
from ..stars import found_stars_in
from .made import MadePicture

ENOUGH_JUDGED, FEW_IMPOSSIBLE = 10, 0.01  # stars of a frame whose colours were possible already


def all_possible(audit: Audit) -> bool:
    """Whether hardly a star of a picture has an impossible colour, or an impossible rim."""
    return (
        audit.n_judged >= ENOUGH_JUDGED
        and audit.n_impossible <= FEW_IMPOSSIBLE * audit.n_judged
    )


def _known_pixels(picture: np.ndarray, frame: Frame) -> np.ndarray:
    """A picture without the numbers that stand for no data in it."""
    if np.isfinite(frame.pixels.sum()):
        return picture
    return np.where(np.isfinite(frame.pixels), picture, np.float32(np.nan))


def audited(
    pixels: np.ndarray,
    found: CheckResult,
    *,
    stretched: bool,
    name: str = "picture",
    anew: bool = False,
) -> Audit:
    """Audit of a frame that was checked, or of what was made of it.

    Parameters
    ----------
    pixels : ndarray, shape (3, y, x)
        On the frame's grid.
    found : CheckResult
    stretched : bool
        Whether they are display values.
    name : str
        For the result.
    anew : bool
        Of stars that are found anew, instead of those that the check has found; in linear light
        even of those only the ones that the frame's own pixels showed.

    Returns
    -------
    Audit
    """
    table = None
    if not anew:
        table = found.stars if stretched else found_stars_in(pixels, found.stars)
    return audit_picture(
        pixels, name=name, neutral_bv=found.neutral_bv, stretched=stretched, table=table
    )


def audits_of(frame: Frame, made: MadePicture, settings: Settings) -> tuple[Audit, Audit]:
    """Before and after, of the same stars; those of a separate star frame, which may show others,
    are found anew."""
    stretched = made.check.linearity.stretched and not settings.assume_linear
    was = partial(audited, frame.pixels, made.check, stretched=stretched, name="before")
    now = partial(
        audited,
        _known_pixels(made.picture, frame),
        made.check,
        stretched=stretched,
        name="after",
        anew=made.other_stars and not stretched,
    )
    if made.before is not None:
        return made.before, now()
    before, after = at_once(was, now)
    return before, after


def require_no_harm(name: str, before: Audit, after: Audit) -> None:
    """Refuse a picture with more impossible stars than the frame had, of all that were judged or of
    those that were judged both times; a star in a hundred may be judged otherwise by chance.

    Raises
    ------
    HarmError
    """
    was_row, is_row = same_stars(before, after)
    same = before.impossible[was_row], after.impossible[is_row]
    for impossible, kind in (
        (same, "stars measured both times"),
        (_all_judged(before, after), ""),
    ):
        was, now = impossible
        if now.sum() > max(was.sum(), FEW_IMPOSSIBLE * len(now)):
            raise HarmError(
                f"{name}: {was.sum()} of {len(was)} {kind or 'measured stars'} have impossible "
                f"colours now, {now.sum()} of {len(now)} would have them afterwards: "
                "nothing was written. Keep the frame as it is, or choose another --route."
            )


def _all_judged(*audits: Audit) -> tuple[np.ndarray, ...]:
    """Which of the judged stars of each audit are impossible."""
    return tuple(one.impossible[one.stars["kind"] != "unknown"] for one in audits)


def warned_of_invented(found: CheckResult, before: Audit, route: str) -> CheckResult:
    """The check, with a warning where colours that were possible gave way to colours that nobody
    measured."""
    if not all_possible(before) or found.route != "palette" or route != "best":
        return found
    step = (
        f"compare with the frame as it was: {before.n_impossible} of its "
        f"{before.n_judged} measured stars had a colour that no star has, and the new colours are "
        "not measured; keep the old ones if they are better"
    )
    return replace(
        found, verdict=replace(found.verdict, next_steps=(step, *found.verdict.next_steps))
    )
