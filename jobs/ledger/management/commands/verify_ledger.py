"""Whether the ledgers hold, for an auditor at a terminal and for a nightly job.

Exit status: 0 all that were looked at hold, 1 one does not, 2 there is no ledger of that shop, or
none at all.
"""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from jobs.ledger import queries


class Command(BaseCommand):
    help = "Verify the history of every shop, or of one; exit status 1 when it does not hold."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--shop", metavar="CODE", help="only this shop's ledger")

    def handle(self, *args: Any, **options: Any) -> None:
        wanted = options["shop"]
        codes = queries.known()
        if wanted is not None:
            if wanted not in codes:
                known = ", ".join(codes) or "none yet"
                raise CommandError(f"There is no ledger of shop {wanted}; there is: {known}.", returncode=2)
            codes = [wanted]
        if not codes:
            raise CommandError("There is no ledger here: nothing was recorded yet, or all of it is gone.", returncode=2)
        told = [self._tell(queries.verify(code)) for code in codes]
        if not all(told):
            raise CommandError("The history was altered, or the database was damaged.", returncode=1)

    def _tell(self, found: queries.Verification) -> bool:
        entries = "1 entry" if found.size == 1 else f"{found.size} entries"
        if found.holds:
            self.stdout.write(f"{found.chain}: {entries}, holds; last hash {found.last_hash}")
        else:
            self.stdout.write(f"{found.chain}: {entries}, does not hold:")
            for broken in found.broken:
                where = f"entry {broken.number}: " if broken.number else ""
                self.stdout.write(f"  {where}{broken.message}")
        return found.holds
