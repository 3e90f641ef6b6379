"""What rooms above this one listen to."""

from django.dispatch import Signal

# Sent inside the transaction of every change to what a sign-off covers: order, by, at, what (a sentence).
content_changed = Signal()
