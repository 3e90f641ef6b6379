from django.db import migrations

from jobs.ledger.triggers import make_append_only

forward, backward = make_append_only("ledger_entry", "ledger_subject")


class Migration(migrations.Migration):
    dependencies = [("ledger", "0001_initial")]
    operations = [migrations.RunPython(forward, backward)]
