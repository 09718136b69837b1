"""Pages of the workroom."""
