from django.db import migrations

from jobs.ledger.triggers import make_append_only

forward, backward = make_append_only("orders_analysis")


class Migration(migrations.Migration):
    dependencies = [("orders", "0001_initial")]
    operations = [migrations.RunPython(forward, backward)]
