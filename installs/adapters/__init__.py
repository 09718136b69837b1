"""Rows as rules, rooms below, pages and documents read them: nothing here writes."""
