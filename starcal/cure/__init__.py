"""What is done about a frame's star colours: gains, new colours star by star, the stars of a
separate frame."""
