"""The workroom: recipes, materials and stock, units being made, batches, cut plans."""

from __future__ import annotations

import datetime as dt
import uuid
from math import ceil
from typing import Self, TypeVar

from django.conf import settings
from django.db import models
from django.db.models import Count, Exists, F, OuterRef, Q, Subquery
from django.db.models.functions import Coalesce
from django.utils import timezone

from fabrication.rules.supplied import TAKES_FINISHED, TAKES_OPENING
from jobs.models import BranchQuerySet, Job
from measuring.models import Family, JobPartQuerySet, Mount, Product, Unit
from shared.fields import LengthField, between
from shared.lengths import ZERO, Length

M = TypeVar("M", bound=models.Model)


class RecipeRevision(models.Model):
    """How a product becomes parts, from one day on; units keep the revision they were made by."""

    product = models.ForeignKey(Product, models.PROTECT, related_name="recipe_revisions")
    number = models.PositiveIntegerField()
    definition = models.JSONField(help_text="see fabrication.rules.recipes")
    note = models.CharField(max_length=240, blank=True)
    saved_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    saved_at = models.DateTimeField(default=timezone.now)
    is_current = models.BooleanField(default=True)

    class Meta:
        ordering = ["product", "-number"]
        constraints = [
            models.UniqueConstraint(fields=["product", "number"], name="recipe_revision_once"),
            models.UniqueConstraint(fields=["product"], condition=Q(is_current=True), name="one_current_recipe"),
        ]

    def __str__(self) -> str:
        return f"{self.product}, revision {self.number}"


class Tolerance(models.Model):
    """How far a finished unit of a family may be off; starting values are common practice."""

    branch = models.ForeignKey("shared.Branch", models.CASCADE, related_name="tolerances")
    family = models.CharField(max_length=10, choices=Family.choices)
    width_under = LengthField()
    width_over = LengthField(help_text="outside mount")
    width_over_inside = LengthField(default=ZERO, help_text="inside mount: never over")
    height_under = LengthField()
    height_over = LengthField()

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["family"]
        constraints = [models.UniqueConstraint(fields=["branch", "family"], name="tolerance_once_a_family")]

    def __str__(self) -> str:
        return f"tolerance of {self.get_family_display()}s"


class OfProductQuerySet(BranchQuerySet[M]):
    branch_path = "product__branch"


class SupplierList(models.Model):
    """What can be chosen for a product that is bought in, as its supplier lists it, and at what size it is ordered."""

    class Takes(models.TextChoices):
        OPENING = TAKES_OPENING, "opening size: they take the clearance"
        FINISHED = TAKES_FINISHED, "finished size: we take the clearance"

    product = models.OneToOneField(Product, models.CASCADE, related_name="supplier_list")
    options = models.JSONField(
        default=list, help_text="in the order asked: key, name, choices; without choices it is written freely"
    )
    takes = models.CharField(
        "size of an inside mount", max_length=8, choices=Takes.choices, blank=True, default="", db_default="",
        help_text="empty: nobody said, and an inside mount is not released",
    )  # fmt: skip
    revision = models.PositiveIntegerField(default=1)
    saved_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    saved_at = models.DateTimeField(default=timezone.now)

    objects = OfProductQuerySet.as_manager()

    class Meta:
        ordering = ["product__name"]

    def __str__(self) -> str:
        return f"supplier's list of {self.product}"


class LackingChoice(models.Model):
    """A choice the range had when the recipe became the one list, and the recipe has not."""

    product = models.ForeignKey(Product, models.CASCADE, related_name="lacking_choices")
    option = models.CharField(max_length=40)
    value = models.CharField(max_length=120)

    objects = OfProductQuerySet.as_manager()

    class Meta:
        ordering = ["product__name", "option", "pk"]
        constraints = [models.UniqueConstraint(fields=["product", "option", "value"], name="lacking_choice_once")]

    def __str__(self) -> str:
        return f"{self.product}: {self.option} {self.value}"


# -- materials and stock ---------------------------------------------------------


