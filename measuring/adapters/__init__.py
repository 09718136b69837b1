"""Rows as rules, rooms below, pages and phones read them: nothing here writes."""
