"""Spoiled files of every kind that starcal reads: none ends in a fault, a hang or a bomb.

300 in the usual run. More, other ones each time, the failing ones kept and made smaller:

    STARCAL_FUZZ=10000 python -m pytest tests/fuzz -n 0
"""

import os
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from judge import GOOD, READ, REFUSED, fate_of
from spoiling import spoiled

ASKED = int(os.environ.get("STARCAL_FUZZ", "0"))
KINDS = sorted(GOOD)


@pytest.mark.parametrize("kind", KINDS)
def test_good_files_are_read(kind):
    """Else nothing but refusals would be tried."""
    assert fate_of(kind, GOOD[kind]) == READ


def test_a_fault_is_seen():
    assert "ZeroDivisionError" in fate_of("fault", b"")


@pytest.mark.slow
@settings(
    max_examples=ASKED or 300,
    deadline=None,
    derandomize=not ASKED,
    database=None,
    suppress_health_check=list(HealthCheck),
)
@given(st.sampled_from(KINDS).flatmap(lambda kind: spoiled(kind, GOOD[kind])))
def test_spoiled_files_end_in_one_clear_line(made):
    kind, data = made
    assert fate_of(kind, data) in (READ, REFUSED)