class Supplier(models.Model):
    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="suppliers")
    name = models.CharField(max_length=80)
    email = models.EmailField(blank=True)
    address = models.CharField(max_length=240, blank=True, default="", db_default="")
    lead_days = models.PositiveSmallIntegerField(
        default=7, validators=between(0, 365), help_text="working days from order to door"
    )
    transit_days = models.PositiveSmallIntegerField(
        default=2, db_default=2, validators=between(0, 60), help_text="working days of those on the road"
    )
    order_by = models.TimeField(null=True, blank=True, help_text="an order after this counts from the next day")
    closed = models.JSONField(default=list, db_default=[], help_text="first and last day of each shutdown, as ISO days")
    account = models.CharField("our account", max_length=40, blank=True, default="", db_default="")
    terms = models.CharField(max_length=80, blank=True, default="", db_default="", help_text="such as net 30")
    claim_days = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=between(0, 365), help_text="days after delivery to report freight damage"
    )

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name

    @property
    def shutdowns(self) -> tuple[tuple[dt.date, dt.date], ...]:
        """First and last day of each."""
        return tuple((dt.date.fromisoformat(begin), dt.date.fromisoformat(end)) for begin, end in self.closed)


class Material(models.Model):
    """Something the workroom cuts or pulls."""

    class Kind(models.TextChoices):
        BAR = "bar", "bar"
        STRIP = "strip", "strip"
        CLOTH = "cloth", "cloth"
        PIECE = "piece", "piece"
        CORD = "cord", "cord"
        SET = "set", "set"

    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="materials")
    key = models.SlugField(max_length=50)
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=6, choices=Kind.choices)
    facts = models.JSONField(default=dict, help_text="see fabrication.rules: weights, E, wall, weave, repeat …")
    kerf = LengthField(null=True, blank=True)
    trim = LengthField(null=True, blank=True, help_text="cut off each mill end")
    keep = LengthField(null=True, blank=True, help_text="the shortest offcut worth keeping")
    supplier = models.ForeignKey(Supplier, models.SET_NULL, null=True, blank=True, related_name="materials")
    supplier_code = models.CharField("supplier's code", max_length=40, blank=True, default="", db_default="")
    lead_days = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=between(0, 365), help_text="working days, where not the supplier's usual"
    )
    reorder_at = models.PositiveIntegerField(null=True, blank=True, validators=between(0, 100_000))
    pack = models.PositiveIntegerField(
        default=1, db_default=1, validators=between(1, 100_000), help_text="pieces in what is ordered"
    )
    is_active = models.BooleanField(default=True)

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["kind", "name"]
        constraints = [models.UniqueConstraint(fields=["branch", "key"], name="material_once_a_branch")]

    def __str__(self) -> str:
        return self.name

    def is_cut_from_bars(self) -> bool:
        return self.kind in {self.Kind.BAR, self.Kind.STRIP}


class StockItemQuerySet(BranchQuerySet["StockItem"]):
    branch_path = "material__branch"

    def available(self) -> StockItemQuerySet:
        return self.filter(quantity__gt=F("reserved"))


