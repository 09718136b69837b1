"""The visit: products and their mounting needs, openings, readings, order sizes, units."""

from __future__ import annotations

import datetime as dt
import uuid
from decimal import Decimal
from typing import TYPE_CHECKING, Self, TypeVar

from django.conf import settings
from django.core.validators import MaxLengthValidator
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_noop

from jobs.models import Appointment, BranchQuerySet, Job
from measuring.rules.families import SHAPES, TABLE, WALL
from measuring.rules.prices import AreaPrice, NoPrice, TablePrice
from measuring.rules.visit import LABELS
from shared.fields import LONGEST_NOTE, LengthField, between
from shared.lengths import Length, LengthUnit

if TYPE_CHECKING:
    from shared.models import User


M = TypeVar("M", bound=models.Model)


class Family(models.TextChoices):
    ROLLER = "roller", "roller shade"
    SOLAR = "solar", "solar shade"
    SHEER = "sheer", "sheer shade"
    VERTICAL = "vertical", "vertical blind"
    SLAT = "slat", "slat blind"
    CELLULAR = "cellular", "cellular shade"
    PLEATED = "pleated", "pleated shade"
    ROMAN = "roman", "roman shade"


class Mount(models.TextChoices):
    INSIDE = "inside", gettext_noop("inside mount")
    OUTSIDE = "outside", gettext_noop("outside mount")


class Shape(models.TextChoices):
    """Of an opening, as seen from the room; the table says what each is read at."""

    RECTANGLE = "rectangle", SHAPES["rectangle"]["name"]
    ARCH = "arch", SHAPES["arch"]["name"]
    EYEBROW = "eyebrow", SHAPES["eyebrow"]["name"]
    QUARTER_LEFT = "quarter_left", SHAPES["quarter_left"]["name"]
    QUARTER_RIGHT = "quarter_right", SHAPES["quarter_right"]["name"]
    CIRCLE = "circle", SHAPES["circle"]["name"]
    TRAPEZOID = "trapezoid", SHAPES["trapezoid"]["name"]
    TRIANGLE = "triangle", SHAPES["triangle"]["name"]
    GABLE = "gable", SHAPES["gable"]["name"]
    SKYLIGHT = "skylight", SHAPES["skylight"]["name"]


class FixedTo(models.TextChoices):
    CEILING = "ceiling", "ceiling"
    WALL = "wall", "wall"
    JAMB = "jamb", "jamb"
    CASING = "casing", "casing"
    DOOR = "door", "door"


class Substrate(models.TextChoices):
    WOOD = "wood", "wood"
    DRYWALL_WOOD = "drywall_wood_stud", "drywall on wood stud"
    DRYWALL_STEEL = "drywall_steel_stud", "drywall on steel stud"
    DRYWALL_HOLLOW = "drywall_hollow", "hollow drywall"
    PLASTER = "plaster_lath", "plaster and lath"
    MASONRY = "masonry", "masonry"
    CONCRETE = "concrete", "concrete"
    TILE = "tile", "tile"
    ALUMINIUM = "aluminium", "aluminium"
    VINYL = "vinyl_frame", "vinyl frame"
    SLAB = "post_tensioned_slab", "post-tensioned slab"
    UNKNOWN = "unknown", "unknown"


class Product(models.Model):
    """One line of a firm's range: a family and what it needs to mount; what can be chosen comes from above."""

    class Source(models.TextChoices):
        MADE = "made", "made here"
        BOUGHT = "bought", "bought in"
        CUT_DOWN = "cut_down", "stock cut down"

    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="products")
    key = models.SlugField(max_length=40)
    name = models.CharField(max_length=80)
    family = models.CharField(max_length=10, choices=Family.choices)
    fit = models.JSONField(default=dict, help_text="mounting needs and limits; see measuring.rules.findings")
    revision = models.PositiveIntegerField(default=1)
    source = models.CharField(max_length=8, choices=Source.choices, default=Source.MADE)
    is_active = models.BooleanField(default=True)

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["family", "name"]
        constraints = [models.UniqueConstraint(fields=["branch", "key"], name="product_once_a_branch")]

    def __str__(self) -> str:
        return self.name


