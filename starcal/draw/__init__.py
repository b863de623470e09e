"""Arrays to pictures: stretches, previews, plots."""
