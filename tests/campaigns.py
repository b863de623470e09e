"""Which cases of a test are left to the campaigns, `-m campaign`: one more of a kind."""

from collections.abc import Iterator

import pytest


def also(*cases) -> Iterator:
    """Further cases for a `parametrize`, in the campaigns only; a tuple is several arguments."""
    for case in cases:
        values = case if isinstance(case, tuple) else (case,)
        yield pytest.param(*values, marks=pytest.mark.campaign)
