"""What the stars tell of colour: gains, the continuum's relation, the best source a star, and the
verdict.

One idea a file: `gains` fits them, by `responses` where stars are few; `expected` is what light a
star should give; `contrasts` measures them a second time, `steadiness` against brightness,
`unevenness`, `slants` and `tilts` over the frame; `dust` says what it does to them, `common` is for
several frames, `verdict` judges. `relations` says how ratios of narrow channels may go with B-V,
`continuum` how they do in this frame, `population` what B-V a star has before that, `posterior`
joins them, `sources` takes the best for each star.
"""