class ProductTerms(models.Model):
    """What a product is sold for, by area or by a table of sizes, which goes first; its warranty and care."""

    class Per(models.TextChoices):
        SQ_FT = "sq_ft", "square foot"
        SQ_M = "sq_m", "square meter"

    product = models.OneToOneField(Product, models.CASCADE, related_name="terms")
    rate = models.DecimalField(
        null=True, blank=True, max_digits=9, decimal_places=2, validators=between(0, 1_000_000), help_text="by area"
    )
    per = models.CharField(max_length=5, choices=Per.choices, default=Per.SQ_FT)
    least = models.DecimalField(
        "least area", max_digits=6, decimal_places=2, default=0, validators=between(0, 9_999),
        help_text="in the same squares: smaller is charged as this",
    )  # fmt: skip
    table = models.JSONField(null=True, blank=True, help_text="widths and heights in ticks, a row of prices a height")
    warranty = models.TextField(blank=True, validators=[MaxLengthValidator(600)], help_text="a line a part")
    care = models.TextField(blank=True, validators=[MaxLengthValidator(600)])

    def __str__(self) -> str:
        return f"price and warranty of {self.product}"

    def of(self, width: Length, height: Length, unit: LengthUnit) -> Decimal:
        """The price of a size; raises `NoPrice` where there is none."""
        if self.table:
            return TablePrice.from_json(self.table).of(width, height, unit)
        if self.rate is None:
            raise NoPrice("no price by area")
        return AreaPrice(self.rate, self.per, self.least).of(width, height)


class MeasureTimes(models.Model):
    """Minutes a measure visit takes, for a branch's calendar; starting values are in measure_times.json."""

    branch = models.OneToOneField("shared.Branch", models.CASCADE, related_name="measure_times")
    minutes = models.JSONField(default=dict)
    revision = models.PositiveIntegerField(default=1)

    def __str__(self) -> str:
        return f"measure times of {self.branch}"


class Jurisdiction(models.Model):
    """What a place says about cords where children live or visit; data with source and date."""

    key = models.SlugField(max_length=30, unique=True)
    name = models.CharField(max_length=80)
    rules = models.JSONField(default=dict)
    source = models.CharField(max_length=240)
    as_of = models.DateField()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Tape(models.Model):
    """A measurer's tape and the length printed on its case."""

    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="tapes")
    label = models.CharField(max_length=40)
    case_length = LengthField()
    is_laser = models.BooleanField("laser", default=False)
    is_retired = models.BooleanField(default=False)

    class Meta:
        ordering = ["user", "label"]

    def __str__(self) -> str:
        return self.label


# -- the visit -------------------------------------------------------------------


class MeasureVisit(models.Model):
    """What was measured at an appointment; its table keeps its name."""

    class Outcome(models.TextChoices):
        WHOLE = "whole", "all measured"
        PART = "part", "in part"
        NONE = "none", "nothing measured"

    appointment = models.OneToOneField(Appointment, models.PROTECT, related_name="measure_visit")
    measurer = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    tape = models.ForeignKey(Tape, models.PROTECT, null=True, blank=True, related_name="+")
    opened_at = models.DateTimeField(default=timezone.now)
    closed_at = models.DateTimeField(null=True, blank=True)
    outcome = models.CharField(max_length=8, choices=Outcome.choices, blank=True)
    note = models.TextField(blank=True, validators=[MaxLengthValidator(LONGEST_NOTE)])

    class Meta:
        db_table = "measuring_visit"
        ordering = ["-opened_at"]

    def __str__(self) -> str:
        return f"visit to {self.appointment.job.number}"

    def is_closed(self) -> bool:
        return self.closed_at is not None


class JobPartQuerySet(models.QuerySet[M]):
    """Rows of a job: whoever may see the job may see them."""

    job_path = "job"

    def visible_to(self, user: User) -> Self:
        return self.filter(**{f"{self.job_path}__in": Job.objects.visible_to(user)})


class Room(models.Model):
    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False, help_text="a device may name it")
    job = models.ForeignKey(Job, models.CASCADE, related_name="rooms")
    name = models.CharField(max_length=60)
    floor = models.CharField(max_length=20, blank=True)
    order = models.PositiveIntegerField(default=0)
    defaults = models.JSONField(default=dict, help_text="substrate, depth, product, floor type for new openings")

    objects = JobPartQuerySet.as_manager()

    class Meta:
        ordering = ["order", "pk"]
        constraints = [models.UniqueConstraint(fields=["job", "floor", "name"], name="room_once_a_job")]

    def __str__(self) -> str:
        return self.name


