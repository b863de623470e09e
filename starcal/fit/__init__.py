"""What the stars tell of colour: gains, the continuum's relation, the best source a star, and the
verdict."""
