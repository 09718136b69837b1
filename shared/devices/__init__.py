"""What phones in the field send: kinds of entries, their bodies, the order they keep."""
