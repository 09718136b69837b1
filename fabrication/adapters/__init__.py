"""Rows as rules, rooms below and pages read them: nothing here writes."""
