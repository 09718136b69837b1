"""The migration that made the recipe's list the one list, over rows as they were before it."""

import pytest
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

BEFORE = [("fabrication", "0009_one_list_of_options"), ("measuring", "0003_visits_under_way_are_not_done")]
MAPPED = [("fabrication", "0010_map_choices_to_recipes")]

pytestmark = pytest.mark.django_db(transaction=True)

RECIPE = {
    "options": [
        {"key": "colour", "choices": [{"key": "Dusk grey"}, {"key": "white"}]},
        {"key": "control_side", "choices": [{"key": "left"}, {"key": "right"}]},
    ]
}


@pytest.fixture
def old_rows():
    """The apps as they were, and afterwards the database as it is today."""
    executor = MigrationExecutor(connection)
    today = executor.loader.graph.leaf_nodes()
    executor.migrate(BEFORE)
    yield executor.loader.project_state(BEFORE).apps
    executor = MigrationExecutor(connection)
    executor.loader.build_graph()
    executor.migrate(today)


def migrated():
    executor = MigrationExecutor(connection)
    executor.loader.build_graph()
    executor.migrate(MAPPED)
    return executor.loader.project_state(MAPPED).apps


def test_what_the_recipe_has_is_mapped_and_the_rest_is_listed(old_rows):
    rows = Rows(old_rows)
    made = rows.product("roller", options={"colour": ["dusk gray", "slate"], "trim": ["braid"]}, recipe=RECIPE)
    bought = rows.product("bought", source="bought", options={"lining": {"choices": ["thin"], "needed": False}})
    spelled = rows.unit(made, "approved", {"color": "Dusk Gray", "control side": "LEFT"})
    unknown = rows.unit(made, "sized", {"colour": "slate"})
    released = rows.unit(made, "released", {"colour": "dusk gray"})

    apps = migrated()
    Unit = apps.get_model("measuring", "Unit")
    Lacking = apps.get_model("fabrication", "LackingChoice")
    SupplierList = apps.get_model("fabrication", "SupplierList")

    assert Unit.objects.get(pk=spelled).options == {"colour": "Dusk grey", "control_side": "left"}
    assert Unit.objects.get(pk=unknown).options == {"colour": "slate"}
    assert Unit.objects.get(pk=released).options == {"colour": "dusk gray"}
    assert set(Lacking.objects.values_list("product__key", "option", "value")) == {
        ("roller", "control", "crank"),
        ("roller", "colour", "slate"),
        ("roller", "trim", "braid"),
    }
    assert SupplierList.objects.get(product=bought).options == [
        {"key": "control", "name": "control", "choices": ["crank"], "needed": True},
        {"key": "lining", "name": "lining", "choices": ["thin"], "needed": False},
        {"key": "colour", "name": "color", "choices": [], "needed": True},
    ]


class Rows:
    """A branch with a job, by the models as they were."""

    def __init__(self, apps):
        self.model = apps.get_model
        self.branch = self.model("shared", "Branch").objects.create(name="Larkmere")
        user = self.model("shared", "User").objects.create(username="ida", branch=self.branch)
        customer = self.model("jobs", "Customer").objects.create(branch=self.branch, name="Ida Marl")
        site = self.model("jobs", "Site").objects.create(branch=self.branch, customer=customer, street="3 Kiln Lane")
        self.job = self.model("jobs", "Job").objects.create(
            branch=self.branch, number="J-1", customer=customer, site=site, created_by=user
        )
        self.room = self.model("measuring", "Room").objects.create(job=self.job, name="Kitchen")

    def product(self, key, *, options, source="made", recipe=None):
        made = self.model("measuring", "Product").objects.create(
            branch=self.branch, key=key, name=key, family="roller", source=source, options=options,
            fit={"controls": [{"key": "crank", "name": "crank"}]},
        )  # fmt: skip
        if recipe:
            self.model("fabrication", "RecipeRevision").objects.create(product=made, number=1, definition=recipe)
        return made.pk

    def unit(self, product, state, options):
        Opening, Unit = self.model("measuring", "Opening"), self.model("measuring", "Unit")
        number = Opening.objects.count() + 1
        opening = Opening.objects.create(job=self.job, room=self.room, mark=str(number), product_id=product)
        return Unit.objects.create(
            opening=opening, code=f"K-{number}", product_id=product, mount="inside", state=state, options=options
        ).pk