class Group(models.Model):
    """Openings that belong together."""

    class Kind(models.TextChoices):
        BAY = "bay", "bay"
        CORNER = "corner", "corner"
        DOORS = "doors", "pair of doors"
        HEAD = "one_head", "several on one head"
        LINE_UP = "line_up", "line-up"
        LAYERS = "layers", "two layers"

    job = models.ForeignKey(Job, models.CASCADE, related_name="groups")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    name = models.CharField(max_length=60)
    angles = models.JSONField(default=list, help_text="degrees at headrail depth, left to right")
    past = models.JSONField(
        default=list, db_default=[], help_text="at each corner: left or right runs past, or neither"
    )
    stands_off = models.JSONField(
        default=dict, db_default={}, help_text="ticks, by the opening's key, where it is not the product's own"
    )
    room_between = LengthField(null=True, blank=True, help_text="between two units at a corner; empty: the usual")
    runs_past = models.CharField(max_length=60, blank=True, help_text="not asked any more: see past")
    bottoms_level = models.BooleanField(default=False)

    objects = JobPartQuerySet.as_manager()

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.name}".strip()

    def is_bay(self) -> bool:
        """Whether its units meet at corners."""
        return self.kind in TABLE["bays"]["kinds"]


class Lapping(models.TextChoices):
    """How units side by side lap."""

    NONE = "", "a gap between"
    LEFT = "left", "left laps over right"
    RIGHT = "right", "right laps over left"


class ToCome(models.TextChoices):
    """What is still to be built around an opening: until then nothing read of it is final."""

    NOTHING = "", "nothing"
    CASING = "casing", "casing"
    FLOOR = "floor", "floor"
    TILE = "tile", "tile"
    RENOVATION = "renovation", "renovation"


class Opening(models.Model):
    """One hole in the wall to be covered."""

    class State(models.TextChoices):
        TO_MEASURE = "to_measure", "to measure"
        UNDER_WAY = "under_way", "under way"
        READ = "read", "read"
        MEASURED = "measured", "measured"
        CANNOT = "cannot", "can't be covered"
        NOT_REACHED = "not_reached", "not reached"
        DROPPED = "dropped", "dropped"

    class Sill(models.TextChoices):
        SILL = "sill", "sill"
        FLOOR = "floor", "floor"
        NONE = "none", "no sill"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False, help_text="a device may name it")
    job = models.ForeignKey(Job, models.CASCADE, related_name="openings")
    room = models.ForeignKey(Room, models.PROTECT, related_name="openings")
    group = models.ForeignKey(Group, models.SET_NULL, null=True, blank=True, related_name="openings")
    mark = models.CharField(max_length=20, help_text="such as A, 1, W-204")
    order = models.PositiveIntegerField(default=0)
    phase = models.CharField(max_length=60, blank=True)
    state = models.CharField(max_length=12, choices=State.choices, default=State.TO_MEASURE)
    reason = models.CharField(max_length=240, blank=True, help_text="why it can't be covered or reached")
    product = models.ForeignKey(Product, models.PROTECT, null=True, blank=True, related_name="+")
    shape = models.CharField(
        max_length=14, choices=Shape.choices, default=Shape.RECTANGLE, db_default=Shape.RECTANGLE.value
    )
    mount = models.CharField(max_length=8, choices=Mount.choices, default=Mount.INSIDE)
    fixed_to = models.CharField(max_length=8, choices=FixedTo.choices, default=FixedTo.JAMB)
    substrate = models.CharField(max_length=20, choices=Substrate.choices, default=Substrate.UNKNOWN)
    sill = models.CharField(max_length=6, choices=Sill.choices, default=Sill.SILL)
    floor_type = models.CharField(max_length=40, blank=True)
    stops_on = models.JSONField(default=dict, help_text="side: what the covering stops on, and its limit in ticks")
    is_door = models.BooleanField("door", default=False)
    door_swing = models.CharField(max_length=20, blank=True)
    handle_projection = LengthField(null=True, blank=True)
    handle_height = LengthField(null=True, blank=True)
    sill_projection = LengthField(null=True, blank=True)
    reach_height = LengthField(null=True, blank=True, help_text="floor to the top of the opening")
    to_come = models.CharField(max_length=10, choices=ToCome.choices, blank=True, default="", db_default="")
    power = models.CharField(max_length=60, blank=True, help_text="power at the window")
    access_note = models.CharField(max_length=160, blank=True)
    note = models.TextField(blank=True, validators=[MaxLengthValidator(LONGEST_NOTE)])
    site_facts = models.JSONField(default=dict, help_text="alarm contact, pipes, mullion seams, and the like")
    units_wanted = models.PositiveSmallIntegerField(default=1, help_text="how many units side by side")
    split = models.JSONField(default=list, help_text="ticks of each unit's width from the left; empty: equal")
    mullions = models.JSONField(default=list, db_default=[], help_text="ticks from the left to each mullion's center")
    unit_gap = LengthField(null=True, blank=True, help_text="between units side by side; empty: the family's usual")
    lapping = models.CharField(max_length=6, choices=Lapping.choices, blank=True, default="", db_default="")
    bay = models.JSONField(default=dict, db_default={}, help_text="set-backs from the corners beside it, worked out")
    findings = models.JSONField(default=list, help_text="of the readings as they stand, before any unit")
    goes_on = models.CharField(
        "goes on because", max_length=240, blank=True, default="", db_default="", help_text="though it can't fit so"
    )
    version = models.PositiveIntegerField(default=0, help_text="grows with every change, for conflicts")

    objects = JobPartQuerySet.as_manager()

    class Meta:
        ordering = ["room__order", "order", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["job", "room", "mark"],
                condition=~Q(state="dropped"),
                name="opening_mark_once_a_room",
            )
        ]

    def __str__(self) -> str:
        return f"{self.room.name} {self.mark}"


