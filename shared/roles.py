"""The roles people have; each is a Django group of this name."""

from typing import Final

DISPATCHER: Final = "dispatcher"
MEASURER: Final = "measurer"
WORKROOM: Final = "workroom"
INSTALLER: Final = "installer"
OWNER: Final = "owner"

ALL: Final = (DISPATCHER, MEASURER, WORKROOM, INSTALLER, OWNER)
OFFICE: Final = (DISPATCHER, OWNER)
FIELD: Final = (MEASURER, INSTALLER)
