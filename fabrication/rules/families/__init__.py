"""The engineering of each family: what its hardware, cloth and counts come to for one unit."""
