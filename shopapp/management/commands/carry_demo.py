"""Carry the demo's timing job over HTTP against a running server, and tell where its card lies."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from jobs.signoffs import filing
from shopapp.demo.carry import Carrier
from shopapp.demo.client import Refused, TookTooLong


class Command(BaseCommand):
    help = "Carry one timing job through the running server: traces in, people sign, a signed card out; plan the rest."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--url", default=settings.PUBLIC_URL, help="where the server listens")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            carrier = Carrier(options["url"], self.stdout.write)
            card = carrier.carry()
            plan = carrier.plan_the_rest()
        except (Refused, TookTooLong, RuntimeError) as error:
            raise CommandError(str(error)) from error
        self.stdout.write(f"The signed job card: {filing.store().path(card['sha256'])}")
        self.stdout.write(f"Its verification page: {card['verify']}")
        late = f"{plan['cost']['late']} of {plan['cost']['orders']} orders late"
        self.stdout.write(f"Plan {plan['version']} is in force, {late}: {options['url'].rstrip('/')}/plan/")
