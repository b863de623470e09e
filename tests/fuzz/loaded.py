"""What every child of the fuzzer needs, loaded once."""

import judge

import starcal.checking.check
import starcal.compose

__all__ = ["judge", "starcal"]
