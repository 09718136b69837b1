"""How coverings are cared for, where the firm says nothing of its own."""

from typing import Final

from shared.formats.languages import translatable

CARE: Final = {
    "roller": translatable(
        "Dust with a soft brush or a vacuum at its lowest; dab spots with a damp white cloth, never rub."
    ),
    "solar": translatable("Dust, or wipe with a damp cloth and mild soap; roll up only when dry."),
    "sheer": translatable("Dust very lightly with a feather brush; do not wipe or steam the sheers."),
    "vertical": translatable("Dust each vane downwards; cloth vanes are dabbed, plastic ones wiped with a damp cloth."),
    "slat": translatable("Close the slats and dust them along; wood is never wetted."),
    "cellular": translatable("Dust with a soft brush; blow insects out of the cells with cool air."),
    "pleated": translatable("Dust along the pleats with a soft brush; dab spots, do not soak."),
    "roman": translatable("Vacuum with a soft brush on both sides; ask before cleaning with any fluid."),
}
"""How a covering is cared for: common practice, no published source; the product's own sheet comes first."""
