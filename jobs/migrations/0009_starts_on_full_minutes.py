import datetime as dt

from django.db import migrations


def full(start):
    """The minute that every page showed: clocks leave the seconds out."""
    return start and start.replace(second=0, microsecond=0)


def full_text(start):
    return start and full(dt.datetime.fromisoformat(start)).isoformat()


def to_full_minutes(apps, schema_editor):
    for name in ("Appointment", "ProposedMove"):
        rows = apps.get_model("jobs", name).objects
        for pk, start in rows.exclude(starts_at=None).values_list("pk", "starts_at"):
            if start != full(start):
                rows.filter(pk=pk).update(starts_at=full(start))
    moves = apps.get_model("jobs", "AppointmentMove").objects
    for move in moves.filter(undone_at=None):
        own, pushed = move.before["own"], move.before["pushed"]
        before = {
            "own": own | {"starts_at": full_text(own["starts_at"])},
            "pushed": {pk: [full_text(start) for start in starts] for pk, starts in pushed.items()},
        }
        if before != move.before:
            moves.filter(pk=move.pk).update(before=before)


class Migration(migrations.Migration):
    """Visits planned to the second start on the minute that was shown; moves that can be taken back know it."""

    dependencies = [("jobs", "0008_devices_are_shared")]

    operations = [migrations.RunPython(to_full_minutes, migrations.RunPython.noop, elidable=True)]
