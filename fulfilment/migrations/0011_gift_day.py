"""A farm that keeps a care programme already gets the step of a gift's day; a new farm lays it with the others."""

from __future__ import annotations

from django.apps.registry import Apps
from django.db import migrations
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.models import F

KEY = "gift_day"
RULE = {
    "key": KEY,
    "anchor": "start_on",
    "title": "Today your kit may begin",
    "template": KEY,
    "point": "likely",
    "offset_days": 0,
    "at": "10:00",
    "cycles": [1],
    "mail": "care",
    "needs": ["sent"],
    "needs_before": [],
    "unless": ["started"],
}


def add(apps: Apps, editor: BaseDatabaseSchemaEditor) -> None:
    steps = apps.get_model("fulfilment", "CareStep").objects.using(editor.connection.alias)
    if not steps.exists() or steps.filter(key=KEY).exists():
        return
    following = steps.filter(key="start_by").first()
    position = following.position if following else steps.count() + 1
    steps.filter(position__gte=position).update(position=F("position") + 1)
    steps.create(key=KEY, position=position, rule=RULE)


class Migration(migrations.Migration):
    dependencies = [
        ("fulfilment", "0010_learned"),
    ]

    operations = [
        migrations.RunPython(add, migrations.RunPython.noop),
    ]
