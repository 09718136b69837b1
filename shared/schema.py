"""How the API's schema names things."""

from __future__ import annotations

from django.conf import settings
from drf_spectacular.openapi import AutoSchema


class RoomSchema(AutoSchema):
    """Names that do not clash: two apps may each have a ``Reason``, a list need not be of rows."""

    def get_operation_id(self) -> str:
        name: str = super().get_operation_id()
        if getattr(self.view, "action", "") == "list" and name.endswith("_retrieve"):
            return name.removesuffix("_retrieve") + "_list"
        return name

    def _get_serializer_name(self, serializer: object, direction: object, bypass_extensions: bool = False) -> str:
        name: str = super()._get_serializer_name(serializer, direction, bypass_extensions)
        kind = serializer if isinstance(serializer, type) else type(serializer)
        room = kind.__module__.partition(".")[0]
        return f"{room.title()}{name}" if name and room in settings.ROOMS else name