class StockItem(models.Model):
    """Equal pieces of one material on one shelf: bars, a roll, an offcut, a box of brackets."""

    material = models.ForeignKey(Material, models.PROTECT, related_name="stock")
    code = models.CharField(max_length=12, unique=True)
    length = LengthField(null=True, blank=True, help_text="of one piece; what is left on a roll")
    width = LengthField(null=True, blank=True, help_text="of a roll or a cloth offcut")
    lot = models.CharField("dye lot", max_length=30, blank=True)
    shelf = models.CharField(max_length=30, blank=True, db_column="place")
    is_offcut = models.BooleanField(default=False)
    quantity = models.PositiveIntegerField(default=1)
    reserved = models.PositiveIntegerField(default=0)
    reserved_length = LengthField(default=ZERO, help_text="of a roll, promised to batches")
    price = models.DecimalField(
        max_digits=10, decimal_places=2, null=True, blank=True, validators=between(0, 1_000_000),
        help_text="of one; of cloth and cord, of a metre",
    )  # fmt: skip
    flaws = models.JSONField(default=list, help_text="forbidden stretches of a roll from its free end, in ticks")
    created_at = models.DateTimeField(default=timezone.now)

    objects = StockItemQuerySet.as_manager()

    class Meta:
        ordering = ["material", "is_offcut", "length", "pk"]
        constraints = [
            models.CheckConstraint(name="stock_never_negative", condition=Q(quantity__gte=0)),
            models.CheckConstraint(name="stock_reserved_within", condition=Q(reserved__lte=F("quantity"))),
            models.CheckConstraint(
                name="stock_length_reserved_within",
                condition=Q(length__isnull=True) | Q(reserved_length__lte=F("length")),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.material.name}"

    @property
    def free(self) -> int:
        return self.quantity - self.reserved

    @property
    def free_length(self) -> Length:
        """What no batch has been promised of a roll."""
        return (self.length or ZERO) - self.reserved_length


class KeptEndQuerySet(BranchQuerySet["KeptEnd"]):
    branch_path = "item__material__branch"

    def held(self) -> KeptEndQuerySet:
        """Those of jobs that are still open."""
        return self.exclude(job__stage__in=[Job.Stage.CLOSED, Job.Stage.CANCELLED])


class KeptEnd(models.Model):
    """The end of a roll that stays for a job's remakes, in its dye lot, until the job is closed."""

    item = models.ForeignKey(StockItem, models.CASCADE, related_name="kept_ends")
    job = models.ForeignKey(Job, models.CASCADE, related_name="+")
    length = LengthField(help_text="the longest cross cut the job had of the roll")
    created_at = models.DateTimeField(default=timezone.now)

    objects = KeptEndQuerySet.as_manager()

    class Meta:
        ordering = ["item", "pk"]
        constraints = [models.UniqueConstraint(fields=["item", "job"], name="kept_end_once_a_job")]

    def __str__(self) -> str:
        return f"{self.length} of {self.item.code} for {self.job.number}"


class StockMove(models.Model):
    """Why a stock figure changed."""

    class Reason(models.TextChoices):
        RECEIVED = "received", "received"
        CUT = "cut", "cut"
        OFFCUT = "offcut", "offcut put back"
        PULLED = "pulled", "pulled"
        RETURNED = "returned", "put back"
        COUNTED = "counted", "counted"
        CORRECTED = "corrected", "corrected"
        SPOILED = "spoiled", "spoiled"
        MOVED = "moved", "moved"
        MEASURED = "measured", "measured again"
        SCRAPPED = "scrapped", "scrapped"
        SPLIT = "split", "split"
        JOINED = "joined", "joined"
        GIVEN = "given_back", "given back"

    item = models.ForeignKey(StockItem, models.CASCADE, related_name="moves")
    change = models.IntegerField()
    reason = models.CharField(max_length=10, choices=Reason.choices)
    note = models.CharField(max_length=160, blank=True)
    moved_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    moved_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-moved_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.change:+d} {self.reason}"


class WorkPlace(models.Model):
    """A place in the workroom with its hours, and the minutes a unit of each family takes there."""

    branch = models.ForeignKey("shared.Branch", models.CASCADE, related_name="work_places")
    name = models.CharField(max_length=60)
    order = models.PositiveSmallIntegerField(default=0)
    day_min = models.PositiveIntegerField("minutes a day", default=480, validators=between(1, 28_800))
    minutes = models.JSONField(default=dict, help_text="family to minutes a unit; a family left out takes none")

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["order", "name"]
        constraints = [models.UniqueConstraint(fields=["branch", "name"], name="work_place_once_a_branch")]

    def __str__(self) -> str:
        return self.name


# -- batches and what is made ----------------------------------------------------


class Batch(models.Model):
    """Units cut together."""

    class State(models.TextChoices):
        OPEN = "open", "open"
        PLANNED = "planned", "planned"
        CUTTING = "cutting", "cutting"
        CUT = "cut", "all cut"
        DONE = "done", "done"
        CANCELLED = "cancelled", "cancelled"

    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="batches")
    number = models.CharField(max_length=16)
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    due_on = models.DateField(null=True, blank=True)
    note = models.CharField(max_length=160, blank=True)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        constraints = [models.UniqueConstraint(fields=["branch", "number"], name="batch_number_once_a_branch")]

    def __str__(self) -> str:
        return f"batch {self.number}"


class MadeQuerySet(JobPartQuerySet["UnitMake"]):
    job_path = "unit__opening__job"


