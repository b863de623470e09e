"""The audit: which stars of a picture have colours that no star can have.

`starlight` measures cores and rims over what lies under them, `judging` judges them, `plots` draws
the result.
"""

from .judging import Audit, audit_picture

__all__ = ["Audit", "audit_picture"]
