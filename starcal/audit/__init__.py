"""The audit: which stars of a picture have colours that no star can have.

`levels` tells how coarse a picture is, `shown` how each star of a stretched one is displayed and
which detections are stars, `starlight` measures cores and rims over what lies under them, `glow`
how far a burnt-out star shines, `judging` judges them, `hues` says it in words; `result` is what
comes of it, `plots` draws it.
"""

from .judging import audit_picture, same_stars
from .result import Audit

__all__ = ["Audit", "audit_picture", "same_stars"]