class UnitMake(models.Model):
    """A unit as the workroom makes it: finished size, recipe revision, weight, batch."""

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        BATCHED = "batched", "batched"
        CUTTING = "cutting", "cutting"
        ASSEMBLY = "assembly", "to assemble"
        BACK = "back", "back to the bench"
        MADE = "made", "made"
        CANCELLED = "cancelled", "cancelled"

    unit = models.OneToOneField(Unit, models.PROTECT, related_name="make")
    recipe = models.ForeignKey(RecipeRevision, models.PROTECT, null=True, blank=True, related_name="makes")
    batch = models.ForeignKey(Batch, models.SET_NULL, null=True, blank=True, related_name="makes")
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    source = models.CharField(max_length=8, choices=Product.Source.choices, default=Product.Source.MADE)
    finished_width = LengthField()
    finished_height = LengthField()
    steps = models.JSONField(default=list, help_text="from order size to finished size")
    figures = models.JSONField(default=dict, help_text="tube, sag, stack, lift and other computed figures")
    weight_g = models.PositiveIntegerField(default=0)
    packages = models.JSONField(default=list, help_text="what it is carried as, each with its longest side in ticks")
    checked_width = LengthField(null=True, blank=True)
    checked_height = LengthField(null=True, blank=True)
    checked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    checked_at = models.DateTimeField(null=True, blank=True)

    objects = MadeQuerySet.as_manager()

    class Meta:
        ordering = ["pk"]
        indexes = [models.Index(fields=["state", "batch"])]

    def __str__(self) -> str:
        return f"{self.unit.code} as made"

    @property
    def all_steps(self) -> list[dict[str, object]]:
        """From the first reading to the finished size, as the page and the work order number them."""
        return [*self.unit.steps, *self.steps]

    @property
    def bench_step(self) -> str:
        """How far it is on the bench, beside its unit's own state; empty once it has left the workroom."""
        is_here = self.unit.state in {Unit.State.RELEASED, Unit.State.IN_WORKROOM}
        return self.get_state_display() if is_here else ""


class PartQuerySet(JobPartQuerySet["Part"]):
    job_path = "make__unit__opening__job"


class Part(models.Model):
    """One piece to cut or pull for a unit."""

    class State(models.TextChoices):
        TO_CUT = "to_cut", "to cut"
        PLANNED = "planned", "planned"
        CUT = "cut", "cut"
        TO_PULL = "to_pull", "to pull"
        PULLED = "pulled", "pulled"
        SPOILED = "spoiled", "spoiled"
        CANCELLED = "cancelled", "cancelled"

    make = models.ForeignKey(UnitMake, models.CASCADE, related_name="parts")
    name = models.CharField(max_length=60)
    kind = models.CharField(max_length=6, choices=Material.Kind.choices)
    material = models.ForeignKey(Material, models.PROTECT, related_name="parts")
    quantity = models.PositiveIntegerField(default=1, help_text="equal pieces")
    length = LengthField(null=True, blank=True)
    width = LengthField(null=True, blank=True)
    may_turn = models.BooleanField(default=False)
    derivation = models.TextField(blank=True)
    weight_g = models.PositiveIntegerField(default=0)
    state = models.CharField(max_length=10, choices=State.choices)
    done = models.PositiveIntegerField(default=0, help_text="pieces cut or pulled so far")
    lot = models.CharField("dye lot", max_length=30, blank=True, help_text="of the roll its last piece was cut from")

    objects = PartQuerySet.as_manager()

    class Meta:
        ordering = ["make", "pk"]
        indexes = [models.Index(fields=["material", "state"])]
        constraints = [models.CheckConstraint(name="part_done_within", condition=Q(done__lte=F("quantity")))]

    def __str__(self) -> str:
        return f"{self.name} for {self.make.unit.code}"


