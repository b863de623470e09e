"""Where a frame points: the catalogue matched to its stars, hints and solutions where the WCS is
missing or poor."""
