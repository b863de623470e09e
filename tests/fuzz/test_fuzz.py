"""Spoiled files of every kind that starcal reads: none ends in a fault, a hang or a bomb.

100 in the usual run. More, and other ones each time:

    STARCAL_FUZZ=10000 python -m pytest tests/fuzz -n 0
"""

import os
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from judge import GOOD, READ, REFUSED, fate_of
from spoiling import spoiled

ASKED = int(os.environ.get("STARCAL_FUZZ", "0"))
KINDS = sorted(GOOD)


class Made:
    """A spoiled file whose name is short: a report of what failed need not hold its bytes."""

    def __init__(self, pair):
        self.pair = pair

    def __repr__(self):
        return f"a {self.pair[0]} of {len(self.pair[1])} bytes"


@pytest.mark.parametrize("kind", KINDS)
def test_good_files_are_read(kind):
    """Else nothing but refusals would be tried."""
    assert fate_of(kind, GOOD[kind]) == READ


def test_a_fault_is_seen():
    assert "ZeroDivisionError" in fate_of("fault", b"")


@pytest.mark.slow
@settings(
    max_examples=ASKED or 100,
    deadline=None,
    derandomize=not ASKED,
    database=None,
    phases=[Phase.generate],  # to make a failing one smaller takes minutes; it is kept as it is
    suppress_health_check=list(HealthCheck),
)
@given(st.sampled_from(KINDS).flatmap(lambda kind: spoiled(kind, GOOD[kind])).map(Made))
def test_spoiled_files_end_in_one_clear_line(made):
    kind, data = made.pair
    fate = fate_of(kind, data)
    if fate not in (READ, REFUSED):
        kept = Path(tempfile.mkdtemp(prefix="starcal-fuzz-")) / kind
        kept.write_bytes(data)
        pytest.fail(f"{kept}: {fate}", pytrace=False)
