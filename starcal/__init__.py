"""True star colours for deep-sky pictures."""
