"""Rows as rules, rooms below, pages and papers read them: nothing here writes."""
