"""What stands of the steps that are everybody's: the firm, its first branch, its owner."""

from __future__ import annotations

from shared import roles, setup
from shared.models import Branch, User
from shared.setup import services


def _firm(branch: Branch | None) -> str:
    return services.the_firm().name


def _branch(branch: Branch | None) -> str:
    found = branch or Branch.objects.first()
    if found is None:
        return ""
    return str(found) if found.latitude is not None else f"{found}, its place on the map to come"


def _owner(branch: Branch | None) -> str:
    found = User.objects.filter(groups__name=roles.OWNER, is_active=True)
    found = found.filter(branch=branch) if branch else found
    return ", ".join(map(str, found.distinct()))


def register() -> None:
    """Called once, when the apps are ready."""
    setup.add(setup.Step("Your firm", "shared:setup_firm", 10, _firm))
    setup.add(setup.Step("Where you work from", "shared:setup_branch", 20, _branch))
    setup.add(setup.Step("Your account", "shared:setup_owner", 30, _owner))