class CutPlanQuerySet(BranchQuerySet["CutPlan"]):
    branch_path = "batch__branch"

    def with_cuts_left(self) -> Self:
        """Plans that have a stock piece left to cut."""
        return self.filter(Exists(PlannedCut.objects.filter(plan=OuterRef("pk"), state__in=PlannedCut.OPEN)))

    def counted(self) -> CutPlanQuerySet:
        """
        Each plan with how far its material is in its batch, in stock pieces (bars, or cross cuts of a roll).

        `cuts_done` counts what was cut by plans that were replaced since too, `cuts_left` what this
        plan has left, `cuts_in_all` both. A stock piece that nothing was cut from does not count.
        """
        cut = PlannedCut.objects.filter(
            plan__batch=OuterRef("batch"), plan__material=OuterRef("material"), state=PlannedCut.State.CUT
        ).exclude(pieces=[])
        left = PlannedCut.objects.filter(plan=OuterRef("pk"), state__in=PlannedCut.OPEN)
        counted = self.annotate(cuts_done=_number_of(cut, "plan__batch"), cuts_left=_number_of(left, "plan"))
        return counted.annotate(cuts_in_all=F("cuts_done") + F("cuts_left"))


def _number_of(rows: models.QuerySet[PlannedCut], by: str) -> Coalesce:
    """How many of a subquery's rows, which all have the same `by`."""
    return Coalesce(Subquery(rows.order_by().values(by).annotate(number=Count("pk")).values("number")), 0)


