"""What the set-up asks that no other page does."""

from django import forms

from shared.forms import PageForm


class FirmForm(PageForm):
    """The firm's name."""

    name = forms.CharField(max_length=80, label="Name of the firm", help_text="As customers know it.")