class VisitOpening(models.Model):
    """Which openings an appointment is for."""

    appointment = models.ForeignKey(Appointment, models.CASCADE, related_name="visit_openings")
    opening = models.ForeignKey(Opening, models.CASCADE, related_name="visit_openings")

    class Meta:
        ordering = ["opening__room__order", "opening__order"]
        constraints = [models.UniqueConstraint(fields=["appointment", "opening"], name="opening_once_a_visit")]

    def __str__(self) -> str:
        return f"{self.opening} at {self.appointment}"


class Spot(models.TextChoices):
    """Where on an opening a reading is taken."""

    WIDTH_TOP = "widths.top", LABELS["widths.top"]
    WIDTH_MIDDLE = "widths.middle", LABELS["widths.middle"]
    WIDTH_BOTTOM = "widths.bottom", LABELS["widths.bottom"]
    HEIGHT_LEFT = "heights.left", LABELS["heights.left"]
    HEIGHT_CENTER = "heights.center", LABELS["heights.center"]
    HEIGHT_RIGHT = "heights.right", LABELS["heights.right"]
    DEPTH = "depth", LABELS["depth"]
    RISING = "diagonals.rising", LABELS["diagonals.rising"]
    FALLING = "diagonals.falling", LABELS["diagonals.falling"]
    COVER_LEFT = "cover.left", LABELS["cover.left"]
    COVER_RIGHT = "cover.right", LABELS["cover.right"]
    COVER_TOP = "cover.top", LABELS["cover.top"]
    COVER_BOTTOM = "cover.bottom", LABELS["cover.bottom"]
    CHOSEN_WIDTH = "chosen.width", LABELS["chosen.width"]
    CHOSEN_HEIGHT = "chosen.height", LABELS["chosen.height"]
    SHAPE_WIDTH = "shape.width", LABELS["shape.width"]
    LEG_LEFT = "shape.leg_left", LABELS["shape.leg_left"]
    LEG_RIGHT = "shape.leg_right", LABELS["shape.leg_right"]
    SIDE_LEFT = "shape.left", LABELS["shape.left"]
    SIDE_RIGHT = "shape.right", LABELS["shape.right"]
    RISE = "shape.rise", LABELS["shape.rise"]
    RISE_LEFT = "shape.rise_left", LABELS["shape.rise_left"]
    RISE_RIGHT = "shape.rise_right", LABELS["shape.rise_right"]
    PEAK = "shape.peak", LABELS["shape.peak"]
    LEVEL = "shape.level", LABELS["shape.level"]
    UPRIGHT = "shape.upright", LABELS["shape.upright"]
    SLANT = "shape.slant", LABELS["shape.slant"]
    SLOPE = "shape.slope", LABELS["shape.slope"]
    SLOPE_LEFT = "shape.slope_left", LABELS["shape.slope_left"]
    SLOPE_RIGHT = "shape.slope_right", LABELS["shape.slope_right"]
    WALL = WALL, LABELS[WALL]


