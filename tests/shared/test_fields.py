"""Lengths in models, forms and the API: exact ticks in, what was typed out."""

from __future__ import annotations

from typing import Any

import pytest
from django import forms
from django.core.exceptions import ValidationError
from django.db import connection, models
from django.db.migrations.writer import MigrationWriter
from django.template import Context, Template
from rest_framework import serializers

from shared.fields import LengthField, LengthFormField, LengthSerializerField
from shared.forms import PageForm
from shared.lengths import EIGHTH, Length, LengthUnit

WIDTH = Length.parse("35 3/8")


class Board(models.Model):
    """A table that only these tests have."""

    width = LengthField()
    thickness = LengthField(null=True, blank=True)

    class Meta:
        app_label = "shared"
        managed = False

    def __str__(self) -> str:
        return str(self.width)


@pytest.fixture
def boards(transactional_db: None) -> Any:
    with connection.schema_editor() as editor:
        editor.create_model(Board)
    yield Board.objects
    with connection.schema_editor() as editor:
        editor.delete_model(Board)


def test_a_length_comes_back_exactly_as_it_was_stored(boards: Any) -> None:
    boards.create(width=WIDTH)

    stored = boards.get()

    assert stored.width == WIDTH
    assert stored.thickness is None
    with connection.cursor() as cursor:
        cursor.execute("SELECT width FROM shared_board")
        assert cursor.fetchone()[0] == 287528  # 35 x 8128 + 3 x 1016 ticks


def test_lengths_are_compared_ordered_and_summed_in_the_database(boards: Any) -> None:
    boards.create(width=Length.mm(900))
    boards.create(width=Length.mm(904))

    assert boards.filter(width__gt=Length.mm(900)).count() == 1
    assert boards.order_by("-width").first().width == Length.mm(904)
    assert boards.aggregate(all=models.Sum("width"))["all"] == Length.mm(1804)


@pytest.mark.parametrize("bare", [35, 35.375, "35 3/8"])
def test_a_bare_number_or_text_is_refused_on_the_way_in(boards: Any, bare: Any) -> None:
    with pytest.raises(TypeError, match="takes a Length"):
        boards.create(width=bare)


def test_a_length_can_stand_in_a_migration() -> None:
    text, imports = MigrationWriter.serialize(WIDTH)

    assert text == "shared.lengths.Length(287528)"
    assert imports == {"import shared.lengths"}


# -- forms ------------------------------------------------------------------------------------


class WidthForm(PageForm):
    width = LengthFormField(least=Length.inches(6), most=Length.inches(120), grid=EIGHTH)
    depth = LengthFormField(required=False)


def test_a_form_reads_what_people_type() -> None:
    form = WidthForm({"width": '35-3/8"', "depth": ""})

    assert form.is_valid(), form.errors
    assert form.cleaned_data == {"width": WIDTH, "depth": None}


def test_a_bare_number_is_in_the_forms_unit() -> None:
    form = WidthForm({"width": "36 in", "depth": "904"}, unit=LengthUnit.MM)
    form.fields["width"].grid = None

    assert form.is_valid(), form.errors
    assert form.cleaned_data["depth"] == Length.mm(904)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("35.4", "the nearest are 35 25/64 and 35 13/32"),  # off the tape
        ("35 1/16", "finer than the tape; the nearest are 35 and 35 1/8"),  # off this form's grid
        ("5", "5 in is under the least, 6 in"),
        ("121", "121 in is over the most, 120 in"),
        ("wide", "wide is not a length"),
        ("", "required"),
    ],
)
def test_a_refused_length_stays_in_its_box_with_the_reason_beside_it(typed: str, says: str) -> None:
    form = WidthForm({"width": typed})

    html = form["width"].as_field_group()

    assert says in html
    assert 'aria-invalid="true"' in html
    assert 'aria-describedby="id_width_error"' in html
    if typed:
        assert f'value="{typed}"' in html


def test_a_stored_length_is_shown_in_the_forms_unit() -> None:
    assert 'value="35 3/8"' in str(WidthForm(initial={"width": WIDTH})["width"])
    assert 'value="904"' in str(WidthForm(initial={"width": Length.mm(904)}, unit=LengthUnit.MM)["width"])


def test_an_unchanged_length_is_not_a_change() -> None:
    assert not WidthForm({"width": "35.375"}, initial={"width": WIDTH}).has_changed()
    assert WidthForm({"width": "35.5"}, initial={"width": WIDTH}).has_changed()


def test_the_model_field_gives_a_length_box() -> None:
    assert isinstance(forms.modelform_factory(Board, fields=["width"]).base_fields["width"], LengthFormField)


# -- API ----------------------------------------------------------------------------------------


class BoardSerializer(serializers.ModelSerializer[Board]):
    class Meta:
        model = Board
        fields = ["width"]


def test_the_api_gives_text_unit_and_ticks() -> None:
    assert BoardSerializer(Board(width=WIDTH)).data["width"] == {"text": "35 3/8", "unit": "in", "ticks": 287528}


def test_what_the_api_gives_it_takes_back() -> None:
    given = BoardSerializer(Board(width=WIDTH)).data

    taken = BoardSerializer(data=given)

    assert taken.is_valid(), taken.errors
    assert taken.validated_data["width"] == WIDTH


@pytest.mark.parametrize("sent", [35, 35.375, None, True, [], {"text": 35}, {"ticks": 3.5}, {"ticks": -1}, {}])
def test_the_api_refuses_numbers_and_nonsense_as_lengths(sent: Any) -> None:
    taken = BoardSerializer(data={"width": sent})

    assert not taken.is_valid()


def test_api_bounds_are_named() -> None:
    field = LengthSerializerField(most=Length.inches(120))

    with pytest.raises(serializers.ValidationError, match="121 in is over the most, 120 in"):
        field.run_validation("121")


# -- on the page ---------------------------------------------------------------------------------


def shown(template: str, **context: Any) -> str:
    return Template(template).render(Context(context))


def test_a_length_is_stacked_and_read_aloud() -> None:
    html = shown("{% length width %}", width=WIDTH)

    assert 'aria-label="35 and 3 eighths inches"' in html
    assert "<sup>3</sup><i>/</i><sub>8</sub>" in html


def test_a_length_under_an_inch_has_no_whole_figure() -> None:
    assert shown("{% length width %}", width=Length.parse("3/8")).startswith(
        '<span class="len" role="img" aria-label="3 eighths inch"><span class="frac">'
    )


def test_millimetres_are_whole_figures() -> None:
    assert ">904</span> mm" in shown("{% length width symbol=True %}", width=Length.mm(904), unit="mm")


def test_no_length_is_a_dash_that_says_none() -> None:
    assert 'aria-label="none">–' in shown("{% length width %}", width=None)


def test_a_size_is_width_then_height() -> None:
    html = shown("{% size w h symbol=True %}", w=Length.inches(30), h=Length.inches(60))

    assert html.index(">30<") < html.index("×") < html.index(">60<") < html.index(" in<")


def test_the_model_field_cleans_ticks_of_a_fixture_and_refuses_words() -> None:
    assert LengthField().to_python("287528") == WIDTH
    with pytest.raises(ValidationError):
        LengthField().to_python("wide")
