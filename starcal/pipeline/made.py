"""What a route makes of a frame, before anything of it is written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..audit import Audit
from ..checking.result import CheckResult
from ..layers import ProfileMap, Starless


@dataclass(frozen=True, eq=False, kw_only=True)
class MadePicture:
    """What a route made: picture, header lines, the layers where stars were split, and the check
    with its last word. Of layers the picture may be made when they are written."""

    picture: np.ndarray | None
    history: tuple[str, ...]
    layers: dict[str, Starless | np.ndarray]
    check: CheckResult
    changed: np.ndarray | None = None  # pixels of a stretched picture
    shapes: ProfileMap | None = None  # of the stars that were split off
    before: Audit | None = None  # of the frame, where the route needed it
    other_stars: bool = False  # the picture has those of a separate star frame
    starry: np.ndarray | None = None  # where a picture to be made of the layers is their sum
    own_layers: bool = False  # nobody else has the layers: the picture may take their memory
    objects: tuple[str, ...] = ()  # what no file holds that the settings name
