"""Load the invented railway and make its signing key."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from jobs.people.models import Shop
from jobs.signoffs import keys
from shopapp.demo import railway
from shopapp.demo.load import load


class Command(BaseCommand):
    help = "Load the invented railway (demo data); a second time changes nothing."

    def handle(self, *args: Any, **options: Any) -> None:
        load(timezone.now())
        for demo_shop in Shop.objects.filter(is_demo=True):
            keys.make_demo_key(demo_shop, now=timezone.now())
        self.stdout.write(f"The {railway.RAILWAY} is loaded. Every demo account has the password {railway.PASSWORD}:")
        for username, name, shop, role, _ in railway.PEOPLE:
            self.stdout.write(f"  {username:<18} {role:<14} {name}, {dict(railway.SHOPS)[shop]}")
