"""The pages of jobs and the calendar."""

from shared import roles

OFFICE = roles.OFFICE
LOOKS = roles.ALL
"""Everybody may open a job or an appointment they can see at all."""
DRIVES = (*roles.FIELD, *roles.OFFICE)
"""Who taps leaving now, arrived, done: the crew, and the office for them."""
