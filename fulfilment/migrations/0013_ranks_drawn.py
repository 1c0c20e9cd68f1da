from django.db import migrations, models


class Migration(migrations.Migration):
    """A part's rank becomes a number without a row of its own; whoever still writes rows draws of the same numbers."""

    dependencies = [
        ("fulfilment", "0012_doubt_answers"),
    ]

    operations = [
        migrations.AlterField(
            model_name="promisepart",
            name="rank",
            field=models.BigIntegerField(
                db_column="rank_id", db_index=True, help_text="Its place in the farm-wide order of promises."
            ),
        ),
    ]
