"""Load the starting product range and cord rules into a branch."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from measuring.services.starting_data import load_jurisdictions, load_products
from shared.models import Branch


class Command(BaseCommand):
    """``manage.py load_range [BRANCH]``: what is there already stays as it is."""

    help = "Load the starting range and the cord rules. What a branch has already stays as it is."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("branch", nargs="?", help="name of the branch; all of them by default")

    def handle(self, *args: Any, **options: Any) -> None:
        branches = Branch.objects.all()
        if options["branch"]:
            branches = branches.filter(name=options["branch"])
            if not branches:
                raise CommandError(f"no branch {options['branch']}")
        places = load_jurisdictions()
        for branch in branches:
            products = load_products(branch)
            self.stdout.write(f"{branch}: {len(products)} products")
        self.stdout.write(f"cord rules of {len(places)} places")
