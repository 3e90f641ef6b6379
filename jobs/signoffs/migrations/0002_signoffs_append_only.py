from django.db import migrations

from jobs.ledger.triggers import make_append_only

forward, backward = make_append_only("signoffs_signoff")


class Migration(migrations.Migration):
    dependencies = [("signoffs", "0001_initial")]
    operations = [migrations.RunPython(forward, backward)]