class CutPlan(models.Model):
    """How one material of one batch is cut, with its proof."""

    class State(models.TextChoices):
        PLANNING = "planning", "planning"
        READY = "ready", "ready"
        FAILED = "failed", "failed"
        REPLACED = "replaced", "replaced"

    batch = models.ForeignKey(Batch, models.CASCADE, related_name="plans")
    material = models.ForeignKey(Material, models.PROTECT, related_name="plans")
    revision = models.PositiveIntegerField(default=1)
    state = models.CharField(max_length=10, choices=State.choices, default=State.PLANNING)
    run = models.ForeignKey("shared.Run", models.SET_NULL, null=True, blank=True, related_name="+")
    problem = models.JSONField(default=dict)
    answer = models.JSONField(default=dict)
    unplaced = models.JSONField(default=list)
    before = models.JSONField(default=dict, help_text="why it was planned anew, and what was left cost until then")
    created_at = models.DateTimeField(default=timezone.now)

    objects = CutPlanQuerySet.as_manager()

    class Meta:
        ordering = ["batch", "material", "-revision"]
        constraints = [
            models.UniqueConstraint(fields=["batch", "material", "revision"], name="cut_plan_revision_once"),
            models.UniqueConstraint(
                fields=["batch", "material"], condition=~Q(state="replaced"), name="one_live_cut_plan"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.material} for {self.batch}"

    @property
    def within(self) -> str:
        """How far above the least there can be, as words such as ``0.3 %``, rounded up; empty if proven or no bound."""
        gap = self.answer.get("gap")
        if self.answer.get("proven") or gap is None or not self.answer.get("bound"):
            return ""
        return f"{ceil(float(gap) * 1000) / 10:g} %"

    @property
    def opened(self) -> int:
        """How many pieces of stock the plan opens, bars or rolls."""
        return sum(self.answer.get("used", {}).values())

    @property
    def more_new_stock(self) -> tuple[int, Length] | None:
        """
        How many pieces and what length of new stock planning anew takes beyond what was planned before.

        What was lost and the new plan, less what was left of the old one; offcuts are not counted.
        None where it was not planned anew, or before this was kept.
        """
        if "new_stock_after" not in self.before or "new_stock" not in self.before:
            return None
        nothing = {"pieces": 0, "ticks": 0}
        was, lost, now = (self.before.get(name, nothing) for name in ("new_stock", "new_stock_lost", "new_stock_after"))
        more = {key: now[key] + lost[key] - was[key] for key in nothing}
        return more["pieces"], Length(more["ticks"])


class PlannedCutQuerySet(BranchQuerySet["PlannedCut"]):
    branch_path = "plan__batch__branch"


class PlannedCut(models.Model):
    """One stock piece to be cut (a bar), or one cross cut of a roll."""

    class State(models.TextChoices):
        TO_CUT = "to_cut", "to cut"
        BEGUN = "begun", "under way"
        CUT = "cut", "cut"
        DROPPED = "dropped", "dropped"

    OPEN = (State.TO_CUT, State.BEGUN)

    plan = models.ForeignKey(CutPlan, models.CASCADE, related_name="cuts")
    order = models.PositiveIntegerField()
    item = models.ForeignKey(StockItem, models.PROTECT, related_name="cuts")
    length = LengthField(help_text="of the bar, or of the cross cut")
    skipped = LengthField(default=ZERO, help_text="of a roll: flawed stretch that is run off before it")
    pieces = models.JSONField(help_text="in saw order: part id, at, length, width, turned, cut, spoiled; ticks")
    left = LengthField(help_text="what is left of it")
    keeps_offcut = models.BooleanField(default=False)
    offcut = models.ForeignKey(StockItem, models.SET_NULL, null=True, blank=True, related_name="+")
    flaws_before = models.JSONField(default=list, help_text="the roll's flaws before it was run off, for undoing")
    state = models.CharField(max_length=8, choices=State.choices, default=State.TO_CUT)
    cut_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    cut_at = models.DateTimeField(null=True, blank=True)

    objects = PlannedCutQuerySet.as_manager()

    class Meta:
        ordering = ["plan", "order"]
        constraints = [models.UniqueConstraint(fields=["plan", "order"], name="planned_cut_order_once")]

    def __str__(self) -> str:
        return f"cut {self.order} of {self.plan}"

    @property
    def miscut(self) -> str:
        """Why pieces of it were spoiled, in the words of who reported it; empty where none was."""
        return next((piece.get("why") or "no reason kept" for piece in self.pieces if piece.get("spoiled")), "")

    @property
    def run_off(self) -> Length:
        """Length of the roll that goes with it."""
        return self.skipped + self.length


# -- assembly ----------------------------------------------------------------------


class AssemblyStep(models.Model):
    """One thing to do when a unit of a family is put together; the firm's own list."""

    branch = models.ForeignKey("shared.Branch", models.CASCADE, related_name="assembly_steps")
    family = models.CharField(max_length=10, choices=Family.choices)
    order = models.PositiveSmallIntegerField(default=0)
    text = models.CharField(max_length=160)
    is_active = models.BooleanField(default=True)

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["family", "order", "pk"]

    def __str__(self) -> str:
        return self.text


class StepDone(models.Model):
    """Who did a step of a unit, and when."""

    make = models.ForeignKey(UnitMake, models.CASCADE, related_name="steps_done")
    step = models.ForeignKey(AssemblyStep, models.PROTECT, related_name="+")
    done_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    done_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["step"]
        constraints = [models.UniqueConstraint(fields=["make", "step"], name="step_once_a_unit")]

    def __str__(self) -> str:
        return f"{self.step} of {self.make}"


class MadePhotoQuerySet(JobPartQuerySet["MadePhoto"]):
    job_path = "make__unit__opening__job"


class MadePhoto(models.Model):
    """The finished unit, before it is packed."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    make = models.ForeignKey(UnitMake, models.CASCADE, related_name="photos")
    file = models.ImageField(upload_to="made/%Y/%m/")
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    taken_at = models.DateTimeField(default=timezone.now)

    objects = MadePhotoQuerySet.as_manager()

    class Meta:
        ordering = ["taken_at"]

    def __str__(self) -> str:
        return f"photo of {self.make}"


# -- labels ------------------------------------------------------------------------


class LabelSize(models.Model):
    """What a branch prints its labels on: a sheet of so many, or a roll of single ones."""

    class Kind(models.TextChoices):
        SHEET = "sheet", "sheets"
        ROLL = "roll", "a roll"

    branch = models.OneToOneField("shared.Branch", models.CASCADE, related_name="label_size")
    kind = models.CharField(max_length=5, choices=Kind.choices, default=Kind.SHEET)
    width = LengthField()
    height = LengthField()
    columns = models.PositiveSmallIntegerField(default=3, validators=between(1, 8))
    rows = models.PositiveSmallIntegerField(default=7, validators=between(1, 30))
    left = LengthField("left margin", default=ZERO)
    top = LengthField("top margin", default=ZERO)
    across = LengthField("gap across", default=ZERO)
    down = LengthField("gap down", default=ZERO)
    start = models.PositiveSmallIntegerField(
        "first free label", default=1, db_default=1, validators=between(1, 240),
        help_text="on a sheet that is begun, counted row by row",
    )  # fmt: skip

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["branch"]

    def __str__(self) -> str:
        return f"labels of {self.branch}"


# -- the customer's own cloth --------------------------------------------------------


class OwnClothQuerySet(JobPartQuerySet["OwnCloth"]):
    pass


class OwnCloth(models.Model):
    """Cloth a customer brings: what we need of it, and what came."""

    class State(models.TextChoices):
        EXPECTED = "expected", "expected"
        RECEIVED = "received", "received"
        ACCEPTED = "accepted", "accepted"
        REFUSED = "refused", "refused"

    job = models.ForeignKey(Job, models.PROTECT, related_name="own_cloths")
    name = models.CharField("what it is", max_length=80)
    units = models.CharField("what for", max_length=160, blank=True, help_text="rooms or units it is for")
    width_needed = LengthField(help_text="usable width, selvedges off")
    length_needed = LengthField()
    repeat_expected = LengthField(null=True, blank=True, help_text="of the pattern, if it has one")
    expected_on = models.DateField(null=True, blank=True)
    state = models.CharField(max_length=8, choices=State.choices, default=State.EXPECTED)
    received_at = models.DateTimeField(null=True, blank=True)
    shelf = models.CharField(max_length=30, blank=True, db_column="place")
    width = LengthField("width measured", null=True, blank=True)
    length = LengthField("length measured", null=True, blank=True)
    repeat = LengthField("repeat measured", null=True, blank=True)
    flaws = models.JSONField(default=list, help_text="[from, to] in ticks from its free end")
    verdict = models.CharField(max_length=240, blank=True)
    checked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    checked_at = models.DateTimeField(null=True, blank=True)
    item = models.OneToOneField(StockItem, models.SET_NULL, null=True, blank=True, related_name="own_cloth")
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)

    objects = OwnClothQuerySet.as_manager()

    class Meta:
        ordering = ["state", "expected_on", "pk"]

    def __str__(self) -> str:
        return f"{self.name} of {self.job.number}"


# -- what is bought ----------------------------------------------------------------


class Purchase(models.Model):
    """One sheet to one supplier: units bought in, or stock."""

    class State(models.TextChoices):
        DRAFT = "draft", "not sent"
        ORDERED = "ordered", "ordered"
        CLOSED = "closed", "all in"
        CANCELLED = "cancelled", "cancelled"

    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="purchases")
    supplier = models.ForeignKey(Supplier, models.PROTECT, related_name="purchases")
    number = models.CharField(max_length=16)
    state = models.CharField(max_length=10, choices=State.choices, default=State.DRAFT)
    expected_on = models.DateField(null=True, blank=True)
    ships_on = models.DateField(null=True, blank=True, help_text="as the supplier acknowledged it")
    ordered_at = models.DateTimeField(null=True, blank=True)
    note = models.CharField("note to the supplier", max_length=240, blank=True, default="", db_default="")
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        constraints = [models.UniqueConstraint(fields=["branch", "number"], name="purchase_number_once_a_branch")]

    def __str__(self) -> str:
        return f"purchase {self.number}"


class PurchaseLineQuerySet(BranchQuerySet["PurchaseLine"]):
    branch_path = "purchase__branch"


class PurchaseLine(models.Model):
    """One unit, or so much of one material, and how far it has come."""

    class State(models.TextChoices):
        ORDERED = "ordered", "ordered"
        DIFFERS = "differs", "acknowledged otherwise"
        ACKNOWLEDGED = "acknowledged", "acknowledged"
        RECEIVED = "received", "received"
        INSPECTED = "inspected", "inspected"
        REFUSED = "refused", "sent back"
        ASKED = "asked", "change asked"
        CANCELLED = "cancelled", "cancelled"

    purchase = models.ForeignKey(Purchase, models.CASCADE, related_name="lines")
    make = models.OneToOneField(
        UnitMake, models.PROTECT, null=True, blank=True, related_name="purchase_line", help_text="a unit bought in"
    )
    was_for = models.ForeignKey(
        UnitMake, models.SET_NULL, null=True, blank=True, related_name="former_lines",
        help_text="the unit it was for, of a line that was cancelled",
    )  # fmt: skip
    material = models.ForeignKey(Material, models.PROTECT, null=True, blank=True, related_name="purchase_lines")
    quantity = models.PositiveIntegerField(default=1)
    length = LengthField(null=True, blank=True)
    width = LengthField(null=True, blank=True)
    price = models.DecimalField(
        max_digits=10, decimal_places=2, null=True, blank=True, validators=between(0, 1_000_000),
        help_text="of one; of cloth and cord, of a metre",
    )  # fmt: skip
    mount = models.CharField(max_length=8, choices=Mount.choices, blank=True, default="", db_default="")
    basis = models.CharField(
        max_length=14, blank=True, default="", db_default="", help_text="of a unit: opening size or finished size"
    )
    state = models.CharField(max_length=12, choices=State.choices, default=State.ORDERED)
    acknowledged = models.JSONField(default=dict, help_text="width, height and options as the supplier read them")
    differences = models.JSONField(default=list)
    answers = models.JSONField(
        default=dict, db_default={}, help_text="what differed to accepted or refused, by whom and why"
    )
    pieces_received = models.PositiveIntegerField(
        default=0, db_default=0, validators=between(0, 1_000_000), help_text="of stock, delivery by delivery"
    )
    packages_expected = models.PositiveSmallIntegerField(default=1)
    packages_received = models.PositiveSmallIntegerField(default=0)
    received_at = models.DateTimeField(null=True, blank=True, help_text="when the last of it came")
    note = models.CharField(max_length=240, blank=True)

    objects = PurchaseLineQuerySet.as_manager()

    class Meta:
        ordering = ["purchase", "pk"]
        constraints = [
            models.CheckConstraint(
                name="purchase_line_is_of_one_thing",
                condition=Q(make__isnull=False, material__isnull=True)
                | Q(make__isnull=True, material__isnull=False)
                | Q(make__isnull=True, material__isnull=True, state="cancelled"),
            )
        ]

    def __str__(self) -> str:
        make = self.make or self.was_for
        return make.unit.code if make else f"{self.quantity} × {self.material}"

    @property
    def pieces_to_come(self) -> int:
        """Of stock: what no delivery has brought yet."""
        return max(0, self.quantity - self.pieces_received)


class ClaimQuerySet(BranchQuerySet["Claim"]):
    branch_path = "purchase__branch"

    def open(self) -> ClaimQuerySet:
        return self.filter(closed_at=None)


class Claim(models.Model):
    """What is wrong with something that came, until its supplier has made it good."""

    class Kind(models.TextChoices):
        FREIGHT = "freight", "freight damage"
        DEFECT = "defect", "defect"
        WRONG = "wrong", "not as ordered"
        SHORT = "short", "missing from the delivery"

    class Outcome(models.TextChoices):
        OPEN = "", "open"
        REMAKE = "remake", "remade"
        CREDIT = "credit", "credited"
        NONE = "none", "withdrawn"

    purchase = models.ForeignKey(Purchase, models.CASCADE, related_name="claims")
    line = models.ForeignKey(PurchaseLine, models.SET_NULL, null=True, blank=True, related_name="claims")
    what = models.CharField(max_length=120, help_text="as the line said; it stays when the unit is ordered again")
    kind = models.CharField(max_length=8, choices=Kind.choices)
    quantity = models.PositiveIntegerField(default=1, validators=between(1, 100_000))
    note = models.CharField(max_length=240)
    tell_by = models.DateField(null=True, blank=True, help_text="the last day the supplier hears of freight damage")
    reported_at = models.DateTimeField(null=True, blank=True)
    outcome = models.CharField(max_length=6, choices=Outcome.choices, blank=True, default=Outcome.OPEN)
    remake_number = models.CharField(max_length=40, blank=True)
    credit = models.DecimalField(
        max_digits=10, decimal_places=2, null=True, blank=True, validators=between(0, 1_000_000)
    )  # fmt: skip
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    opened_at = models.DateTimeField(default=timezone.now)
    closed_at = models.DateTimeField(null=True, blank=True)

    objects = ClaimQuerySet.as_manager()

    class Meta:
        ordering = ["closed_at", "tell_by", "pk"]

    def __str__(self) -> str:
        return f"claim on {self.what}"
