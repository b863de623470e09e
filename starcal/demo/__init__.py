"""Frames of known truth: for trying, for tests, for benchmarks.

One idea a file: `setup` says what can be put into a frame, `sky` which stars stand there,
`spectra` how they shine through channels, `dust` what lies before them, `clouds` are nebulae,
`light` puts it all on pixels, `scene` makes the frame, `optics` what telescopes add, `faults` what
goes wrong; `examples` are those of `starcal demo`, `campaign` those that try the code.
"""
