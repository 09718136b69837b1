"""Pages of the install day."""
