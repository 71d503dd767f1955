"""What rooms above do when the record changes: they connect here, and this room knows nothing of them."""

from django.dispatch import Signal

change_set_accepted = Signal()
"""Sent with each accepted ``change_set``, in its transaction, once its rows are written. What a receiver
writes is committed or rolled back with them; what must wait goes into ``transaction.on_commit``."""

change_set_withdrawn = Signal()
"""Sent with each ``change_set`` that was recorded and is withdrawn, in the same way."""
