"""Demo data: an invented firm in an invented town, with work to do in every role today."""

from __future__ import annotations

import datetime as dt
import logging
from contextlib import nullcontext
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction
from django.utils import timezone

from shared import demo
from shared.models import Branch

AT_ONCE = 5000
"""A demo up to this size is there as a whole or not at all; a larger one is loaded in chunks."""


class Command(BaseCommand):
    help = "Loads the demo firm into an empty database; the same seed and day give the same data."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--jobs", type=int, default=120, help="how many jobs (120)")
        parser.add_argument("--seed", type=int, default=1, help="another seed, another demo (1)")
        parser.add_argument("--today", type=dt.date.fromisoformat, help="the day it opens on (today)")

    def handle(self, *args: Any, jobs: int, seed: int, today: dt.date | None, **options: Any) -> None:
        if not 1 <= jobs <= 1_000_000:
            raise CommandError("--jobs takes a whole number from 1 to 1000000")
        if Branch.objects.exists():
            raise CommandError("there is a firm in this database already; the demo goes into an empty one only")
        whole = transaction.atomic() if jobs <= AT_ONCE else nullcontext()
        logging.getLogger("jambwise.runs").setLevel(logging.ERROR)  # no broker runs yet; the sweep sends what waits
        here = timezone.now().astimezone(ZoneInfo(demo.ZONE)).date()
        with whole:
            demo.load(jobs=jobs, seed=seed, today=today or here, say=self.stdout.write)