class Reading(models.Model):
    """One length read off a tape at one spot of one opening; never changed, only superseded."""

    class Grade(models.TextChoices):
        ROUGH = "rough", "rough"
        FINAL = "final", "final"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False, help_text="a device may name it")
    opening = models.ForeignKey(Opening, models.CASCADE, related_name="readings")
    visit = models.ForeignKey(MeasureVisit, models.PROTECT, null=True, blank=True, related_name="readings")
    spot = models.CharField(max_length=18, choices=Spot.choices, db_column="place")
    turn = models.PositiveSmallIntegerField(default=1, help_text="2 where the same place is read twice")
    typed = models.CharField(max_length=40, help_text="as it was entered")
    case_added = LengthField(null=True, blank=True, help_text="the tape's case, where it stood in the opening")
    value = LengthField(help_text="on the tape's grid, case included")
    grade = models.CharField(max_length=6, choices=Grade.choices, default=Grade.FINAL)
    tape = models.ForeignKey(Tape, models.PROTECT, null=True, blank=True, related_name="+")
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    taken_at = models.DateTimeField(default=timezone.now)
    confirmed_at = models.DateTimeField(null=True, blank=True, help_text="read again after a doubt, and the same")
    superseded_at = models.DateTimeField(null=True, blank=True)
    conflict_with = models.ForeignKey("self", models.SET_NULL, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["opening", "spot", "turn", "-taken_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["opening", "spot", "turn"],
                condition=Q(superseded_at__isnull=True, conflict_with__isnull=True),
                name="one_current_reading_a_place",
            )
        ]

    def __str__(self) -> str:
        return f"{self.get_spot_display()}: {self.value}"

    def is_current(self) -> bool:
        return self.superseded_at is None and self.conflict_with_id is None


