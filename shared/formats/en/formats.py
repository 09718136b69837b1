"""Dates and times as a joiner writes them on a sheet."""

DATE_FORMAT = "D j M Y"
SHORT_DATE_FORMAT = "j M Y"
TIME_FORMAT = "H:i"
DATETIME_FORMAT = "D j M Y, H:i"
SHORT_DATETIME_FORMAT = "j M, H:i"
