"""Pages of the workroom."""

from shared.roles import DISPATCHER, OWNER, WORKROOM

WORKS = (WORKROOM, OWNER)
LOOKS = (WORKROOM, OWNER, DISPATCHER)