class Obstruction(models.Model):
    """Something in or beside an opening that the covering must clear."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False, help_text="a device may name it")
    opening = models.ForeignKey(Opening, models.CASCADE, related_name="obstructions")
    kind = models.CharField(max_length=30, help_text="crank, handle, lock, trim, pipe, sensor …")
    projection = LengthField(help_text="how far it stands out, rounded up")
    from_top = LengthField(null=True, blank=True)
    side = models.CharField(max_length=6, blank=True, help_text="left, right, top, bottom, or in the way of all")
    at = models.CharField(
        max_length=4, default="path", help_text="head: eats the depth; path: where slats, vanes or cloth hang"
    )
    note = models.CharField(max_length=120, blank=True)
    removed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.kind}, {self.projection}"


class Photo(models.Model):
    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False, help_text="a device may name it")
    opening = models.ForeignKey(Opening, models.CASCADE, related_name="photos")
    file = models.ImageField(upload_to="photos/%Y/%m/")
    caption = models.CharField(max_length=160, blank=True)
    for_customer = models.BooleanField("the customer sees it", default=False, db_default=False)
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    taken_at = models.DateTimeField(default=timezone.now)
    removed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["taken_at"]

    def __str__(self) -> str:
        return self.caption or f"photo of {self.opening}"


class FactConflict(models.Model):
    """Two devices set the same fact of an opening without seeing each other: both are kept."""

    opening = models.ForeignKey(Opening, models.CASCADE, related_name="fact_conflicts")
    fact = models.CharField(max_length=40)
    standing = models.JSONField(null=True, help_text="what stood when the other arrived, and stands")
    offered = models.JSONField(null=True, help_text="what the other device says")
    offered_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    offered_at = models.DateTimeField(default=timezone.now)
    settled_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    settled_at = models.DateTimeField(null=True, blank=True)
    took_offered = models.BooleanField(null=True)

    class Meta:
        ordering = ["offered_at"]

    def __str__(self) -> str:
        return f"{self.fact} of {self.opening}"


class ShapeTemplate(models.Model):
    """An opening's outline traced on paper; its number stands on it, beside TOP and ROOM SIDE."""

    class State(models.TextChoices):
        MADE = "made", "made"
        SENT = "sent", "sent"
        RETURNED = "returned", "returned"
        KEPT = "kept", "kept"
        DISCARDED = "discarded", "discarded"

    class SizeIs(models.TextChoices):
        OPENING = "opening", "opening size"
        FINISHED = "finished", "finished size"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False, help_text="a device may name it")
    job = models.ForeignKey(Job, models.CASCADE, related_name="templates")
    position = models.PositiveSmallIntegerField(help_text="among the job's templates, from 1")
    opening = models.ForeignKey(Opening, models.CASCADE, related_name="templates")
    size_is = models.CharField("what was traced", max_length=8, choices=SizeIs.choices, default=SizeIs.OPENING)
    state = models.CharField(max_length=9, choices=State.choices, default=State.MADE)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)
    sent_to = models.CharField(max_length=80, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    returned_at = models.DateTimeField(null=True, blank=True)
    kept_where = models.CharField(max_length=80, blank=True)
    kept_at = models.DateTimeField(null=True, blank=True)
    reason = models.CharField(max_length=240, blank=True, help_text="why it was discarded")

    objects = JobPartQuerySet.as_manager()

    class Meta:
        ordering = ["job", "position"]
        constraints = [models.UniqueConstraint(fields=["job", "position"], name="template_once_a_job")]

    def __str__(self) -> str:
        return self.number

    @property
    def number(self) -> str:
        """Such as J-1004-T2."""
        return f"{self.job.number}-T{self.position}"

    def stands(self) -> bool:
        """Whether it says anything of the opening any more."""
        return self.state != self.State.DISCARDED

    @property
    def at(self) -> dt.datetime:
        """Since when it is where it is."""
        since = {self.State.SENT: self.sent_at, self.State.RETURNED: self.returned_at, self.State.KEPT: self.kept_at}
        return since.get(self.State(self.state)) or self.made_at

    @property
    def where(self) -> str:
        """Its state in words: with whom it is, or where."""
        if self.state == self.State.SENT:
            return f"sent to {self.sent_to}"
        if self.state == self.State.KEPT and self.kept_where:
            return f"kept: {self.kept_where}"
        return self.get_state_display()


# -- units -----------------------------------------------------------------------


class UnitQuerySet(JobPartQuerySet["Unit"]):
    job_path = "opening__job"

    def live(self) -> UnitQuerySet:
        return self.exclude(state__in=[Unit.State.CANCELLED, Unit.State.REPLACED])


class Unit(models.Model):
    """One covering to be made for an opening; a wide opening can take several."""

    class State(models.TextChoices):
        DRAFT = "draft", "not sized"
        SIZED = "sized", "sized"
        APPROVED = "approved", "approved"
        RELEASED = "released", "released"
        IN_WORKROOM = "in_workroom", "in the workroom"
        MADE = "made", "made"
        LOADED = "loaded", "loaded"
        INSTALLED = "installed", "installed"
        NOT_INSTALLED = "not_installed", "not installed"
        REPLACED = "replaced", "replaced"
        CANCELLED = "cancelled", "cancelled"

    opening = models.ForeignKey(Opening, models.PROTECT, related_name="units")
    number = models.PositiveSmallIntegerField(default=1)
    code = models.CharField(max_length=12, unique=True, help_text="short code on its labels")
    product = models.ForeignKey(Product, models.PROTECT, related_name="units")
    mount = models.CharField(max_length=8, choices=Mount.choices)
    options = models.JSONField(default=dict)
    state = models.CharField(max_length=14, choices=State.choices, default=State.DRAFT)
    order_width = LengthField(null=True, blank=True)
    order_height = LengthField(null=True, blank=True)
    longest_height = LengthField(null=True, blank=True, help_text="cloth is cut for this")
    basis = models.CharField(max_length=14, blank=True, help_text="opening size or finished size")
    steps = models.JSONField(default=list, help_text="how the size was reached")
    findings = models.JSONField(default=list)
    size_revision = models.PositiveIntegerField(default=0)
    grade = models.CharField(max_length=6, choices=Reading.Grade.choices, blank=True)
    due_on = models.DateField(null=True, blank=True, help_text="to be made by")
    replaces = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="replaced_by")
    released_at = models.DateTimeField(null=True, blank=True)
    made_at = models.DateTimeField(null=True, blank=True)
    installed_at = models.DateTimeField(null=True, blank=True)

    objects = UnitQuerySet.as_manager()

    class Meta:
        ordering = ["opening__room__order", "opening__order", "number", "pk"]
        indexes = [models.Index(fields=["state", "due_on"])]

    def __str__(self) -> str:
        return f"{self.code} {self.product.name}"

    @property
    def job(self) -> Job:
        return self.opening.job

    def is_sized(self) -> bool:
        return self.order_width is not None and self.order_height is not None


