"""How gunicorn serves Midflank; `manage.py serve` and the container use it."""

from __future__ import annotations

import os
from typing import Any

from jobs.errands.parent import end_with_parent

bind = f"{os.environ.get('MIDFLANK_BIND', '127.0.0.1')}:{os.environ.get('PORT', '8000')}"
workers = int(os.environ.get("MIDFLANK_WEB_WORKERS", "2"))
threads = int(os.environ.get("MIDFLANK_WEB_THREADS", "4"))
worker_class = "gthread"
timeout = 60
graceful_timeout = 20
control_socket_disable = True
proc_name = "midflank-web"
wsgi_app = "shopapp.wsgi:application"


def on_starting(server: Any) -> None:
    """A gunicorn that was started by `manage.py serve` does not outlive it."""
    parent = os.environ.get("MIDFLANK_SERVED_BY")
    if parent:
        end_with_parent(int(parent))
