from django.db import migrations

from jobs.ledger.triggers import make_append_only

forward, backward = make_append_only("planning_plan")


class Migration(migrations.Migration):
    dependencies = [("planning", "0006_crane_uses"), ("ledger", "0002_entries_append_only")]
    operations = [migrations.RunPython(forward, backward)]