RELEASED_OR_LATER = (
    Unit.State.RELEASED,
    Unit.State.IN_WORKROOM,
    Unit.State.MADE,
    Unit.State.LOADED,
    Unit.State.INSTALLED,
    Unit.State.NOT_INSTALLED,
)


class Approval(models.Model):
    """The customer's yes to one revision of sizes and options of named units."""

    job = models.ForeignKey(Job, models.CASCADE, related_name="approvals")
    revision = models.PositiveIntegerField()
    units = models.ManyToManyField(Unit, related_name="approvals")
    snapshot = models.JSONField(help_text="sizes and options as they were agreed")
    approved_by = models.CharField("who said yes", max_length=120)
    how = models.CharField(max_length=60, blank=True, help_text="signed, e-mail, on the phone")
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.PROTECT,
        null=True,
        related_name="+",
        help_text="none: the customer, on their page",
    )
    approved_at = models.DateTimeField(default=timezone.now)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    objects = JobPartQuerySet.as_manager()

    class Meta:
        ordering = ["-revision"]
        constraints = [models.UniqueConstraint(fields=["job", "revision"], name="approval_once_a_revision")]

    def __str__(self) -> str:
        return f"approval {self.revision} of {self.job.number}"

    @property
    def is_of_customers_sizes(self) -> bool:
        """Whether the customer measured and answers for the sizes; approvals that don't say so are of ours."""
        return any(one.get("sizes_by") == "customer" for one in self.snapshot.get("units", []))


class SizeChange(models.Model):
    """
    A change of a unit after its release: what is measured again, chosen otherwise, or not wanted.

    While it is open the unit is on hold; the office decides, seeing what it does.
    """

    class Kind(models.TextChoices):
        SIZE = "size", "measured again"
        CHOICE = "choice", "chosen otherwise"
        PRODUCT = "product", "another product"
        CANCEL = "cancel", "not wanted"

    class State(models.TextChoices):
        OPEN = "open", "to decide"
        ACCEPTED = "accepted", "accepted"
        REFUSED = "refused", "refused"

    unit = models.ForeignKey(Unit, models.CASCADE, related_name="size_changes")
    kind = models.CharField(max_length=8, choices=Kind.choices, default=Kind.SIZE, db_default=Kind.SIZE)
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN)
    old_width = LengthField()
    old_height = LengthField()
    new_width = LengthField()
    new_height = LengthField()
    new_longest_height = LengthField(null=True, blank=True)
    new_options = models.JSONField(null=True, blank=True, help_text="all that is chosen from then on")
    new_product = models.ForeignKey(Product, models.PROTECT, null=True, blank=True, related_name="+")
    new_basis = models.CharField(max_length=14, blank=True, default="", db_default="")
    reason = models.CharField(max_length=240, blank=True, default="", db_default="", help_text="who asks, and why")
    price = models.DecimalField(
        max_digits=10, decimal_places=2, null=True, blank=True, validators=between(0, 1_000_000),
        help_text="the new price, as the customer is told it",
    )  # fmt: skip
    steps = models.JSONField(default=list)
    findings = models.JSONField(default=list)
    effects = models.JSONField(default=list, help_text="what it does to units, cut pieces and dates")
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    opened_at = models.DateTimeField(default=timezone.now)
    decided_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    decided_at = models.DateTimeField(null=True, blank=True)
    decision_note = models.CharField(max_length=240, blank=True)

    class Meta:
        ordering = ["-opened_at"]
        constraints = [
            models.UniqueConstraint(fields=["unit"], condition=Q(state="open"), name="one_open_change_a_unit")
        ]

    def __str__(self) -> str:
        return f"change of {self.unit.code}"

    @property
    def is_measured(self) -> bool:
        """Whether it has a size that is not the released one."""
        was, now = (self.old_width, self.old_height), (self.new_width, self.new_height)
        return now != was or self.new_longest_height not in {None, self.unit.longest_height}
