"""A page with one of everything the frame offers, for eyes and for accessibility checks."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.template import engines
from django.urls import path

from shared import urls
from shared.drawings import Svg
from shared.fields import LengthFormField
from shared.forms import DateInput, PageForm, TimeInput
from shared.lengths import EIGHTH, Length
from shared.models import Run

PAGE = """{% extends "shared/base.html" %}
{% block title %}Opening K3{% endblock title %}
{% block where %}<p class="where"><a href="/">Job 1042</a> · 14 Sluice Lane</p>{% endblock where %}
{% block heading %}Opening K3{% endblock heading %}
{% block state %}{% state "in the workroom" %}{% endblock state %}
{% block action %}<button class="action" form="f">Keep readings</button>{% endblock action %}
{% block content %}
{% stage_line stages "released" %}
<p class="huge">{% size width height symbol=True %}</p>
<ul class="findings">
  <li>{% severity "note" %}The opening tapers {% length taper %}.</li>
  <li>{% severity "check" %}Middle width looks an inch off: 34 1/4 was read, 35 1/4 would fit.</li>
  <li>{% severity "stop" %}Depth {% length taper %} is less than the headrail needs.</li>
</ul>
<p class="caution">Painted before 1978: do not sand or drill without lead-safe practice.</p>
<div class="columns">
<section>
<h2>Readings</h2>
<form method="post" id="f">{% csrf_token %}{{ form }}
<div class="row"><button>Keep</button><button class="small">Small</button><button disabled>Not yet</button></div></form>
<details class="hurts"><summary>Cancel the job</summary>
<p>Takes two appointments off the calendar.</p><button>Cancel it</button></details>
</section>
<section>
<h2>Drawing</h2>
{{ svg }}
{% qr "http://localhost/jobs/1042" %}
<h2>Long work</h2>
{% run_bar under_way %}{% run_bar waiting %}{% run_bar failed %}{% run_bar finished %}
</section>
</div>
<h2>Units</h2>
<table class="cards"><caption>in inches</caption>
<thead><tr><th>Unit</th><th>State</th><th class="num">W × H</th><th>Due</th></tr></thead>
<tbody>{% for word in words %}<tr>
  <th scope="row">1042-{{ forloop.counter }}</th>
  <td data-label="State">{% state word %}</td>
  <td data-label="W × H" class="num">{% size width height %}</td>
  <td data-label="Due">{% if not forloop.last %}Tue 3 Mar{% endif %}</td>
</tr>{% endfor %}</tbody></table>
<p class="empty">No offcuts of this fabric. They come here by themselves when a cut leaves more than is thrown away.</p>
<dl class="facts"><div><dt>Customer</dt><dd>Rowan Pell</dd></div><div><dt>Door</dt><dd>key at the desk</dd></div></dl>
{% include "shared/_audit.html" %}
{% endblock content %}
{% block foot_title %}Opening K3 of job 1042{% endblock foot_title %}
"""


STAGES = ["booking", "to measure", "measured", "released", "in the workroom"]
STAGES += ["made", "to install", "installed", "closed"]


class ReadingsForm(PageForm):
    top = LengthFormField(label="Width, top", least=Length.inches(6), grid=EIGHTH)
    middle = LengthFormField(label="Width, middle")
    notes = forms.CharField(required=False, widget=forms.Textarea(attrs={"rows": 2}))
    mount = forms.ChoiceField(choices=[("inside", "inside"), ("outside", "outside")])
    day = forms.DateField(widget=DateInput, required=False, help_text="When the parts are due.")
    at = forms.TimeField(widget=TimeInput, required=False)
    side = forms.ChoiceField(choices=[("left", "left"), ("right", "right")], widget=forms.RadioSelect)
    children = forms.BooleanField(label="Children live or visit here", required=False)


def drawing() -> Svg:
    """An opening with readings, mount and brackets."""
    svg = Svg(360, 300, title="Opening K3", desc="35 3/8 wide at the top, 60 1/4 high")
    svg.rect(70, 50, 220, 200, "ink")
    svg.rect(76, 56, 208, 188, "thin")
    svg.rect(80, 60, 200, 180, "chalk")
    svg.dimension(70, 50, 290, 50, Length.parse("35 3/8"), offset=22)
    svg.dimension(70, 250, 70, 50, Length.parse("60 1/4"), offset=26)
    svg.dimension(70, 150, 290, 150, Length.parse("35 1/4"))
    svg.dimension(70, 250, 100, 250, Length.parse("3 1/2"), offset=-18)
    svg.hatch(250, 190, 40, 60)
    svg.line(76, 244, 284, 56, "dashed")
    for x in (90, 180, 270):
        svg.tick(x, 60, 90)
    svg.text(180, 290, "seen from inside", look="pencil-word")
    return svg


def specimen(request: HttpRequest) -> HttpResponse:
    """The page."""
    messages.success(request, "The readings of K2 are kept.")
    typed = {"top": "35.4", "middle": "35 1/4", "notes": "", "mount": "inside", "side": "left"}

    def run(state: str, **fields: Any) -> Run:
        title = "Cut plan of batch 12"
        return Run.objects.create(kind="tests.add", title=title, state=state, by=request.user, **fields)

    context = {
        "form": ReadingsForm(typed),
        "width": Length.parse("35 3/8"),
        "height": Length.parse("60 1/4"),
        "taper": Length.parse("3/16"),
        "stages": STAGES,
        "words": ["done", "under way", "waiting", "stopped"],
        "under_way": run("under way", done=3, total=8, message="tried 300 patterns"),
        "waiting": run("waiting"),
        "failed": run("failed", error="Piece A4 (121 in) is longer than any bar (120 in)."),
        "finished": run("done", result={"document": 1}),
        "svg": drawing(),
        "entries": [],
    }
    return HttpResponse(engines["django"].from_string(PAGE).render(context, request))


urlpatterns = [path("specimen/", specimen), *urls.urlpatterns]
handler400, handler403, handler404, handler500 = urls.handler400, urls.handler403, urls.handler404, urls.handler500
