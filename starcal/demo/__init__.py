"""Frames of known truth: for trying, for tests, for benchmarks."""
