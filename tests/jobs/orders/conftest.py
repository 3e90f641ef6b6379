"""Orders in work whose steps are done up to a place that many tests begin at; `in_work` is then the same order."""

from __future__ import annotations

from typing import Any

import pytest

from jobs.orders.models import WorkOrder
from tests.prepared import prepared
from tests.walking import Walk


def _walked_to(until: str | None) -> Any:
    @pytest.fixture
    @prepared
    def walked(in_work: WorkOrder, walk: Walk) -> WorkOrder:
        return walk(in_work, until=until)

    return walked


walked_to_own_lock = _walked_to("own-lock")
walked_to_pre_use_check = _walked_to("pre-use-check")
walked_to_probe_photo = _walked_to("probe-photo")
walked_to_barring_caution = _walked_to("barring-caution")
walked_to_stroke_hold = _walked_to("stroke-hold")
walked_to_as_found = _walked_to("as-found")
walked_to_clamp_caution = _walked_to("clamp-caution")
walked_to_ring_shift = _walked_to("ring-shift")
walked_to_torque = _walked_to("torque")
walked_to_as_left = _walked_to("as-left")
walked_to_locks_off = _walked_to("locks-off")
walked_through = _walked_to(None)
